"""Vessels joined by links: who shares a level with whom, what is cut off, and levels that should be one but are not."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from holdwater.tanks.shapes import Shape

# Two levels of one water are told apart only beyond this many standard uncertainties of their difference: with the
# usual coverage factor of 2 (GUM 6.2) a quiet pair would be named on one reading in twenty, with 3 on one in 370.
APART_FACTOR = 3.0


class LevelOf(Protocol):
    """A measured depth with its doubt, such as `holdwater_sensors.instrument.Depth`."""

    @property
    def depth_m(self) -> float | None:
        """Depth over the vessel's own lowest inside floor, m; None when unknown."""
        ...

    @property
    def u_noise_m(self) -> float:
        """Standard uncertainty new with each reading, m."""
        ...

    @property
    def u_scale_m(self) -> float:
        """Standard uncertainty shared by readings, m."""
        ...


@dataclass(frozen=True, slots=True)
class Vessel:
    """One vessel of a tank: its shape, and the height of its floor above the tank's lowest floor, m."""

    name: str
    shape: Shape
    floor_m: float = 0.0

    @property
    def top_m(self) -> float:
        """Height of its inside top above the tank's lowest floor, m."""
        return self.floor_m + self.shape.height_m


@dataclass(frozen=True, slots=True)
class Link:
    """A pipe between two vessels, with the height of its sill above the tank's lowest floor, m; shut or open."""

    between: tuple[str, str]
    height_m: float = 0.0
    shut: bool = False


@dataclass(frozen=True, slots=True)
class Level:
    """A level above the tank's lowest floor, m, with its doubt."""

    depth_m: float
    u_noise_m: float
    u_scale_m: float


@dataclass(frozen=True, slots=True)
class Apart:
    """Two vessels whose levels differ by more than their doubt although the link between them is open.

    Attributes:
        between: the two vessels.
        difference_m: level of the first less that of the second, m.
        u_m: standard uncertainty of that difference, m.
    """

    between: tuple[str, str]
    difference_m: float
    u_m: float


def _open(links: Sequence[Link], shut: Sequence[int]) -> list[Link]:
    return [link for at, link in enumerate(links) if not link.shut and at not in shut]


def groups(vessels: Sequence[Vessel], links: Sequence[Link], shut: Sequence[int]) -> list[tuple[Vessel, ...]]:
    """Vessels by shared water: those that open links join, in the order of the config."""
    group_of = {each.name: at for at, each in enumerate(vessels)}
    for link in _open(links, shut):
        one, other = (group_of[name] for name in link.between)
        group_of = {name: one if group == other else group for name, group in group_of.items()}
    found: dict[int, list[Vessel]] = {}
    for each in vessels:
        found.setdefault(group_of[each.name], []).append(each)
    return [tuple(group) for group in found.values()]


def sills(
    vessels: Sequence[Vessel], links: Sequence[Link], tap: str, outlet_m: float, shut: Sequence[int]
) -> dict[str, float]:
    """For each vessel joined to the tap, the level below which its water can no longer reach it, m.

    That is the lowest, over all ways through open links, of the highest sill on the way, and never below the outlet.
    """
    best = {tap: outlet_m}
    ways = _open(links, shut)
    # Each round settles at least one more vessel, so as many rounds as vessels are enough.
    for _ in vessels:
        for link in ways:
            for here, there in (link.between, link.between[::-1]):
                if here in best:
                    sill = max(best[here], link.height_m)
                    best[there] = min(best.get(there, math.inf), sill)
    return best


def group_level(group: Sequence[Vessel], levels: Mapping[str, LevelOf]) -> Level | None:
    """The level of vessels that share water: mean of their sensors weighted by doubt (GUM, inverse variance); None without one."""
    heard = []
    for each in group:
        level = levels.get(each.name)
        if level is not None and level.depth_m is not None and math.isfinite(level.depth_m):
            heard.append((level.depth_m + each.floor_m, level.u_noise_m, level.u_scale_m))
    if not heard:
        return None
    if len(heard) == 1:
        return Level(*heard[0])
    least = min((math.hypot(noise, scale) for _, noise, scale in heard if noise or scale), default=1.0)
    weight = [1 / max(math.hypot(noise, scale), least / 1000) ** 2 for _, noise, scale in heard]
    whole = sum(weight)
    share = [w / whole for w in weight]
    return Level(
        sum(s * level for s, (level, _, _) in zip(share, heard, strict=True)),
        math.sqrt(sum((s * noise) ** 2 for s, (_, noise, _) in zip(share, heard, strict=True))),
        math.sqrt(sum((s * scale) ** 2 for s, (_, _, scale) in zip(share, heard, strict=True))),
    )


def level_of_each(
    shared: Sequence[Sequence[Vessel]], levels: Mapping[str, LevelOf], apart: Sequence[Apart]
) -> dict[str, Level]:
    """The level that each vessel counts by; without those that no sensor tells of.

    Vessels that share water count by its one level. Where levels stay apart over an open link, that mean is nobody's
    level, and a vessel counts by its own.
    """
    not_one = {name for each in apart for name in each.between}
    found: dict[str, Level] = {}
    for group in shared:
        level = group_level(group, levels)
        if level is None:
            continue
        for each in group:
            own = group_level((each,), levels) if each.name in not_one else None
            found[each.name] = own or level
    return found


def levels_apart(
    vessels: Sequence[Vessel], links: Sequence[Link], levels: Mapping[str, LevelOf], shut: Sequence[int]
) -> tuple[Apart, ...]:
    """Pairs over an open link whose levels, both above the link's sill, differ by more than `APART_FACTOR` times their doubt.

    One reading is a sign; whether it stays is for the rule that counts readings.
    """
    floor_of = {each.name: each.floor_m for each in vessels}
    found = []
    for link in _open(links, shut):
        pair = [levels.get(name) for name in link.between]
        if any(each is None or each.depth_m is None for each in pair):
            continue
        known = [
            (each.depth_m + floor_of[name], each)
            for name, each in zip(link.between, pair, strict=True)
            if each and each.depth_m is not None
        ]
        (one, first), (other, second) = known
        # Below the sill on both sides nothing can flow, so levels may differ in peace.
        if max(one, other) <= link.height_m:
            continue
        difference = max(one, link.height_m) - max(other, link.height_m)
        u = math.sqrt(first.u_noise_m**2 + first.u_scale_m**2 + second.u_noise_m**2 + second.u_scale_m**2)
        if abs(difference) > APART_FACTOR * u:
            found.append(Apart(link.between, difference, u))
    return tuple(found)


def common_level(vessels: Sequence[Vessel], volume_m3: float, top_m: float) -> float:
    """The common level, m, at which joined vessels hold that much together, by halving; from 0 to `top_m`."""
    low, high = 0.0, top_m
    for _ in range(60):
        middle = (low + high) / 2
        if sum(each.shape.volume_m3(middle - each.floor_m) for each in vessels) < volume_m3:
            low = middle
        else:
            high = middle
    return (low + high) / 2
