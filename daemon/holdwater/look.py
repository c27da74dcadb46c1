"""One look into the store as of a time: the air, the water of a tank, what the nights taught, what is ticked off.

The command line and the page read tonight through it; nothing here writes, and nothing later than the time is looked at.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

from holdwater.freeze.air import AirSeries
from holdwater.freeze.done import KEPT_MS, Done, done_of
from holdwater.freeze.exposure import Holding
from holdwater.freeze.learning import learn_nights
from holdwater.freeze.night import NightModel, fresh, from_bytes
from holdwater.freeze.sun import HOUR_MS, Place
from holdwater.freeze.tank import fitted_time_constant_h
from holdwater.freeze.tonight import Airs, Tonight, tonight
from holdwater.nights import NIGHT, damp_air, model_name, own_series, place_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from holdwater.config.exposures import Exposure
    from holdwater.config.site import Site
    from holdwater.freeze.evening import Issue
    from holdwater.store.rows import ForecastRow, LevelRow, NoteRow, ReadingRow, RollRow

LEARNED_MS = 550 * 24 * HOUR_MS  # a year and a half of nights
WATER_MS = 30 * 24 * HOUR_MS
PAST_MS = 11 * 24 * HOUR_MS  # air that the state of an exposure is reckoned from
FINE_MS = 18 * HOUR_MS  # of the last hours the readings themselves count: those the running service forecasts from
NEW_MS = 6 * HOUR_MS


class Shelves(Protocol):
    """The part of the store's reader that a look needs."""

    def rolls(self, series: str, span_ms: int, start_ms: int, end_ms: int) -> Sequence[RollRow]:
        """Hours of a series."""

    def readings(self, series: str, start_ms: int, end_ms: int) -> Iterable[ReadingRow]:
        """Raw readings of a series."""

    def levels(self, tank: str, span_ms: int, start_ms: int, end_ms: int) -> Sequence[LevelRow]:
        """Hours of a tank."""

    def notes(self, start_ms: int, end_ms: int) -> Sequence[NoteRow]:
        """Notes of the household."""

    def models(self, kind: str) -> Sequence[tuple[str, int, bytes]]:
        """What was learned, as (subject, through, body)."""

    def forecasts(self, start_ms: int, end_ms: int) -> Sequence[ForecastRow]:
        """Words as told."""


@dataclass(frozen=True, slots=True)
class Look:
    """A look into the store as of a time."""

    reader: Shelves
    now_ms: int

    def air(self, series: str | None, humidity: str | None = None, span_ms: int = LEARNED_MS) -> AirSeries:
        """The air of a series: hourly means, each at the end of its hour, and the readings of the last hours.

        Args:
            series: of the air temperature; None gives an empty series.
            humidity: of its relative humidity, in percent (%RH) or as a ratio; None where there is no such sensor.
            span_ms: how far back.
        """
        fine_ms = self.now_ms - FINE_MS
        coarse = [pair for pair in self.hourly(series, span_ms) if pair[0] <= fine_ms]
        rh = [pair for pair in self.hourly(humidity, span_ms) if pair[0] <= fine_ms]
        return damp_air([*coarse, *self._fine(series)], [*rh, *self._fine(humidity)])

    def _fine(self, series: str | None) -> list[tuple[int, float]]:
        if series is None:
            return []
        rows = self.reader.readings(series, self.now_ms - FINE_MS + 1, self.now_ms + 1)
        return [(row.ts_ms, row.value) for row in rows]

    def hourly(self, series: str | None, span_ms: int) -> list[tuple[int, float]]:
        """Hourly means of a series of the last so many ms: (end of the hour, value); empty for no series."""
        if series is None:
            return []
        rows = self.reader.rolls(series, HOUR_MS, self.now_ms - span_ms, self.now_ms)
        return [(row.start_ms + HOUR_MS, row.mean) for row in rows if row.start_ms + HOUR_MS <= self.now_ms]

    def airs(self, site: Site, span_ms: int = LEARNED_MS) -> Airs:
        """The outside air with its humidity, and the air of exposures that have their own."""
        own = {name: self.air(name, span_ms=span_ms) for name in own_series(site)}
        return Airs(self.air(site.air_series, site.humidity_series, span_ms), own)

    def holding(self, site: Site, exposure: Exposure) -> Holding | None:
        """The water of an exposure's tank; None where it has none."""
        tank = site.tanks.get(exposure.tank)
        if tank is None:
            return None
        rows = self.reader.levels(tank.name, HOUR_MS, self.now_ms - 24 * HOUR_MS, self.now_ms)
        depths = [row.depth_m for row in rows if row.depth_m is not None]
        water = self.hourly(exposure.water_series, WATER_MS)
        air = dict(self.hourly(exposure.air_series or site.air_series, WATER_MS)) if water else {}
        return Holding(
            tank.stand(depths[-1]).total_m3 if depths else None,
            tank.capacity_m3,
            water[-1][1] if water and water[-1][0] >= self.now_ms - NEW_MS else None,
            fitted_time_constant_h(paired(dict(water), air)),
        )

    def done(self) -> dict[str, Done]:
        """What the household has drained or covered, by the name of the exposure."""
        notes = self.reader.notes(self.now_ms - KEPT_MS, self.now_ms + 1)
        return done_of(((each.kind, each.at_ms, each.body) for each in notes), self.now_ms)

    def models(self) -> dict[str, NightModel]:
        """What the service has learned of the nights, by `model_name`; without what it learned after this look."""
        found = {name: from_bytes(body) for name, _, body in self.reader.models(NIGHT)}
        return {
            name: model for name, model in found.items() if model is not None and 0 < model.reached_ms <= self.now_ms
        }


def paired(water: dict[int, float], air: dict[int, float]) -> list[tuple[float | None, float | None]]:
    """Water and air of each hour from the first to the last of the water."""
    if not water:
        return []
    return [(water.get(at_ms), air.get(at_ms)) for at_ms in range(min(water), max(water) + 1, HOUR_MS)]


def learned(
    stored: Mapping[str, NightModel], place: Place, now_ms: int, past: Callable[[str], AirSeries]
) -> Callable[[str, AirSeries, Issue], NightModel]:
    """What the nights of a series taught up to a time, for a time of issue: as stored, else learned from its past.

    Args:
        stored: models that know nothing later than `now_ms`.
        place: where.
        now_ms: as of when.
        past: the nights of a series (empty: the outside air) where none is stored.
    """

    def model(series: str, _: AirSeries, issue: Issue) -> NightModel:
        found = stored.get(model_name(issue, series))
        return learn_nights(fresh(), past(series), place, issue, now_ms) if found is None else found

    return model


def tonight_of(site: Site, reader: Shelves, now_ms: int) -> Tonight:
    """What is to be told of the coming night as of a time.

    Args:
        site: the site.
        reader: of its store.
        now_ms: as of when; later readings are not looked at.
    """
    place, look = place_of(site), Look(reader, now_ms)
    if place is None:
        return Tonight(now_ms, why="the config has no latitude and longitude")
    if site.air_series is None:
        return Tonight(now_ms, why="the config names no series of the outside air")
    stored = look.models()
    airs = look.airs(site, PAST_MS)

    def past(series: str) -> AirSeries:
        return look.air(series) if series else look.air(site.air_series, site.humidity_series)

    exposures = [(each, look.holding(site, each)) for each in site.exposures.values()]
    return tonight(airs, place, now_ms, learned(stored, place, now_ms, past), exposures, look.done())


def body_of(text: str) -> dict[str, object]:
    """The body of a stored word; empty when it cannot be read."""
    try:
        found = json.loads(text)
    except ValueError:
        return {}
    return found if isinstance(found, dict) else {}
