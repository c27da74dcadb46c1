"""The share of the path between lid and water, learned from the false moves of a quiet tank."""

from __future__ import annotations

import math
import random
from dataclasses import replace

import pytest

from holdwater_sensors.echo import Ultrasonic
from holdwater_sensors.path import Sample, Share, learned_share, window_share
from holdwater_sensors.surroundings import Surroundings

GAUGE = Ultrasonic(2.0, assumed_speed=343.2)
TRUE_SHARE = 0.35
HOURS = 3600.0


def _sent(true_gap_m: float, around: Surroundings) -> float:
    """What the device reports when the mean of the path is at the true share: found by the law itself, inverted."""
    ratio = replace(GAUGE, share=TRUE_SHARE).gap(1.0, around)[0]
    return true_gap_m / ratio


def _window(day: int, hour: int, dice: random.Random, *, draw_m: float = 0.0, noise_m: float = 0.002) -> list[Sample]:
    samples = []
    for minute in range(0, 240, 10):
        t_s = day * 24 * HOURS + hour * HOURS + minute * 60
        lid_c = 15 + 12 * math.sin((t_s / HOURS - 8) / 24 * 2 * math.pi) + dice.gauss(0, 2)
        around = Surroundings(air_c=lid_c, water_c=14.0)
        gap_m = 1.2 + 0.002 * day + (draw_m if minute > 120 else 0.0) + dice.gauss(0, noise_m)
        samples.append((t_s, _sent(gap_m, around), around))
    return samples


def test_the_share_of_a_quiet_tank_is_found() -> None:
    """Ten days, four windows each, 2 mm of noise: within 0.05, and the doubt says so."""
    dice = random.Random(5)
    windows = [window_share(GAUGE, _window(day, hour, dice)) for day in range(10) for hour in (0, 6, 10, 16)]
    found = learned_share(windows)
    assert found is not None
    assert found.value == pytest.approx(TRUE_SHARE, abs=0.05)
    assert abs(found.value - TRUE_SHARE) < 3 * found.u < 0.15


def test_windows_with_draws_do_not_move_it() -> None:
    """A third of the windows loses 4 cm half way."""
    dice = random.Random(6)
    windows = [
        window_share(GAUGE, _window(day, hour, dice, draw_m=0.04 if hour == 6 else 0.0))
        for day in range(14)
        for hour in (0, 6, 12)
    ]
    found = learned_share(windows)
    assert found is not None
    assert found.value == pytest.approx(TRUE_SHARE, abs=0.1)


def test_a_learned_share_makes_the_quiet_tank_still() -> None:
    """The swing of the level over a day shrinks to a quarter of that by the lid's temperature alone."""
    dice = random.Random(7)
    day = [sample for hour in (0, 4, 8, 12, 16, 20) for sample in _window(0, hour, dice, noise_m=0.0)]

    def swing(share: float) -> float:
        gaps = [replace(GAUGE, share=share).gap(value, around)[0] for _, value, around in day]
        return max(gaps) - min(gaps)

    windows = [window_share(GAUGE, _window(at, hour, dice)) for at in range(10) for hour in (0, 6, 12, 18)]
    found = learned_share(windows)
    assert found is not None
    assert swing(found.value) < 0.25 * swing(1.0)


def test_a_window_that_says_nothing_is_passed_over() -> None:
    """Too few readings, no water temperature, or a lid as warm as the water all the time."""
    dice = random.Random(8)
    full = _window(0, 10, dice)
    assert window_share(GAUGE, full[:5]) is None
    assert window_share(GAUGE, [(t, v, s._replace(water_c=None)) for t, v, s in full]) is None
    assert window_share(GAUGE, [(t, v, s._replace(air_c=14.0)) for t, v, s in full]) is None
    assert learned_share([None] * 20 + [(0.5, 1.0)] * 4) is None


def test_the_median_is_weighted() -> None:
    """One heavy window outweighs light ones; equal ones agree without doubt."""
    heavy = learned_share([(0.1, 1.0), (0.2, 1.0), (0.3, 1.0), (0.4, 1.0), (0.9, 10.0)])
    assert heavy is not None
    assert heavy.value == 0.9
    assert learned_share([(0.5, 1.0)] * 6) == Share(0.5, 0.0, 6)
