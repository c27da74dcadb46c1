"""What `holdwater freeze tonight` reads from the store and how it says it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from holdwater.config.exposures import Exposure
from holdwater.config.site import Site
from holdwater.errors import ConfigError, OutsideError, Problem
from holdwater.freeze.air import Air, AirSeries, air_series
from holdwater.freeze.evening import AFTER_SUNRISE_MS, Issue
from holdwater.freeze.exposure import Holding, Risk
from holdwater.freeze.humidity import dew_point_c
from holdwater.freeze.learning import learn_nights
from holdwater.freeze.night import NightModel, fresh
from holdwater.freeze.sun import HOUR_MS, Place
from holdwater.freeze.tank import fitted_time_constant_h
from holdwater.freeze.tonight import DEEDS, Tonight, clock
from holdwater.store.reader import Reader
from holdwater.units import Measure
from holdwater.web.charts.tonight import tonight_svg

LEARNED_MS = 550 * 24 * HOUR_MS  # a year and a half of nights
WATER_MS = 30 * 24 * HOUR_MS
NEW_MS = 6 * HOUR_MS
CAUTION = (
    "Only listed spots are watched; no word is no proof.",
    "Local codes and licensed people decide. Heat tape only if listed for the pipe.",
)


@dataclass(frozen=True, slots=True)
class Look:
    """A look into the store as of a time."""

    reader: Reader
    now_ms: int

    def air(self, series: str | None, humidity: str | None = None) -> AirSeries:
        """The hourly means of an air series, each at the end of its hour, with the dew point where humidity is known.

        Args:
            series: of the air temperature; None gives an empty series.
            humidity: of its relative humidity, in percent (%RH) or as a ratio; None where there is no such sensor.
        """
        rh = dict(self.hourly(humidity, LEARNED_MS))
        return air_series(
            Air(at_ms, air_c, dew_point_c(air_c, ratio(rh[at_ms])) if at_ms in rh else None)
            for at_ms, air_c in self.hourly(series, LEARNED_MS)
        )

    def hourly(self, series: str | None, span_ms: int) -> list[tuple[int, float]]:
        """Hourly means of a series of the last so many ms: (end of the hour, value)."""
        if series is None:
            return []
        rows = self.reader.rolls(series, HOUR_MS, self.now_ms - span_ms, self.now_ms)
        return [(row.start_ms + HOUR_MS, row.mean) for row in rows if row.start_ms + HOUR_MS <= self.now_ms]

    def holding(self, site: Site, exposure: Exposure) -> Holding | None:
        """The water of an exposure's tank; None where it has none."""
        tank = site.tanks.get(exposure.tank)
        if tank is None:
            return None
        rows = self.reader.levels(tank.name, HOUR_MS, self.now_ms - 24 * HOUR_MS, self.now_ms)
        depths = [row.depth_m for row in rows if row.depth_m is not None]
        water = self.hourly(exposure.water_series, WATER_MS)
        return Holding(
            tank.stand(depths[-1]).total_m3 if depths else None,
            tank.capacity_m3,
            water[-1][1] if water and water[-1][0] >= self.now_ms - NEW_MS else None,
            fitted_time_constant_h(
                paired(dict(water), dict(self.hourly(exposure.air_series or site.air_series, WATER_MS)))
            ),
        )


def ratio(rh: float) -> float:
    """Relative humidity as a ratio: a figure above 1.5 was in percent. (Air of 1.5 % does not occur.)"""
    return rh / 100 if rh > 1.5 else rh


def outside(look: Look, site: Site) -> AirSeries:
    """The site's own air, with its humidity if the site has a series for it."""
    return look.air(site.air_series, getattr(site, "humidity_series", None))


def paired(water: dict[int, float], air: dict[int, float]) -> list[tuple[float | None, float | None]]:
    """Water and air of each hour from the first to the last of the water."""
    if not water:
        return []
    return [(water.get(at_ms), air.get(at_ms)) for at_ms in range(min(water), max(water) + 1, HOUR_MS)]


def own_series(site: Site) -> list[str]:
    """The air series that exposures have of their own."""
    return sorted({each.air_series for each in site.exposures.values() if each.air_series is not None})


def place_of(site: Site, config: Path) -> Place:
    """Where the site is.

    Raises:
        ConfigError: the config does not say.
    """
    if site.latitude is None or site.longitude is None:
        problem = Problem(
            "site.latitude",
            "no latitude and longitude",
            "both, for the times of the sun",
            "add latitude = 37.6 and longitude = -105.0 to [site]",
        )
        raise ConfigError(str(config), [problem])
    return Place(site.latitude, site.longitude, site.timezone)


def learned(place: Place, now_ms: int) -> Callable[[AirSeries, Issue], NightModel]:
    """What the nights of a series taught up to now, for a time of issue."""
    return lambda series, issue: learn_nights(fresh(), series, place, issue, now_ms)


def draw(told: Tonight, outside: AirSeries, site: Site, file: Path) -> None:
    """Draw tonight, with the air of the last twelve hours, into a file."""
    at = datetime.fromtimestamp(told.now_ms / 1000, site.timezone)
    past = [each for each in outside.hours(told.now_ms - 12 * HOUR_MS, told.now_ms) if each is not None]
    save(
        tonight_svg(told, past, site.measure, site.timezone, f"Tonight at {site.name}, as of {at:%a %d %b %H:%M}"), file
    )


def save(text: str, file: Path) -> None:
    """Write a picture to a file.

    Raises:
        OutsideError: it cannot be written.
    """
    try:
        file.write_text(text, encoding="utf-8")
    except OSError as error:
        raise OutsideError(
            f"cannot write: {error.strerror}", where=str(file), do="choose another file with --svg"
        ) from None


def tonight_lines(told: Tonight, measure: Measure, zone: ZoneInfo) -> list[str]:
    """Tonight as lines of at most 80 columns."""
    if told.forecast is None:
        head = [f"Cannot tell tonight's lowest air: {told.why}."]
    else:
        low, middle, high = (
            measure.temperature_text(each) for each in (told.forecast.p10_c, told.forecast.p50_c, told.forecast.p90_c)
        )
        near = clock(told.forecast.end_ms - AFTER_SUNRISE_MS, zone)
        given = f"{datetime.fromtimestamp(told.forecast.issued_ms / 1000, zone):%a %d %b %H:%M}"
        freezing = told.forecast.chance_below(0.0)
        head = [
            f"Tonight about {middle} near {near}; four nights in five between {low} and {high}.",
            f"Below {measure.temperature_text(0.0)} with a chance of {freezing:.0%}. Word of {given}.",
        ]
    if not told.risks:
        return [*head, "No [exposure.NAME] is listed in the config, so nothing more can be told."]
    return [*head, "", *_risk_table(told.risks, measure, zone), "", *CAUTION]


def _risk_table(risks: Sequence[Risk], measure: Measure, zone: ZoneInfo) -> list[str]:
    lines = [f"{'':21s}{'freezes':>8s}{'chance':>8s}{'hours':>7s}  from   what to do"]
    return lines + [f"{each.exposure.name[:20]:21s}{_risk_words(each, measure, zone)}" for each in risks]


def _risk_words(each: Risk, measure: Measure, zone: ZoneInfo) -> str:
    if each.state == "not known":
        return f"cannot tell: {each.why}"
    if each.state in ("drained", "empty", "safe"):
        return {"drained": "drained", "empty": "no water in it", "safe": "does not freeze in such a night"}[each.state]
    limit = "-" if each.limit_c is None else measure.temperature_text(each.limit_c)
    since = "-" if each.from_ms is None else clock(each.from_ms, zone)
    do = ("ice in it now: " if each.state == "frozen" else "") + (DEEDS[each.exposure.kind] if each.act else "nothing")
    return f"{limit:>8s}{each.chance or 0.0:8.0%}{each.hours_below_cold:7.0f}  {since:6s} {do}"


def tonight_json(told: Tonight, zone: ZoneInfo) -> dict[str, object]:
    """Tonight as a JSON object: degC, chances 0 to 1, times in RFC 3339; null where nothing is known."""
    forecast = told.forecast
    return {
        "at": _time(told.now_ms, zone),
        "why": told.why,
        "issued": None if forecast is None else _time(forecast.issued_ms, zone),
        "until": None if forecast is None else _time(forecast.end_ms, zone),
        "p10_c": None if forecast is None else round(forecast.p10_c, 2),
        "p50_c": None if forecast is None else round(forecast.p50_c, 2),
        "p90_c": None if forecast is None else round(forecast.p90_c, 2),
        "chance_below_0c": None if forecast is None else round(forecast.chance_below(0.0), 4),
        "exposures": [_risk_json(each, zone) for each in told.risks],
    }


def _risk_json(each: Risk, zone: ZoneInfo) -> dict[str, object]:
    return {
        "name": each.exposure.name,
        "kind": each.exposure.kind,
        "state": each.state,
        "why": each.why,
        "limit_c": None if each.limit_c is None else round(each.limit_c, 2),
        "chance": None if each.chance is None else round(each.chance, 4),
        "act": each.act,
        "hours_below": each.hours_below,
        "hours_below_cold": each.hours_below_cold,
        "from": None if each.from_ms is None else _time(each.from_ms, zone),
        "ice": round(each.ice, 4),
    }


def _time(at_ms: int, zone: ZoneInfo) -> str:
    return datetime.fromtimestamp(at_ms / 1000, zone).isoformat()
