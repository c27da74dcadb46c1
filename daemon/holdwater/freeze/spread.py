"""How far off the forecast may be: a distribution made of the model's own scaled past errors, and its adjustment to
what came.

Errors are divided by the size expected of that night, so that windy and calm nights share one list; older ones count
less. The whole is widened or narrowed a little after each night, until 80 % of the nights fall between the 10 % and
the 90 % figure (the idea of Gibbs and Candes, Adaptive conformal inference under distribution shift, 2021, on the
scale instead of the level).
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import accumulate
from math import exp, log
from typing import Any

KEEP = 0.99  # weight of an error falls to half in 69 nights: about the length of a kind of weather season
NIGHTS_KEPT = 300  # the 300th error weighs 5 %
PRIOR_WEIGHT = 1.0  # the 21 prior errors are worth as many nights
STEP = 0.02  # gain of the widening: it follows a change of season without wobbling by more than a tenth
BAND = 0.8

_WEIGHTS = tuple(KEEP**age for age in reversed(range(NIGHTS_KEPT)))

# Errors over their expected size, before there are own ones: skewed to the cold side as air that cools freely is.
# Rounded from seven hourly years of other places (New York airports, Aberdeen, Gatwick, Seville, Sydney).
PRIOR_ERRORS = (
    -2.6, -1.9, -1.5, -1.2, -1.0, -0.8, -0.62, -0.46, -0.3, -0.15, 0.0,
    0.12, 0.25, 0.4, 0.55, 0.7, 0.88, 1.1, 1.35, 1.7, 2.3,
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Errors:
    """Own past errors over their expected size, oldest first, and the factor by which the whole is widened."""

    scaled: tuple[float, ...] = ()
    widening: float = 1.0

    def learn(self, scaled: float, *, inside: bool) -> Errors:
        """The list after one more night.

        Args:
            scaled: error over its expected size.
            inside: whether the night fell between the 10 % and the 90 % figure.
        """
        widening = self.widening * exp(STEP * ((0.0 if inside else 1.0) - (1 - BAND)))
        return Errors((*self.scaled, scaled)[-NIGHTS_KEPT:], min(2.0, max(0.5, widening)))

    def distribution(self, centre: float, size: float, *, ceiling: float) -> Distribution:
        """What may come.

        Args:
            centre: the regression's answer.
            size: expected size of the error, above 0.
            ceiling: what the answer cannot exceed.
        """
        scale = size * self.widening
        weights = _WEIGHTS[NIGHTS_KEPT - len(self.scaled) :]
        weighted = [(centre + scale * error, PRIOR_WEIGHT) for error in PRIOR_ERRORS]
        weighted += [(centre + scale * error, weight) for error, weight in zip(self.scaled, weights, strict=True)]
        return distribution(weighted, ceiling=ceiling)


def errors_from(saved: Mapping[str, Any]) -> Errors:
    """The list that `dataclasses.asdict` and JSON made text of.

    Raises:
        KeyError, TypeError, ValueError: it is no such list.
    """
    return Errors(tuple(map(float, saved["scaled"]))[-NIGHTS_KEPT:], float(saved["widening"]))


@dataclass(frozen=True, slots=True)
class Distribution:
    """A distribution of one temperature: straight between its points, exponential beyond them, with all above the
    ceiling at the ceiling.

    Attributes:
        values_c: ascending.
        levels: share at or below each value, strictly between 0 and 1, ascending.
        ceiling_c: nothing lies above it.
        tail_c: length of the exponential tails.
    """

    values_c: tuple[float, ...]
    levels: tuple[float, ...]
    ceiling_c: float
    tail_c: float

    def quantile(self, level: float) -> float:
        """The value below which a share of 0 to 1 (neither end) lies."""
        return min(self.ceiling_c, self._free(level))

    def _free(self, level: float) -> float:
        values, levels = self.values_c, self.levels
        if level <= levels[0]:
            return values[0] + self.tail_c * log(level / levels[0])
        if level >= levels[-1]:
            return values[-1] - self.tail_c * log((1 - level) / (1 - levels[-1]))
        right = bisect_left(levels, level)
        share = (level - levels[right - 1]) / (levels[right] - levels[right - 1])
        return values[right - 1] + share * (values[right] - values[right - 1])

    def chance_below(self, limit_c: float) -> float:
        """The chance, 0 to 1, that the value is below a limit."""
        values, levels = self.values_c, self.levels
        if limit_c > self.ceiling_c:
            return 1.0
        if limit_c <= values[0]:
            return levels[0] * exp((limit_c - values[0]) / self.tail_c)
        if limit_c >= values[-1]:
            return 1 - (1 - levels[-1]) * exp(-(limit_c - values[-1]) / self.tail_c)
        right = bisect_right(values, limit_c)
        share = (limit_c - values[right - 1]) / (values[right] - values[right - 1])
        return levels[right - 1] + share * (levels[right] - levels[right - 1])


def distribution(weighted: Iterable[tuple[float, float]], *, ceiling: float) -> Distribution:
    """A distribution of weighted values.

    Args:
        weighted: values in degC with weights above 0; at least two values.
        ceiling: what no value can exceed, degC.
    """
    values: list[float] = []
    weights: list[float] = []
    for value, weight in sorted(weighted):
        if values and value == values[-1]:
            weights[-1] += weight
        else:
            values.append(value)
            weights.append(weight)
    total = sum(weights)
    levels = [(below - weight / 2) / total for below, weight in zip(accumulate(weights), weights, strict=True)]
    return Distribution(tuple(values), tuple(levels), ceiling, _tail(values))


def _tail(values: Sequence[float]) -> float:
    """Length of the tails: a tenth of the range, at least a tenth of a degree."""
    return max(0.1, (values[-1] - values[0]) / 10)
