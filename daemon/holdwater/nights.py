"""The coming night out of a store, and the fold that learns from nights that are over.

The fold is driven by readings of the outside air alone, one at a time, so that any batching ends in the same models and words.
Without an air series or coordinates there is nothing to tell, and `tonight_of` says why.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING

from holdwater.freeze.air import Air, AirSeries, air_series
from holdwater.freeze.evening import AFTER_SUNRISE_MS, Issue, evening, lowest_c
from holdwater.freeze.exposure import Holding
from holdwater.freeze.learning import ISSUES, learn_nights
from holdwater.freeze.night import NightForecast, NightModel, forecast, fresh, from_bytes, learn
from holdwater.freeze.sun import HOUR_MS, Night, Place, first_whole_hour, local_date, night
from holdwater.freeze.tank import fitted_time_constant_h
from holdwater.freeze.tonight import Airs, Tonight, tonight

if TYPE_CHECKING:
    from holdwater.config.exposures import Exposure
    from holdwater.config.site import Site
    from holdwater.store.reader import Reader

KEPT_MS = 60 * HOUR_MS
"""Air kept in memory: the day before the evening, the night, and a margin for a late morning."""
LEARNED_MS = 550 * 24 * HOUR_MS  # a year and a half of nights
PAST_MS = 11 * 24 * HOUR_MS  # air that the state of an exposure is reckoned from
WATER_MS = 30 * 24 * HOUR_MS
NEW_MS = 6 * HOUR_MS
MODEL = "night"


def place_of(site: Site) -> Place | None:
    """Where the site is; None when its config does not say."""
    if site.latitude is None or site.longitude is None:
        return None
    return Place(site.latitude, site.longitude, site.timezone)


@dataclass(frozen=True, slots=True)
class Word:
    """One forecast as it was made: which, of which night, and its figures."""

    issue: Issue
    night: Night
    forecast: NightForecast

    def row(self) -> tuple[str, str, int, int, str]:
        """The row of the table `forecast`: kind, subject, issued, end of the night, body in degC."""
        told = self.forecast
        body = {
            "issue": self.issue.name, "night": self.night.day.isoformat(), "p10_c": round(told.p10_c, 3),
            "p50_c": round(told.p50_c, 3), "p90_c": round(told.p90_c, 3), "chance_below_0c": round(told.chance_below(0.0), 4),
        }  # fmt: skip
        return MODEL, "air", told.issued_ms, told.end_ms, json.dumps(body, separators=(",", ":"))


class Nights:
    """What the site's own nights taught, for every time of issue.

    Args:
        site: its place and air series.
        saved: models of the store as (name of the issue, end of the last night learned, body).
        past: hours of air before the first reading that will be fed, oldest first; after a restart.
    """

    def __init__(self, site: Site, saved: Sequence[tuple[str, int, bytes]] = (), past: Sequence[Air] = ()) -> None:
        self._place = place_of(site) if site.air_series is not None else None
        self._models = {issue.name: fresh() for issue in ISSUES}
        for name, _, body in saved:
            found = from_bytes(body)
            if name in self._models and found is not None:
                self._models[name] = found
        self._hours: dict[int, Air] = {}
        self._last_ms = -1
        self._nights: dict[date, Night] = {}
        self.words: list[Word] = []
        for each in past:
            self._keep(each)

    def model(self, issue: Issue) -> NightModel:
        """What was learned for a time of issue."""
        return self._models[issue.name]

    def on_air(self, ts_ms: int, air_c: float) -> list[tuple[str, int, bytes]]:
        """One reading of the outside air; the words that fell due before it are in `words`.

        Returns:
            Models to store, when a night ended: (name of the issue, end of the night, body).
        """
        self.words = []
        if self._place is None or ts_ms <= self._last_ms:
            return []
        rows: list[tuple[str, int, bytes]] = []
        if self._last_ms >= 0:
            start_ms = max(self._last_ms, ts_ms - 24 * HOUR_MS)
            for hour_ms in range(first_whole_hour(start_ms, self._place.zone), ts_ms, HOUR_MS):
                rows += self._hour(hour_ms, self._place)
        self._keep(Air(ts_ms, air_c))
        return rows

    def _keep(self, air: Air) -> None:
        """The last reading of each hour counts, an hour's end included."""
        if self._place is None:
            return
        end_ms = first_whole_hour(air.at_ms, self._place.zone)
        self._hours[end_ms] = air
        self._last_ms = max(self._last_ms, air.at_ms)
        for old in [each for each in self._hours if each < air.at_ms - KEPT_MS]:
            del self._hours[old]

    def _hour(self, hour_ms: int, place: Place) -> list[tuple[str, int, bytes]]:
        """What is due at a whole hour: words of the coming night, and the night that ended in the last hour."""
        rows: list[tuple[str, int, bytes]] = []
        today = local_date(hour_ms, place.zone)
        for day in (today - timedelta(days=1), today):
            coming = self._night(day, place)
            if hour_ms - HOUR_MS < coming.sunrise_ms + AFTER_SUNRISE_MS <= hour_ms:
                rows += self._learn(coming, place)
            for issue in ISSUES:
                if issue.at_ms(coming, place) == hour_ms:
                    seen = evening(self._series(), hour_ms, coming)
                    if seen is not None:
                        self.words.append(Word(issue, coming, forecast(self.model(issue), seen)))
        return rows

    def _learn(self, over: Night, place: Place) -> list[tuple[str, int, bytes]]:
        rows: list[tuple[str, int, bytes]] = []
        series = self._series()
        for issue in ISSUES:
            seen = evening(series, issue.at_ms(over, place), over)
            came_c = None if seen is None else lowest_c(series, seen.issued_ms, seen.end_ms)
            if seen is not None and came_c is not None:
                model = self._models[issue.name] = learn(self._models[issue.name], seen, came_c)
                rows.append((issue.name, model.reached_ms, model.to_bytes()))
        return rows

    def _series(self) -> AirSeries:
        return air_series(self._hours.values())

    def _night(self, day: date, place: Place) -> Night:
        if day not in self._nights:
            self._nights = {each: self._nights[each] for each in sorted(self._nights)[-3:]}
            self._nights[day] = night(day, place)
        return self._nights[day]


def nights_of(site: Site, reader: Reader, saved: Sequence[tuple[str, int, bytes]], newest_ms: int) -> Nights:
    """The fold as it stood when the store was last written.

    Args:
        site: the site.
        reader: of its store.
        saved: models of the store.
        newest_ms: time of its newest reading; -1 before the first.
    """
    if site.air_series is None or newest_ms < 0:
        return Nights(site, saved)
    rows = reader.readings(site.air_series, newest_ms - KEPT_MS - 2 * HOUR_MS, newest_ms + 1)
    return Nights(site, saved, [Air(row.ts_ms, row.value) for row in rows])


def tonight_of(site: Site, reader: Reader, now_ms: int) -> Tonight:
    """What is to be told of the coming night as of a time.

    Args:
        site: the site.
        reader: of its store.
        now_ms: as of when; later readings are not looked at.
    """
    place = place_of(site)
    if place is None:
        return Tonight(now_ms, why="the config has no latitude and longitude")
    if site.air_series is None:
        return Tonight(now_ms, why="the config names no series of the outside air")
    own = {each.air_series for each in site.exposures.values() if each.air_series is not None}
    outside = air_of(reader, site.air_series, now_ms)
    airs = Airs(outside, {name: air_of(reader, name, now_ms) for name in sorted(own)})
    exposures = [(each, holding(site, reader, each, now_ms)) for each in site.exposures.values()]
    return tonight(
        airs, place, now_ms, lambda series, issue: learn_nights(fresh(), series, place, issue, now_ms), exposures
    )


def air_of(reader: Reader, series: str, now_ms: int) -> AirSeries:
    """Hourly means of an air series, each at the end of its hour, up to a time."""
    return air_series(Air(at_ms, air_c) for at_ms, air_c in hourly(reader, series, now_ms, LEARNED_MS))


def hourly(reader: Reader, series: str | None, now_ms: int, span_ms: int) -> list[tuple[int, float]]:
    """Hourly means of the last so many ms as (end of the hour, value); empty for no series."""
    if series is None:
        return []
    rows = reader.rolls(series, HOUR_MS, now_ms - span_ms, now_ms)
    return [(row.start_ms + HOUR_MS, row.mean) for row in rows if row.start_ms + HOUR_MS <= now_ms]


def holding(site: Site, reader: Reader, exposure: Exposure, now_ms: int) -> Holding | None:
    """The water of an exposure's tank; None where it has none."""
    tank = site.tanks.get(exposure.tank)
    if tank is None:
        return None
    rows = reader.levels(tank.name, HOUR_MS, now_ms - 24 * HOUR_MS, now_ms)
    depths = [row.depth_m for row in rows if row.depth_m is not None]
    water = dict(hourly(reader, exposure.water_series, now_ms, WATER_MS))
    air = dict(hourly(reader, exposure.air_series or site.air_series, now_ms, WATER_MS))
    newest_ms = max(water, default=None)
    pairs = (
        [] if newest_ms is None else [(water.get(at), air.get(at)) for at in range(min(water), newest_ms + 1, HOUR_MS)]
    )
    return Holding(
        tank.stand(depths[-1]).total_m3 if depths else None,
        tank.capacity_m3,
        water[newest_ms] if newest_ms is not None and newest_ms >= now_ms - NEW_MS else None,
        fitted_time_constant_h(pairs),
    )
