"""The handbook's regression, dew point and sun times against the printed values of frost-forecast-example.csv."""

from __future__ import annotations

import re
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

import CoolProp.CoolProp as props
import pytest

from freeze.rows import celsius, half_place, rows
from holdwater.freeze import fao
from holdwater.freeze.humidity import ALDUCHOV_ESKRIDGE, WMO_WATER, dew_point_c, frost_point_c, wet_bulb_c
from holdwater.freeze.sun import Place, sunrise, sunset

TABLE = rows("frost-forecast-example.csv")


def section(name: str) -> list[dict[str, str]]:
    return [row for row in TABLE if row["section"] == name]


def nights() -> list[tuple[float, float, float]]:
    """The ten nights of the example: T0, Td0, Tn."""
    found: dict[str, dict[str, float]] = {}
    for row in section("fao-regression"):
        found.setdefault(row["case"], {})[row["quantity"]] = float(row["value"])
    return [(each["T0"], each["Td0"], each["Tn_observed"]) for each in found.values()]


def near(found: float, row: dict[str, str]) -> None:
    assert found == pytest.approx(float(row["value"]), abs=half_place(row["value"])), row


def test_the_two_step_coefficients_are_the_printed_ones() -> None:
    """Slopes and intercepts of both steps (Snyder & de Melo-Abreu 2005, example recomputed)."""
    handbook = fao.fit(nights())
    printed = {row["quantity"]: row for row in section("fao-coefficients") if row["case"] == "two-step"}
    near(handbook.slope, printed["step1_slope_b"])
    near(handbook.intercept, printed["step1_intercept_a"])
    near(handbook.dew_slope, printed["step2_slope_d"])
    near(handbook.dew_intercept, printed["step2_intercept_c"])
    near(handbook.intercept + handbook.dew_intercept, printed["two_step_constant_a_plus_c"])


def test_the_nights_of_the_example_come_out_as_printed() -> None:
    """Forecast of each of the ten nights, first step alone and both steps."""
    handbook = fao.fit(nights())
    for row in section("fao-regression"):
        number = int(row["case"].split("-")[1]) - 1
        air_c, dew_c, came_c = nights()[number]
        answers = {
            "Tn_step1_T0_only": handbook.lowest_c(air_c),
            "residual_step1": came_c - handbook.lowest_c(air_c),
            "Tn_two_step": handbook.lowest_c(air_c, dew_c),
            "residual_two_step": came_c - handbook.lowest_c(air_c, dew_c),
        }
        if row["quantity"] in answers:
            near(answers[row["quantity"]], row)


def test_the_published_prediction_comes_out() -> None:
    """predFAO of R package frost: T0 = 10, Td0 = 2 gives -0.7409219."""
    handbook = fao.fit(nights())
    for row in section("fao-predict"):
        near(handbook.lowest_c(10.0, 2.0 if "Td0" in row["case"] else None), row)


def test_the_falling_curve_is_the_published_one() -> None:
    """getTrend of R package frost (UC Davis FP002): square root of time from two hours after sunset to sunrise."""
    for row in section("sqrt-trend"):
        start, lowest, hours = (
            float(each) for each in re.match(r"T2=([-\d.]+) Tmin=([-\d.]+) n=(\d+)", row["case"]).groups()
        )
        hour = float(re.search(r"T at (\d+) h", row["quantity"]).group(1))
        near(fao.falling_c(start, lowest, (hour - 2) / (hours - 2)), row)
    assert fao.falling_c(5.0, -3.0, -1.0) == 5.0
    assert fao.falling_c(5.0, -3.0, 7.0) == -3.0


def test_there_is_no_line_through_too_few_or_equal_evenings() -> None:
    """Two nights, or evenings that were all alike, give no regression; unknown dew points leave the first step."""
    assert fao.fit([(1.0, 0.0, -1.0), (2.0, 0.0, -2.0)]) is None
    assert fao.fit([(1.0, 0.0, -1.0)] * 9) is None
    dry = fao.fit([(1.0, None, -1.0), (2.0, None, -2.0), (3.0, None, -3.0)])
    assert dry.lowest_c(4.0, -5.0) == pytest.approx(-4.0)


def test_dew_points_are_the_printed_ones() -> None:
    """Alduchov-Eskridge and WMO Magnus, frost point over ice, and two hours observed at an airport."""
    checked = 0
    for row in section("dew-point"):
        air, rh = (float(each) for each in re.search(r"T=([-\d.]+)F? RH=([\d.]+)", row["case"]).groups())
        fahrenheit = row["unit"] == "degF"
        air_c = celsius(air) if fahrenheit else air
        found = {
            "Td_Alduchov_Eskridge": dew_point_c(air_c, rh / 100, ALDUCHOV_ESKRIDGE),
            "Td_WMO_Magnus": dew_point_c(air_c, rh / 100, WMO_WATER),
            "Tfrost_WMO_ice (RH over water)": frost_point_c(air_c, rh / 100),
        }.get(row["quantity"])
        if found is not None:
            near(found * 1.8 + 32 if fahrenheit else found, row)
            checked += 1
    assert checked >= 33


def test_saturation_pressure_is_the_printed_one_and_near_the_steam_tables() -> None:
    """WMO Magnus as printed; within 0.35 % of IAPWS-95 from 1 to 30 degC (CoolProp)."""
    for row in section("sat-vapour"):
        air_c = float(row["case"].split("=")[1])
        if row["quantity"] == "es_WMO":
            near(WMO_WATER.pressure_hpa(air_c), row)
    for air_c in (1.0, 10.0, 20.0, 30.0):
        exact = props.PropsSI("P", "T", air_c + 273.15, "Q", 0, "Water") / 100
        assert WMO_WATER.pressure_hpa(air_c) == pytest.approx(exact, rel=0.0035)


@pytest.mark.parametrize(
    ("air_c", "rh"),
    [(float("nan"), 0.5), (10.0, float("nan")), (10.0, 0.0), (10.0, -0.2), (10.0, 0.004), (-300.0, 0.5)],
)
def test_no_dew_point_comes_from_what_is_no_humidity(air_c: float, rh: float) -> None:
    """Missing, zero and negative humidity: unknown, no logarithm of it."""
    assert dew_point_c(air_c, rh) is None
    assert frost_point_c(air_c, rh) is None


def test_fog_counts_as_saturated() -> None:
    """A sensor that reads 104 % has the dew point of its air."""
    assert dew_point_c(4.0, 1.04) == pytest.approx(4.0)


def test_the_wet_bulb_lies_between_dew_point_and_air() -> None:
    """20 degC and 50 %: 13.8 degC at sea level (psychrometric tables, common figure); saturated air is its own wet
    bulb."""
    assert wet_bulb_c(20.0, dew_point_c(20.0, 0.5)) == pytest.approx(13.8, abs=0.15)
    assert wet_bulb_c(5.0, 5.0) == pytest.approx(5.0)
    assert wet_bulb_c(5.0, 9.0) == pytest.approx(5.0)


@pytest.mark.parametrize("row", section("sun"), ids=lambda row: f"{row['case']} {row['quantity']} {row['value']}")
def test_sun_times_are_the_published_ones(row: dict[str, str]) -> None:
    """NREL SPA, USNO and the recomputed full series: within 90 s for a short formula, by local date."""
    north, east, day, offset = re.match(
        r"([\d.]+[NS]) ([\d.]+[EW]) (\d{4}-\d\d-\d\d) UTC(-?\d+)?", row["case"]
    ).groups()
    signed = {"N": 1, "E": 1, "S": -1, "W": -1}
    hours = int(offset or 0)
    place = Place(
        float(north[:-1]) * signed[north[-1]], float(east[:-1]) * signed[east[-1]], ZoneInfo(f"Etc/GMT{-hours:+d}")
    )
    find = sunrise if row["quantity"] == "sunrise" else sunset
    found = find(date.fromisoformat(day), place).astimezone(place.zone)
    clock = datetime.fromisoformat(f"{day}T{row['value']}").replace(tzinfo=place.zone)
    assert abs(found - clock) <= timedelta(seconds=90)
