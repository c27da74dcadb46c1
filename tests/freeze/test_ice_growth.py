"""Ice on open water, against Stefan's and Ashton's printed thicknesses."""

from __future__ import annotations

import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from freeze.rows import half_place, rows
from holdwater.freeze.ice import COEFFICIENTS_M, M_PER_IN_ROOT_F, THEORY_M, ashton_m, degree_days, range_m, stefan_m

TABLE = rows("ice-growth.csv")
CASES = {
    "theory, ice surface at air temperature": "theory",
    "windy lake, no snow": "windy, no snow",
    "average lake with snow, high": "lake with snow, high",
    "average lake with snow, low": "lake with snow, low",
    "average lake with snow, one station": "lake with snow, one station",
    "average river with snow, low": "river with snow, low",
    "sheltered small river, rapid flow, low": "sheltered, low",
}


@pytest.mark.parametrize(
    "row",
    [row for row in TABLE if row["model"] == "stefan" and row["case"] in CASES],
    ids=lambda row: f"{row['case'][:20]} {row['FDD_degF_day']}",
)
def test_thickness_by_stefan_is_the_printed_one(row: dict[str, str]) -> None:
    """Rows of ice-growth.csv (theory; EM 1110-2-1612 coefficients) in inches and centimetres.

    The table was made from its rounded coefficients: half a unit of the last place of those is allowed as well.
    """
    days_f = float(row["FDD_degF_day"])
    thick_m = stefan_m(days_f / 1.8, COEFFICIENTS_M[CASES[row["case"]]])
    rounding_in = half_place("0.0001") * math.sqrt(days_f)
    assert thick_m / 0.0254 == pytest.approx(float(row["ice_in"]), abs=half_place(row["ice_in"]) + rounding_in)
    assert thick_m * 100 == pytest.approx(float(row["ice_cm"]), abs=half_place(row["ice_cm"]) + 2.54 * rounding_in)


def test_every_coefficient_of_the_table_is_there() -> None:
    """No row was dodged: each case of the table has its coefficient."""
    assert {row["case"] for row in TABLE if row["model"] == "stefan"} == set(CASES)


@pytest.mark.parametrize(
    "row",
    [row for row in TABLE if row["model"] == "thin-ice (Ashton form)"],
    ids=lambda row: f"{row['case']} {row['FDD_degF_day']}",
)
def test_thin_ice_by_ashton_is_the_printed_one(row: dict[str, str]) -> None:
    """Rows of ice-growth.csv, Ashton form."""
    film = float(re.search(r"Ha=(\d+)", row["case"]).group(1))
    thick_m = ashton_m(float(row["FDD_degF_day"]) / 1.8, film)
    assert thick_m / 0.0254 == pytest.approx(float(row["ice_in"]), abs=half_place(row["ice_in"]))
    assert thick_m * 100 == pytest.approx(float(row["ice_cm"]), abs=half_place(row["ice_cm"]))


def test_fifteen_degree_days_add_about_an_inch_to_thin_ice() -> None:
    """Ashton's rule (1989): + 1 in for each 15 degF days on ice of 0.5 to 3 in, film 15 W/m2K; it gives 12.6 to 15.4
    F-days an inch."""
    for start_in in (0.5, 3.0):
        needed = next(
            days / 10 for days in range(400) if ashton_m(days / 18, 15.0, start_in * 0.0254) >= (start_in + 1) * 0.0254
        )
        assert 12 <= needed <= 20


@given(st.floats(-10, 500), st.floats(0, 0.5))
def test_ice_is_never_thinner_than_it_was_nor_thicker_than_the_theory(days: float, start_m: float) -> None:
    """Ashton lies between what was there and Stefan's theory on top of it; warmth (negative degree-days) counts as
    none."""
    calm, windy = range_m(days, start_m)
    assert start_m - 1e-9 <= calm <= windy + 1e-12
    assert windy <= start_m + stefan_m(days) + 1e-9


def test_degree_days_go_down_in_thaw_and_never_below_none() -> None:
    """Twelve hours of -4 are two degree-days; a warm day takes them off."""
    assert degree_days([-4.0] * 12) == pytest.approx(2.0)
    assert degree_days([-4.0] * 12 + [8.0] * 12) == 0.0
    assert degree_days([-4.0] * 12 + [2.0] * 12) == pytest.approx(1.0)
    assert degree_days([]) == 0.0


def test_the_theory_is_the_printed_coefficient() -> None:
    """1.0439 in per root of a degF day."""
    assert pytest.approx(1.0439, abs=5e-5) == THEORY_M / M_PER_IN_ROOT_F
