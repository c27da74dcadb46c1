"""Learning where between lid and water the air of the path is, from the false moves of a quiet tank.

A probe at the lid is warmer than the path by day and colder by night. With the wrong share of its difference to the
water, a tank that nobody draws from seems to fall and rise with it. The share that makes such hours still is the right one.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from holdwater_sensors.echo import Ultrasonic
from holdwater_sensors.filter import MAD_TO_SD
from holdwater_sensors.surroundings import Surroundings, plausible

LEAST_READINGS = 8  # in a window, to tell a false move from a level and a steady change
LEAST_SWING_M = 0.002  # what the whole share must move in a window to say anything: root mean square about its trend
LEAST_WINDOWS = 5


@dataclass(frozen=True, slots=True)
class Share:
    """A learned share.

    Attributes:
        value: share of the difference between probe and water that the mean of the path has; 0 to 1 in an ordinary tank.
        u: standard uncertainty.
        windows: number of windows it rests on.
    """

    value: float
    u: float
    windows: int


Sample = tuple[float, float, Surroundings]  # time in s, value as the device sends it, what surrounds the sensor


def window_share(gauge: Ultrasonic, samples: Sequence[Sample]) -> tuple[float, float] | None:
    """The share that leaves only a level and a steady change in one window of a few hours.

    Args:
        gauge: the sensor; its own share does not matter.
        samples: readings of the window with air and water temperature.

    Returns:
        Share and weight (m2); None when the window is too short, or lid and water did not part enough.
    """
    still, whole = replace(gauge, share=0.0), replace(gauge, share=1.0)
    times, gaps, moves = [], [], []
    for t_s, value, facts in samples:
        around = plausible(facts)
        if around.air_c is None or around.water_c is None:
            continue
        gap_m = still.gap(value, around)[0]
        times.append(t_s)
        gaps.append(gap_m)
        moves.append(whole.gap(value, around)[0] - gap_m)
    if len(times) < LEAST_READINGS:
        return None
    gaps, moves = _detrended(times, gaps), _detrended(times, moves)
    weight = math.fsum(move * move for move in moves)
    if weight < len(moves) * LEAST_SWING_M**2:
        return None
    return -math.fsum(gap * move for gap, move in zip(gaps, moves, strict=True)) / weight, weight


def _detrended(times: Sequence[float], values: Sequence[float]) -> list[float]:
    n = len(times)
    mean_t, mean_v = math.fsum(times) / n, math.fsum(values) / n
    squares = math.fsum((t - mean_t) ** 2 for t in times)
    slope = math.fsum((t - mean_t) * (v - mean_v) for t, v in zip(times, values, strict=True)) / (squares or 1.0)
    return [v - mean_v - slope * (t - mean_t) for t, v in zip(times, values, strict=True)]


def learned_share(windows: Iterable[tuple[float, float] | None]) -> Share | None:
    """The share on which most windows agree.

    Args:
        windows: answers of `window_share`. Windows with draws, loads or rain answer anything; the weighted median passes
            them over as long as they are fewer than half of the weight.

    Returns:
        None with fewer than five windows that say anything.
    """
    found = sorted(each for each in windows if each is not None)
    if len(found) < LEAST_WINDOWS:
        return None
    value = _weighted_median(found)
    spread = _weighted_median(sorted((abs(share - value), weight) for share, weight in found)) * MAD_TO_SD
    total, squares = sum(w for _, w in found), sum(w * w for _, w in found)
    # a median of n normal values has 1.2533 times the uncertainty of their mean; unequal weights count as fewer windows
    return Share(value, 1.2533 * spread / math.sqrt(total * total / squares), len(found))


def _weighted_median(pairs: Sequence[tuple[float, float]]) -> float:
    half, passed = sum(weight for _, weight in pairs) / 2, 0.0
    for value, weight in pairs[:-1]:
        passed += weight
        if passed >= half:
            return value
    return pairs[-1][0]
