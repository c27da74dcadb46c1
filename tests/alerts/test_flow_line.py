"""What a move in full run is told with: a straight line through the newest readings, with its doubt."""

from __future__ import annotations

from random import Random
from statistics import stdev

import pytest

from holdwater.alerts.flow import Flow
from holdwater.units import M3_PER_GAL

MINUTE_MS = 60_000


def fall(seed: int, noise_gal: float, gal_a_minute: float, minutes: int) -> tuple[float, float, float]:
    """Gallons gone, their uncertainty and the rate (gal/min), after so many minutes of an even fall by the minute."""
    flow, chance, facts = Flow("garden"), Random(seed), []
    for n in range(240 + minutes):
        level = 500 - gal_a_minute * max(0, n - 239) + chance.gauss(0, noise_gal)
        facts = flow.feed(n * MINUTE_MS, level * M3_PER_GAL, noise_gal * M3_PER_GAL)
    fact = facts[-1]
    return -fact.moved_m3 / M3_PER_GAL, fact.u_m3 / M3_PER_GAL, -fact.rate_m3_s * 60 / M3_PER_GAL


@pytest.mark.parametrize(("noise", "rate", "minutes"), [(0.3, 7.0, 6), (2.0, 2.0, 20), (7.4, 2.0, 30)])
def test_gallons_gone_lie_within_their_doubt(noise: float, rate: float, minutes: int) -> None:
    """Over sixty noises: no bias above the doubt, and as spread as the doubt says or less."""
    found = [fall(seed, noise, rate, minutes) for seed in range(60)]
    errors = [gone - rate * minutes for gone, _, _ in found]
    u = sum(each for _, each, _ in found) / len(found)
    assert abs(sum(errors) / len(errors)) < u
    assert stdev(errors) < 1.5 * u


def test_a_wide_tanks_noise_is_not_told_finer_than_it_is() -> None:
    """Seven gallons of noise a reading: after half an hour the line knows what has gone to under five, two readings do not."""
    _, u, _ = fall(1, 7.4, 2.0, 30)
    assert u < 5.0
    assert u > 1.5


@pytest.mark.parametrize("at", range(241, 262))
def test_a_stray_echo_makes_no_torrent(at: int) -> None:
    """A tank that falls by a tenth of a gallon a minute, one reading of which shows it full, never falls at a gallon a minute."""
    flow, chance = Flow("garden"), Random(at)
    for n in range(320):
        level = 859.0 if n == at else 600 - 0.1 * n + chance.gauss(0, 1.5)
        for fact in flow.feed(n * MINUTE_MS, level * M3_PER_GAL, 1.5 * M3_PER_GAL):
            gone = -fact.moved_m3 / M3_PER_GAL
            assert fact.ended or gone < 40.0, (n, fact)
