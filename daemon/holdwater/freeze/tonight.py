"""Tonight in one value: the word that is due, what can freeze by it, and the words for it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from zoneinfo import ZoneInfo

from holdwater.config.exposures import Exposure
from holdwater.freeze.air import AirSeries
from holdwater.freeze.evening import AFTER_SUNRISE_MS, Issue, evening
from holdwater.freeze.exposure import Holding, Risk, body_of, risk, state_now
from holdwater.freeze.learning import issue_now
from holdwater.freeze.night import NightForecast, NightModel, forecast
from holdwater.freeze.sun import HOUR_MS, Place
from holdwater.units import Measure

PAST_H = 240  # of air that the state of an exposure is reckoned from: five time constants of a bare tank
SHORT = 160
CAUTIONS = (
    "Pump and water heater off before a line is drained. Leave no hose on: it keeps even a frost-free spigot full. A trickle spends "
    "drinking water, so it is not advised. Heat tape: only one listed for the pipe, on a GFCI outlet, never overlapped. Never thaw with a "
    "flame. Local codes and licensed people decide."
)
DEEDS = {
    "spigot": "unhook the hose, drain it",
    "pipe": "pump and heater off, drain it",
    "tank": "close lid and box",
    "tank skin": "ice at the wall: leave room",
    "screen": "clear leaves, let it run dry",
    "sensor": "cover it, doubt its level",
}
ACTIONS = {
    "spigot": "drain",
    "pipe": "drain",
    "tank": "cover",
    "tank skin": "watch",
    "screen": "clear",
    "sensor": "shield",
}


@dataclass(frozen=True, slots=True)
class Tonight:
    """What is told of the coming night.

    Attributes:
        now_ms: when it was asked.
        issue: the word that is due; None between two hours after sunrise and 15:00.
        forecast: None when there is no word or no air temperature for it.
        risks: every exposure.
        why: why there is no forecast; empty when there is one.
    """

    now_ms: int
    issue: Issue | None = None
    forecast: NightForecast | None = None
    risks: tuple[Risk, ...] = ()
    why: str = ""

    @property
    def to_do(self) -> tuple[Risk, ...]:
        """The exposures for which acting pays, those with most to lose first."""
        return tuple(
            sorted(
                (each for each in self.risks if each.act), key=lambda each: -(each.chance or 0.0) * each.exposure.loss
            )
        )


@dataclass(frozen=True, slots=True)
class Airs:
    """The air series at hand: of the outside, and of exposures that have their own, by name.

    Attributes:
        outside: the site's own; empty when there is no sensor.
        own: by name of the series.
    """

    outside: AirSeries
    own: Mapping[str, AirSeries] = field(default_factory=dict)

    def at(self, exposure: Exposure) -> AirSeries:
        """The air at an exposure."""
        return self.outside if exposure.air_series is None else self.own.get(exposure.air_series, AirSeries((), ()))


def tonight(
    airs: Airs,
    place: Place,
    now_ms: int,
    model_of: Callable[[AirSeries, Issue], NightModel],
    exposures: Sequence[tuple[Exposure, Holding | None]] = (),
) -> Tonight:
    """What is to be told now.

    Args:
        airs: readings of the air; later ones than `now_ms` are not looked at.
        place: where.
        now_ms: now.
        model_of: what was learned of a series for a time of issue.
        exposures: what can freeze, each with the water of its tank.
    """
    due = issue_now(now_ms, place)
    if due is None:
        return Tonight(
            now_ms, why="the first word of the coming night is due at 15:00", risks=_risks(airs, now_ms, {}, exposures)
        )
    issue, coming, issued_ms = due
    words: dict[int, NightForecast] = {}
    for series in (airs.outside, *airs.own.values()):
        seen = evening(series.until(now_ms), issued_ms, coming)
        if seen is not None:
            words[id(series)] = forecast(model_of(series, issue), seen)
    told = words.get(id(airs.outside))
    why = "" if told is not None else "no air temperature of the last hours"
    return Tonight(now_ms, issue, told, _risks(airs, now_ms, words, exposures), why)


def _risks(
    airs: Airs, now_ms: int, words: Mapping[int, NightForecast], exposures: Sequence[tuple[Exposure, Holding | None]]
) -> tuple[Risk, ...]:
    found: list[Risk] = []
    for exposure, holding in exposures:
        series = airs.at(exposure)
        told = words.get(id(series))
        end_ms = now_ms if told is None else told.issued_ms
        past = [each.air_c for each in series.hours(end_ms - PAST_H * HOUR_MS, end_ms) if each is not None]
        found.append(risk(exposure, told, state_now(exposure, body_of(exposure, holding), past), holding))
    return tuple(found)


def short(told: Tonight, measure: Measure, zone: ZoneInfo) -> str:
    """The word as a text message: ASCII, at most 160 characters.

    Args:
        told: of tonight.
        measure: the household's units.
        zone: its clock.
    """
    if told.forecast is None:
        return f"No word of tonight's frost: {told.why}."
    middle, low, high = (
        round(measure.temperature(each)) for each in (told.forecast.p50_c, told.forecast.p10_c, told.forecast.p90_c)
    )
    near = clock((told.forecast.end_ms - AFTER_SUNRISE_MS), zone)
    head = f"about {middle}{measure.temperature_unit} ({low} to {high}) near {near}."
    if not told.to_do:
        return f"Tonight {head} Nothing listed is likely to freeze. Only listed spots are watched."
    tail = " Only listed spots are watched. Tick off when done."
    for count in range(len(told.to_do), 0, -1):
        left = len(told.to_do) - count
        more = f", {left} more" if left else ""
        line = f"Freeze tonight: {head} Before dark: {_deeds(told.to_do[:count])}{more}.{tail}"
        if len(line) <= SHORT:
            return line
    return f"Freeze tonight: {head} Before dark: see the list of {len(told.to_do)}.{tail}"


def _deeds(risks: Sequence[Risk]) -> str:
    """What to do, by deed: ``drain garden spigot and shed pipe, clear leaf screen``."""
    names: dict[str, list[str]] = {}
    for each in risks:
        names.setdefault(ACTIONS[each.exposure.kind], []).append(each.exposure.name)
    return ", ".join(f"{deed} {' and '.join(found)}" for deed, found in names.items())


def long(told: Tonight, measure: Measure, zone: ZoneInfo) -> str:
    """The longer word: figures, each thing with its hours, what to do, and the cautions.

    Args:
        told: of tonight.
        measure: the household's units.
        zone: its clock.
    """
    if told.forecast is None or not told.to_do:
        return short(told, measure, zone)
    low, middle, high = (
        measure.temperature_text(each) for each in (told.forecast.p10_c, told.forecast.p50_c, told.forecast.p90_c)
    )
    things = " ".join(_thing(each, measure, zone) for each in told.to_do)
    return (
        f"Tonight's lowest air is likely about {middle}, four nights in five between {low} and {high}. {things} {CAUTIONS} "
        "Note each thing as drained or covered when it is done. Only listed spots are watched: no word is no proof."
    )


def _thing(each: Risk, measure: Measure, zone: ZoneInfo) -> str:
    """One exposure in a sentence."""
    name = f"{each.exposure.name[:1].upper()}{each.exposure.name[1:]}"
    if each.state == "frozen":
        return f"{name}: ice is likely in it now."
    limit = "" if each.limit_c is None else f" below {measure.temperature_text(each.limit_c)}"
    since = "" if each.from_ms is None else f", from about {clock(each.from_ms, zone)}"
    return f"{name} can freeze{limit}{since}, chance {each.chance or 0.0:.0%}: {DEEDS[each.exposure.kind]}."


def morning(came_c: float, measure: Measure, *, below_limit: bool) -> str:
    """The word after the night.

    Args:
        came_c: lowest air that came, degC.
        measure: the household's units.
        below_limit: whether it was below the limit of an exposure.
    """
    low = measure.temperature_text(came_c)
    if not below_limit:
        return f"Night over: {low}, above the limit of every listed spot."
    thaw = measure.temperature_text(10 / 9)
    return (
        f"Night over: {low}. Not the all-clear: splits show at thaw. Look at every valve once above {thaw}. "
        "I am watching closer for loss for 24 h."
    )


def clock(at_ms: int, zone: ZoneInfo) -> str:
    """A time of day to the hour, as in a text message: ``6am``."""
    hour = (
        datetime.fromtimestamp(at_ms / 1000, zone).hour + (datetime.fromtimestamp(at_ms / 1000, zone).minute >= 30)
    ) % 24
    return f"{(hour - 1) % 12 + 1}{'am' if hour < 12 else 'pm'}"
