"""The fold over nights: words when they are due, models when a night is over, and what came.

It is driven by the readings of one air series, one at a time, so that any batching ends in the same models and words. Where that
series falls silent, time alone drives it (`on_time`), so that a word is due although nothing came.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING

from holdwater.freeze.air import Air, AirSeries, air_series
from holdwater.freeze.evening import AFTER_SUNRISE_MS, Issue, evening, lowest_c
from holdwater.freeze.humidity import dew_point_c
from holdwater.freeze.learning import ISSUES
from holdwater.freeze.night import NightForecast, NightModel, forecast, fresh, from_bytes, learn
from holdwater.freeze.past import CAME, lowest_of
from holdwater.freeze.sun import HOUR_MS, Night, Place, first_whole_hour, local_date, night

if TYPE_CHECKING:
    from holdwater.config.site import Site
    from holdwater.store.reader import Reader

KEPT_MS = 60 * HOUR_MS
"""Air kept in memory: the day before the evening, the night, and a margin for a late morning."""

LATE_MS = HOUR_MS // 2
"""So long after a whole hour a reading from before it may still come in; then the hour counts without it."""

LEAPT_MS = 24 * HOUR_MS
"""Of a longer silence only the last day is gone through hour by hour."""

NIGHT = "night"  # kind of the models and of the words as told
MODEL = NIGHT


def place_of(site: Site) -> Place | None:
    """Where the site is; None when its config does not say."""
    if site.latitude is None or site.longitude is None:
        return None
    return Place(site.latitude, site.longitude, site.timezone)


def model_name(issue: Issue, series: str = "") -> str:
    """Under which a model is stored: of the outside air by the issue alone, of an exposure's own air with its series."""
    return f"{issue.name}@{series}" if series else issue.name


def ratio(rh: float) -> float:
    """Relative humidity as a ratio: a figure above 1.5 was in percent. (Air of 1.5 % does not occur.)"""
    return rh / 100 if rh > 1.5 else rh


def own_series(site: Site) -> list[str]:
    """The air series that exposures have of their own."""
    return sorted({each.air_series for each in site.exposures.values() if each.air_series is not None})


def damp_air(airs: Iterable[tuple[int, float]], humidity: Iterable[tuple[int, float]]) -> AirSeries:
    """Air with its dew point: of each moment by the humidity of the same moment, else by the last of the same hour."""
    rh = dict(humidity)
    hours = {-(-at_ms // HOUR_MS): value for at_ms, value in sorted(rh.items())}
    found = []
    for at_ms, air_c in airs:
        wet = rh.get(at_ms, hours.get(-(-at_ms // HOUR_MS)))
        found.append(Air(at_ms, air_c, None if wet is None else dew_point_c(air_c, ratio(wet))))
    return air_series(found)


@dataclass(frozen=True, slots=True)
class Word:
    """One forecast as it was made: which, of which night, and its figures."""

    issue: Issue
    night: Night
    forecast: NightForecast

    def row(self, spots: Mapping[str, Mapping[str, object]] | None = None) -> tuple[str, str, int, int, str]:
        """The row of the table `forecast`: kind, subject, issued, end of the night, body in degC.

        Args:
            spots: what it means for each exposure; left out where nothing was judged by it.
        """
        told = self.forecast
        body: dict[str, object] = {
            "issue": self.issue.name, "night": self.night.day.isoformat(), "p10_c": round(told.p10_c, 3),
            "p50_c": round(told.p50_c, 3), "p90_c": round(told.p90_c, 3), "chance_below_0c": round(told.chance_below(0.0), 4),
        }  # fmt: skip
        if spots:
            body["spots"] = spots
        return NIGHT, "air", told.issued_ms, told.end_ms, json.dumps(body, separators=(",", ":"))


@dataclass(frozen=True, slots=True)
class Over:
    """A night that is over: the lowest hourly air from each time of issue to its end, by the name of the issue; degC.

    A night with too many hours missing has nothing in it: what came is not known.
    """

    night: Night
    end_ms: int
    came_c: Mapping[str, float]

    @property
    def lowest_c(self) -> float | None:
        """The lowest of the whole night; None where not known."""
        return lowest_of(self.came_c)

    def row(self) -> tuple[str, str, int, int, str]:
        """The row of the table `forecast` that says what came."""
        body = {"night": self.night.day.isoformat(), "came_c": {name: round(c, 3) for name, c in self.came_c.items()}}
        return CAME, "air", self.end_ms, self.end_ms, json.dumps(body, separators=(",", ":"))


@dataclass(frozen=True, slots=True)
class Hour:
    """A whole hour has passed: its air, and the air of the 24 hours up to it; None where unknown."""

    end_ms: int
    day: tuple[Air | None, ...]

    @property
    def air(self) -> Air | None:
        """The air of the hour itself."""
        return self.day[-1]


Happening = Word | Over | Hour
Models = list[tuple[str, int, bytes]]


class Nights:
    """What the nights of an air series taught, for every time of issue.

    Attributes:
        last_ms: time of the newest reading; -1 before the first.
        done_ms: the hour up to which everything that was due has happened; -1 before the first.

    Args:
        site: its place and air series.
        saved: models of the store as (name, end of the last night learned, body).
        past: hours of air before the first reading that will be fed, oldest first; after a restart.
        series: an exposure's own air; the outside air when left out.
        wet: readings of the relative humidity of those hours, as (time, value).
    """

    def __init__(
        self,
        site: Site,
        saved: Sequence[tuple[str, int, bytes]] = (),
        past: Sequence[Air] = (),
        series: str = "",
        wet: Sequence[tuple[int, float]] = (),
    ) -> None:
        self._place = place_of(site) if series or site.air_series is not None else None
        self._name = series
        self._models = {issue.name: fresh() for issue in ISSUES}
        stored = {name: body for name, _, body in saved}
        for issue in ISSUES:
            found = from_bytes(stored.get(model_name(issue, series), b""))
            if found is not None:
                self._models[issue.name] = found
        self._hours: dict[int, Air] = {}
        self._wet: dict[int, float] = {}
        self.last_ms = -1
        self.done_ms = -1
        self._nights: dict[date, Night] = {}
        for at_ms, rh in wet:
            self.on_humidity(at_ms, rh)
        for each in past:
            self._keep(each)

    def model(self, issue: Issue) -> NightModel:
        """What was learned for a time of issue."""
        return self._models[issue.name]

    def on_air(self, ts_ms: int, air_c: float) -> tuple[Models, list[Happening]]:
        """One reading of the air.

        Returns:
            Models to store, when a night ended: (name, end of the night, body); and what happened before the reading,
            in order of time.
        """
        if self._place is None or ts_ms <= self.last_ms:
            return [], []
        found = self._pass(ts_ms, self._place)
        self._keep(Air(ts_ms, air_c))
        return found

    def on_humidity(self, ts_ms: int, rh: float) -> None:
        """One reading of the relative humidity of the same air; the last of an hour counts."""
        if self._place is not None:
            self._wet[first_whole_hour(ts_ms, self._place.zone)] = rh
            if len(self._wet) > 2 * KEPT_MS // HOUR_MS:
                self._wet = {at_ms: value for at_ms, value in self._wet.items() if at_ms >= ts_ms - KEPT_MS}

    def on_time(self, now_ms: int) -> tuple[Models, list[Happening]]:
        """Time has passed: hours that are over count although nothing came after them. The clock must be trusted."""
        if self._place is None or self.last_ms < 0:
            return [], []
        return self._pass(now_ms - LATE_MS, self._place)

    def _pass(self, ts_ms: int, place: Place) -> tuple[Models, list[Happening]]:
        """The whole hours that ended before a time and were not gone through yet."""
        models: Models = []
        happened: list[Happening] = []
        if self.last_ms >= 0:
            since_ms = max(self.last_ms, self.done_ms + 1, ts_ms - LEAPT_MS)
            for hour_ms in range(first_whole_hour(since_ms, place.zone), ts_ms, HOUR_MS):
                self.done_ms = hour_ms
                self._hour(hour_ms, place, models, happened)
        return models, happened

    def _keep(self, air: Air) -> None:
        """The last reading of each hour counts, an hour's end included."""
        if self._place is None:
            return
        end_ms = first_whole_hour(air.at_ms, self._place.zone)
        begins = end_ms not in self._hours
        self._hours[end_ms] = air
        self.last_ms = max(self.last_ms, air.at_ms)
        if begins:
            for old in [each for each in self._hours if each < air.at_ms - KEPT_MS]:
                del self._hours[old]

    def _hour(self, hour_ms: int, place: Place, models: Models, happened: list[Happening]) -> None:
        """What is due at a whole hour: the hour itself, the night that ended in it, words of the coming night."""
        series = self.series()
        happened.append(Hour(hour_ms, tuple(series.hours(hour_ms - 23 * HOUR_MS, hour_ms))))
        today = local_date(hour_ms, place.zone)
        for day in (today - timedelta(days=1), today):
            coming = self.night(day, place)
            if hour_ms - HOUR_MS < coming.sunrise_ms + AFTER_SUNRISE_MS <= hour_ms:
                happened.append(self._learn(series, coming, place, models))
            for issue in ISSUES:
                if issue.at_ms(coming, place) == hour_ms:
                    told = self.word(issue, coming, hour_ms)
                    happened += [told] if told is not None else []

    def word(self, issue: Issue, coming: Night, issued_ms: int) -> Word | None:
        """The word of a night as of a time; None without air of the last hours, or when the night is over."""
        seen = evening(self.series(), issued_ms, coming)
        return None if seen is None else Word(issue, coming, forecast(self.model(issue), seen))

    def _learn(self, series: AirSeries, over: Night, place: Place, models: Models) -> Over:
        came: dict[str, float] = {}
        for issue in ISSUES:
            seen = evening(series, issue.at_ms(over, place), over)
            came_c = None if seen is None else lowest_c(series, seen.issued_ms, seen.end_ms)
            if seen is not None and came_c is not None:
                model = self._models[issue.name] = learn(self._models[issue.name], seen, came_c)
                models.append((model_name(issue, self._name), model.reached_ms, model.to_bytes()))
                came[issue.name] = came_c
        return Over(over, over.sunrise_ms + AFTER_SUNRISE_MS, came)

    def series(self) -> AirSeries:
        """The air of the last days with its dew point."""
        place = self._place
        rh = [] if place is None else [(air.at_ms, self._wet[at]) for at, air in self._hours.items() if at in self._wet]
        return damp_air([(air.at_ms, air.air_c) for air in self._hours.values()], rh)

    def night(self, day: date, place: Place) -> Night:
        """The night that begins on the evening of a day."""
        if day not in self._nights:
            self._nights = {each: self._nights[each] for each in sorted(self._nights)[-3:]}
            self._nights[day] = night(day, place)
        return self._nights[day]


def nights_of(
    site: Site, reader: Reader, saved: Sequence[tuple[str, int, bytes]], newest_ms: int, series: str = ""
) -> Nights:
    """The fold as it stood when the store was last written.

    Args:
        site: the site.
        reader: of its store.
        saved: models of the store.
        newest_ms: time of its newest reading; -1 before the first.
        series: an exposure's own air; the outside air when left out.
    """
    name = series or site.air_series
    if name is None or newest_ms < 0:
        return Nights(site, saved, series=series)
    start_ms, end_ms = newest_ms - KEPT_MS - 2 * HOUR_MS, newest_ms + 1
    humidity = None if series else site.humidity_series
    wet = [] if humidity is None else [(row.ts_ms, row.value) for row in reader.readings(humidity, start_ms, end_ms)]
    past = [Air(row.ts_ms, row.value) for row in reader.readings(name, start_ms, end_ms)]
    return Nights(site, saved, past, series, wet)
