"""Tonight in one value: the word that is due, what can freeze by it, and the words for it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from zoneinfo import ZoneInfo

from holdwater.config.exposures import Exposure
from holdwater.freeze.air import AirSeries
from holdwater.freeze.done import Deeds, kind_of
from holdwater.freeze.evening import Issue, evening
from holdwater.freeze.exposure import Holding, Risk, body_of, risk, state_now
from holdwater.freeze.felt import Darkness, felt_hours
from holdwater.freeze.learning import issue_now
from holdwater.freeze.night import NightForecast, NightModel, forecast
from holdwater.freeze.sun import HOUR_MS, Place

OUTSIDE = ""  # name of the outside air among the series
NOTHING_DONE: Deeds = {}
PAST_H = 240  # of air that the state of an exposure is reckoned from: five time constants of a bare tank


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
    model_of: Callable[[str, AirSeries, Issue], NightModel],
    exposures: Sequence[tuple[Exposure, Holding | None]] = (),
    done: Deeds = NOTHING_DONE,
) -> Tonight:
    """What is to be told now.

    Args:
        airs: readings of the air; later ones than `now_ms` are not looked at.
        place: where.
        now_ms: now.
        model_of: what was learned of a series for a time of issue, by its name (empty: the outside air).
        exposures: what can freeze, each with the water of its tank.
        done: exposures that the household has drained or covered, each with which.
    """
    due, darkness = issue_now(now_ms, place), Darkness(place)
    if due is None:
        return Tonight(
            now_ms,
            why="the first word of the coming night is due at 15:00",
            risks=_risks(airs, darkness, now_ms, {}, exposures, done),
        )
    issue, coming, issued_ms = due
    words: dict[str, NightForecast] = {}
    for name, series in {OUTSIDE: airs.outside, **airs.own}.items():
        seen = evening(series.until(now_ms), issued_ms, coming)
        if seen is not None:
            words[name] = forecast(model_of(name, series, issue), seen)
    told = words.get(OUTSIDE)
    why = "" if told is not None else "no air temperature of the last hours"
    return Tonight(now_ms, issue, told, _risks(airs, darkness, now_ms, words, exposures, done), why)


def _risks(
    airs: Airs,
    darkness: Darkness,
    now_ms: int,
    words: Mapping[str, NightForecast],
    exposures: Sequence[tuple[Exposure, Holding | None]],
    done: Deeds,
) -> tuple[Risk, ...]:
    found: list[Risk] = []
    for exposure, holding in exposures:
        series = airs.at(exposure)
        told = words.get(exposure.air_series or OUTSIDE)
        end_ms = now_ms if told is None else told.issued_ms
        past = felt_hours(exposure, series, end_ms - PAST_H * HOUR_MS, end_ms, darkness)
        found.append(
            risk(
                exposure,
                told,
                state_now(body_of(exposure, holding), past),
                holding,
                kind_of(done, exposure.name),
            )
        )
    return tuple(found)


def clock(at_ms: int, zone: ZoneInfo) -> str:
    """A time of day to the hour, as in a text message: ``6am``."""
    hour = (
        datetime.fromtimestamp(at_ms / 1000, zone).hour + (datetime.fromtimestamp(at_ms / 1000, zone).minute >= 30)
    ) % 24
    return f"{(hour - 1) % 12 + 1}{'am' if hour < 12 else 'pm'}"
