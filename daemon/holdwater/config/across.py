"""What can only be seen by looking at several sections together; as far as their entries are right."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from pydantic_core import PydanticCustomError

from holdwater.config.names import hint, listed
from holdwater.config.syntax import dotted
from holdwater.errors import Problem

if TYPE_CHECKING:
    from holdwater.config.parts import Parts


def across(parts: Parts, tanks: dict[str, Any]) -> list[Problem]:
    """Every problem between sections.

    Args:
        parts: the sections as far as they are right.
        tanks: the tanks that could be built.
    """
    return _names_by_case(parts) + _transfers(parts, tanks)


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


def _transfers(parts: Parts, tanks: dict[str, Any]) -> list[Problem]:
    problems: list[Problem] = []
    for name, transfer in parts.many["transfer"].items():
        at = ("transfer", name)
        ends = (("from", transfer.source), ("to", transfer.target))
        unknown = [unknown_tank((*at, key), tank, parts) for key, tank in ends if tank not in parts.named("tank")]
        problems += unknown
        if unknown or any(tank not in tanks for _, tank in ends):
            continue
        try:
            transfer.check(tanks)
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
