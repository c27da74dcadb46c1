"""How far below the air a clear night takes a bare thing, when neither cloud nor wind is measured.

Four steps, each from what is known:

1. A clear sky takes heat from a surface that sees it (`radiation.below_air_c`). A face that looks up sees all of an
   open sky; a pipe, a spigot or a wall, standing, sees half of it, the other half being ground as cold as the air
   (view factor of a body over a plane: Incropera and DeWitt, Fundamentals of Heat and Mass Transfer).
2. Calm nights are not still: at 0.5 m/s a pipe of an inch has a film of 14 W/m2K (Hilpert's cylinder in cross flow,
   same book), a thing out of the wind about 10.
3. How clear and calm it is shows in the day's range of the air: 1 - exp(-0.006 range^2.4), the share of sunshine that
   a range of so many degC tells of (Bristow and Campbell, Agric. Forest Meteorol. 31, 1984; middle of their 0.004 to
   0.010). A night that falls far is a clear one; one that hardly falls is cloudy or windy. Without a range half is
   taken (own choice).
4. Below the dew point rime forms and its heat slows the fall: near 0 degC it brings two thirds of what the air brings
   (Lewis relation, psychrometer constant 0.66 hPa/K, slope of the vapour pressure 0.44 hPa/K).

Under open sky that is 2.8 degC for a spigot, 1.5 degC at a wall, 5 degC for a leaf screen; by day nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta
from functools import lru_cache
from math import exp

from holdwater.config.exposures import Exposure
from holdwater.freeze.air import Air, AirSeries
from holdwater.freeze.radiation import VIEWS, below_air_c
from holdwater.freeze.sun import HOUR_MS, Night, Place, local_date, night

RANGE_FACTOR, RANGE_POWER = 0.006, 2.4
MIDDLING = 0.5
BREEZE_W_M2K = 14.0
SHELTERED_W_M2K = 10.0
STANDING = 0.5
RIME = 0.44 / 0.66
DAY_H = 24
LEAST_H = 12  # of a day's hours that must be known before their range says anything


def clear_share(range_c: float | None) -> float:
    """How clear and calm a night is, 0 to 1, by the range of the air between day and night; a middling share without."""
    if range_c is None:
        return MIDDLING
    return 1 - exp(-RANGE_FACTOR * max(0.0, range_c) ** RANGE_POWER)


@lru_cache(maxsize=256)
def _most_c(view: float, film_w_m2k: float, dew_c: float | None) -> float:
    """The fall near 0 degC under a wholly clear sky, without rime."""
    return below_air_c(0.0, view=view, film_w_m2k=film_w_m2k, dew_c=dew_c)


def below_c(exposure: Exposure, clear: float, depression_c: float | None = None, dew_c: float | None = None) -> float:
    """How far an exposure falls below the air, degC, at least 0.

    Args:
        exposure: what; a tank, and whatever is in a box or a sleeve, does not follow its skin.
        clear: how clear and calm the night is, 0 to 1; 0 by day.
        depression_c: air less dew point, at least 0; None where humidity is unknown.
        dew_c: dew point, for the sky; None where unknown.
    """
    if exposure.kind == "tank" or exposure.box_m2k_w > 0 or exposure.insulation_m2k_w > 0 or clear <= 0:
        return 0.0
    view = VIEWS[exposure.sky] * (1.0 if exposure.kind == "screen" else STANDING)
    film_w_m2k = BREEZE_W_M2K if exposure.wind else SHELTERED_W_M2K
    fall_c = clear * _most_c(view, film_w_m2k, None if dew_c is None else float(round(dew_c)))
    if depression_c is None or fall_c <= depression_c:
        return fall_c
    return depression_c + (fall_c - depression_c) / (1 + RIME)


class Darkness:
    """Which hours are dark, and how clear they were: the nights of a place, each looked up once."""

    def __init__(self, place: Place) -> None:
        self._place = place
        self._nights: dict[date, Night] = {}

    def is_dark(self, at_ms: int) -> bool:
        """Whether the sun is down."""
        today = local_date(at_ms, self._place.zone)
        for day in (today, today - timedelta(days=1)):
            if day not in self._nights:
                self._nights = {each: self._nights[each] for each in list(self._nights)[-30:]}
                self._nights[day] = night(day, self._place)
            found = self._nights[day]
            if found.kind != "polar day" and found.sunset_ms <= at_ms <= found.sunrise_ms:
                return True
        return False

    def clear(self, at_ms: int, day: Sequence[Air | None]) -> float:
        """How clear an hour was by the range of the 24 hours up to it: 0 while the sun is up.

        Args:
            at_ms: end of the hour.
            day: the air of the hours up to it, None where unknown.
        """
        return clear_share(day_range_c(day)) if self.is_dark(at_ms) else 0.0


def day_range_c(day: Sequence[Air | None]) -> float | None:
    """Range of the air over the hours of a day; None when too few of them are known."""
    known = [each.air_c for each in day if each is not None]
    return None if len(known) < LEAST_H else max(known) - min(known)


def felt_hours(
    exposure: Exposure, series: AirSeries, start_ms: int, end_ms: int, darkness: Darkness
) -> list[float | None]:
    """The air as an exposure felt it in each whole hour from `start_ms` to `end_ms`, degC; None where unknown."""
    hours = series.hours(start_ms - DAY_H * HOUR_MS, end_ms)
    found: list[float | None] = []
    for place in range(DAY_H, len(hours)):
        at_ms, air = start_ms + (place - DAY_H) * HOUR_MS, hours[place]
        found.append(
            None if air is None else felt_c(exposure, air, darkness.clear(at_ms, hours[place - DAY_H + 1 : place + 1]))
        )
    return found


def felt_c(exposure: Exposure, air: Air, clear: float) -> float:
    """The air as an exposure feels it, degC."""
    if air.dew_c is None:
        return air.air_c - below_c(exposure, clear)
    return air.air_c - below_c(exposure, clear, max(0.0, air.air_c - air.dew_c), air.dew_c)
