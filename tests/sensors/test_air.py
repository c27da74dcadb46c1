"""Speed of sound and air pressure against published and independently computed values."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdwater_sensors.air import dry_sound_speed, sound_speed, standard_pressure, vapour_fraction

ROWS = list(csv.DictReader((Path(__file__).parents[1] / "reference" / "sound-speed.csv").open(encoding="utf-8")))


def _rows(*words: str) -> list[dict[str, str]]:
    found = [row for row in ROWS if any(word in row["source"] for word in words)]
    assert found
    return found


def _ours(row: dict[str, str]) -> float:
    return sound_speed(float(row["t_c"]), float(row["rh"]), float(row["p_kpa"]) * 1000)


def test_every_row_of_the_same_model_is_met_to_a_fiftieth_of_a_metre_a_second() -> None:
    """Cramer 1993, J. Acoust. Soc. Am. 93, 2510, evaluated independently: 23 rows, 0.02 m/s."""
    rows = _rows("Cramer 1993")
    assert len(rows) >= 23
    for row in rows:
        assert _ours(row) == pytest.approx(float(row["speed_m_s"]), abs=0.02), row


def test_every_row_of_another_model_is_met_within_the_tolerance_between_models() -> None:
    """CoolProp 8.0.0 dry and humid air from -30 to 50 degC, and the worked cases: 0.16 m/s."""
    rows = _rows("via PyPI CoolProp", "Size of the humidity effect", "WORKED")
    assert len(rows) >= 60
    worst = max(abs(_ours(row) - float(row["speed_m_s"])) for row in rows)
    assert worst <= 0.16


def test_within_the_range_of_the_paper_models_differ_by_less_than_a_twentieth() -> None:
    """0 to 30 degC, 0 to 100 % humidity: 0.04 m/s (stated with the sixteen coefficients)."""
    rows = [row for row in _rows("via PyPI CoolProp") if 0 <= float(row["t_c"]) <= 30]
    assert all(abs(_ours(row) - float(row["speed_m_s"])) <= 0.04 for row in rows)


def test_the_root_form_of_the_standard_is_met_to_its_last_place() -> None:
    """ISO 9613-1:1993, c = 343.2 sqrt(T / 293.15 K): 17 rows."""
    for row in _rows("ISO 9613-1"):
        assert dry_sound_speed(float(row["t_c"])) == pytest.approx(float(row["speed_m_s"]), abs=0.0006)


def test_published_figures_that_are_wrong_are_not_met() -> None:
    """Two published figures (1085.1 ft/s at 0 degC) are 0.21 % low: no right formula may give them."""
    for row in _rows("unreproduced"):
        assert abs(_ours(row) - float(row["speed_m_s"])) > 0.5


def test_published_dry_air_figures_are_met_within_their_own_rounding() -> None:
    """Encyclopedia figures at 0, 20, 21 and 25 degC differ from real air by under 0.1 m/s."""
    for row in _rows("Encyclopedia snapshot", "Chemistry encyclopedia page"):
        assert _ours(row) == pytest.approx(float(row["speed_m_s"]), abs=0.1)


def test_saturated_air_is_faster_by_the_published_share() -> None:
    """+0.10 % at 0, 0.19 at 10, 0.36 at 20, 0.66 % at 30 degC (CoolProp 8.0.0)."""
    for t_c, percent in ((0, 0.10), (10, 0.19), (20, 0.36), (30, 0.66)):
        share = sound_speed(t_c, 100.0) / sound_speed(t_c, 0.0) - 1
        assert share * 100 == pytest.approx(percent, abs=0.01)


def test_saturated_air_depends_on_pressure_and_dry_air_hardly() -> None:
    """Dry under 0.02 % from 70 to 105 kPa at 20 degC; saturated +0.09 % at 80 kPa, +0.16 % at 70 kPa (CoolProp)."""
    assert abs(sound_speed(20, 0, 70_000) / sound_speed(20, 0, 105_000) - 1) < 2e-4
    assert sound_speed(20, 100, 80_000) / sound_speed(20, 100) - 1 == pytest.approx(9e-4, abs=1e-4)
    assert sound_speed(20, 100, 70_000) / sound_speed(20, 100) - 1 == pytest.approx(1.6e-3, abs=1e-4)


@pytest.mark.slow
def test_vapour_fraction_at_20_degrees_saturated_is_the_tabulated_vapour_pressure() -> None:
    """Saturation pressure of water at 20 degC is 2339 Pa (IAPWS-95 via iapws); the enhancement factor adds 0.4 %."""
    from iapws import IAPWS95

    saturation_pa = IAPWS95(T=293.15, x=0).P * 1e6
    assert vapour_fraction(20.0, 100.0) == pytest.approx(1.004 * saturation_pa / 101_325, rel=1e-3)


@pytest.mark.slow
@given(st.floats(-30, 45), st.floats(0, 100), st.floats(70, 105))
def test_the_speed_agrees_with_an_equation_of_state_anywhere_in_the_range(t_c: float, rh: float, p_kpa: float) -> None:
    """Random air against CoolProp's humid air (HAPropsSI): 0.16 m/s between models."""
    coolprop = pytest.importorskip("CoolProp.CoolProp", reason="CoolProp has no wheel for ARM")
    theirs = coolprop.HAPropsSI("speed_of_sound", "T", t_c + 273.15, "P", p_kpa * 1000, "R", rh / 100)
    assert sound_speed(t_c, rh, p_kpa * 1000) == pytest.approx(theirs, abs=0.16)


@given(st.floats(-500, 5000))
def test_air_pressure_agrees_with_the_standard_atmosphere(elevation_m: float) -> None:
    """US Standard Atmosphere 1976 by PyPI fluids, geometric altitude: 1e-4."""
    from fluids.atmosphere import ATMOSPHERE_1976

    assert standard_pressure(elevation_m) == pytest.approx(ATMOSPHERE_1976(elevation_m).P, rel=1e-4)


def test_one_degree_moves_a_distance_by_a_sixth_of_a_percent() -> None:
    """Near 20 degC: 0.170 %, 2.56 mm in 1.500 m (root of the absolute temperature)."""
    assert (dry_sound_speed(20.5) / dry_sound_speed(19.5) - 1) * 1500 == pytest.approx(2.56, abs=0.01)
    assert math.isclose(343.2 / 40_000 * 1000, 8.58)
