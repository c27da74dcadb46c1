"""Another forecast of the night: followed when it is good, left alone when it is not."""

from __future__ import annotations

import math
import random
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from holdwater.freeze.evening import Evening
from holdwater.freeze.night import NightForecast, forecast, fresh, learn
from holdwater.freeze.second import Second, blend, fresh_second, learn_second, second_from_bytes
from holdwater.freeze.sun import HOUR_MS, Place, night

DENVER = Place(37.6, -105.0, ZoneInfo("America/Denver"))
START_MS = round(datetime(2025, 10, 1, 3, tzinfo=UTC).timestamp() * 1000)


def nights(doubt_c: float, count: int = 160) -> list[tuple[NightForecast, float, float]]:
    """Our word, the other's with so much doubt, and what came, of invented nights."""
    chance = random.Random(7)
    model = fresh()
    found = []
    for number in range(count):
        issued_ms = START_MS + number * 24 * HOUR_MS
        air_c = chance.gauss(4, 6)
        seen = Evening(issued_ms, issued_ms + 12 * HOUR_MS, 10.0, air_c, -1.0, -3.0, -5.0, 8.0)
        came_c = air_c - abs(chance.gauss(5, 2.5))
        found.append((forecast(model, seen), came_c + chance.gauss(0, doubt_c), came_c))
        model = learn(model, seen, came_c)
    return found


def errors(doubt_c: float) -> tuple[float, float, float, Second]:
    """Mean error of ours and of the blend, coverage of the blend, and the state at the end."""
    state = fresh_second()
    ours, mixed, inside = [], [], []
    for own, other_c, came_c in nights(doubt_c):
        told = blend(state, own, other_c)
        ours.append(abs(came_c - own.p50_c))
        mixed.append(abs(came_c - told.p50_c))
        inside.append(told.p10_c <= came_c <= told.p90_c)
        state = learn_second(state, own, other_c, came_c)
    return sum(ours) / len(ours), sum(mixed) / len(mixed), sum(inside) / len(inside), state


def test_a_good_forecast_is_followed() -> None:
    """Half a degree of doubt: the blend has less than half of our error, and its band shrinks with it and still
    holds."""
    ours, mixed, inside, state = errors(0.5)
    assert mixed < 0.5 * ours
    assert 0.7 <= inside <= 0.92
    assert state.share.coefficients[1] > 0.8
    own, other_c, _ = nights(0.5)[-1]
    told = blend(state, own, other_c)
    assert told.p90_c - told.p10_c < 0.8 * (own.p90_c - own.p10_c)


def test_a_poor_forecast_does_no_harm() -> None:
    """Eight degrees of doubt: no more than a twentieth worse than ours alone."""
    ours, mixed, inside, _ = errors(8.0)
    assert mixed < 1.05 * ours
    assert inside >= 0.7


@pytest.mark.parametrize("other_c", [None, math.nan, math.inf, 60.0])
def test_no_forecast_and_nonsense_leave_our_word_as_it_is(other_c: float | None) -> None:
    """Nothing, not a number, and a figure in the wrong unit: our own word, and nothing learned."""
    own, _, came_c = nights(1.0, 1)[0]
    state = fresh_second()
    assert blend(state, own, other_c) is own
    assert learn_second(state, own, other_c, came_c) is state


def test_the_state_survives_a_restart_and_a_night_counts_once() -> None:
    """Saved and read it is the same; the same night again changes nothing; what cannot be read is no state."""
    state = errors(1.0)[3]
    assert second_from_bytes(state.to_bytes()) == state
    own, other_c, came_c = nights(1.0)[-1]
    assert learn_second(state, own, other_c, came_c) is state
    for text in (
        b"",
        b"[]",
        b"{}",
        b'{"version":9}',
        state.to_bytes()[:-5],
        state.to_bytes().replace(b'"coefficients"', b'"other"'),
    ):
        assert second_from_bytes(text) is None


def test_the_blend_is_never_warmer_than_the_air_now() -> None:
    """The lowest of the night is at most what it is at issue."""
    own, _, _ = nights(1.0, 1)[0]
    assert blend(fresh_second(), own, own.air_c + 9).p90_c <= own.air_c
    assert night(datetime(2025, 10, 1, tzinfo=UTC).date(), DENVER).kind == "ordinary"
