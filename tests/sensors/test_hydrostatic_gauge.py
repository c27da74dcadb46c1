"""Pressure transmitters: gauge, absolute and sealed; current loop and ratiometric voltage."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdwater.units import M_PER_FT, PA_PER_PSI
from holdwater_sensors.pressure import Hydrostatic
from holdwater_sensors.quality import OK, Grade, Reason, code
from holdwater_sensors.signals import CurrentLoop, Ratiometric, Voltage
from holdwater_sensors.surroundings import Surroundings
from holdwater_sensors.water import density, gravity

FACTS = json.loads((Path(__file__).parents[1] / "reference" / "sensing-facts.json").read_text(encoding="utf-8"))
GAUGE = Hydrostatic(height_m=0.0, accuracy_pa=50.0)
COOL = Surroundings(water_c=15.0)


def test_two_metres_of_water_come_back_from_their_pressure() -> None:
    """19.5957 kPa at 15 degC under standard gravity, 19.5766 kPa at 40 deg latitude and 1500 m (computed rows)."""
    assert GAUGE.measure(19_595.7, COOL)[0] == pytest.approx(2.0, abs=1e-5)
    local = replace(GAUGE, gravity=gravity(40.0, 1500.0))
    assert local.measure(19_576.6, COOL)[0] == pytest.approx(2.0, abs=1e-5)
    assert GAUGE.measure(19_576.6, COOL._replace(gravity=gravity(40.0, 1500.0)))[0] == pytest.approx(2.0, abs=1e-5)


def test_the_rules_of_thumb_hold_at_their_temperatures() -> None:
    """0.433 psi per foot at 17.0 degC and 2.31 ft per psi at 18.2 degC."""
    at_17 = GAUGE.measure(0.433 * PA_PER_PSI, Surroundings(water_c=16.97))[0]
    assert at_17 == pytest.approx(M_PER_FT, rel=1e-5)
    at_18 = GAUGE.measure(PA_PER_PSI, Surroundings(water_c=18.24))[0]
    assert at_18 == pytest.approx(2.31 * M_PER_FT, rel=1e-5)


def test_water_taken_as_1000_kilograms_would_read_shallow() -> None:
    """0.180 % at 20 degC, 0.437 % at 30 degC."""
    for t_c, percent in ((20.0, 0.180), (30.0, 0.437)):
        true_m = GAUGE.measure(10_000.0, Surroundings(water_c=t_c))[0]
        assert true_m is not None
        assert (true_m / (10_000.0 / 9806.65) - 1) * 100 == pytest.approx(percent, abs=0.003)


def test_warming_a_closed_mass_shows_as_depth_only_through_its_density() -> None:
    """From 5 to 30 degC the surface rises by 0.434 %, the pressure does not: with the temperature the depth follows."""
    cold, warm = (GAUGE.measure(10_000.0, Surroundings(water_c=t))[0] for t in (5.0, 30.0))
    assert cold is not None
    assert warm is not None
    assert (warm / cold - 1) * 100 == pytest.approx(0.434, abs=0.002)


def test_below_the_diaphragm_the_tank_need_not_be_empty() -> None:
    """Zero pressure with the diaphragm 10 cm up: anything from 0 to 10 cm, suspect; on the floor it is empty and good."""
    hung = replace(GAUGE, height_m=0.1)
    depth_m, u_noise_m, _, quality = hung.measure(0.0, COOL)
    assert (depth_m, quality) == (pytest.approx(0.05), code(Grade.SUSPECT, Reason.BELOW_SENSOR))
    assert u_noise_m > 0.1 / math.sqrt(12)
    assert GAUGE.measure(-5.0, COOL)[::3] == (0.0, OK)
    assert hung.measure(2_000.0, COOL)[::3] == (pytest.approx(0.1 + 2000 / (density(15) * 9.80665)), OK)


def test_a_pressure_that_no_water_gives_is_refused() -> None:
    """Far below zero, or beyond the range."""
    assert GAUGE.measure(-5_000.0, COOL)[::3] == (None, code(Grade.REJECTED, Reason.OUT_OF_RANGE))
    ranged = replace(GAUGE, high_pa=20_000.0)
    assert ranged.measure(30_000.0, COOL)[0] is None
    assert ranged.measure(19_000.0, COOL)[3] == OK


def test_an_absolute_sensor_needs_the_air_pressure_of_the_site() -> None:
    """With a barometer the weather cancels; without one 30 hPa look like 306 mm, so it is suspect and its doubt grows."""
    absolute = replace(GAUGE, reference="absolute")
    with_barometer = absolute.measure(110_000.0, COOL._replace(pressure_pa=100_000.0))
    assert with_barometer[0] == pytest.approx(GAUGE.measure(10_000.0, COOL)[0])
    assert with_barometer[3] == OK
    blind = absolute.measure(110_000.0, COOL)
    assert blind[3] == code(Grade.SUSPECT, Reason.NO_BAROMETER)
    assert blind[1] > 0.08


def test_a_sealed_sensor_counts_from_the_pressure_sealed_in() -> None:
    """Sealed at 101.325 kPa, air at 95 kPa, 1 m of water: it shows 3.5 kPa only."""
    sealed = replace(GAUGE, reference="sealed", seal_pa=101_325.0)
    shown = 95_000.0 + density(15) * 9.80665 - 101_325.0
    assert sealed.measure(shown, COOL._replace(pressure_pa=95_000.0))[0] == pytest.approx(1.0)


def test_accuracy_is_of_the_range_and_drift_cancels_in_differences() -> None:
    """0.5 % of a 5 m range is 25 mm everywhere; drift, mount and density stand in the scale part."""
    gauge = Hydrostatic(height_m=0.0, accuracy_pa=0.005 * 5 * 9806.65, drift_pa=100.0, height_u_m=0.004)
    _, u_noise_m, u_scale_m, _ = gauge.measure(5_000.0, COOL)
    assert u_noise_m * math.sqrt(3) == pytest.approx(0.025, rel=2e-3)
    assert u_scale_m >= math.hypot(0.004, 100 / 9806.65 / math.sqrt(3))


def test_an_unknown_water_temperature_is_a_doubt_of_the_scale() -> None:
    """0.13 % of the depth."""
    known, unknown = (GAUGE.measure(20_000.0, s)[2] for s in (COOL, Surroundings()))
    assert unknown > known
    assert math.sqrt(unknown**2 - GAUGE.height_u_m**2) == pytest.approx(0.0013 * 2.04, rel=0.01)


@pytest.mark.parametrize(("current_a", "depth_m"), FACTS["loop_5m"]["rows"])
def test_the_current_of_a_loop_is_a_share_of_its_range(current_a: float, depth_m: float) -> None:
    """4 to 20 mA over 0 to 5 m."""
    assert CurrentLoop().share(current_a, None)[0] * 5 == pytest.approx(depth_m, abs=1e-12)


@pytest.mark.parametrize(
    ("milliamps", "grade"),
    [(0.0, 2), (3.59, 2), (3.6, 2), (3.61, 1), (3.79, 1), (3.8, 0), (4.0, 0), (20.0, 0), (20.5, 0),
     (20.51, 1), (20.99, 1), (21.0, 2), (22.0, 2)],
)  # fmt: skip
def test_the_bands_of_a_loop_are_those_of_namur(milliamps: float, grade: int) -> None:
    """NE 43: 3.8 to 20.5 mA measures, 3.6 and 21 mA tell a failure, between them neither; 0 mA is an open loop."""
    quality = CurrentLoop().share(milliamps / 1000, None)[1]
    assert quality // 100 == grade
    assert quality % 100 == (Reason.LOOP if grade else 0)


def test_a_failed_loop_gives_no_depth_and_a_doubtful_one_a_doubtful_depth() -> None:
    """The quality of the signal is the least quality of the depth."""
    gauge = Hydrostatic(0.0, signal=CurrentLoop(), high_pa=50_000.0, accuracy_pa=250.0)
    assert gauge.measure(0.0, COOL)[::3] == (None, code(Grade.REJECTED, Reason.LOOP))
    depth_m, _, _, quality = gauge.measure(0.0207, COOL)
    assert (quality, depth_m is not None) == (code(Grade.SUSPECT, Reason.LOOP), True)
    assert gauge.measure(0.012, COOL)[0] == pytest.approx(25_000 / (density(15) * 9.80665))


@pytest.mark.parametrize(("signal_v", "share"), FACTS["ratiometric_100psi"]["rows"])
def test_a_ratiometric_signal_is_a_share_of_its_supply(signal_v: float, share: float) -> None:
    """0.5 V 0, 2.5 V 50, 4.5 V 100 psi at 5 V."""
    assert Ratiometric().share(signal_v, 5.0) == (pytest.approx(share), OK)


@pytest.mark.parametrize(("of_supply", "error"), FACTS["ratiometric_supply"]["rows"])
def test_measuring_the_supply_takes_out_its_error(of_supply: float, error: float) -> None:
    """4.9 V read as 5 V: -0.25 % of the range at zero, -1.25 % at the middle, -2.25 % at full scale."""
    signal_v = of_supply * 4.9
    true_share = (of_supply - 0.1) / 0.8
    assert Ratiometric().share(signal_v, 4.9)[0] == pytest.approx(true_share)
    assert Ratiometric().share(signal_v, 5.0)[0] - true_share == pytest.approx(error, abs=1e-9)


def test_faults_of_supply_and_signal_are_told_apart() -> None:
    """Outside 0.25 to 4.75 V of 5 V: fault; supply off by over 10 %, or expected and silent: doubt; none at all: refused."""
    part = Ratiometric(supply_measured=True)
    assert part.share(0.2, 5.0)[1] == code(Grade.REJECTED, Reason.OUT_OF_RANGE)
    assert part.share(4.8, 5.0)[1] == code(Grade.REJECTED, Reason.OUT_OF_RANGE)
    assert part.share(2.0, 4.4)[1] == code(Grade.SUSPECT, Reason.SUPPLY)
    assert part.share(2.5, None) == (pytest.approx(0.5), code(Grade.SUSPECT, Reason.SUPPLY))
    assert part.share(2.5, 0.0)[1] == code(Grade.REJECTED, Reason.SUPPLY)
    assert Ratiometric().share(2.5, None) == (pytest.approx(0.5), OK)


def test_a_fixed_voltage_span_is_read_with_a_margin() -> None:
    """1 to 5 V: the span factor is 4; below 0.8 V or above 5.2 V it is a fault."""
    part = Voltage(1.0, 5.0)
    assert part.share(3.0, None) == (pytest.approx(0.5), OK)
    assert part.share(0.79, None)[1] == code(Grade.REJECTED, Reason.OUT_OF_RANGE)
    assert part.share(0.81, None)[1] == OK


@given(st.floats(0, 50_000), st.floats(0, 40), st.floats(9.77, 9.84))
def test_the_depth_gives_back_its_pressure(pressure_pa: float, water_c: float, g: float) -> None:
    """rho g h with independent density (IAPWS formula by Tanaka is checked elsewhere): inverts to 1e-12."""
    depth_m = GAUGE.measure(pressure_pa, Surroundings(water_c=water_c, gravity=g))[0]
    assert depth_m is not None
    assert depth_m * density(water_c) * g == pytest.approx(pressure_pa, rel=1e-12, abs=1e-9)
