"""A tank as the household means it: one body of water, what of it is on hand, what room is left, and how sure that is."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from holdwater.tanks import vessels as joined
from holdwater.tanks.doubt import NO_DOUBT, of_volume
from holdwater.tanks.hauling import Hauling
from holdwater.tanks.shapes import Shape
from holdwater.tanks.vessels import Apart, LevelOf, Link, Vessel
from holdwater.tanks.words import describe
from holdwater.units import Measure

BELOW_FLOOR = "below floor"
ABOVE_OVERFLOW = "above overflow"


@dataclass(frozen=True, slots=True)
class Stand:
    """How a tank stands at one depth.

    Attributes:
        depth_m: water height above the lowest inside floor, as asked, m; NaN when no vessel with the outlet has a level.
        total_m3: all water in it, dead storage and what is cut off counted, m3.
        on_hand_m3: water above the outlet that can reach it, never below zero, m3.
        room_m3: what still fits below the overflow, m3.
        area_m2: free surface, m2.
        u_noise_m3: standard uncertainty that does not cancel between two readings, m3.
        u_scale_m3: standard uncertainty of gain, mount, geometry and table, which cancels in differences, m3.
        parts: every part of the doubt by name, m3: level noise, level scale, mount, geometry, table.
        flag: empty, or where the depth lies outside: below floor, above overflow.
        cut_off_m3: water behind shut links, counted in the total but not on hand, m3.
        unknown: vessels behind a shut link without a sensor of their own: their water is in neither figure.
        apart: vessels whose levels stay apart although the link between them is open.
    """

    depth_m: float
    total_m3: float
    on_hand_m3: float
    room_m3: float
    area_m2: float
    u_noise_m3: float
    u_scale_m3: float
    parts: tuple[tuple[str, float], ...] = ()
    flag: str = ""
    cut_off_m3: float = 0.0
    unknown: tuple[str, ...] = ()
    apart: tuple[Apart, ...] = ()

    @property
    def u_m3(self) -> float:
        """Combined standard uncertainty, m3 (JCGM 100:2008, GUM, 5.1.2: root of the sum of squares)."""
        return math.hypot(self.u_noise_m3, self.u_scale_m3)


UNKNOWN = Stand(math.nan, 0.0, math.nan, 0.0, 0.0, math.nan, math.nan)
"""No level is known at the vessel with the outlet."""


@dataclass(frozen=True, slots=True)
class Tank:
    """One tank: a vessel, or vessels joined by links into one body of water.

    All depths are heights above the lowest inside floor of the tank, m.

    Attributes:
        name: name in the config.
        vessels: at least one.
        links: pipes between vessels.
        outlet_m: height of the draw-off; water below is dead storage.
        overflow_m: height of the overflow's lip; capacity ends there.
        uses: what its water is for.
        reserve_m3: on-hand volume that should never be gone below, if any.
        floor_m3: on-hand volume kept for a named purpose such as fire water, if any.
        filled_by: roof, well, load, transfer, spring, mains.
        roof_m2: roof area that feeds it, if any.
        geometry: standard uncertainty of the geometry as a share of the volume.
        u_mount_m: standard uncertainty of the height at which sensors are mounted, m.
        table: standard uncertainty of a dip chart or fill table as a share of the volume.
        outlet_vessel: the vessel with the outlet; empty: the first.
        haul: how water is hauled to it; None when it is not.
    """

    name: str
    vessels: tuple[Vessel, ...]
    outlet_m: float
    overflow_m: float
    links: tuple[Link, ...] = ()
    uses: tuple[str, ...] = ()
    reserve_m3: float | None = None
    floor_m3: float | None = None
    filled_by: tuple[str, ...] = ()
    roof_m2: float | None = None
    geometry: float = 0.01
    u_mount_m: float = 0.0
    table: float = 0.0
    outlet_vessel: str = ""
    haul: Hauling | None = None
    height_m: float = field(init=False)
    capacity_m3: float = field(init=False)
    full_on_hand_m3: float = field(init=False)

    def __post_init__(self) -> None:
        """Work out once what every reading needs."""
        object.__setattr__(self, "height_m", max(each.top_m for each in self.vessels))
        object.__setattr__(self, "capacity_m3", self._sum(self.overflow_m))
        object.__setattr__(self, "full_on_hand_m3", self._reach(self.overflow_m, ()))

    @property
    def is_drinking(self) -> bool:
        """Whether its water is drunk."""
        return "drinking" in self.uses

    @property
    def shape(self) -> Shape:
        """Shape of the first vessel; the whole tank's when there is one."""
        return self.vessels[0].shape

    @property
    def tap_vessel(self) -> str:
        """Name of the vessel with the outlet."""
        return self.outlet_vessel or self.vessels[0].name

    def volume_m3(self, depth_m: float) -> float:
        """All water at a common depth, m3; capped at the capacity, which ends at the overflow."""
        return self._sum(min(depth_m, self.overflow_m))

    def area_m2(self, depth_m: float) -> float:
        """Free surface at a common depth, m2: derivative of the volume."""
        level = min(max(depth_m, 0.0), self.overflow_m)
        if len(self.vessels) == 1:
            return self.vessels[0].shape.area_m2(level - self.vessels[0].floor_m)
        return sum(v.shape.area_m2(level - v.floor_m) for v in self.vessels if v.floor_m <= level <= v.top_m)

    def depth_m(self, volume_m3: float) -> float:
        """Common depth at which the tank holds that much in all, m; between floor and overflow."""
        if len(self.vessels) == 1:
            only = self.vessels[0]
            return min(only.floor_m + only.shape.depth_m(volume_m3), self.overflow_m) if volume_m3 > 0 else only.floor_m
        return joined.common_level(self.vessels, volume_m3, self.overflow_m)

    def depth_on_hand_m(self, on_hand_m3: float) -> float:
        """Common depth at which that much is on hand, m; from the outlet to the overflow."""
        if len(self.vessels) == 1:
            return max(self.outlet_m, self.depth_m(self.shape.volume_m3(self.outlet_m) + max(0.0, on_hand_m3)))
        low, high = self.outlet_m, self.overflow_m
        for _ in range(60):
            middle = (low + high) / 2
            low, high = (middle, high) if self.on_hand_m3(middle) < on_hand_m3 else (low, middle)
        return (low + high) / 2

    def on_hand_m3(self, depth_m: float) -> float:
        """Water above the outlet at a common depth, m3; never below zero, never more than when full."""
        return self._reach(min(depth_m, self.overflow_m), ())

    def stand(self, depth_m: float, u_noise_m: float = 0.0, u_scale_m: float = 0.0) -> Stand:
        """How the tank stands at one depth, common to all its vessels.

        Args:
            depth_m: water height above the lowest inside floor, m; any finite value.
            u_noise_m: standard uncertainty of the depth that is new with each reading, m.
            u_scale_m: standard uncertainty of the depth that readings share, m.

        Returns:
            The stand; outside floor and overflow the nearest defined one, with its flag.
        """
        total = self.volume_m3(depth_m)
        on_hand = self.on_hand_m3(depth_m)
        area = self.area_m2(depth_m)
        doubt = of_volume(self, depth_m, area, on_hand, (u_noise_m, u_scale_m))
        room = max(0.0, self.capacity_m3 - total)
        return Stand(
            depth_m, total, on_hand, room, area, doubt.noise_m3, doubt.scale_m3, doubt.parts, _flag(self, depth_m)
        )

    def stand_of(self, levels: Mapping[str, LevelOf], shut_links: Sequence[int] = ()) -> Stand:
        """How joined vessels stand when each has its own sensor, or none.

        Args:
            levels: by vessel name, the depth over that vessel's own floor with its doubt (a `Depth` of the sensors).
            shut_links: positions in `links` of links shut by a note, besides those shut in the config.

        Returns:
            On hand is what can reach the outlet; what shut links cut off is counted in the total; a vessel cut off
            without a sensor is named in `unknown`; levels apart over an open link are named in `apart`.
        """
        return joined_stand(self, levels, tuple(shut_links))

    def describe(self, measure: Measure) -> str:
        """The tank in words, as `check` says it after the name."""
        return describe(self, measure)

    def _sum(self, level_m: float) -> float:
        if len(self.vessels) == 1:
            return self.vessels[0].shape.volume_m3(level_m - self.vessels[0].floor_m)
        return sum(each.shape.volume_m3(level_m - each.floor_m) for each in self.vessels)

    def _reach(self, level_m: float, shut: Sequence[int]) -> float:
        """Water at a common level that flows to the outlet by itself, m3."""
        if len(self.vessels) == 1:
            shape = self.vessels[0].shape
            return (
                max(0.0, shape.volume_m3(level_m) - shape.volume_m3(self.outlet_m)) if level_m > self.outlet_m else 0.0
            )
        sills = joined.sills(self.vessels, self.links, self.tap_vessel, self.outlet_m, shut)
        return sum(
            each.shape.volume_m3(level_m - each.floor_m) - each.shape.volume_m3(sills[each.name] - each.floor_m)
            for each in self.vessels
            if each.name in sills and level_m > sills[each.name]
        )


def joined_stand(tank: Tank, levels: Mapping[str, LevelOf], shut: tuple[int, ...]) -> Stand:
    """The stand of joined vessels from the levels of those that have a sensor; see `Tank.stand_of`."""
    apart = joined.levels_apart(tank.vessels, tank.links, levels, shut)
    sills = joined.sills(tank.vessels, tank.links, tank.tap_vessel, tank.outlet_m, shut)
    level_of = joined.level_of_each(joined.groups(tank.vessels, tank.links, shut), levels, apart)
    on_hand = cut_off = area = 0.0
    for each in tank.vessels:
        if each.name not in level_of:
            continue
        at_m = min(level_of[each.name].depth_m, tank.overflow_m)
        held = each.shape.volume_m3(at_m - each.floor_m)
        if each.name not in sills:
            cut_off += held
            continue
        on_hand += max(0.0, held - each.shape.volume_m3(sills[each.name] - each.floor_m))
        area += each.shape.area_m2(at_m - each.floor_m) if each.floor_m <= at_m <= each.top_m else 0.0
    total = sum(
        each.shape.volume_m3(min(level_of[each.name].depth_m, tank.overflow_m) - each.floor_m)
        for each in tank.vessels
        if each.name in level_of
    )
    unknown = tuple(each.name for each in tank.vessels if each.name not in level_of)
    tap = level_of.get(tank.tap_vessel)
    stand = tank.stand(tap.depth_m, tap.u_noise_m, tap.u_scale_m) if tap else UNKNOWN
    doubt = of_volume(tank, tap.depth_m, area, on_hand, (tap.u_noise_m, tap.u_scale_m)) if tap else NO_DOUBT
    return replace(
        stand,
        total_m3=total,
        on_hand_m3=on_hand if tap else math.nan,
        room_m3=max(0.0, tank.capacity_m3 - total),
        area_m2=area,
        u_noise_m3=doubt.noise_m3,
        u_scale_m3=doubt.scale_m3,
        parts=doubt.parts,
        cut_off_m3=cut_off,
        unknown=unknown,
        apart=apart,
    )


def _flag(tank: Tank, depth_m: float) -> str:
    return BELOW_FLOOR if depth_m < 0.0 else ABOVE_OVERFLOW if depth_m > tank.overflow_m else ""
