"""A tank as its true section: the same geometry that computes the gallons, with its water, its doubt and its marks."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from holdwater.tanks.section import Section, VesselSection, below, section
from holdwater.tanks.tank import Stand, Tank
from holdwater.units import Measure
from holdwater.web.charts.columns import COVER
from holdwater.web.charts.svg import Point, hatch, num, path_of, picture, spread, tag, width_of, words

BOX_WIDE, BOX_TALL = 176.0, 230.0
"""Room for the vessels, px."""

FONT = 14.0
EDGE = 10.0
TICK = 9.0
LABEL_GAP = FONT * 1.3
BAND_LEAST = 2.0
"""Thinnest surface that can be seen, px."""


@dataclass(frozen=True, slots=True)
class Mark:
    """A height to be labelled: outlet, reserve, overflow, surface."""

    at_m: float
    label: str
    bold: bool = False


@dataclass(frozen=True, slots=True)
class Sheet:
    """From metres to pixels."""

    drawn: Section
    scale: float
    base: float
    """Px of the lowest floor."""

    def place(self, points: Sequence[Point]) -> list[Point]:
        """Metres to px; y grows downwards."""
        return [(EDGE + x * self.scale, self.base - y * self.scale) for x, y in points]

    def y(self, height_m: float) -> float:
        """Px of a height."""
        return self.base - height_m * self.scale

    def wall(self, height_m: float) -> float:
        """Px of the outermost right wall at a height, on the rightmost vessel that reaches it."""
        vessels = self.drawn.vessels
        vessel = next((each for each in reversed(vessels) if each.floor_m <= height_m <= each.top_m), vessels[-1])
        level = min(max(height_m, min(y for _, y in vessel.outline)), max(y for _, y in vessel.outline))
        found = []
        for (x0, y0), (x1, y1) in zip(vessel.outline, (*vessel.outline[1:], vessel.outline[0]), strict=True):
            if min(y0, y1) <= level <= max(y0, y1):
                found.append(max(x0, x1) if y0 == y1 else x0 + (x1 - x0) * (level - y0) / (y1 - y0))
        return EDGE + max(found) * self.scale

    @property
    def right(self) -> float:
        """Px of the rightmost wall."""
        return EDGE + self.drawn.width_m * self.scale


def section_svg(tank: Tank, stand: Stand | None, measure: Measure, reason: str = "") -> str:
    """The section of a tank.

    Args:
        tank: its geometry.
        stand: how it stands; None when the level is unknown.
        measure: household units.
        reason: why the level is unknown, in words; drawn inside the empty outline.

    Returns:
        An `<svg>` element; its surface is as thick as the doubt of the volume (two standard uncertainties each way)
        at the free surface there, and never thinner than can be seen.
    """
    if stand is not None and not math.isfinite(stand.depth_m):
        stand = None
    drawn = section(tank)
    scale = min(BOX_WIDE / drawn.width_m, BOX_TALL / drawn.height_m)
    marks = _marks(tank, stand, measure)
    tall = max(drawn.height_m * scale, len(marks) * LABEL_GAP)
    sheet = Sheet(drawn, scale, EDGE + tall)
    parts = [] if stand is None else [_water(tank, stand, sheet)]
    parts += [tag("path", "wall", d=path_of(sheet.place(vessel.outline), close=True)) for vessel in drawn.vessels]
    parts += _names(drawn, sheet)
    if stand is None:
        parts.append(_unknown(reason, sheet))
    parts.append(_labels(marks, sheet))
    wide = sheet.right + TICK + 14 + max(width_of(mark.label, FONT) * (1.08 if mark.bold else 1) for mark in marks)
    tail = FONT + 6 if len(drawn.vessels) > 1 else 0
    return picture("".join(parts), wide, sheet.base + EDGE + tail, _sentence(tank, stand, measure, reason), "section")


def reserve_depth_m(tank: Tank, on_hand_m3: float) -> float:
    """Depth at which so much is on hand, m, by halving between outlet and overflow 50 times: to a picometre."""
    low, high = tank.outlet_m, tank.overflow_m
    for _ in range(50):
        middle = (low + high) / 2
        low, high = (middle, high) if tank.on_hand_m3(middle) < on_hand_m3 else (low, middle)
    return (low + high) / 2


def _marks(tank: Tank, stand: Stand | None, measure: Measure) -> list[Mark]:
    """What is labelled, from the top down."""
    marks = [Mark(tank.overflow_m, f"overflow lip {measure.length_text(tank.overflow_m)}")]
    if tank.reserve_m3 is not None:
        marks.append(Mark(reserve_depth_m(tank, tank.reserve_m3), f"reserve {measure.volume_text(tank.reserve_m3)}"))
    if tank.floor_m3 is not None:
        name = "fire water" if "fire" in tank.uses else "kept back"
        marks.append(Mark(reserve_depth_m(tank, tank.floor_m3), f"{name} {measure.volume_text(tank.floor_m3)}"))
    if tank.outlet_m > 0:
        marks.append(Mark(tank.outlet_m, f"tap {measure.length_text(tank.outlet_m)}"))
    if stand is not None:
        marks.append(
            Mark(min(max(stand.depth_m, 0.0), tank.height_m), f"{measure.length_text(stand.depth_m)} deep", bold=True)
        )
    return sorted(marks, key=lambda mark: -mark.at_m)


def _water(tank: Tank, stand: Stand, sheet: Sheet) -> str:
    depth = min(stand.depth_m, tank.height_m)
    wet = path_of_all(sheet, [vessel.water(depth) for vessel in sheet.drawn.vessels])
    dead = path_of_all(sheet, [vessel.water(min(depth, tank.outlet_m)) for vessel in sheet.drawn.vessels])
    parts = [tag("path", "water", d=wet)] if wet else []
    if dead:
        name = f"dead-{_token(tank.name)}"
        parts += [tag("defs", "", hatch(name)), tag("path", "dead", d=dead, fill=f"url(#{name})")]
    half = max(COVER * stand.u_m3 / stand.area_m2 if stand.area_m2 > 0 else 0.0, BAND_LEAST / 2 / sheet.scale)
    surface = path_of_all(sheet, [_between(vessel, depth - half, depth + half) for vessel in sheet.drawn.vessels])
    return "".join(parts) + (tag("path", "surface", d=surface) if surface and depth >= 0 else "")


def _between(vessel: VesselSection, low_m: float, high_m: float) -> Sequence[Point]:
    """The part of a vessel between two heights."""
    lower = below(vessel.outline, high_m) if high_m < vessel.top_m else vessel.outline
    return [(x, -y) for x, y in below([(x, -y) for x, y in lower], -low_m)] if len(lower) >= 3 else ()


def path_of_all(sheet: Sheet, outlines: Sequence[Sequence[Point]]) -> str:
    """Path data of several closed outlines."""
    return "".join(path_of(sheet.place(outline), close=True) for outline in outlines if outline)


def _token(name: str) -> str:
    """A name as an id that is safe inside an attribute and a url(#…)."""
    return name.encode().hex()


def _labels(marks: Sequence[Mark], sheet: Sheet) -> str:
    """Ticks on the outside wall at their true height, labels moved apart as far as needed, thin leads between."""
    column = sheet.right + TICK + 10
    wanted = [sheet.y(mark.at_m) for mark in marks]
    rows = spread(wanted, LABEL_GAP, EDGE + FONT * 0.3, sheet.base)
    parts = []
    for mark, y, row in zip(marks, wanted, rows, strict=True):
        wall = sheet.wall(mark.at_m)
        parts.append(tag("path", "tick", d=f"M{num(wall - 1)} {num(y)}h{num(TICK)}"))
        parts.append(tag("path", "lead", d=f"M{num(wall + TICK - 1)} {num(y)}L{num(column - 3)} {num(row)}"))
        parts.append(words(mark.label, column, row + FONT * 0.35, FONT, "text", bold=mark.bold))
    return "".join(parts)


def _names(drawn: Section, sheet: Sheet) -> list[str]:
    """Names of joined vessels under them, cut to their width."""
    if len(drawn.vessels) < 2:
        return []
    parts = []
    for vessel in drawn.vessels:
        most = int((vessel.right_m - vessel.left_m) * 1.1 * sheet.scale / width_of("n", 12))
        name = vessel.name if len(vessel.name) <= most else vessel.name[: max(1, most - 1)] + "…"
        middle = EDGE + (vessel.left_m + vessel.right_m) / 2 * sheet.scale
        parts.append(words(name, middle, sheet.base + FONT + 4, 12, "soft", anchor="middle"))
    return parts


def _unknown(reason: str, sheet: Sheet) -> str:
    first = sheet.drawn.vessels[0]
    room = (first.right_m - first.left_m) * sheet.scale * 0.86
    middle = EDGE + (first.left_m + first.right_m) / 2 * sheet.scale
    lines = wrapped(reason, max(6, int(room / width_of("n", 13))))
    top = sheet.y((first.floor_m + first.top_m) / 2) - len(lines) * 8
    parts = [words("level unknown", middle, top, FONT, "halo", anchor="middle", bold=True)]
    parts += [
        words(line, middle, top + 18 * (index + 1), 13, "halo", anchor="middle") for index, line in enumerate(lines)
    ]
    return "".join(parts)


def wrapped(text: str, most: int) -> list[str]:
    """Lines of at most so many letters, at most five of them; longer words stand alone."""
    lines: list[str] = []
    for word in text.split():
        if lines and len(lines[-1]) + 1 + len(word) <= most:
            lines[-1] += f" {word}"
        else:
            lines.append(word)
    return lines if len(lines) <= 5 else [*lines[:4], f"{lines[4]}…"]


def _sentence(tank: Tank, stand: Stand | None, measure: Measure, reason: str) -> str:
    if stand is None:
        return f"Section of {tank.name}: level unknown{f', {reason}' if reason else ''}"
    hand = measure.volume_text(stand.on_hand_m3, stand.u_m3)
    return f"Section of {tank.name}: {measure.length_text(stand.depth_m)} deep, {hand} on hand"
