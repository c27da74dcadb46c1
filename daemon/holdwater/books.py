"""The water book out of a store: day accounts of a tank, and how long its water lasts, learned from them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING, Any

from holdwater.balance.days import Account, accounts, day_bounds_ms, day_of
from holdwater.balance.kinds import IN_KINDS, Entry, entries
from holdwater.balance.normal import Normal
from holdwater.balance.points import Facts, Point, Span
from holdwater.balance.supply import Days, Supply, Unknown, Use
from holdwater.balance.uses import moves
from holdwater.counted import fillings, rain_of
from holdwater.levels import points as level_points
from holdwater.store.rows import HOUR_MS

if TYPE_CHECKING:
    from holdwater.config.site import Site
    from holdwater.gauge import LevelPoint
    from holdwater.store.reader import Reader
    from holdwater.tanks.tank import Tank

MARGIN_MS = 8 * HOUR_MS
"""Readings before and after the days asked for: a level at midnight may rest on readings up to six hours away."""


def _points(found: Iterator[LevelPoint]) -> list[Point]:
    return [
        Point(each.ts_ms, each.on_hand_m3, each.u_noise_m3, each.ok) for each in found if each.on_hand_m3 is not None
    ]


def facts_of(tank: Tank) -> Facts:
    """What the balance needs of a tank."""
    return Facts(tank.full_on_hand_m3, tank.filled_by, tank.roof_m2 or 0.0)


def notes_of(reader: Reader, tank: str, start_ms: int, end_ms: int) -> list[Span]:
    """Notes that concern a tank, as spans."""
    spans = []
    for row in reader.notes(start_ms - 24 * HOUR_MS, end_ms + 24 * HOUR_MS):
        if row.body.get("tank") in (None, tank):
            lasts, volume = row.body.get("for_s"), row.body.get("volume_m3")
            until = row.at_ms + round(lasts * 1000) if isinstance(lasts, int | float) else row.at_ms
            spans.append(Span(row.kind, row.at_ms, until, volume if isinstance(volume, float) else None))
    return spans


def tank_book(site: Site, reader: Reader, tank: str, first: date, last: date) -> tuple[list[Account], list[Entry]]:
    """Day accounts of a tank from one local day to another, both included, and the named moves that they rest on."""
    zone = site.timezone
    start, end = day_bounds_ms(first, zone)[0] - MARGIN_MS, day_bounds_ms(last, zone)[1] + MARGIN_MS
    read = _points(level_points(site, reader, tank, start, end))
    notes = [*notes_of(reader, tank, start, end), *fillings(site, reader, tank, start, end)]
    rain = rain_of(site, reader, start, end)
    named = entries(moves(read), notes, rain, facts_of(site.tanks[tank]))
    return list(accounts(first, last, zone, read, named)), named


def day_rows(site: Site, reader: Reader, tank: str, start_ms: int, end_ms: int) -> Iterator[dict[str, Any]]:
    """Rows of the water book for people: opening + in - out = closing + unexplained, in household units."""
    zone, measure = site.timezone, site.measure
    unit = measure.volume_unit

    def shown(m3: float | None) -> float | None:
        return None if m3 is None else round(measure.volume(m3), 2)

    book, _ = tank_book(site, reader, tank, day_of(start_ms, zone), day_of(end_ms - 1, zone))
    for each in book:
        inflow = dict(each.inflow_m3)
        yield {
            "day": each.day.isoformat(),
            "tank": tank,
            f"opening_{unit}": shown(each.opening.m3 if each.opening else None),
            **{
                f"{'rise' if kind == 'unexplained' else kind}_{unit}": shown(inflow.get(kind, 0.0)) for kind in IN_KINDS
            },
            f"used_{unit}": shown(each.used_m3),
            f"closing_{unit}": shown(each.closing.m3 if each.closing else None),
            f"unexplained_{unit}": shown(each.unexplained_m3),
            f"u_{unit}": shown(each.u_m3),
            "hours_heard": round(each.heard_ms / HOUR_MS, 2),
            "whole": each.is_whole,
        }


Saved = tuple[str, str, int, bytes]
"""A model to keep: kind, tank, ordinal of the local day it reaches, body."""


class Learned:
    """What is known of the use of each tank: a fold over whole local days, kept with the day it reaches.

    Args:
        site: tanks and time zone.
        saved: models as they were kept; one of an older form is learned again from the readings.
    """

    KINDS = ("supply", "normal")

    def __init__(self, site: Site, saved: Sequence[Saved] = ()) -> None:
        self._site = site
        self._supply = {name: Supply() for name in site.tanks}
        self._normal = {name: Normal(site.timezone) for name in site.tanks}
        self._through: dict[str, date] = {}
        bodies = {(kind, tank): (through, body) for kind, tank, through, body in saved}
        for tank in site.tanks:
            supply, normal = bodies.get(("supply", tank)), bodies.get(("normal", tank))
            if supply is None or normal is None or supply[0] != normal[0]:
                continue
            try:
                self._supply[tank] = Supply.from_bytes(supply[1])
                self._normal[tank] = Normal.from_bytes(normal[1], site.timezone)
            except ValueError:
                continue
            self._through[tank] = date.fromordinal(supply[0])

    def due(self, newest_ms: int, oldest_ms: int) -> tuple[str, date, date] | None:
        """The next tank with whole days to learn: (tank, first day, last day); None when there is none.

        A day may be learned when it ended `MARGIN_MS` ago; nothing older than sixty days is.
        """
        if newest_ms < 0:
            return None
        last = day_of(newest_ms - MARGIN_MS, self._site.timezone) - timedelta(days=1)
        first = max(day_of(oldest_ms, self._site.timezone), last - timedelta(days=60))
        for tank in self._site.tanks:
            through = self._through.get(tank)
            day = first if through is None else max(first, through + timedelta(days=1))
            if day <= last:
                return tank, day, last
        return None

    def fold(self, reader: Reader, tank: str, first: date, last: date) -> list[Saved]:
        """Learn some days of a tank, both ends included; the models to keep."""
        zone = self._site.timezone
        book, named = tank_book(self._site, reader, tank, first, last)
        for each in book:
            self._supply[tank].add(each)
        begin, end = day_bounds_ms(first, zone)[0], day_bounds_ms(last, zone)[1]
        normal = self._normal[tank]
        normal.advance(begin)
        for entry in named:
            if begin <= entry.move.start_ms < end:
                normal.add(entry)
        normal.advance(end)
        self._through[tank] = last
        ordinal = last.toordinal()
        return [("supply", tank, ordinal, self._supply[tank].to_bytes()), ("normal", tank, ordinal, normal.to_bytes())]

    def days(self, tank: str, at_ms: int, on_hand_m3: float, u_m3: float) -> Days:
        """Days until the reserve, or until the tap runs dry where no reserve is set."""
        today = datetime.fromtimestamp(at_ms / 1000, self._site.timezone).date()
        reserve = self._site.tanks[tank].reserve_m3 or 0.0
        return self._supply[tank].days_above(today, on_hand_m3, reserve, u_m3)

    def use(self, tank: str, at_ms: int) -> Use | Unknown:
        """Recent daily use of a tank, or why it is not known."""
        return self._supply[tank].use(day_of(at_ms, self._site.timezone))

    def fed_m3(self, tank: str, at_ms: int) -> float:
        """What a well, a spring or the mains brought a tank a day, over the last two weeks."""
        return self._supply[tank].fed_m3(day_of(at_ms, self._site.timezone))

    def usual_m3(self, tank: str, at_ms: int) -> float | None:
        """Largest usual draw of a tank near that hour of the day; None while too little is known."""
        normal = self._normal.get(tank)
        usual = None if normal is None else normal.usual_draw(at_ms)
        return usual.largest_m3 if usual is not None and usual.enough else None
