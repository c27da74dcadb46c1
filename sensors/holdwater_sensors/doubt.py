"""The law of propagation of uncertainty (JCGM 100:2008, GUM)."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence


def combined(
    sensitivities: Sequence[float], uncertainties: Sequence[float], correlations: Mapping[tuple[int, int], float]
) -> float:
    """Combined standard uncertainty of a result of several, possibly correlated, inputs (GUM eq. 13).

    Args:
        sensitivities: change of the result by a small change of each input.
        uncertainties: standard uncertainty of each input.
        correlations: coefficient, -1 to 1, by pair of positions (i < j); a pair that is not named is uncorrelated.

    Returns:
        In the unit of the result; never negative, even where rounding makes the sum so.
    """
    parts = [c * u for c, u in zip(sensitivities, uncertainties, strict=True)]
    square = sum(part * part for part in parts)
    square += sum(2 * parts[i] * parts[j] * r for (i, j), r in correlations.items())
    return math.sqrt(max(square, 0.0))
