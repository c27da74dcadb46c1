"""Density, gravity, air pressure and their rules of thumb: every row of the table that this package answers for."""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdwater.units import M3_PER_GAL, M_PER_FT, PA_PER_PSI, UNITS
from holdwater_sensors.air import standard_pressure
from holdwater_sensors.water import STANDARD_GRAVITY, density, expansion, gravity

ROWS = list(csv.DictReader((Path(__file__).parents[1] / "reference" / "water-properties.csv").open(encoding="utf-8")))
LB = 0.45359237
G = STANDARD_GRAVITY
Row = dict[str, str]


def _geopotential(text: str) -> float:
    # "H=" is geopotential, "z=" geometric; our function takes the height on the map
    height_m = float(text.split("=")[1].split("m", maxsplit=1)[0])
    return 6_356_766.0 * height_m / (6_356_766.0 - height_m) if text.startswith("H") else height_m


def _psi_per_ft(row: Row) -> float:
    return density(float(row["t_c"] or 17.0)) * G * M_PER_FT / PA_PER_PSI


def _pressure(name: str) -> Callable[[Row], float]:
    return lambda _: UNITS[f"pressure:{name}"].scale


OURS: dict[str, Callable[[Row], float]] = {
    "density_air_free_water": lambda row: density(float(row["t_c"])),
    "density_air_free_water_published": lambda row: density(float(row["t_c"])),
    "density_kell1975": lambda row: density(float(row["t_c"])),
    "density_kell1975_wrong_denominator": lambda row: density(float(row["t_c"])),
    "density_iapws95": lambda row: density(float(row["t_c"])),
    "density_air_saturated_water": lambda row: density(float(row["t_c"])),
    "temperature_of_max_density": lambda row: density(float(row["t_c"])),
    "density_lb_ft3": lambda row: density(float(row["t_c"])) * M_PER_FT**3 / LB,
    "weight_per_us_gallon": lambda row: density(float(row["t_c"])) * M3_PER_GAL / LB,
    "weight_per_us_gallon_rule": lambda _: density(13.2) * M3_PER_GAL / LB,
    "us_gal_per_ft3": lambda _: M_PER_FT**3 / M3_PER_GAL,
    "us_gal": lambda _: M3_PER_GAL * 1000,
    "psi_per_ft": _psi_per_ft,
    "psi_per_ft_rule": _psi_per_ft,
    "ft_per_psi": lambda row: 1 / _psi_per_ft(row),
    "ft_per_psi_rule": lambda row: 1 / _psi_per_ft(row),
    "kpa_per_m": lambda row: density(float(row["t_c"])) * G / 1000,
    "psi_per_ft_rule_matches_density_at": lambda row: density(float(row["t_c"])),
    "ft_per_psi_rule_matches_density_at": lambda row: density(float(row["t_c"])),
    "lb_gal_rule_matches_density_at": lambda row: density(float(row["t_c"])),
    "head_ten_feet": lambda row: 10 * _psi_per_ft(row),
    "head_105ft": lambda row: 105 * _psi_per_ft(row),
    "head_130ft": lambda row: 130 * _psi_per_ft(row),
    "conv_ftH2O_conventional": _pressure("ftH2O"),
    "conv_psi": _pressure("psi"),
    "conv_inHg_32F": _pressure("inHg"),
    "atm_as_water_column": lambda _: 101_325 / (density(20) * G),
    "baro_1hPa_as_water": lambda _: 100 / (density(20) * G) * 1000,
    "baro_1inHg_as_water": lambda _: UNITS["pressure:inHg"].scale / (density(20) * G),
    "baro_30hPa_swing_as_water": lambda _: 3000 / (density(20) * G) * 1000,
    "normal_gravity_h0": lambda row: gravity(float(row["t_c"].split("=")[1])),
    "gravity_lat45": lambda row: gravity(45.0, float(row["t_c"][2:-1])),
    "standard_gravity": lambda _: gravity(None),
    "gravity_effect_equator_vs_pole": lambda _: (gravity(90.0) / gravity(0.0) - 1) * 100,
    "isa_pressure": lambda row: standard_pressure(_geopotential(row["t_c"].split(" ")[0])) / 100,
    "std_pressure": lambda row: standard_pressure(float(row["t_c"][2:-2]) * M_PER_FT) / PA_PER_PSI,
    "volume_change_5_to_30C": lambda _: expansion(5.0, 30.0) * 100,
    "thermal_expansion_water": lambda row: _slope(float(row["t_c"])) * 1e6,
    "level_error_fixed_1000": lambda row: (1 - density(float(row["t_c"])) / 1000) * 100,
    "pressure_2m_15C": lambda _: 2 * density(15) * G / 1000,
    "pressure_2m_15C_lat40_1500m": lambda _: 2 * density(15) * gravity(40.0, 1500.0) / 1000,
}
# Rows about ice, heat, mercury, other gallons and columns at other temperatures: nothing here computes them.
NOT_OURS = {
    "atm", "imp_gal_per_ft3", "mercury_density", "ice_density", "ice_density_published", "expansion_on_freezing",
    "expansion_on_freezing_pct", "latent_heat_of_fusion", "latent_heat_of_fusion_btu", "specific_heat_water",
    "specific_heat_ice", "conv_ftH2O_39.2F", "conv_inH2O_39.2F", "conv_inH2O_60F", "conv_inHg_60F", "conv_mmHg",
}  # fmt: skip
# Between two formulas for one thing the row's own tolerance may be too fine; their differences are known.
WIDER = {
    "density_iapws95": 1.2e-3,  # Tanaka 2001 against IAPWS-95, up to 40 degC
    "density_air_saturated_water": 5e-3,  # dissolved air makes water lighter by up to 4.6 g/m3
    "conv_inHg_32F": 0.05,  # the conventional inch is 3386.389 Pa
}


def _slope(t_c: float) -> float:
    # one-sided at 0 degC, where the formula ends
    low, high = max(t_c - 0.05, 0.0), min(t_c + 0.05, 40.0)
    return (density(low) / density(high) - 1) / (high - low)


def _place(row: Row) -> Row:
    # in gravity and atmosphere rows the place stands in column t_c or p
    return row if row["t_c"] else {**row, "t_c": row["p"]}


def _within(row: Row) -> tuple[float, float]:
    kind, size = row["tolerance"].split(":")
    value = float(row["value"])
    allowed = float(size) * (abs(value) if kind == "rel" else 1)
    return value, max(allowed, WIDER.get(row["quantity"], 0.0))


def test_every_row_is_either_checked_or_listed_as_not_ours() -> None:
    """No row of the table is passed over in silence."""
    names = {row["quantity"] for row in ROWS if row["quantity"] != "quantity"}
    assert names == OURS.keys() | NOT_OURS


@pytest.mark.parametrize("name", sorted(OURS))
def test_rows_of_the_table_are_met(name: str) -> None:
    """Tanaka 2001, IAPWS-95, WGS84, ISO 2533, trade rules: each within the tolerance of its row."""
    for row in (each for each in ROWS if each["quantity"] == name and each["tolerance"] != "unreproduced"):
        value, allowed = _within(row)
        keyed = _place(row) if name in {"normal_gravity_h0", "gravity_lat45", "isa_pressure", "std_pressure"} else row
        assert abs(OURS[name](keyed) - value) <= allowed, row


def test_published_numbers_that_are_wrong_are_not_met() -> None:
    """A density with transposed digits (0.27 kg/m3 off) and a pressure at 4,000 ft (0.01 psi off)."""
    wrong = [row for row in ROWS if row["tolerance"] == "unreproduced"]
    assert len(wrong) == 2
    for row in wrong:
        assert abs(OURS[row["quantity"]](_place(row)) - float(row["value"])) > 0.005


@pytest.mark.slow
@given(st.floats(0, 40))
def test_density_agrees_with_the_international_formulation(t_c: float) -> None:
    """IAPWS-95 at one atmosphere (PyPI iapws): 0.0015 kg/m3."""
    from iapws import IAPWS95

    assert density(t_c) == pytest.approx(IAPWS95(T=t_c + 273.15, P=0.101325).rho, abs=0.0015)


def test_beyond_liquid_water_the_nearer_end_is_taken() -> None:
    """A probe in ice or in the sun says nothing about the density of the column."""
    assert density(-10.0) == density(0.0)
    assert density(80.0) == density(40.0)


def test_gravity_falls_with_height_even_where_the_latitude_is_not_known() -> None:
    """1500 m take 0.047 % (free air)."""
    assert gravity(None, 1500.0) / gravity(None) - 1 == pytest.approx(-4.7e-4, abs=2e-5)
