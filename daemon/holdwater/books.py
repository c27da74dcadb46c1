"""The water book out of a store: day accounts of a tank, and how long its water lasts, learned from them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING, Any

from holdwater.balance.days import Account, accounts, day_bounds_ms, day_of
from holdwater.balance.kinds import IN_KINDS, entries
from holdwater.balance.points import Facts, Point, Rain, Span
from holdwater.balance.supply import Days, Supply
from holdwater.balance.uses import moves
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


def rain_of(site: Site, reader: Reader, start_ms: int, end_ms: int) -> list[Rain]:
    """Rain between readings of the gauge: each reading is the depth since the one before."""
    if site.rain_series is None:
        return []
    return [Rain(row.ts_ms, row.value) for row in reader.readings(site.rain_series, start_ms, end_ms) if row.value > 0]


def tank_accounts(site: Site, reader: Reader, tank: str, first: date, last: date) -> list[Account]:
    """Day accounts of a tank from one local day to another, both included."""
    zone = site.timezone
    start, end = day_bounds_ms(first, zone)[0] - MARGIN_MS, day_bounds_ms(last, zone)[1] + MARGIN_MS
    read = _points(level_points(site, reader, tank, start, end))
    named = entries(
        moves(read), notes_of(reader, tank, start, end), rain_of(site, reader, start, end), facts_of(site.tanks[tank])
    )
    return list(accounts(first, last, zone, read, named))


def day_rows(site: Site, reader: Reader, tank: str, start_ms: int, end_ms: int) -> Iterator[dict[str, Any]]:
    """Rows of the water book for people: opening + in - out = closing + unexplained, in household units."""
    zone, measure = site.timezone, site.measure
    unit = measure.volume_unit

    def shown(m3: float | None) -> float | None:
        return None if m3 is None else round(measure.volume(m3), 2)

    for each in tank_accounts(site, reader, tank, day_of(start_ms, zone), day_of(end_ms - 1, zone)):
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


class Lasting:
    """How long each tank's water lasts: a fold over whole local days, a day at a time, kept with the day it reaches."""

    def __init__(self, site: Site, saved: Sequence[tuple[str, int, bytes]] = ()) -> None:
        self._site = site
        self._supply = {name: Supply() for name in site.tanks}
        self._through: dict[str, date] = {}
        for tank, through, body in saved:
            if tank in self._supply:
                try:
                    self._supply[tank] = Supply.from_bytes(body)
                    self._through[tank] = date.fromordinal(through)
                except ValueError:
                    continue  # an older form: folded again from the readings

    def due(self, newest_ms: int, oldest_ms: int) -> tuple[str, date] | None:
        """The next tank and day to fold in: whole days that ended `MARGIN_MS` ago; None when all are in."""
        if newest_ms < 0:
            return None
        last = day_of(newest_ms - MARGIN_MS, self._site.timezone) - timedelta(days=1)
        first = max(day_of(oldest_ms, self._site.timezone), last - timedelta(days=60))
        for tank in self._site.tanks:
            through = self._through.get(tank)
            day = first if through is None else max(first, through + timedelta(days=1))
            if day <= last:
                return tank, day
        return None

    def fold(self, reader: Reader, tank: str, day: date, upto: date | None = None) -> tuple[str, int, bytes]:
        """Fold in one day (or up to another); the model to store, as (tank, ordinal of the day it reaches, body)."""
        last = upto or day
        for each in tank_accounts(self._site, reader, tank, day, last):
            self._supply[tank].add(each)
        self._through[tank] = last
        return tank, last.toordinal(), self._supply[tank].to_bytes()

    def days(self, tank: str, at_ms: int, on_hand_m3: float, u_m3: float) -> Days:
        """Days until the reserve, or until the tap runs dry where no reserve is set."""
        today = datetime.fromtimestamp(at_ms / 1000, self._site.timezone).date()
        reserve = self._site.tanks[tank].reserve_m3 or 0.0
        return self._supply[tank].days_above(today, on_hand_m3, reserve, u_m3)

    def last_day(self, newest_ms: int) -> date:
        """The newest day that may be folded in."""
        return day_of(newest_ms - MARGIN_MS, self._site.timezone) - timedelta(days=1)
