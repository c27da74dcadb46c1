"""What the forecast is measured against: last night again, the nights of the last month, the handbook's regression.
All on line.

Each has a band from its own past errors, made as ours is, so that widths can be compared.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import inf

from holdwater.freeze import fao
from holdwater.freeze.evening import Evening
from holdwater.freeze.spread import Distribution, Errors

MONTH = 30
SIZE_C = 2.5  # size of an error before there are own ones
NAMES = ("persistence", "climatology", "FAO two-step")


@dataclass(frozen=True, slots=True)
class Told:
    """What a forecaster said: its figure, and what may come by its own past errors; degC."""

    middle_c: float
    spread: Distribution


@dataclass(slots=True)
class Rivals:
    """The yardsticks with what they know: nights that are over, and the errors each of them made."""

    lowest_c: list[float]
    handbook: fao.Nights
    errors: dict[str, Errors]

    def tell(self, evening: Evening) -> dict[str, Told]:
        """What each yardstick says that can say something.

        Args:
            evening: what is known at issue.
        """
        told: dict[str, float] = {}
        if self.lowest_c:
            told["persistence"] = self.lowest_c[-1]
            told["climatology"] = sum(self.lowest_c) / len(self.lowest_c)
        handbook = self.handbook.fit()
        if handbook is not None:
            told["FAO two-step"] = handbook.lowest_c(evening.air_c, dew_c(evening))
        return {
            name: Told(centre_c, self.errors[name].distribution(centre_c, SIZE_C, ceiling=inf))
            for name, centre_c in told.items()
        }

    def learn(self, evening: Evening, told: Mapping[str, Told], came_c: float) -> None:
        """A night is over: what each of them told of it, and what came."""
        for name in self.errors.keys() & told.keys():
            centre_c, spread = told[name].middle_c, told[name].spread
            inside = spread.quantile(0.1) <= came_c <= spread.quantile(0.9)
            self.errors[name] = self.errors[name].learn((came_c - centre_c) / SIZE_C, inside=inside)
        self.lowest_c = [*self.lowest_c, came_c][-MONTH:]
        self.handbook.add(evening.air_c, dew_c(evening), came_c)


def rivals() -> Rivals:
    """Yardsticks that know nothing yet."""
    return Rivals([], fao.Nights(), {name: Errors() for name in NAMES})


def dew_c(evening: Evening) -> float | None:
    """Dew point at issue, degC; None where unknown."""
    return None if evening.dew_depression_c is None else evening.air_c - evening.dew_depression_c
