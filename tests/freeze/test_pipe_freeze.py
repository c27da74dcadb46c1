"""Pipes and spigots in the cold, against the printed times of the ASHRAE form."""

from __future__ import annotations

import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from freeze.rows import celsius, half_place, rows
from holdwater.freeze.body import Body, State, follow
from holdwater.freeze.pipe import (
    BLOCKED,
    SCHEDULE_40,
    STILL_W_M2K,
    W_M2K_PER_BTU,
    W_MK_PER_BTU_IN,
    Pipe,
    schedule_40,
    tape_wh,
    times,
)

M_PER_IN = 0.0254
TABLE = [row for row in rows("pipe-freeze.csv") if row["kind"] in ("insulated", "bare")]


def pipe_of(row: dict[str, str]) -> Pipe:
    """The pipe that a row of the table describes."""
    size = row["item"].replace(" NPS", "").replace(" Sch 40", "").replace(" Sch", "")
    if row["kind"] == "insulated":
        thickness, k = re.match(r"([\d.]+) in, k=([\d.]+)", row["cover_or_film"]).groups()
        return schedule_40(size, insulation_m=float(thickness) * M_PER_IN, conductivity_w_mk=float(k) * W_MK_PER_BTU_IN)
    film = float(re.search(r"h=([\d.]+)", row["cover_or_film"]).group(1))
    return schedule_40(size, film_w_m2k=film * W_M2K_PER_BTU)


@pytest.mark.parametrize(
    "row", TABLE, ids=lambda row: f"{row['item']} {row['T_start_F']} {row['T_air_F']} {row['quantity'][:5]}"
)
def test_time_to_freezing_is_the_printed_one(row: dict[str, str]) -> None:
    """Every row of pipe-freeze.csv (ASHRAE Fundamentals ch 23 eq 1, Warren 2014, lumped films) within half its last
    place."""
    body = pipe_of(row).body()
    air_c = celsius(float(row["T_air_F"]))
    if row["quantity"] == "time to 32 F":
        found = body.hours_to_freezing(celsius(float(row["T_start_F"])), air_c)
    else:
        found = body.hours_to_ice(1.0, air_c)
    assert found == pytest.approx(float(row["value"]), abs=half_place(row["value"]))


def test_the_table_is_whole() -> None:
    """The printed rows did not get lost: 52 or more insulated, 96 bare."""
    kinds = [row["kind"] for row in TABLE]
    assert kinds.count("bare") == 96
    assert kinds.count("insulated") >= 52


@pytest.mark.parametrize("air_c", [0.0, 0.1, 25.0])
def test_it_never_freezes_in_air_at_or_above_freezing(air_c: float) -> None:
    """No logarithm of a negative number and no time: the answer is never."""
    body = schedule_40("1/2 in").body()
    assert body.hours_to_freezing(7.0, air_c) is None
    assert body.hours_to_ice(0.3, air_c) is None
    assert set(vars_of(times(schedule_40("1/2 in"), 7.0, air_c))) == {None}


def vars_of(found: object) -> list[object]:
    return [
        getattr(found, name) for name in ("freezing_wind_h", "freezing_still_h", "blocked_wind_h", "blocked_still_h")
    ]


def test_an_empty_pipe_never_freezes() -> None:
    """Nothing in it: no time, no ice, and its state stays."""
    empty = Body(0.0, 1.0)
    assert empty.is_empty
    assert empty.hours_to_freezing(7.0, -10.0) is None
    assert empty.hours_to_ice(0.3, -10.0) is None
    assert empty.after(State(5.0), -10.0, 12.0) == State(5.0)


def test_water_at_freezing_is_there_at_once() -> None:
    """Water that is already at or below 0 degC needs no time."""
    assert schedule_40("1/2 in").body().hours_to_freezing(0.0, -5.0) == 0.0
    assert schedule_40("1/2 in").body().hours_to_freezing(-0.5, -5.0) == 0.0


def test_wind_freezes_a_bare_pipe_sooner_and_an_insulated_one_no_sooner() -> None:
    """The range that is told: wind first, still air last; an insulated pipe has one figure."""
    bare = times(schedule_40("3/4 in"), 7.0, -5.0)
    assert bare.freezing_wind_h < bare.freezing_still_h
    assert bare.blocked_wind_h < bare.blocked_still_h
    assert bare.freezing_still_h < bare.blocked_still_h
    sleeved = times(schedule_40("3/4 in", insulation_m=0.0127), 7.0, -5.0)
    assert sleeved.freezing_wind_h == sleeved.freezing_still_h > bare.freezing_still_h


def test_blockage_follows_from_the_share_of_ice() -> None:
    """Time to blockage is time to 0 degC and the time in which the blocking share freezes."""
    pipe = schedule_40("1 in")
    body = pipe.body()
    told = times(pipe, 7.0, -5.0)
    assert told.blocked_still_h == pytest.approx(
        body.hours_to_freezing(7.0, -5.0) + BLOCKED * body.hours_to_ice(1.0, -5.0)
    )


@given(st.sampled_from(sorted(SCHEDULE_40)), st.floats(0.01, 30), st.floats(-40, -0.01), st.floats(0.05, 200))
def test_marching_by_hours_equals_one_long_step(size: str, water_c: float, air_c: float, hours: float) -> None:
    """Steady air: many steps lead to the state of one step, and the time to freezing is where ice begins."""
    body = schedule_40(size).body()
    whole = body.after(State(water_c), air_c, hours)
    *_, parts = follow(body, State(water_c), [air_c] * 7, hours / 7)
    assert parts.water_c == pytest.approx(whole.water_c, abs=1e-6)
    assert parts.ice == pytest.approx(whole.ice, abs=1e-6)
    assert (whole.ice > 0) == (body.hours_to_freezing(water_c, air_c) < hours)


@given(st.floats(-40, 40), st.floats(0, 1), st.floats(-40, 40), st.floats(0, 100))
def test_no_state_is_out_of_bounds(water_c: float, ice: float, air_c: float, hours: float) -> None:
    """Ice stays between nothing and all, and the water never passes the air nor falls below freezing by itself."""
    state = State(0.0 if ice > 0 else water_c, ice)
    after = schedule_40("1/2 in").body().after(state, air_c, hours)
    assert 0 <= after.ice <= 1
    assert math.isfinite(after.water_c)
    assert min(state.water_c, air_c, 0.0) - 1e-9 <= after.water_c <= max(state.water_c, air_c, 0.0) + 1e-9


def test_ice_melts_before_the_water_warms() -> None:
    """The heat that froze it comes back at the same rate: ten hours of -5 are undone by ten hours of +5."""
    body = schedule_40("2 in").body()
    frozen = body.after(State(0.0), -5.0, 10.0)
    half = body.after(frozen, 5.0, 5.0)
    assert 0 < half.ice < frozen.ice
    assert half.water_c == 0.0
    assert body.after(frozen, 5.0, 10.0).ice == pytest.approx(0.0, abs=1e-9)
    assert body.after(frozen, 5.0, 100.0).water_c > 4.0


def test_still_air_is_the_film_of_the_table() -> None:
    """1.46 Btu/h ft2 degF, as the printed rows use."""
    assert pytest.approx(8.29, abs=0.01) == STILL_W_M2K


def test_heat_tape_costs_what_the_table_says() -> None:
    """4 ft at 5 W a foot for 12 h are 240 Wh a night (household-water.md, section 8); at 3 W 144."""
    least, most = tape_wh(4 * 0.3048, 12.0)
    assert (least, most) == (pytest.approx(144.0), pytest.approx(240.0))
