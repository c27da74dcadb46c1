"""What the forecast is measured against: last night again, the nights of the last month, the handbook's regression.
All on line."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from holdwater.freeze import fao
from holdwater.freeze.evening import Evening
from holdwater.freeze.spread import NIGHTS_KEPT, PRIOR_ERRORS, Distribution, distribution

MONTH = 30
UNKNOWN_SIZE_C = 2.5  # size of an error before there are own ones
FEWEST_ERRORS = 10
NAMES = ("persistence", "climatology", "FAO two-step")


@dataclass(frozen=True, slots=True)
class PastNight:
    """A night that is over: air and dew point at issue, lowest air; degC."""

    air_c: float
    dew_c: float | None
    came_c: float


@dataclass(slots=True)
class Rivals:
    """The yardsticks with what they know: nights that are over, and the errors each of them made."""

    nights: list[PastNight]
    errors: dict[str, list[float]]

    def tell(self, evening: Evening) -> dict[str, float]:
        """The figure of each yardstick that has one, degC.

        Args:
            evening: what is known at issue.
        """
        lowest = [night.came_c for night in self.nights]
        told: dict[str, float] = {}
        if lowest:
            told["persistence"] = lowest[-1]
            told["climatology"] = sum(lowest[-MONTH:]) / len(lowest[-MONTH:])
        handbook = fao.fit([(night.air_c, night.dew_c, night.came_c) for night in self.nights])
        if handbook is not None:
            told["FAO two-step"] = handbook.lowest_c(evening.air_c, dew_c(evening))
        return told

    def spread(self, name: str, centre_c: float) -> Distribution:
        """A yardstick's figure with the errors that it made before."""
        errors: Sequence[float] = self.errors[name][-NIGHTS_KEPT:]
        if len(errors) < FEWEST_ERRORS:
            errors = [UNKNOWN_SIZE_C * error for error in PRIOR_ERRORS]
        return distribution(((centre_c + error, 1.0) for error in errors), ceiling=float("inf"))

    def learn(self, evening: Evening, told: dict[str, float], came_c: float) -> None:
        """A night is over."""
        for name, centre_c in told.items():
            self.errors[name].append(came_c - centre_c)
        self.nights.append(PastNight(evening.air_c, dew_c(evening), came_c))


def rivals() -> Rivals:
    """Yardsticks that know nothing yet."""
    return Rivals([], {name: [] for name in NAMES})


def dew_c(evening: Evening) -> float | None:
    """Dew point at issue, degC; None where unknown."""
    return None if evening.dew_depression_c is None else evening.air_c - evening.dew_depression_c
