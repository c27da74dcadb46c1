"""Haul by: the last day to set out, or to order, so that the reserve holds.

The reserve is reached, in one of ten futures, on the day at which use at its 90th percentile has taken what is above it;
the worst wait is counted back from there, and the day is moved earlier where the road will be closed. Rain and well are
not counted on; only while a well has brought as much as was used for two weeks is there no day to name. The worst wait
matters more than the use: for skewed waits the usual safety-stock formula falls short, so `haul_level_m3` takes the waits
themselves.
"""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass
from datetime import date, timedelta, tzinfo

from holdwater.balance.days import day_of
from holdwater.balance.points import DAY_MS
from holdwater.balance.supply import HORIZON_DAYS, Unknown, Use, days_above_reserve, use_of_days, variance_factor

KEEPS_UP = "what fills it by itself keeps up with what is used"
KEEPS_UP_SHARE = 0.75  # of the use: between the two shares at which the notice is raised and cleared
CHANCE = 0.9  # that the reserve holds, if the wait is no worse than the worst


@dataclass(frozen=True, slots=True)
class Stock:
    """What a tank holds.

    Attributes:
        on_hand_m3: above the outlet.
        reserve_m3: what should never be gone below.
        room_m3: up to the overflow.
        u_m3: standard uncertainty of what is on hand.
    """

    on_hand_m3: float
    reserve_m3: float
    room_m3: float
    u_m3: float = 0.0


@dataclass(frozen=True, slots=True)
class Trip:
    """How water is hauled.

    Attributes:
        load_m3: what one trip brings.
        worst_wait_days: longest wait the household reckons with, from deciding until the water is in the tank.
        observed_days: waits that were seen; one longer than the worst counts instead of it.
    """

    load_m3: float
    worst_wait_days: float
    observed_days: tuple[float, ...] = ()

    @property
    def wait_days(self) -> float:
        """The wait to reckon with."""
        return max(self.worst_wait_days, *self.observed_days, 0.0)


@dataclass(frozen=True, slots=True)
class Haul:
    """By which day to haul.

    Attributes:
        by: last local day to set out; None when that is beyond 90 days or unknown.
        late: that day is over already; `by` is then today.
        reserve_on: local day on which the reserve may be reached; None beyond 90 days.
        fits_on: first local day on which the load fits, at little use; today when it fits now; None beyond 90 days.
        fits_m3: what the tank can take now: its room less the doubt of the level, at most a load.
        gained_days: days that a load lasts at the usual use; None when nothing is used.
        level_m3: on hand at which it is time, by the worst wait; None when unknown.
        reason: why no day is given, in words; empty when one is.
    """

    by: date | None
    late: bool = False
    reserve_on: date | None = None
    fits_on: date | None = None
    fits_m3: float = 0.0
    gained_days: float | None = None
    level_m3: float | None = None
    reason: str = ""

    @property
    def fits_in_time(self) -> bool:
        """Whether the load fits on the last day to haul, or before it."""
        return self.by is not None and self.fits_on is not None and self.fits_on <= self.by


def haul_by(
    now_ms: int,
    zone: tzinfo,
    stock: Stock,
    use: Use | Unknown,
    trip: Trip,
    closed: Collection[date] = (),
    fed_m3: float = 0.0,
) -> Haul:
    """The last day to haul one load.

    Args:
        now_ms: now, ms UTC.
        zone: the household's time zone.
        stock: what the tank holds.
        use: recent daily use, or why it is unknown.
        trip: load and wait.
        fed_m3: what a well, a spring or the mains brought a day in the last weeks.
        closed: local days on which nobody can haul: a storm in the forecast, a closed road.

    Returns:
        The day, whether it is past, and whether the load fits by then.
    """
    fits_m3 = _fits_m3(stock, trip)
    if isinstance(use, Unknown):
        return Haul(None, fits_m3=fits_m3, reason=use.reason)
    today = day_of(now_ms, zone)
    fits_on = _fits_on(now_ms, zone, stock, use, trip)
    gained = trip.load_m3 / use.mean_m3 if use.mean_m3 > 0 else None
    level_m3 = stock.reserve_m3 + haul_level_m3(use, (trip.wait_days,), CHANCE)
    if use.mean_m3 > 0 and fed_m3 >= KEEPS_UP_SHARE * use.mean_m3 and stock.on_hand_m3 > stock.reserve_m3:
        return Haul(None, False, None, fits_on, fits_m3, gained, level_m3, KEEPS_UP)
    low = days_above_reserve(stock.on_hand_m3 - stock.reserve_m3, use, stock.u_m3).low
    if low is None or low >= HORIZON_DAYS:
        return Haul(None, False, None, fits_on, fits_m3, gained, level_m3, f"lasts more than {HORIZON_DAYS:.0f} days")
    reserve_ms = now_ms + round(low * DAY_MS)
    by = _last_open_day(_day_over_before(reserve_ms - round(trip.wait_days * DAY_MS), zone), today, closed)
    return Haul(max(by, today), by < today, day_of(reserve_ms, zone), fits_on, fits_m3, gained, level_m3)


def haul_level_m3(use: Use, waits_days: Collection[float], chance: float) -> float:
    """Water above the reserve that outlasts a wait with this chance, each of the waits being equally likely.

    Args:
        use: daily use.
        waits_days: past or assumed waits, days; at least one.
        chance: that the reserve holds, 0.5 to below 1.

    Returns:
        The quantile of use during the wait (normal use, empirical waits), m3, not below zero.

    Raises:
        ValueError: no wait given, or a chance outside 0.5 to 1.
    """
    if not waits_days or not 0.5 <= chance < 1:
        raise ValueError(
            f"haul level needs waits and a chance from 0.5 to below 1, found {len(waits_days)} and {chance}"
        )
    low, high = 0.0, max(use_of_days(days, use, 10.0) for days in waits_days)
    for _ in range(80):
        middle = (low + high) / 2
        low, high = (low, middle) if _held(middle, use, waits_days) >= chance else (middle, high)
    return high


def _held(level_m3: float, use: Use, waits_days: Collection[float]) -> float:
    """Chance that use during the wait stays within a level."""
    return math.fsum(_within(level_m3, use, days) for days in waits_days) / len(waits_days)


def _within(level_m3: float, use: Use, days: float) -> float:
    mean_m3 = days * use.mean_m3
    sd_m3 = math.sqrt(days * use.sd_m3**2 * variance_factor(days, use.r) + (days * use.u_mean_m3) ** 2)
    if sd_m3 == 0:
        return 1.0 if level_m3 >= mean_m3 else 0.0
    return 0.5 * math.erfc((mean_m3 - level_m3) / (sd_m3 * math.sqrt(2)))  # the normal distribution function


def _fits_m3(stock: Stock, trip: Trip) -> float:
    """What the tank takes now: the room less its doubt, so that a load is not poured on the ground."""
    return max(0.0, min(trip.load_m3, stock.room_m3 - stock.u_m3))


def _fits_on(now_ms: int, zone: tzinfo, stock: Stock, use: Use, trip: Trip) -> date | None:
    """First day on which there is room for the load although little was used (10th percentile of use)."""
    missing_m3 = trip.load_m3 - (stock.room_m3 - stock.u_m3)
    if missing_m3 <= 0:
        return day_of(now_ms, zone)
    slow = days_above_reserve(missing_m3, use).high
    if slow is None or slow >= HORIZON_DAYS:
        return None
    return day_of(now_ms + math.ceil(slow * DAY_MS), zone)


def _day_over_before(at_ms: int, zone: tzinfo) -> date:
    """The last local day that is over at an instant: who hauls on that day is in time even in the evening."""
    return day_of(at_ms, zone) - timedelta(days=1)


def _last_open_day(by: date, today: date, closed: Collection[date]) -> date:
    """The day, or the last one before it on which the road is open; the day before today when there is none."""
    while by >= today and by in closed:
        by -= timedelta(days=1)
    return by
