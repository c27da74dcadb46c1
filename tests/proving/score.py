"""Scores of one season: what the service told, from its store, against the truth of the simulation."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

from holdwater.balance.days import Account, day_bounds_ms, day_of
from holdwater.balance.supply import Supply
from holdwater.books import tank_book
from holdwater.config.load import loads
from holdwater.replay import replay
from holdwater.store.reader import Reader, open_reader
from holdwater.store.rows import HOUR_MS
from proving.quern import crossings
from proving.world import DAY_MINUTES, MINUTE_MS, Course, Fault, World

if TYPE_CHECKING:
    from holdwater.config.site import Site

GAL = 0.003785411784
STUCK_WITHIN = 120
DAY_MIN = 1440
AHEAD_DAYS = {"haul-by": 8 + 7 + 6, "short": 8 * 1.5}
"""By true use around it the reserve was so near that it was right to say so: the worst wait of 8 days, a week ahead, and the range."""
FORECAST, NEAR_K = 20 * 60, 2.5
SILENT_WITHIN = 31  # three intervals of ten minutes, and the minute of the tick
FREEZE_WITHIN = (
    30  # raise_after of ten minutes, an interval of ten to see it, and as much for noise: the air falls 1 K an hour
)


@dataclass(frozen=True, slots=True)
class Told:
    """A notice that was raised."""

    minute: int
    kind: str
    subject: str
    severity: str
    short: str


@dataclass(slots=True)
class Score:
    """What came of one season. Times in minutes, volumes in gallons."""

    world: str
    seed: int
    days: float
    valve_lost: list[float | None] = field(default_factory=list)  # None: not found
    valve_slow: list[float] = field(default_factory=list)  # rates of those not found
    false: list[Told] = field(default_factory=list)  # nothing in the truth explains them
    told: int = 0
    low_late: list[float | None] = field(default_factory=list)  # after the crossing; None: not told
    low_early: list[float] = field(default_factory=list)  # gallons above the reserve when told though not crossed
    low_under: list[float] = field(default_factory=list)  # gallons under the reserve when told
    stuck: list[float | None] = field(default_factory=list)
    silent: list[float | None] = field(default_factory=list)
    freeze: list[float | None] = field(default_factory=list)
    freeze_extra: int = 0
    level: dict[str, list[tuple[float, float]]] = field(default_factory=dict)  # (error, u) of each hour
    used: dict[str, list[float]] = field(default_factory=dict)  # error of a day's `used`
    gone: dict[str, list[tuple[float, float]]] = field(default_factory=dict)  # (error of used + unexplained, u)
    came: dict[str, list[float]] = field(default_factory=dict)
    lasts: list[tuple[float, float, float, float]] = field(default_factory=list)  # true, low, mid, high


def score(world: World) -> Score:
    """Feed a season through the service's loop into a real store, and score it."""
    site = loads(world.config, world.name, {})
    found = Score(world.name, world.seed, world.minutes / DAY_MINUTES)
    with TemporaryDirectory() as folder:
        told = replay(site, world.lines(), Path(folder))
        assert not told.refused, told.refused
        with open_reader(Path(folder)) as reader:
            _notices(world, raised(world, reader), foretold(world, reader), found)
            for name, course in world.courses.items():
                _levels(world, reader, name, course, found)
                _days(world, site, reader, name, course, found)
    return found


def raised(world: World, reader: Reader) -> list[Told]:
    """The first telling of each notice."""
    rows = reader.notices(0, 1 << 60)
    return [Told(world.minute_of(r.at_ms), r.kind, r.subject, r.severity, r.short) for r in rows if r.n == 1]


def foretold(world: World, reader: Reader) -> list[int]:
    """Minutes at which a freeze was told of before it came: each step of *freeze tonight* while it holds."""
    rows = reader.notices(0, 1 << 60)
    return [world.minute_of(row.at_ms) for row in rows if row.kind == "freeze-tonight" and row.state == "active"]


def _notices(world: World, told: list[Told], foretold: list[int], found: Score) -> None:
    found.told = len(told)
    _valves(world, told, found)
    _faults(world, told, found)
    _low(world, told, found)
    _freezing(world, told, foretold, found)
    found.false = [each for each in told if not _explained(world, each)]


def _valves(world: World, told: list[Told], found: Score) -> None:
    for fault in world.faults:
        if fault.kind != "valve" or fault.end + 20 > world.minutes:
            continue
        at = _first(told, "valve-open", fault.tank, fault.start, fault.end + 5)
        found.valve_lost.append(
            None if at is None else min(at - fault.start + 0.5, fault.end - fault.start) * fault.rate_m3 / GAL
        )
        if at is None:
            found.valve_slow.append(fault.rate_m3 / GAL)


def _faults(world: World, told: list[Told], found: Score) -> None:
    for fault in world.faults:
        if fault.end >= world.minutes:
            continue
        if fault.kind in ("stuck", "dead"):
            at = _first(told, "in-doubt", fault.tank, fault.start, fault.start + STUCK_WITHIN + 1)
            found.stuck.append(None if at is None else at - fault.start)
        elif fault.kind == "silent":
            at = _first(told, "silent", world.courses[fault.tank].series, fault.start, fault.end)
            found.silent.append(None if at is None else at - _last_heard(world, fault))


def _last_heard(world: World, fault: Fault) -> int:
    before = fault.start - 1
    while before % 10 and not world.minutely(fault.tank, before):
        before -= 1
    return before


def _low(world: World, told: list[Told], found: Score) -> None:
    for name, course in world.courses.items():
        if course.reserve_m3 is None:
            continue
        for at in crossings(course):
            # A sensor in doubt or silent holds it back: no crossing to be scored.
            if at + 120 > world.minutes or any(
                f.tank == name and f.start - 30 < at < f.end + 60 and f.kind != "valve" for f in world.faults
            ):
                continue
            seen = [
                each.minute
                for each in told
                if each.kind == "low" and each.subject == name and at - 600 <= each.minute <= at + 300
            ]
            found.low_late.append(seen[0] - at if seen else None)
            if seen and seen[0] >= at:
                found.low_under.append((course.reserve_m3 - course.shown[seen[0]]) / GAL)
        for each in told:
            if each.kind == "low" and each.subject == name:
                above_m3 = min(course.shown[max(0, each.minute - 30) : each.minute + 1]) - course.reserve_m3
                if above_m3 > 0:
                    found.low_early.append(above_m3 / GAL)


def _freezing(world: World, told: list[Told], foretold: list[int], found: Score) -> None:
    """Nights: each spell of ten minutes and more at or under the line, ended by an hour well above it.

    A spell of which *freeze tonight* spoke in the day before is told in time; *freezing* is then quiet.
    """
    cold = [t <= world.freezing_c for t in world.air_c]
    spells, minute = 0, 0
    while minute < len(cold) - 60:
        if not all(cold[minute : minute + 30]):
            minute += 1
            continue
        end = minute
        while end < len(cold) and (cold[end] or any(t < world.freezing_c + 1.7 for t in world.air_c[end : end + 90])):
            end += 1
        if minute > 0:
            spoken = any(minute - DAY_MIN <= each <= minute for each in foretold)
            found.freeze.append(0 if spoken else _or_none(_first(told, "freezing", "air", minute - 20, end), minute))
            spells += 1
        minute = end
    found.freeze_extra = max(0, sum(each.kind == "freezing" for each in told) - spells - (1 if cold[0] else 0))


def _or_none(at: int | None, since: int) -> float | None:
    return None if at is None else at - since


def _first(told: list[Told], kind: str, subject: str, start: int, end: int) -> int | None:
    return next((t.minute for t in told if t.kind == kind and t.subject == subject and start <= t.minute <= end), None)


def _explained(world: World, told: Told) -> bool:  # noqa: PLR0911 -- one answer a kind
    """Whether the truth has a cause for a notice."""
    at = told.minute
    mine = [f for f in world.faults if world.courses[f.tank].series == told.subject or f.tank == told.subject]
    if told.kind == "valve-open":
        return any(f.kind == "valve" and f.start <= at <= f.end + 20 for f in mine)
    if told.kind in ("in-doubt", "silent"):
        return any(f.kind != "valve" and f.start <= at <= f.end + 40 for f in mine)
    if told.kind == "freezing":
        return min(world.air_c[max(0, at - 30) : at + 1]) <= world.freezing_c + 0.4
    if told.kind in ("icing", "thaw-watch"):
        return (
            min(world.air_c[max(0, at - 3 * DAY_MIN) : at + 1]) <= NEAR_K
        )  # a bare thing under a clear sky is colder than the air
    if told.kind == "freeze-tonight":  # a forecast: a night that came near enough for its range bears it out
        return min(world.air_c[at : at + FORECAST]) <= world.freezing_c + NEAR_K
    course = world.courses.get(told.subject)
    if course is None:
        return False
    around = slice(max(0, at - 60), at + 1)
    if told.kind == "low":
        return course.reserve_m3 is not None and min(course.shown[around]) <= 1.01 * course.reserve_m3
    if told.kind in AHEAD_DAYS and course.reserve_m3 is not None:
        week = course.used[max(0, at - 7 * DAY_MIN) : at + 7 * DAY_MIN]
        left_days = (course.shown[at] - course.reserve_m3) / max(sum(week) / len(week) * DAY_MIN, 1e-9)
        return left_days <= AHEAD_DAYS[told.kind]
    if told.kind == "overflowing":
        return max(course.shown[around]) >= 0.985 * course.full_m3
    return False


def _levels(world: World, reader: Reader, name: str, course: Course, found: Score) -> None:
    spoilt = [f for f in world.faults if f.tank == name and f.kind != "valve"]
    pairs = found.level[name] = []
    for row in reader.levels(name, HOUR_MS, world.start_ms, world.start_ms + world.minutes * MINUTE_MS):
        at = world.minute_of(row.start_ms)
        if row.on_hand_m3 is None or row.worst >= 100 or at < 0 or at + 60 > world.minutes:
            continue
        if any(f.start < at + 60 and at < f.end for f in spoilt):
            continue
        true_m3 = sum(course.on_hand[at : at + 60]) / 60
        pairs.append(((row.on_hand_m3 - true_m3) / GAL, math.hypot(row.u_noise_m3, row.u_scale_m3) / GAL))


def _days(world: World, site: Site, reader: Reader, name: str, course: Course, found: Score) -> None:
    zone = site.timezone
    first = day_of(world.start_ms, zone)
    last = day_of(world.start_ms + (world.minutes - 10 * 60) * MINUTE_MS, zone) - timedelta(days=1)
    if last < first:
        return
    book, _ = tank_book(site, reader, name, first, last)
    used, gone, came = found.used.setdefault(name, []), found.gone.setdefault(name, []), found.came.setdefault(name, [])
    for each in book:
        span = slice(world.minute_of(each.start_ms), world.minute_of(each.end_ms))
        if each.gone_m3 is None or any(
            f.tank == name and f.kind != "valve" and f.start < span.stop and span.start < f.end for f in world.faults
        ):
            continue
        true_used, true_came = sum(course.used[span]), sum(course.came[span])
        used.append((each.used_m3 - true_used) / GAL)
        gone.append(((each.gone_m3 - true_used) / GAL, each.u_m3 / GAL))
        came.append((each.in_m3 - true_came) / GAL)
    if course.reserve_m3 is not None:
        found.lasts += _lasting(world, site, reader, name, course, book)


def _lasting(
    world: World, site: Site, reader: Reader, name: str, course: Course, book: list[Account]
) -> Iterator[tuple[float, float, float, float]]:
    """Each third day at noon: days above reserve as said then, and as the use that followed made it."""
    supply, zone = Supply(), site.timezone
    hours = {
        row.start_ms: row
        for row in reader.levels(name, HOUR_MS, world.start_ms, world.start_ms + world.minutes * MINUTE_MS)
    }
    for index, each in enumerate(book):
        supply.add(each)
        today = each.day + timedelta(days=1)
        noon_ms = day_bounds_ms(today, zone)[0] + 12 * HOUR_MS
        row = hours.get(noon_ms - noon_ms % HOUR_MS)
        if index % 3 or row is None or row.on_hand_m3 is None:
            continue
        said = supply.days_above(
            today, row.on_hand_m3, course.reserve_m3 or 0.0, math.hypot(row.u_noise_m3, row.u_scale_m3)
        )
        true = _true_days(
            course, world.minute_of(noon_ms), [f for f in world.faults if f.tank == name and f.kind == "valve"]
        )
        if said.low is not None and said.mid is not None and said.high is not None and true is not None:
            yield true, said.low, said.mid, said.high


def _true_days(course: Course, at: int, valves: list[Fault]) -> float | None:
    """Days until the use that followed, valves left open apart, had taken what stood above the reserve; None if the season ends."""
    margin_m3 = course.on_hand[min(at, len(course.on_hand) - 1)] - (course.reserve_m3 or 0.0)
    if margin_m3 <= 0:
        return None
    for minute in range(at, len(course.used)):
        margin_m3 -= course.used[minute] - sum(f.rate_m3 for f in valves if f.holds(minute))
        if margin_m3 <= 0:
            return (minute - at) / DAY_MINUTES
    return None
