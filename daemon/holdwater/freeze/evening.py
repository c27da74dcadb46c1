"""What is known of the coming night at the time of a forecast: the inputs of the regression, from readings up to
that time only."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from holdwater.freeze.air import Air, AirSeries
from holdwater.freeze.sun import HOUR_MS, Night, Place, first_whole_hour, local_hour_ms

OLDEST_H = 2  # the newest reading may be so old
DAY_H = 13  # the day's highest is looked for in so many hours
NEAR_FOG_C = 4.0  # a depression below this is near saturation (own choice)
DEW_H = 6  # the evening's highest dew point, likewise
AFTER_SUNRISE_MS = 2 * HOUR_MS  # the lowest air comes a little after sunrise; two hours hold nearly every one
AFTERNOON_HOUR = 15
MISSING_SHARE = 1 / 3  # a night with more of its hours missing has no known lowest
MISSING_RUN = 2  # nor has one with a longer hole: the lowest may have been in it

IssueKind = Literal["afternoon", "evening"]


@dataclass(frozen=True, slots=True)
class Issue:
    """When a forecast is made: at 15:00 of the local clock, or at the first whole hour so many hours after sunset or
    later."""

    kind: IssueKind = "evening"
    after_sunset_h: int = 2

    @property
    def name(self) -> str:
        """``afternoon`` or the hours after sunset."""
        return "afternoon" if self.kind == "afternoon" else str(self.after_sunset_h)

    def at_ms(self, night: Night, place: Place) -> int:
        """The time of issue for a night."""
        if self.kind == "afternoon":
            return local_hour_ms(night.day, AFTERNOON_HOUR, place.zone)
        return first_whole_hour(night.sunset_ms + self.after_sunset_h * HOUR_MS, place.zone)


@dataclass(frozen=True, slots=True)
class Evening:
    """Inputs of the night's forecast.

    Attributes:
        issued_ms: time of the forecast; nothing later is in it.
        end_ms: sunrise + 2 h; the forecast is of the lowest hour from issue to then.
        left_h: hours from issue to sunrise.
        air_c: newest air temperature, at most 2 h old.
        fall_1h_c: change over the last hour.
        fall_3h_c: change over the last three hours.
        fall_6h_c: change over the last six hours.
        below_highest_c: how far the air is below the highest of the last 13 h, at least 0.
        dew_depression_c: air less dew point, at least 0; None without humidity.
        drying_c: dew point less the highest of the last 6 h, at most 0: drier air arrives; None without humidity.
        daylight: whether the sun is still up.
    """

    issued_ms: int
    end_ms: int
    left_h: float
    air_c: float
    fall_1h_c: float
    fall_3h_c: float
    fall_6h_c: float
    below_highest_c: float
    dew_depression_c: float | None = None
    drying_c: float | None = None
    daylight: bool = False

    def inputs(self, bias_c: float) -> tuple[float, ...]:
        """Inputs that need no humidity, each scaled to about one: the regression answers with (lowest - air now).

        Args:
            bias_c: smoothed last errors.
        """
        return (
            1.0,
            (self.air_c - 5) / 10,
            self.fall_1h_c,
            self.fall_3h_c / 3,
            self.fall_6h_c / 6,
            self.below_highest_c / 6,
            (self.left_h - 11) / 3,
            bias_c / 2,
        )

    def moist_inputs(self, bias_c: float) -> tuple[float, ...] | None:
        """Inputs with the dew point, and how near to fog it is, where dew and its heat stop the fall; None without
        humidity."""
        if self.dew_depression_c is None or self.drying_c is None:
            return None
        near_fog = min(self.dew_depression_c, NEAR_FOG_C) / NEAR_FOG_C
        return (*self.inputs(bias_c), self.dew_depression_c / 6, self.drying_c / 3, near_fog)


def evening(series: AirSeries, issued_ms: int, night: Night) -> Evening | None:
    """The inputs at a time.

    Args:
        series: readings of the air; those after `issued_ms` are not looked at.
        issued_ms: time of the forecast.
        night: the night it is for.

    Returns:
        None when there is no air temperature of the last hours, or the night is over.
    """
    end_ms = night.sunrise_ms + AFTER_SUNRISE_MS
    past = [series.hour(issued_ms - hour * HOUR_MS) for hour in range(DAY_H + 1)]
    now = next((reading for reading in past[: OLDEST_H + 1] if reading is not None), None)
    if now is None or issued_ms > end_ms:
        return None
    temperatures = [reading.air_c for reading in past if reading is not None]
    depression_c, drying_c = _dew(now, past[: DEW_H + 1])
    return Evening(
        issued_ms,
        end_ms,
        (night.sunrise_ms - issued_ms) / HOUR_MS,
        now.air_c,
        _change(now, past, 1),
        _change(now, past, 3),
        _change(now, past, 6),
        max(temperatures) - now.air_c,
        depression_c,
        drying_c,
        issued_ms < night.sunset_ms,
    )


def _change(now: Air, past: Sequence[Air | None], hours: int) -> float:
    """Change over so many hours, from the nearest reading of that age or older; zero (steady) when none is near."""
    for extra in (0, 1, 2):
        then = past[hours + extra]
        if then is not None and then.at_ms < now.at_ms:
            return (now.air_c - then.air_c) * hours * HOUR_MS / (now.at_ms - then.at_ms)
    return 0.0


def _dew(now: Air, past: Sequence[Air | None]) -> tuple[float | None, float | None]:
    """Depression of the dew point, and the dew point against the evening's highest."""
    if now.dew_c is None:
        return None, None
    dews = [reading.dew_c for reading in past if reading is not None and reading.dew_c is not None]
    return max(0.0, now.air_c - now.dew_c), now.dew_c - max(dews)


def lowest_c(series: AirSeries, start_ms: int, end_ms: int) -> float | None:
    """The lowest hourly air temperature from a whole hour to a time, both included.

    Returns:
        None when too many hours are missing to know: over a third of them, or more than two in a row.
    """
    hours = series.hours(start_ms, end_ms)
    known = [reading.air_c for reading in hours if reading is not None]
    if not known or len(hours) - len(known) > MISSING_SHARE * len(hours) or _longest_hole(hours) > MISSING_RUN:
        return None
    return min(known)


def _longest_hole(hours: Sequence[Air | None]) -> int:
    longest = run = 0
    for reading in hours:
        run = run + 1 if reading is None else 0
        longest = max(longest, run)
    return longest
