"""Axes: round steps in household units, local midnights, names of months that do not collide."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from holdwater.web.charts.svg import width_of

DAY_MS = 86_400_000


def local_date(ms: int, zone: ZoneInfo) -> date:
    """The local day that an instant falls into."""
    return datetime.fromtimestamp(ms / 1000, UTC).astimezone(zone).date()


def midnight_ms(day: date, zone: ZoneInfo) -> int:
    """The instant at which a local day begins; where the clock skips midnight, the first instant of the day."""
    return round(datetime.combine(day, time(), zone).timestamp() * 1000)


def days_between(first: date, last: date) -> Iterator[date]:
    """Every day from `first` to `last`, both counted."""
    for count in range((last - first).days + 1):
        yield first + timedelta(days=count)


def round_step(top: float, most: int) -> float:
    """The smallest of 1, 2, 2.5, 5 times a power of ten that cuts 0 to `top` into at most `most` parts."""
    if not top > 0:
        return 1.0
    power = 10.0 ** math.floor(math.log10(top / most))
    return next(power * factor for factor in (1, 2, 2.5, 5, 10, 20) if top / (power * factor) <= most + 1e-9)


def steps(top: float, most: int) -> list[float]:
    """Round values from 0 up to at most `top`."""
    step = round_step(top, most)
    return [count * step for count in range(math.floor(top / step + 1e-9) + 1)]


@dataclass(frozen=True, slots=True)
class TimeAxis:
    """From instants to places.

    Attributes:
        start_ms: instant at the left end.
        end_ms: instant at the right end.
        left: px.
        right: px.
        zone: whose midnights count.
    """

    start_ms: int
    end_ms: int
    left: float
    right: float
    zone: ZoneInfo

    def x(self, ms: float) -> float:
        """Place of an instant, px, not clipped."""
        return self.left + (self.right - self.left) * (ms - self.start_ms) / (self.end_ms - self.start_ms)

    @property
    def days(self) -> float:
        """Length, days."""
        return (self.end_ms - self.start_ms) / DAY_MS

    def marks(self) -> list[tuple[float, str, bool]]:
        """Grid lines as (px, label, begins a month): months in long ranges, Mondays in middle ones, else days."""
        first = local_date(self.start_ms, self.zone)
        last = local_date(self.end_ms - 1, self.zone)
        found = []
        for day in days_between(first, last):
            label = self._label(day, day == first)
            if label is not None:
                found.append((self.x(midnight_ms(day, self.zone)), label, day.day == 1))
        return found

    def _label(self, day: date, is_first: bool) -> str | None:
        if self.days <= 10:
            return f"{day:%a} {day.day}"
        if self.days <= 45:
            return f"{day.day} {day:%b}" if day.weekday() == 0 else None
        if day.day == 1 or is_first:
            year = f" {day.year}" if day.month == 1 or is_first else ""
            return f"{day:%B}{year}"
        return None

    def labels(self, size: float) -> list[tuple[float, str]]:
        """Names to write, as (px of their left edge, name): all long, or all short where one would not fit."""
        marks = self.marks()
        ends = [x for x, _, _ in marks[1:]] + [self.right]
        names = [label for _, label, _ in marks]
        for shorten in (str, _without_year, _short):
            texts = [shorten(name) for name in names]
            slots = list(zip(marks, ends, texts, strict=True))
            # The first and the last may be cut off by the edges of the picture: they need not fit.
            if all(mark[0] + 3 + width_of(text, size) <= end for mark, end, text in slots[1:-1]):
                break
        return self._placed([(mark[0] + 3, text) for mark, _, text in slots], size) if marks else []

    def _placed(self, wanted: Sequence[tuple[float, str]], size: float) -> list[tuple[float, str]]:
        """From the right, so that a month that is only begun at the left gives way."""
        placed: list[tuple[float, str]] = []
        free = self.right
        for x, text in reversed(wanted):
            if x + width_of(text, size) <= free:
                placed.append((x, text))
                free = x - 4
        return placed[::-1]


def _without_year(label: str) -> str:
    """`January 2027` without its year; other labels as they are."""
    name, _, rest = label.partition(" ")
    return name if len(rest) == 4 else label


def _short(label: str) -> str:
    """Three letters of a month; the number of a day."""
    name, _, rest = label.partition(" ")
    if name.isdigit():
        return label
    return rest if rest and len(rest) < 3 else name[:3]
