"""What counters counted: water through a flow meter, rain in a tipping gauge, from counts that may start again.

Only counts are stored, as they came. Amounts are worked out from them whenever they are asked for; where raw counts are gone, from the
lowest and highest count of each hour.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple, Protocol

from holdwater.balance.days import day_bounds_ms, day_of
from holdwater.balance.points import Rain, Span
from holdwater.snapshot import MeterNow
from holdwater.store.rows import DAY_MS, HOUR_MS, RollRow
from holdwater_sensors.counter import Pulses, Step
from holdwater_sensors.instrument import Instrument

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from holdwater.config.site import Site
    from holdwater.store.reader import Reader

SEARCH_MS = 2 * DAY_MS
"""How far back the count before a stretch is looked for reading by reading; past it the hours serve."""

PAUSE_MS = 30 * 60_000
"""A meter that counts nothing for so long has stopped: what it counts then is another filling."""


class Counted(NamedTuple):
    """What one reading of a counter adds: its time, the time of the reading before, and the step between them."""

    ts_ms: int
    before_ms: int
    step: Step


class Hourly(Protocol):
    """Whoever has roll-ups of a series."""

    def rolls(self, series: str, span_ms: int, start_ms: int, end_ms: int) -> Sequence[RollRow]:
        """Roll-ups of a series, in SI."""
        ...


def meters_of(site: Site) -> tuple[Instrument, ...]:
    """All counters of a site."""
    return tuple(each for each in site.instruments.values() if isinstance(each.physics, Pulses))


def rain_counter(site: Site) -> Instrument | None:
    """The counter behind the site's rain, when its gauge sends counts and no depths."""
    named = (each for each in meters_of(site) if each.series == site.rain_series and each.kind == "rain pulses")
    return next(named, None)


def steps(instrument: Instrument, points: Iterable[tuple[int, float]]) -> Iterator[Counted]:
    """What each reading after the first adds; points in order of time."""
    pulses = instrument.physics
    if not isinstance(pulses, Pulses):
        return
    before: tuple[int, float] | None = None
    for ts, count in points:
        if not instrument.counts_at(ts):
            continue
        if before is not None:
            yield Counted(ts, before[0], pulses.step(before[1], count, (ts - before[0]) / 1000))
        before = ts, count


def of_hours(rows: Sequence[RollRow]) -> list[tuple[int, float]]:
    """Counts as far as hours tell them: where an hour began and ended; a restart inside an hour counts up to it and from zero after it."""
    points: list[tuple[int, float]] = []
    for row in rows:
        high = points[-1][1] if points else row.lo
        if row.lo < high <= row.hi:
            points += [(row.start_ms + HOUR_MS - 2, row.hi), (row.start_ms + HOUR_MS - 1, 0.0)]
        else:
            points += [(row.start_ms, row.lo), (row.start_ms + HOUR_MS - 1, row.hi)]
    return points


def counted(instrument: Instrument, reader: Reader, start_ms: int, end_ms: int) -> list[Counted]:
    """What a counter counted with start <= time < end, with the step from the reading before it."""
    raw_from_ms = reader.oldest_ms()
    points: list[tuple[int, float]] = []
    if raw_from_ms is None or start_ms - SEARCH_MS < raw_from_ms:
        hours = reader.rolls(instrument.series, HOUR_MS, start_ms - SEARCH_MS, min(end_ms, raw_from_ms or end_ms))
        points = of_hours([each for each in hours if raw_from_ms is None or each.start_ms + HOUR_MS <= raw_from_ms])
    points += [(row.ts_ms, row.value) for row in reader.readings(instrument.series, start_ms - SEARCH_MS, end_ms)]
    if not points or points[0][0] >= start_ms:
        before = next(iter(reader.hours_before(instrument.series, start_ms - SEARCH_MS)), None)
        points[:0] = [] if before is None else [(before.start_ms + HOUR_MS - 1, before.hi)]
    return [each for each in steps(instrument, points) if start_ms <= each.ts_ms < end_ms]


def rain_of(site: Site, reader: Reader, start_ms: int, end_ms: int) -> list[Rain]:
    """Rain between readings of the gauge: depths since the one before, as sent, or by its counted tips."""
    if site.rain_series is None:
        return []
    counter = rain_counter(site)
    if counter is None:
        rows = reader.readings(site.rain_series, start_ms, end_ms)
        return [Rain(row.ts_ms, row.value) for row in rows if row.value > 0]
    found = counted(counter, reader, start_ms, end_ms)
    return [Rain(each.ts_ms, each.step.amount) for each in found if each.step.amount > 0 and not each.step.doubtful]


def rain_days(site: Site, reader: Hourly, start_ms: int, end_ms: int) -> list[tuple[int, float]]:
    """Rain of each local day by roll-ups alone: (begin of the day, depth in m)."""
    if site.rain_series is None:
        return []
    counter = rain_counter(site)
    if counter is None:
        # A reading is the rain since the one before it, so a day's rain is mean times count.
        return [(row.start_ms, row.mean * row.n) for row in reader.rolls(site.rain_series, DAY_MS, start_ms, end_ms)]
    points = of_hours(reader.rolls(counter.series, HOUR_MS, start_ms - SEARCH_MS, end_ms))
    days: dict[int, float] = {}
    for each in steps(counter, points):
        if start_ms <= each.ts_ms < end_ms:
            day = day_bounds_ms(day_of(each.ts_ms, site.timezone), site.timezone)[0]
            days[day] = days.get(day, 0.0) + (0.0 if each.step.doubtful else each.step.amount)
    return sorted(days.items())


def fillings(site: Site, reader: Reader, tank: str, start_ms: int, end_ms: int) -> list[Span]:
    """What flow meters into a tank counted, as notes of the household would tell it: a well run, or loads."""
    kind = "well run" if "load" not in site.tanks[tank].filled_by or "well" in site.tanks[tank].filled_by else "load"
    found: list[Span] = []
    for meter in meters_of(site):
        if meter.tank != tank or not meter.fills:
            continue
        for each in counted(meter, reader, start_ms, end_ms):
            if each.step.amount <= 0 or each.step.doubtful:
                continue
            last = found[-1] if found else None
            if last is not None and each.before_ms - last.end_ms <= PAUSE_MS:
                found[-1] = Span(kind, last.start_ms, each.ts_ms, (last.m3 or 0.0) + each.step.amount)
            else:
                found.append(Span(kind, each.before_ms, each.ts_ms, each.step.amount))
    return sorted(found, key=lambda span: span.start_ms)


@dataclass(frozen=True, slots=True)
class Total:
    """What a counter counted in a span of time, in m3 or m.

    Attributes:
        start_ms: begin of the span.
        amount: in it.
        u: standard uncertainty of that.
        in_all: since the first reading asked for.
        resets: how often the counter started again: the amount is then the least that can have passed.
        doubtful: readings that added more than the counter can count.
    """

    start_ms: int
    amount: float
    u: float
    in_all: float
    resets: int
    doubtful: int


def totals(found: Iterable[Counted], begins: Callable[[int], int]) -> Iterator[Total]:
    """Sums by span; what is doubtful is told, and left out.

    Args:
        found: steps in order of time.
        begins: from a time to the begin of its span.
    """
    in_all = 0.0
    now: Total | None = None
    for each in found:
        start_ms, step = begins(each.ts_ms), each.step
        amount, u = (0.0, 0.0) if step.doubtful else (step.amount, step.u)
        in_all += amount
        if now is not None and now.start_ms != start_ms:
            yield now
            now = None
        before = now or Total(start_ms, 0.0, 0.0, 0.0, 0, 0)
        # the share of the amount that is its scale adds up, the single pulse at either end does not: their sum is the safe side
        now = Total(
            start_ms, before.amount + amount, before.u + u if step.amount else before.u, in_all,
            before.resets + step.reset, before.doubtful + step.doubtful,
        )  # fmt: skip
    if now is not None:
        yield now


class Meter:
    """A counter, live: what it counted since local midnight.

    Args:
        instrument: the counter.
        zone: the household's time zone.
    """

    def __init__(self, instrument: Instrument, zone: ZoneInfo) -> None:
        self.instrument = instrument
        self._zone = zone
        self._before: tuple[int, float] | None = None
        self._bounds = (0, 0)
        self._today = 0.0

    def take(self, ts_ms: int, count: float) -> float:
        """One more reading; an earlier one than the newest is left to history.

        Returns:
            What it added, m3 or m.
        """
        before = self._before
        if before is not None and ts_ms <= before[0]:
            return 0.0
        if not self._bounds[0] <= ts_ms < self._bounds[1]:
            self._bounds, self._today = day_bounds_ms(day_of(ts_ms, self._zone), self._zone), 0.0
        points = [(ts_ms, count)] if before is None else [before, (ts_ms, count)]
        added = sum(each.step.amount for each in steps(self.instrument, points) if not each.step.doubtful)
        self._today += added
        self._before = ts_ms, count
        return added

    def now(self, now_ms: int) -> MeterNow:
        """As of now: nothing counted today when the newest reading is of an earlier day."""
        at_ms = self._before[0] if self._before else None
        today = self._today if now_ms < self._bounds[1] or at_ms is None else 0.0
        each = self.instrument
        return MeterNow(each.name, each.tank, each.kind, each.fills, at_ms, None if at_ms is None else today)
