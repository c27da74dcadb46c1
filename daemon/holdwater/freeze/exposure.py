"""What can freeze tonight, exposure by exposure: at which outside air, how likely that is, for how long, and whether
acting pays.

Each exposure has its own limit, found from its heat balance: the warmest lowest air at which it would begin to
freeze before the night is over. Two clocks come out by themselves: a spigot follows the hour, a tank the mean of
days, by their time constants. The state that past days left (a tank already cold) is where the night begins.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from math import pi
from typing import Literal

from holdwater.config.exposures import OF_TANK, Exposure, cube_surface_m2
from holdwater.freeze.body import Body, State, follow
from holdwater.freeze.decision import Stake
from holdwater.freeze.fao import falling_c
from holdwater.freeze.felt import below_c, clear_share
from holdwater.freeze.night import NightForecast
from holdwater.freeze.pipe import STILL_W_M2K, WIND_W_M2K
from holdwater.freeze.sun import HOUR_MS
from holdwater.freeze.tank import Enclosure, tank_body

UNKNOWN_SHARE = 0.25  # of a tank whose level is not known: little water freezes sooner
COLDEST_C = -60.0  # below it no limit is looked for
INSIDE_W_M2K = (
    20.0  # from still cold water to the wall (own choice on the careful side; water near 4 degC hardly stirs)
)

# From 15:00 the air of two typical years (Greensboro and Sand Point, October to April, nights that fell by over 4 degC)
# falls by 1.45 of the time's share until the curve of the square root takes over: 0.27, 0.44, 0.58, 0.70 of the fall
# at 0.2, 0.3, 0.4, 0.5 of the time to sunrise.
DAYLIGHT_FALL = 1.45

RiskState = Literal["can freeze", "safe", "frozen", "drained", "empty", "not known"]


@dataclass(frozen=True, slots=True)
class Holding:
    """The water of a tank that an exposure belongs to.

    Attributes:
        water_m3: what is in it; None when not known (it is then taken for a quarter full).
        capacity_m3: when full.
        water_c: temperature measured in it; None takes the reckoned state.
        time_constant_h: fitted from its own water; None takes it from the enclosure.
    """

    water_m3: float | None
    capacity_m3: float
    water_c: float | None = None
    time_constant_h: float | None = None


@dataclass(frozen=True, slots=True)
class Risk:
    """One exposure tonight.

    Attributes:
        exposure: what.
        state: ``can freeze`` (there is an air at which it would), ``safe`` (however cold the night), ``frozen`` (ice
            is in it already), ``drained``, ``empty``, ``not known``.
        limit_c: it begins to freeze when the lowest air is below this; None where there is none.
        chance: that it does, 0 to 1; None when not known.
        act: whether acting pays.
        hours_below: hours of the night below the limit, for the 50 % figure.
        hours_below_cold: the same for the 10 % figure.
        from_ms: when the air falls below the limit in a night like the 10 % figure; None when it does not.
        ice: share of its water that is ice at the end of a night like the 10 % figure, 0 to 1.
        why: why it is not known.
        done: what the household has done about it and not undone: ``drained``, ``covered`` or nothing.
    """

    exposure: Exposure
    state: RiskState
    limit_c: float | None = None
    chance: float | None = 0.0
    act: bool = False
    hours_below: float = 0.0
    hours_below_cold: float = 0.0
    from_ms: int | None = None
    ice: float = 0.0
    why: str = ""
    done: str = ""


def body_of(exposure: Exposure, holding: Holding | None = None) -> Body:
    """The lump of water of an exposure; for the skin of a tank the water behind it.

    Args:
        exposure: what.
        holding: water of its tank; needed for kinds tank and tank skin.
    """
    if exposure.kind in OF_TANK:
        return _tank(exposure, holding)
    film_w_m2k = WIND_W_M2K if exposure.wind else STILL_W_M2K
    outside_m2 = pi * exposure.outside_m * exposure.length_m
    loss_w_k = outside_m2 / (exposure.insulation_m2k_w + exposure.box_m2k_w + 1 / film_w_m2k)
    return Body(pi / 4 * exposure.bore_m**2 * exposure.length_m, loss_w_k)


def _tank(exposure: Exposure, holding: Holding | None) -> Body:
    if holding is None or holding.capacity_m3 <= 0:
        return Body(0.0, 1.0)
    surface_m2 = exposure.surface_m2 or cube_surface_m2(holding.capacity_m3)
    water_m3 = UNKNOWN_SHARE * holding.capacity_m3 if holding.water_m3 is None else holding.water_m3
    body = tank_body(water_m3, holding.capacity_m3, surface_m2, enclosure_of(exposure).loss_w_m2k)
    if holding.time_constant_h is None or body.is_empty:
        return body
    return Body(body.water_m3, body.heat_j_k / (holding.time_constant_h * 3600))


def enclosure_of(exposure: Exposure) -> Enclosure:
    """What stands between the tank's water and the air."""
    return Enclosure(exposure.wind, exposure.box_m2k_w, exposure.insulation_m2k_w)


def state_now(body: Body, airs_c: Iterable[float | None]) -> State | None:
    """The state that the past hours left; None without any.

    Args:
        body: the water of an exposure.
        airs_c: the air as it felt it (`felt.felt_hours`), oldest first, an hour apart, degC; None where unknown.
    """
    airs = [air_c for air_c in airs_c if air_c is not None]
    if not airs:
        return None
    *_, last = follow(body, first_state(airs), airs)
    return last


def first_state(airs_c: Sequence[float]) -> State:
    """Where the water begins when nothing is known of it: as warm as the first day's mean, without ice."""
    first = airs_c[:24]
    return State(max(0.0, sum(first) / len(first)))


def curve(forecast: NightForecast, lowest_c: float) -> list[tuple[int, float]]:
    """The air of each hour of a night with a given lowest: falling to two hours before the end (sunrise), then flat,
    to be careful. A fall that begins in daylight is straight at first.

    Args:
        forecast: tells the time and air at issue and the end.
        lowest_c: lowest air of the night, at most the air at issue.
    """
    sunrise_ms = forecast.end_ms - 2 * HOUR_MS
    span_ms = max(1, sunrise_ms - forecast.issued_ms)
    times = range(forecast.issued_ms, forecast.end_ms + 1, HOUR_MS)
    shares = [(at_ms, min(1.0, (at_ms - forecast.issued_ms) / span_ms)) for at_ms in times]
    if forecast.daylight:
        shares = [(at_ms, min(share, (DAYLIGHT_FALL * share) ** 2)) for at_ms, share in shares]
    return [(at_ms, falling_c(forecast.air_c, lowest_c, share)) for at_ms, share in shares]


def risk(
    exposure: Exposure,
    forecast: NightForecast | None,
    state: State | None,
    holding: Holding | None = None,
    done: str = "",
) -> Risk:
    """One exposure in the coming night.

    Args:
        exposure: what.
        forecast: of the outside air, or of the air at it; None when there is none.
        state: how cold it is already; None when not known.
        holding: water of its tank, for kinds tank and tank skin.
        done: what the household has noted of it: ``drained`` (no water in it), ``covered`` (nothing more to do), or
            nothing.
    """
    if done == "covered":
        return replace(risk(exposure, forecast, state, holding), act=False, done=done)
    if exposure.drained or done == "drained":
        return Risk(exposure, "drained", done=done)
    body = body_of(exposure, holding)
    if exposure.kind in OF_TANK and (holding is None or holding.water_m3 == 0):
        known = holding is not None
        why = "" if known else "its tank is not known"
        return Risk(exposure, "empty" if known else "not known", chance=0.0 if known else None, why=why)
    if forecast is None:
        return Risk(exposure, "not known", chance=None, why="no forecast of the air")
    start = _start(exposure, state, holding)
    if start is None and exposure.limit_c is None:
        return Risk(exposure, "not known", chance=None, why="no air temperature of the last days")
    return _judged(exposure, forecast, body, start)


def _start(exposure: Exposure, state: State | None, holding: Holding | None) -> State | None:
    """The state at issue: measured water first."""
    if exposure.kind in OF_TANK and holding is not None and holding.water_c is not None:
        ice = state.ice if state is not None and holding.water_c <= 0.3 else 0.0
        return State(0.0 if ice > 0 else holding.water_c, ice)
    return state


def _judged(exposure: Exposure, forecast: NightForecast, body: Body, start: State | None) -> Risk:
    """The risk where it can be reckoned."""
    limit_c = exposure.limit_c
    if limit_c is None and start is not None:
        limit_c = _limit(exposure, forecast, body, start)
    ice = 0.0 if start is None else _ice_after(exposure, forecast, body, start, forecast.p10_c)
    stake = Stake(exposure.cost, exposure.loss)
    if start is not None and start.ice > 0:
        return Risk(exposure, "frozen", limit_c, 1.0, stake.acts(1.0), ice=ice)
    if limit_c is None:
        return Risk(exposure, "safe")
    chance = forecast.chance_below(limit_c)
    cold = curve(forecast, forecast.p10_c)
    return Risk(
        exposure,
        "can freeze",
        limit_c,
        chance,
        stake.acts(chance),
        _hours(curve(forecast, forecast.p50_c), limit_c),
        _hours(cold, limit_c),
        next((at_ms for at_ms, air_c in cold if air_c < limit_c), None),
        ice,
    )


def _hours(airs: list[tuple[int, float]], limit_c: float) -> float:
    return float(sum(air_c < limit_c for _, air_c in airs))


def _limit(exposure: Exposure, forecast: NightForecast, body: Body, start: State) -> float | None:
    """The warmest lowest air at which it begins to freeze before the night is over; None when it never does."""
    if exposure.kind == "tank skin":
        return skin_limit_c(exposure, start.water_c, night_below_c(exposure, forecast, forecast.p50_c, forecast.p50_c))

    def freezes(lowest_c: float) -> bool:
        return _ice_after(exposure, forecast, body, start, lowest_c) > 0

    if freezes(forecast.air_c):
        return forecast.air_c + 0.01
    cold_c, warm_c = COLDEST_C, forecast.air_c
    if forecast.air_c <= COLDEST_C or not freezes(cold_c):
        return None
    for _ in range(24):
        middle_c = (cold_c + warm_c) / 2
        cold_c, warm_c = (middle_c, warm_c) if freezes(middle_c) else (cold_c, middle_c)
    return cold_c


def skin_limit_c(exposure: Exposure, water_c: float, below_air_c: float = 0.0) -> float:
    """The air at which the wall of a tank is at 0 degC: what the water brings equals what the air takes.

    Args:
        exposure: the skin.
        water_c: the water behind it, degC.
        below_air_c: how far a clear sky takes it below the air, degC.
    """
    return below_air_c - max(0.0, water_c) * INSIDE_W_M2K / enclosure_of(exposure).loss_w_m2k


def night_below_c(exposure: Exposure, forecast: NightForecast, lowest_c: float, air_c: float) -> float:
    """How far an exposure is below the air in a night with a given lowest: the farther it falls, the clearer it is."""
    clear = clear_share(None if forecast.highest_c is None else forecast.highest_c - lowest_c)
    depression_c = None if forecast.dew_c is None else max(0.0, air_c - forecast.dew_c)
    return below_c(exposure, clear, depression_c, forecast.dew_c)


def _ice_after(exposure: Exposure, forecast: NightForecast, body: Body, start: State, lowest_c: float) -> float:
    """Share of ice at the end of a night with a given lowest air."""
    airs = (air_c - night_below_c(exposure, forecast, lowest_c, air_c) for _, air_c in curve(forecast, lowest_c)[:-1])
    return max((state.ice for state in follow(body, start, airs)), default=start.ice)
