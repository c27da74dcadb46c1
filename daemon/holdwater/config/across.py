"""What can only be seen by looking at several sections together; as far as their entries are right."""

from __future__ import annotations

import math
from collections.abc import Mapping
from itertools import combinations
from typing import TYPE_CHECKING

from pydantic_core import PydanticCustomError

from holdwater.config.names import hint, listed
from holdwater.config.syntax import dotted
from holdwater.config.tank import length_words
from holdwater.errors import Problem
from holdwater.tanks.tank import Tank
from holdwater_sensors.bounds import FloatSwitch
from holdwater_sensors.echo import Ultrasonic
from holdwater_sensors.instrument import Instrument
from holdwater_sensors.pressure import Hydrostatic

if TYPE_CHECKING:
    from holdwater.config.parts import Parts


def across(parts: Parts, tanks: Mapping[str, Tank], instruments: Mapping[str, Instrument]) -> list[Problem]:
    """Every problem between sections.

    Args:
        parts: the sections as far as they are right.
        tanks: the tanks that could be built.
        instruments: the instruments that could be built.
    """
    found = _names_by_case(parts) + _transfers(parts, tanks)
    for name, instrument in instruments.items():
        found += _mounted(name, instrument, tanks, parts)
    return found + _one_series_once(instruments)


def _names_by_case(parts: Parts) -> list[Problem]:
    """Names that differ by capitals only: nobody can tell them apart in a notice."""
    problems: list[Problem] = []
    for section in ("tank", "sensor", "channel"):
        seen: dict[str, str] = {}
        for name in parts.named(section):
            first = seen.setdefault(name.casefold(), name)
            if first != name:
                found = f"{section} '{name}' beside {section} '{first}'"
                problems.append(
                    Problem(
                        dotted((section, name)), found, "names that differ by more than capitals", "rename one of them"
                    )
                )
    return problems


def _transfers(parts: Parts, tanks: Mapping[str, Tank]) -> list[Problem]:
    problems: list[Problem] = []
    for name, transfer in parts.many["transfer"].items():
        at = ("transfer", name)
        ends = (("from", transfer.source), ("to", transfer.target))
        unknown = [unknown_tank((*at, key), tank, parts) for key, tank in ends if tank not in parts.named("tank")]
        problems += unknown
        if unknown or any(tank not in tanks for _, tank in ends):
            continue
        try:
            transfer.check(dict(tanks))
        except PydanticCustomError as error:
            problems.append(problem_of(error, at))
    return problems


def problem_of(error: PydanticCustomError, at: tuple[object, ...]) -> Problem:
    """A problem that a model's own check raised."""
    said = error.context or {}
    below = tuple(part for part in str(said.get("key", "")).split(".") if part)
    return Problem(dotted(at + below), str(said["found"]), str(said["expected"]), str(said["fix"]))


def unknown_tank(at: tuple[object, ...], name: str, parts: Parts) -> Problem:
    """A tank that the file does not have."""
    tanks = parts.named("tank")
    fix = hint(name, tanks, f"add [tank.{name}], or name one of the tanks" if tanks else f"add [tank.{name}]")
    return Problem(dotted(at), f'there is no tank "{name}"', f"one of the tanks of this file: {listed(tanks)}", fix)


def _mounted(name: str, instrument: Instrument, tanks: Mapping[str, Tank], parts: Parts) -> list[Problem]:
    """A sensor at its place: its tank and vessel are there, and it can see full water from where it is."""
    at = ("sensor", name)
    if instrument.tank not in parts.named("tank"):
        return [unknown_tank((*at, "tank"), instrument.tank, parts)]
    tank = tanks.get(instrument.tank)
    if tank is None:  # its tank has problems of its own, which are said there
        return []
    full_m = tank.overflow_m
    if instrument.vessel:
        vessels = {each.name: each for each in tank.vessels if each.name}
        vessel = vessels.get(instrument.vessel)
        if vessel is None:
            fix = hint(instrument.vessel, vessels, "name one of its vessels, or leave vessel out")
            expected = f"a vessel of tank {tank.name}: {listed(vessels)}"
            return [Problem(dotted((*at, "vessel")), f'there is no vessel "{instrument.vessel}"', expected, fix)]
        full_m = min(tank.overflow_m, vessel.top_m) - vessel.floor_m
    return _sees_full_water(at, instrument, full_m)


def _sees_full_water(at: tuple[object, ...], instrument: Instrument, full_m: float) -> list[Problem]:
    physics = instrument.physics
    key = dotted((*at, "height"))
    if isinstance(physics, Ultrasonic):
        gap_m = physics.height_m - full_m
        if gap_m >= physics.dead_zone_m - 1e-9:
            return []
        where = f"{length_words(gap_m)} above" if gap_m >= 0 else f"{length_words(-gap_m)} below"
        found = f"face {length_words(physics.height_m)} above the floor: {where} the overflow, {length_words(full_m)}"
        expected = f"at least the dead zone, {length_words(physics.dead_zone_m)}, between face and full water"
        riser = f"put it on a riser: height at least {length_words(full_m + physics.dead_zone_m)}"
        return [Problem(key, found, expected, f"{riser}; or correct dead_zone or overflow")]
    if isinstance(physics, Hydrostatic) and physics.height_m >= full_m:
        found = f"diaphragm {length_words(physics.height_m)} above the floor"
        fix = "mount it near the floor; height is measured from the inside floor up"
        return [Problem(key, found, f"below the overflow, {length_words(full_m)}", fix)]
    if isinstance(physics, FloatSwitch) and physics.heights_m and physics.heights_m[-1] > full_m:
        found = f"a float at {length_words(physics.heights_m[-1])}"
        expected = f"at most the overflow, {length_words(full_m)}"
        return [Problem(dotted((*at, "heights")), found, expected, "correct the height: the water never gets there")]
    return []


def _one_series_once(instruments: Mapping[str, Instrument]) -> list[Problem]:
    """One series cannot measure two things at one time."""
    problems: list[Problem] = []
    for one, other in combinations(instruments.values(), 2):
        if one.series == other.series and _overlap(one, other):
            found = f'"{other.series}", which sensor {one.name} reads in the same time'
            fix = (
                "correct one series; or, if the sensor was moved, give the older entry until = … and the newer from = …"
            )
            problems.append(Problem(dotted(("sensor", other.name, "series")), found, "a series of its own", fix))
    return problems


def _overlap(one: Instrument, other: Instrument) -> bool:
    start = max(-math.inf if each.from_ms is None else each.from_ms for each in (one, other))
    end = min(math.inf if each.until_ms is None else each.until_ms for each in (one, other))
    return start < end
