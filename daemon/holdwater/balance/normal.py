"""What is normal for one tank: usual use by hour and weekday, and the longest and largest usual draw at an hour.

Remembers the draws of the last eight weeks; older ones weigh less (half in three weeks). One wild draw is never
usual: the largest of its neighbourhood is always left out. That is what *valve open* measures a draw against.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo
from itertools import accumulate

from holdwater.balance.kinds import USED, Entry
from holdwater.balance.points import DAY_MS

VERSION = 1
KEEP_MS = 56 * DAY_MS
KEEP_DRAWS = 2000
HALF_LIFE_MS = 21 * DAY_MS
NEAR_HOURS = 1.5  # draws this near by the clock are compared with; own choice
TOP = 0.975
ENOUGH_DRAWS = 8
ENOUGH_DAYS = 7
WEEKDAY_PRIOR = 3.0  # weeks of evidence that a weekday's own figure must outweigh; own choice
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class UsualDraw:
    """The longest and the largest usual draw near an hour.

    Attributes:
        longest_s: duration that usual draws do not exceed.
        largest_m3: volume that usual draws do not exceed.
        draws: number of draws it rests on.
        enough: whether that is enough to speak of a normal; else the caller takes a fixed limit.
    """

    longest_s: float
    largest_m3: float
    draws: int
    enough: bool


@dataclass(frozen=True, slots=True)
class UsualUse:
    """Mean use in one clock hour of one weekday, m3, and whether there are data enough."""

    m3: float
    enough: bool


@dataclass(frozen=True, slots=True)
class _Draw:
    at_ms: int
    m3: float
    seconds: float
    hour: float  # local clock, 0 to 24
    weekday: int  # 0 Monday


class Normal:
    """The usual draws of one tank.

    Args:
        zone: the household's time zone; hours are those of the clock on the wall.
    """

    def __init__(self, zone: tzinfo) -> None:
        self._zone = zone
        self._draws: list[_Draw] = []
        self._since_ms: int | None = None
        self._through_ms = 0

    def add(self, entry: Entry) -> None:
        """Learn one named move; rises, gaps and draws that a note calls unusual teach nothing."""
        move = entry.move
        self.advance(move.start_ms)
        self.advance(move.end_ms)
        if entry.kind != USED or not entry.usual:
            return
        local = self._local(move.start_ms)
        hour = local.hour + local.minute / 60
        self._draws.append(_Draw(move.start_ms, -move.m3, move.duration_s, hour, local.weekday()))

    def advance(self, through_ms: int) -> None:
        """Time was observed up to here, drawn from or not."""
        if self._since_ms is None:
            self._since_ms = through_ms
        self._through_ms = max(self._through_ms, through_ms)
        oldest_ms = self._through_ms - KEEP_MS
        if self._draws and (self._draws[0].at_ms < oldest_ms or len(self._draws) > KEEP_DRAWS):
            self._draws = [draw for draw in self._draws if draw.at_ms >= oldest_ms][-KEEP_DRAWS:]

    def usual_draw(self, at_ms: int) -> UsualDraw:
        """The longest and largest usual draw near the clock hour of an instant."""
        local = self._local(at_ms)
        hour = local.hour + local.minute / 60
        near = [draw for draw in self._draws if _apart(draw.hour, hour) <= NEAR_HOURS]
        weights = [self._weight(draw) for draw in near]
        longest_s = _top([draw.seconds for draw in near], weights)
        largest_m3 = _top([draw.m3 for draw in near], weights)
        return UsualDraw(longest_s, largest_m3, len(near), len(near) >= ENOUGH_DRAWS and self._days() >= ENOUGH_DAYS)

    def usual_use(self, hour: int, weekday: int) -> UsualUse:
        """Mean use in a clock hour (0-23) of a weekday (0 Monday), leaning on the other weekdays while data are few."""
        weeks = self._weighted_days() / 7
        if weeks <= 0:
            return UsualUse(0.0, enough=False)
        largest = _top([draw.m3 for draw in self._draws], [self._weight(draw) for draw in self._draws])
        inside = [draw for draw in self._draws if int(draw.hour) == hour]
        all_days = sum(self._weight(draw) * min(draw.m3, largest) for draw in inside) / (7 * weeks)
        same = sum(self._weight(draw) * min(draw.m3, largest) for draw in inside if draw.weekday == weekday) / weeks
        share = weeks / (weeks + WEEKDAY_PRIOR)
        return UsualUse(share * same + (1 - share) * all_days, enough=self._days() >= ENOUGH_DAYS)

    @property
    def through_ms(self) -> int:
        """Time that the model has reached."""
        return self._through_ms

    def to_bytes(self) -> bytes:
        """The model as bytes, exact to the last bit."""
        draws = [[draw.at_ms, draw.m3, draw.seconds] for draw in self._draws]
        return json.dumps([VERSION, self._since_ms, self._through_ms, draws], separators=(",", ":")).encode()

    @classmethod
    def from_bytes(cls, body: bytes, zone: tzinfo) -> Normal:
        """The model that `to_bytes` described, for the household's time zone.

        Raises:
            ValueError: another version; fold again.
        """
        version, *rest = json.loads(body)
        if version != VERSION:
            raise ValueError(f"normal: stored model has version {version}, not {VERSION}; fold again from raw readings")
        made = cls(zone)
        made._since_ms, made._through_ms, draws = rest
        for at_ms, m3, seconds in draws:
            local = made._local(at_ms)
            made._draws.append(_Draw(at_ms, m3, seconds, local.hour + local.minute / 60, local.weekday()))
        return made

    def _local(self, at_ms: int) -> datetime:
        return (_EPOCH + timedelta(milliseconds=at_ms)).astimezone(self._zone)

    def _weight(self, draw: _Draw) -> float:
        return math.exp2(-(self._through_ms - draw.at_ms) / HALF_LIFE_MS)

    def _days(self) -> float:
        return 0.0 if self._since_ms is None else (self._through_ms - self._since_ms) / DAY_MS

    def _weighted_days(self) -> float:
        """Observed days, each weighted as its draws are: the integral of the weight over the time remembered."""
        span_ms = min(self._days() * DAY_MS, KEEP_MS)
        return HALF_LIFE_MS / math.log(2) * (1 - math.exp2(-span_ms / HALF_LIFE_MS)) / DAY_MS


def _apart(hour: float, other: float) -> float:
    """Hours between two readings of the clock, the short way round."""
    apart = abs(hour - other) % 24
    return min(apart, 24 - apart)


def _top(values: list[float], weights: list[float]) -> float:
    """Weighted 97.5 % quantile that always leaves out at least the largest value; 0 for fewer than two values."""
    if len(values) < 2:
        return 0.0
    ranked = sorted(zip(values, weights, strict=True), reverse=True)
    passed = accumulate(weight for _, weight in ranked)
    left_out = (1 - TOP) * sum(weights)
    rest = zip(ranked[1:], list(passed)[1:], strict=True)
    return next(value for (value, _), above in rest if above > left_out)
