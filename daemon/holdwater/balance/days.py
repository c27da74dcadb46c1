"""The day account of one tank: opening + in - out = closing + unexplained, between local midnights.

A level at midnight is taken once and is the closing of one day and the opening of the next, so that days add up to the
season without a rest. What the falls and rises found do not explain (drift, drops too small to see, a slow leak) is
`unexplained`, positive for water that went. Scale errors cancel, as every figure but the two levels is a difference.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, tzinfo
from itertools import pairwise

from holdwater.balance.kinds import IN_KINDS, Entry
from holdwater.balance.points import HOUR_MS, MINUTE_MS, Point
from holdwater.balance.uses import Move

NEAR_MS = 30 * MINUTE_MS
BRIDGE_MS = 6 * HOUR_MS  # a gap over midnight longer than this leaves the level at midnight unknown
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MEDIAN = math.sqrt(math.pi / 2)  # standard error of a median over that of a mean, large normal samples
Levels = Sequence[Point]


def day_start_ms(day: date, zone: tzinfo) -> int:
    """First instant of a local day, ms UTC: the change itself where midnight is skipped, the first of two."""
    local = datetime(day.year, day.month, day.day, tzinfo=zone, fold=0)
    return (local.astimezone(UTC) - _EPOCH) // timedelta(milliseconds=1)


def day_bounds_ms(day: date, zone: tzinfo) -> tuple[int, int]:
    """Begin and end of a local day, ms UTC: 23, 24 or 25 h apart, and no instant belongs to two days or to none."""
    return day_start_ms(day, zone), day_start_ms(day + timedelta(days=1), zone)


def day_of(ts_ms: int, zone: tzinfo) -> date:
    """The local day that an instant belongs to."""
    day = (_EPOCH + timedelta(milliseconds=ts_ms)).astimezone(zone).date()
    # A clock set back over midnight repeats an evening; both belong to the day that had already begun.
    return day + timedelta(days=1) if ts_ms >= day_start_ms(day + timedelta(days=1), zone) else day


@dataclass(frozen=True, slots=True)
class Mark:
    """A level at an instant, with its noise."""

    m3: float
    u_m3: float


@dataclass(frozen=True, slots=True)
class Account:
    """One tank, one local day. Volumes in m3, uncertainties standard, noise only.

    Attributes:
        day: local date.
        start_ms: its first instant.
        end_ms: the first instant of the next day.
        opening: level at the begin, None when unknown.
        closing: level at the end, None when unknown.
        used_m3: falls found, positive.
        inflow_m3: rises found by kind, as (kind, volume) in the order of `kinds.IN_KINDS`, zeros left out.
        u_m3: standard uncertainty of `unexplained_m3`.
        heard_ms: time covered by readings; what a gap hides is not covered.
    """

    day: date
    start_ms: int
    end_ms: int
    opening: Mark | None
    closing: Mark | None
    used_m3: float
    inflow_m3: tuple[tuple[str, float], ...]
    u_m3: float
    heard_ms: int

    @property
    def in_m3(self) -> float:
        """All water that came."""
        return math.fsum(volume for _, volume in self.inflow_m3)

    @property
    def unexplained_m3(self) -> float | None:
        """Opening + in - used - closing: water that went without being seen; None when a level is unknown."""
        if self.opening is None or self.closing is None:
            return None
        return math.fsum((self.opening.m3, self.in_m3, -self.used_m3, -self.closing.m3))

    @property
    def gone_m3(self) -> float | None:
        """All water that went: used and unexplained; it depends on the two levels and the inflow only."""
        rest = self.unexplained_m3
        return None if rest is None else self.used_m3 + rest

    @property
    def is_whole(self) -> bool:
        """Whether readings cover at least nine tenths of the day and both levels are known."""
        return self.gone_m3 is not None and self.heard_ms >= 0.9 * (self.end_ms - self.start_ms)


def mark(points: Levels, at_ms: int) -> Mark | None:
    """The level at an instant.

    Args:
        points: good readings around it, in time order.
        at_ms: the instant, ms UTC.

    Returns:
        The mean of the medians of the half hours before and after; over a shorter gap than 6 h a straight line between
        its ends, doubted by the whole range that could be between; None when even these are missing.
    """
    times = [point.ts_ms for point in points]
    cut = bisect_left(times, at_ms)
    before = points[bisect_left(times, at_ms - NEAR_MS) : cut]
    after = points[cut : bisect_left(times, at_ms + NEAR_MS)]
    if before and after:
        early, late = _median(before), _median(after)
        return Mark((early.m3 + late.m3) / 2, math.hypot(early.u_m3, late.u_m3) / 2)
    if cut == 0 or cut == len(points) or times[cut] - times[cut - 1] > BRIDGE_MS:
        return None
    left, right = points[cut - 1], points[cut]
    share = (at_ms - left.ts_ms) / (right.ts_ms - left.ts_ms)
    level = left.on_hand_m3 + share * (right.on_hand_m3 - left.on_hand_m3)
    spread = (right.on_hand_m3 - left.on_hand_m3) / math.sqrt(12)  # GUM 4.3.7: anywhere between the two, equally likely
    return Mark(level, math.hypot(spread, max(left.u_noise_m3, right.u_noise_m3)))


def _median(points: Levels) -> Mark:
    values = sorted(point.on_hand_m3 for point in points)
    n = len(values)
    middle = (values[(n - 1) // 2] + values[n // 2]) / 2
    widen = 1.0 if n < 3 else _MEDIAN
    return Mark(middle, widen * max(point.u_noise_m3 for point in points) / math.sqrt(n))


def share_in(move: Move, start_ms: int, end_ms: int) -> float:
    """The part of a move inside a span, by time; the parts in neighbouring spans add up to the whole."""
    length = max(move.end_ms - move.start_ms, 1)
    begin, end = max(move.start_ms, start_ms), min(move.start_ms + length, end_ms)
    return max(0, end - begin) / length


def account(day: date, zone: tzinfo, points: Levels, found: Sequence[Entry]) -> Account:
    """The account of one local day.

    Args:
        day: local date.
        zone: the household's time zone.
        points: readings of the tank from at least 6 h before the day to 6 h after it, in time order.
        found: named moves that touch the day.
    """
    start_ms, end_ms = day_bounds_ms(day, zone)
    good = [point for point in points if point.ok]
    opening, closing = mark(good, start_ms), mark(good, end_ms)
    used, inflow, variance = 0.0, dict.fromkeys(IN_KINDS, 0.0), 0.0
    for each in found:
        share = share_in(each.move, start_ms, end_ms)
        volume = share * each.move.m3
        variance += (share * each.move.u_m3) ** 2
        if each.move.is_fall:
            used -= volume
        else:
            inflow[each.kind] += volume
    variance += sum(level.u_m3**2 for level in (opening, closing) if level is not None)
    kinds = tuple((kind, volume) for kind, volume in inflow.items() if volume)
    return Account(
        day, start_ms, end_ms, opening, closing, used, kinds, math.sqrt(variance), _heard_ms(good, start_ms, end_ms)
    )


def _heard_ms(good: Levels, start_ms: int, end_ms: int) -> int:
    heard = 0
    for left, right in pairwise(good):
        if right.ts_ms - left.ts_ms <= HOUR_MS:
            heard += max(0, min(right.ts_ms, end_ms) - max(left.ts_ms, start_ms))
    return heard


def accounts(first: date, last: date, zone: tzinfo, points: Levels, found: Sequence[Entry]) -> Iterator[Account]:
    """The accounts of all local days from `first` to `last`, both included."""
    times = [point.ts_ms for point in points]
    day = first
    while day <= last:
        start_ms, end_ms = day_bounds_ms(day, zone)
        # Two hours more than the longest bridge: the readings at both its ends must be in hand.
        near = points[
            bisect_left(times, start_ms - BRIDGE_MS - 2 * HOUR_MS) : bisect_left(
                times, end_ms + BRIDGE_MS + 2 * HOUR_MS
            )
        ]
        touching = [each for each in found if each.move.end_ms >= start_ms and each.move.start_ms < end_ms]
        yield account(day, zone, near, touching)
        day += timedelta(days=1)
