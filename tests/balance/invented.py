"""Invented seasons with known draws, for the tests of the balance."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass

from holdwater.balance.points import DAY_MS, HOUR_MS, MINUTE_MS, Point
from holdwater.units import M3_PER_GAL, M_PER_IN

START_MS = 1_782_885_600_000  # 2026-07-01T06:00:00Z, local midnight in America/Denver
UPRIGHT_42_IN_M2 = 3.141592653589793 * (42 * M_PER_IN) ** 2 / 4


@dataclass(frozen=True, slots=True)
class Draw:
    """Water taken (gal positive) or brought (negative), evenly between two instants."""

    start_ms: int
    end_ms: int
    gal: float


def readings(
    draws: Sequence[Draw],
    *,
    days: float,
    every_min: float,
    noise_m: float,
    seed: int,
    area_m2: float = UPRIGHT_42_IN_M2,
    start_gal: float = 340.0,
    drift_gal: float = 0.0,
    stated_m: float | None = None,
    silent: Sequence[tuple[int, int]] = (),
    spikes: float = 0.0,
) -> list[Point]:
    """Readings of a tank with those draws: normal noise, a daily triangle of drift, silent spans, stray echoes."""
    rng = random.Random(seed)
    steps = sorted(draws, key=lambda draw: draw.start_ms)
    out, done_gal, open_draws, nxt = [], 0.0, [], 0
    for k in range(int(days * DAY_MS / (every_min * MINUTE_MS))):
        ts = START_MS + round(k * every_min * MINUTE_MS)
        while nxt < len(steps) and steps[nxt].start_ms <= ts:
            open_draws.append(steps[nxt])
            nxt += 1
        for draw in [draw for draw in open_draws if draw.end_ms <= ts]:
            done_gal += draw.gal
            open_draws.remove(draw)
        part = sum(draw.gal * (ts - draw.start_ms) / (draw.end_ms - draw.start_ms) for draw in open_draws)
        phase = (ts - START_MS) % DAY_MS / DAY_MS
        drift = drift_gal * (abs(2 * phase - 1) * 2 - 1)
        stray = rng.random() < spikes
        jump_m = rng.choice((-1, 1)) * rng.uniform(0.05, 0.4) if stray else 0.0
        value = (start_gal - done_gal - part + drift) * M3_PER_GAL + (rng.gauss(0, noise_m) + jump_m) * area_m2
        if not any(begin <= ts < end for begin, end in silent):
            out.append(Point(ts, value, (noise_m if stated_m is None else stated_m) * area_m2))
    return out


def household_draws(
    days: int, seed: int, *, per_day: int = 5, mean_gal: float = 11.0, sd_gal: float = 2.5
) -> list[Draw]:
    """A household's draws: some a day at waking hours, of uneven size, at 2 gal/min, summing to a daily use."""
    rng = random.Random(seed)
    out = []
    for day in range(days):
        total = max(2.0, rng.gauss(mean_gal, sd_gal))
        shares = [rng.uniform(0.3, 1.7) for _ in range(per_day)]
        for k, share in enumerate(shares):
            gal = total * share / sum(shares)
            at = START_MS + day * DAY_MS + round((6.5 + 15.5 * (k + rng.uniform(0.1, 0.9)) / per_day) * HOUR_MS)
            out.append(Draw(at, at + round(max(0.3, gal / 2) * MINUTE_MS), gal))
    return out


def fills(days: int, every_days: int, gal: float) -> list[Draw]:
    """A well fill each so many days at 10 in the morning, at 2 gal/min."""
    at = [START_MS + day * DAY_MS + 10 * HOUR_MS for day in range(every_days, days, every_days)]
    return [Draw(ms, ms + round(gal / 2 * MINUTE_MS), -gal) for ms in at]
