"""What can only be seen by looking at several sections together; as far as their entries are right."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from itertools import combinations
from typing import TYPE_CHECKING

from pydantic_core import PydanticCustomError

from holdwater.config.names import hint, listed
from holdwater.config.sensor_words import mismatches
from holdwater.config.syntax import dotted
from holdwater.errors import Problem
from holdwater.tanks.tank import Tank
from holdwater.units import Measure
from holdwater_sensors.instrument import Instrument

if TYPE_CHECKING:
    from holdwater.config.parts import Parts


def across(parts: Parts, tanks: Mapping[str, Tank], instruments: Mapping[str, Instrument]) -> list[Problem]:
    """Every problem between sections.

    Args:
        parts: the sections as far as they are right.
        tanks: the tanks that could be built.
        instruments: the instruments that could be built.
    """
    site = parts.one.get("site")
    measure = site.measure() if site else Measure()
    found = _names_by_case(parts) + _transfers(parts, tanks)
    for name, instrument in instruments.items():
        found += _mounted(name, instrument, tanks, parts, measure)
    for name, exposure in parts.many["exposure"].items():
        if exposure.tank and exposure.tank not in parts.named("tank"):
            found.append(unknown_tank(("exposure", name, "tank"), exposure.tank, parts))
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


def _mounted(
    name: str, instrument: Instrument, tanks: Mapping[str, Tank], parts: Parts, measure: Measure
) -> Iterable[Problem]:
    """A sensor at its place: its tank is there, and it can work from where it is mounted."""
    if not instrument.tank:  # a rain gauge stands by itself
        return []
    if instrument.tank not in parts.named("tank"):
        return [unknown_tank(("sensor", name, "tank"), instrument.tank, parts)]
    tank = tanks.get(instrument.tank)
    # a tank with problems of its own is not there; they are said where they are
    return [] if tank is None else mismatches(instrument, tank, measure)


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
