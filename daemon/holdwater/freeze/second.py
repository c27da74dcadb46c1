"""Another forecast of the night's lowest air, when there is one: blended in as far as it proved right at this site.

It may come from a weather service over HTTP or from a topic; here it is a number. How much it moves our word, and
how wide the band is then, is learned from the nights in which it was there, from a prior that moves our word by a
third of the difference.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, replace
from math import isfinite

from holdwater.freeze.night import KEEP, SMALLEST_C, NightForecast
from holdwater.freeze.regression import Ridge, ridge, ridge_from
from holdwater.freeze.spread import Errors, errors_from

VERSION = 1
PRIOR = (0.0, 0.35)  # shift, share of the difference
TRUST = 12.0  # nights with a difference of a degree that the prior is worth
WIDTH = 2.9  # width of the prior band for an error size of one
FARTHEST_C = 15.0  # a figure farther from ours than this is taken for a mistake (a unit, a place) and left out


@dataclass(frozen=True, slots=True)
class Second:
    """What was learned of the other forecast.

    Attributes:
        share: regression of what came less our word on the difference of the two.
        errors: errors of the blend, over the size that our band means.
        nights: how many were learned.
        reached_ms: end of the last night learned.
    """

    share: Ridge
    errors: Errors
    nights: int = 0
    reached_ms: int = 0

    def to_bytes(self) -> bytes:
        """The state as JSON text, for the store."""
        return json.dumps({"version": VERSION, **asdict(self)}, allow_nan=False, separators=(",", ":")).encode()


def fresh_second() -> Second:
    """Nothing learned yet."""
    return Second(ridge(PRIOR, TRUST), Errors())


def second_from_bytes(text: bytes) -> Second | None:
    """The state that `to_bytes` wrote; None when it cannot be read."""
    try:
        saved = json.loads(text)
        if saved["version"] != VERSION:
            return None
        found = Second(
            ridge_from(saved["share"]), errors_from(saved["errors"]), int(saved["nights"]), int(saved["reached_ms"])
        )
    except (ValueError, KeyError, TypeError):
        return None
    return (
        found if len(found.share.coefficients) == len(PRIOR) and all(map(isfinite, found.share.coefficients)) else None
    )


def blend(state: Second, own: NightForecast, other_c: float | None) -> NightForecast:
    """Our word with the other forecast in it.

    Args:
        state: what was learned of the other.
        own: our word.
        other_c: the other's lowest air of the same night, degC; None when there is none.

    Returns:
        Our word itself when the other has none, or one that is not finite or more than 15 degC from ours.
    """
    if other_c is None or not isfinite(other_c) or abs(other_c - own.p50_c) > FARTHEST_C:
        return own
    middle_c = min(own.air_c, own.p50_c + state.share.predict((1.0, other_c - own.p50_c)))
    spread = state.errors.distribution(middle_c, _size(own), ceiling=own.air_c)
    return replace(own, spread=spread)


def learn_second(state: Second, own: NightForecast, other_c: float | None, came_c: float) -> Second:
    """What is known of the other forecast after a night.

    Args:
        state: before.
        own: our word of that night, without the other.
        other_c: what the other said.
        came_c: what came, degC.
    """
    told = blend(state, own, other_c)
    if told is own or other_c is None or own.end_ms <= state.reached_ms:
        return state
    middle_c = min(own.air_c, own.p50_c + state.share.predict((1.0, other_c - own.p50_c)))
    return Second(
        state.share.learn((1.0, other_c - own.p50_c), came_c - own.p50_c, keep=KEEP),
        state.errors.learn((came_c - middle_c) / _size(own), inside=told.p10_c <= came_c <= told.p90_c),
        state.nights + 1,
        own.end_ms,
    )


def _size(own: NightForecast) -> float:
    return max(SMALLEST_C, (own.p90_c - own.p10_c) / WIDTH)
