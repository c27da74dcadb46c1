"""The section of a tank, to be drawn: outlines in metres from the same geometry that computes the volume."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from holdwater.tanks.shapes import Outline, Point
from holdwater.tanks.tank import Tank


@dataclass(frozen=True, slots=True)
class VesselSection:
    """One vessel's section: closed outline, m, x to the right, y up from the tank's lowest floor."""

    name: str
    outline: Outline
    floor_m: float
    top_m: float

    @property
    def left_m(self) -> float:
        """Leftmost x, m."""
        return min(x for x, _ in self.outline)

    @property
    def right_m(self) -> float:
        """Rightmost x, m."""
        return max(x for x, _ in self.outline)

    def water(self, depth_m: float) -> Outline:
        """The part of the outline below a surface at that height above the tank's lowest floor; empty when dry."""
        return below(self.outline, depth_m)


@dataclass(frozen=True, slots=True)
class Section:
    """The sections of all vessels of a tank, side by side from left to right, with a gap between them."""

    vessels: tuple[VesselSection, ...]
    height_m: float

    @property
    def width_m(self) -> float:
        """From the leftmost to the rightmost point, m."""
        return max(each.right_m for each in self.vessels) - min(each.left_m for each in self.vessels)

    def water(self, depth_m: float) -> tuple[Outline, ...]:
        """The water of each vessel at a common depth, in the order of `vessels`."""
        return tuple(each.water(depth_m) for each in self.vessels)


def section(tank: Tank) -> Section:
    """The section of a tank; its leftmost point is at x = 0."""
    widths = [max(x for x, _ in v.shape.outline) - min(x for x, _ in v.shape.outline) for v in tank.vessels]
    gap = 0.12 * max(widths)
    drawn = []
    x = 0.0
    for vessel, width in zip(tank.vessels, widths, strict=True):
        left = min(px for px, _ in vessel.shape.outline)
        outline = tuple((px - left + x, py + vessel.floor_m) for px, py in vessel.shape.outline)
        drawn.append(VesselSection(vessel.name, outline, vessel.floor_m, vessel.top_m))
        x += width + gap
    return Section(tuple(drawn), tank.height_m)


def below(outline: Sequence[Point], y_m: float) -> Outline:
    """The part of a closed polygon at or below a height (Sutherland and Hodgman 1974, one edge)."""
    kept: list[Point] = []
    for (x0, y0), (x1, y1) in zip(outline, (*outline[1:], outline[0]), strict=True):
        if y0 <= y_m:
            kept.append((x0, y0))
        if (y0 < y_m < y1) or (y1 < y_m < y0):
            kept.append((x0 + (x1 - x0) * (y_m - y0) / (y1 - y0), y_m))
    lowest = min(y for _, y in outline)
    return tuple(kept) if y_m > lowest and len(kept) >= 3 else ()
