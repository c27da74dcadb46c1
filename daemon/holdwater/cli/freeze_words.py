"""How `holdwater freeze tonight` says it."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from holdwater.config.site import Site
from holdwater.errors import ConfigError, OutsideError, Problem
from holdwater.freeze.air import AirSeries
from holdwater.freeze.deeds import DEEDS
from holdwater.freeze.evening import AFTER_SUNRISE_MS
from holdwater.freeze.exposure import Risk
from holdwater.freeze.sun import HOUR_MS
from holdwater.freeze.tonight import Tonight, clock
from holdwater.nights import place_of
from holdwater.units import Measure
from holdwater.web.charts.tonight import tonight_svg

DRAWN_MS = 18 * HOUR_MS
CAUTION = (
    "Only listed spots are watched; no word is no proof.",
    "Local codes and licensed people decide. Heat tape only if listed for the pipe.",
)


def check_place(site: Site, config: Path) -> None:
    """Refuse a site that does not say where it is.

    Raises:
        ConfigError: it does not.
    """
    if place_of(site) is None:
        problem = Problem(
            "site.latitude",
            "no latitude and longitude",
            "both, for the times of the sun",
            "add latitude = 37.6 and longitude = -105.0 to [site]",
        )
        raise ConfigError(str(config), [problem])


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
        return {
            "drained": "drained, by your note" if each.done else "drained",
            "empty": "no water in it",
            "safe": "does not freeze in such a night",
        }[each.state]
    limit = "-" if each.limit_c is None else measure.temperature_text(each.limit_c)
    since = "-" if each.from_ms is None else clock(each.from_ms, zone)
    do = ("ice in it now: " if each.state == "frozen" else "") + (
        DEEDS[each.exposure.kind] if each.act else "covered, by your note" if each.done else "nothing"
    )
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
        "done": each.done,
        "hours_below": each.hours_below,
        "hours_below_cold": each.hours_below_cold,
        "from": None if each.from_ms is None else _time(each.from_ms, zone),
        "ice": round(each.ice, 4),
    }


def _time(at_ms: int, zone: ZoneInfo) -> str:
    return datetime.fromtimestamp(at_ms / 1000, zone).isoformat()
