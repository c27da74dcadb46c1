"""Floats, load cells, pulses; the instrument that holds them; noise, stuck values, agreement."""

from __future__ import annotations

import math
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdwater_sensors.agree import Comparison, Liar, Quarrel, Third, compare, likelier_liar, unseen_expansion
from holdwater_sensors.bounds import FloatSwitch
from holdwater_sensors.calibrate import Correction
from holdwater_sensors.counter import Pulses
from holdwater_sensors.echo import Ultrasonic
from holdwater_sensors.instrument import NOT_FINITE, Depth, Dip, Instrument
from holdwater_sensors.noise import noise_sd
from holdwater_sensors.pressure import Hydrostatic
from holdwater_sensors.quality import OK, Grade, Reason, code
from holdwater_sensors.stuck import (
    DEAD_ZONE,
    DOUBLE_ECHO,
    STUCK,
    STUCK_FOR_SURE,
    WALL,
    Facts,
    Frozen,
    echo_quality,
    frozen_quality,
)
from holdwater_sensors.surroundings import Surroundings
from holdwater_sensors.water import density
from holdwater_sensors.weight import LoadCell

MINUTE = 60_000
HOUR = 60 * MINUTE


def _instrument(physics: object, **more: object) -> Instrument:
    return Instrument("x", "tank", "", "kind", "a:b", "m", physics, **more)  # type: ignore[arg-type]


# -- floats -------------------------------------------------------------------------------------------------------------


def test_float_switches_set_bounds() -> None:
    """Two switches: none lifted, one, both; a count beyond them counts as all."""
    pair = FloatSwitch((0.3, 1.0), band_m=0.02)
    assert pair.between(0) == (-math.inf, pytest.approx(0.32))
    assert pair.between(1) == (pytest.approx(0.28), pytest.approx(1.02))
    assert pair.between(2) == (pytest.approx(0.98), math.inf)
    assert pair.between(7) == pair.between(2)
    assert pair.between(-1) == pair.between(0)


def test_a_switch_that_opens_when_lifted_is_read_the_other_way() -> None:
    """closed_when_up = false."""
    single = FloatSwitch((0.5,), band_m=0.0, closed_when_up=False)
    assert single.between(0) == (0.5, math.inf)
    assert single.between(1) == (-math.inf, 0.5)


def test_a_level_contradicts_a_switch_only_beyond_its_doubt() -> None:
    """Twice the standard uncertainty."""
    single = FloatSwitch((0.5,), band_m=0.02)
    assert not single.contradicts(0, 0.53, 0.01)
    assert single.contradicts(0, 0.55, 0.01)
    assert single.contradicts(1, 0.45, 0.01)


# -- weight and pulses -----------------------------------------------------------------------------------------------------


def test_a_weight_becomes_a_volume() -> None:
    """A US gallon of water weighs 8.3304 lb at 20 degC: 100 of them on a 45 kg vessel, half carried by a fixed foot."""
    gallons_kg = 100 * 8.3304 * 0.45359237
    cell = LoadCell(empty_kg=45.0)
    volume_m3, u_m3 = cell.volume(45.0 + gallons_kg, Surroundings(water_c=20.0))
    assert volume_m3 == pytest.approx(100 * 0.003785411784, rel=1e-5)
    assert u_m3 == pytest.approx(2.5 / math.sqrt(3) / density(20))
    half = LoadCell(empty_kg=45.0, carried=0.5)
    assert half.volume(45.0 + gallons_kg / 2, Surroundings(water_c=20.0))[0] == pytest.approx(volume_m3)
    assert cell.volume(10.0, Surroundings())[0] == 0.0


class Barrel:
    """A vessel of half a square metre, one metre high."""

    height_m = 1.0

    def volume_m3(self, depth_m: float) -> float:
        return 0.5 * depth_m

    def depth_m(self, volume_m3: float) -> float:
        return volume_m3 / 0.5


def test_an_empty_vessel_on_its_cells_is_dry_and_its_share_of_doubt_is_nothing() -> None:
    """What is a share of no water is none; what the cells themselves leave in doubt stays."""
    depth_m, u_noise_m, u_scale_m, quality = LoadCell(empty_kg=45.0).under(Barrel()).measure(45.0, Surroundings())
    assert (depth_m, u_scale_m, quality) == (0.0, 0.0, OK)
    assert u_noise_m > 0


def test_cells_not_adjusted_at_the_site_weigh_with_its_gravity() -> None:
    """0.1 % less gravity shows 0.1 % less."""
    away = LoadCell(gravity=9.80665 * 0.999, set_here=False)
    assert away.volume(999.0, Surroundings(water_c=15.0))[0] == pytest.approx(1000 / density(15))
    assert away.volume(1000.0, Surroundings(water_c=15.0, gravity=9.80665))[0] == pytest.approx(1000 / density(15))


METER = Pulses(per_pulse=0.001, modulus=65_536, most_per_s=5.0)


def test_pulses_add_up_to_an_amount_with_its_doubt() -> None:
    """120 pulses of a litre; one pulse either end (triangular) and 2 % of the amount."""
    step = METER.step(100, 220, 60)
    assert step.amount == pytest.approx(0.120)
    assert step.u == pytest.approx(math.hypot(0.001 / math.sqrt(6), 0.12 * 0.02 / math.sqrt(3)))
    assert not step.reset
    assert not step.doubtful


def test_a_counter_that_rolled_over_is_told_from_one_that_started_again() -> None:
    """65,530 to 10 in a minute is 16 pulses; 40,000 to 10 in a minute is a restart: 10 pulses at least."""
    assert METER.step(65_530, 10, 60).amount == pytest.approx(0.016)
    restarted = METER.step(40_000, 10, 60)
    assert (restarted.amount, restarted.reset) == (pytest.approx(0.010), True)
    endless = Pulses(per_pulse=1.0)
    assert endless.step(50, 3, 60) == endless.step(0, 3, 60).__class__(3.0, endless.step(0, 3, 60).u, True, False)
    assert Pulses(per_pulse=1.0, modulus=256).step(250, 4, 60).amount == 10.0
    assert Pulses(per_pulse=1.0, modulus=256).step(100, 50, 60).reset


def test_more_pulses_than_the_meter_can_give_are_doubtful() -> None:
    """5 a second at most."""
    assert METER.step(0, 1000, 60).doubtful
    assert not METER.step(0, 301, 60).doubtful


@given(st.lists(st.integers(0, 400), min_size=1, max_size=30), st.integers(0, 65_535))
def test_a_rolling_counter_loses_nothing(pulses: list[int], start: int) -> None:
    """Any sequence of steps within what the meter gives in two minutes adds up."""
    total, before = 0.0, float(start)
    for count in pulses:
        now = float((before + count) % 65_536)
        step = METER.step(before, now, 120)
        assert not step.reset
        total += step.amount
        before = now
    assert total == pytest.approx(sum(pulses) * 0.001)


# -- the instrument ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_what_is_no_ordinary_number_has_no_depth(value: float) -> None:
    """For any physics."""
    assert _instrument(Hydrostatic(0.0)).depth(value, Surroundings()) == Depth(None, 0.0, 0.0, NOT_FINITE)


@pytest.mark.parametrize("physics", [FloatSwitch((0.5,)), LoadCell(), Pulses(1.0)])
def test_kinds_that_give_no_depth_say_none(physics: object) -> None:
    """Floats bound, cells weigh, pulses count."""
    instrument = _instrument(physics)
    assert not instrument.gives_depth
    assert instrument.depth(1.0, Surroundings()).depth_m is None


def test_a_dip_is_a_depth_or_the_empty_space_from_a_height() -> None:
    """Half an inch either way, uniform."""
    assert _instrument(Dip()).depth(0.5, Surroundings()) == Depth(0.5, 0.0127 / math.sqrt(3), 0.0, OK)
    assert _instrument(Dip(height_m=2.0)).depth(0.5, Surroundings()).depth_m == 1.5
    assert _instrument(Dip(height_m=2.0)).depth(2.01, Surroundings()).depth_m == 0.0
    assert _instrument(Dip(height_m=2.0)).depth(3.0, Surroundings()).quality == code(
        Grade.REJECTED, Reason.OUT_OF_RANGE
    )


def test_an_instrument_counts_between_its_dates() -> None:
    """from included, until not."""
    instrument = _instrument(Dip(), from_ms=100, until_ms=200)
    assert [instrument.counts_at(ts) for ts in (99, 100, 199, 200)] == [False, True, True, False]
    assert _instrument(Dip()).counts_at(0)


def test_a_calibration_counts_from_its_date_and_brings_its_own_doubt() -> None:
    """Before the first date nothing is corrected; a correction with its own doubt stands for the doubt of the mount."""
    later = Correction(1.1, 0.01, 0.001, 0.002, -0.5, from_ms=1000)
    latest = Correction(1.2, 0.0, from_ms=2000)
    instrument = _instrument(Hydrostatic(0.0, height_u_m=0.05, accuracy_pa=100), corrections=(later, latest))
    value, around = 10_000.0, Surroundings(water_c=15.0)
    raw, first, second = (instrument.depth(value, around, ts) for ts in (999, 1000, 2000))
    assert raw.depth_m is not None
    assert first.depth_m == pytest.approx(1.1 * raw.depth_m + 0.01)
    assert first.u_noise_m == pytest.approx(1.1 * raw.u_noise_m)
    assert first.u_scale_m == pytest.approx(later.apply(raw.depth_m)[1])
    assert second.depth_m == pytest.approx(1.2 * raw.depth_m)
    assert second.u_scale_m == pytest.approx(1.2 * raw.u_scale_m)
    assert raw.u_m == pytest.approx(math.hypot(raw.u_noise_m, raw.u_scale_m))


def test_a_correction_makes_no_depth_out_of_none_and_none_below_the_floor() -> None:
    """A rejected reading stays rejected."""
    instrument = _instrument(Ultrasonic(1.0), corrections=(Correction(1.0, -0.5),))
    assert instrument.depth(0.1, Surroundings(air_c=20.0)).depth_m is None
    assert instrument.depth(0.9, Surroundings(air_c=20.0)).depth_m == 0.0


@pytest.mark.parametrize("wrong", [85.0, -127.0, math.nan])
def test_a_broken_probe_is_as_good_as_none(wrong: float) -> None:
    """85 degC after power-up, -127 cut off: neither moves the level; the missing fact has its own doubt."""
    sonar = _instrument(Ultrasonic(2.0, expects_air=True))
    assert sonar.depth(1.0, Surroundings(air_c=wrong)) == sonar.depth(1.0, Surroundings())
    assert sonar.depth(1.0, Surroundings(air_c=wrong, water_c=8.0)) == sonar.depth(1.0, Surroundings(water_c=8.0))
    gauge = _instrument(Hydrostatic(0.0, reference="absolute"))
    assert gauge.depth(110_000.0, Surroundings(water_c=wrong)) == gauge.depth(110_000.0, Surroundings())
    for pressure_pa in (1013.25, 0.0, math.nan):  # hPa sent as Pa
        assert gauge.depth(110_000.0, Surroundings(pressure_pa=pressure_pa)) == gauge.depth(110_000.0, Surroundings())
    assert sonar.depth(1.0, Surroundings(air_c=20.0, rh=900.0)) == sonar.depth(1.0, Surroundings(air_c=20.0))


def test_a_diaphragm_in_freezing_shallow_water_is_doubted() -> None:
    """At 0 degC under 10 cm it may be caught in the ice; under 50 cm it is not."""
    gauge = _instrument(Hydrostatic(0.0))
    ice = Surroundings(water_c=0.0)
    assert gauge.depth(980.0, ice).quality == code(Grade.SUSPECT, Reason.ICE)
    assert gauge.depth(4_900.0, ice).quality == OK
    assert gauge.depth(980.0, Surroundings(water_c=4.0)).quality == OK


@given(st.floats(0.001, 0.05), st.floats(0, 0.05), st.floats(0, 0.05))
def test_known_noise_moves_the_rest_of_the_accuracy_to_the_part_that_cancels(a: float, b: float, noise: float) -> None:
    """The whole doubt never shrinks; the noise part is the noise."""
    known = Depth(1.0, a, b, OK).with_noise(noise)
    assert known.u_noise_m == noise
    assert known.u_m >= math.hypot(a, b) - 1e-12
    assert noise > a or known.u_m == pytest.approx(math.hypot(a, b))


# -- noise -------------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("sd", [0.001, 0.02])
def test_the_noise_of_a_series_is_found_whatever_its_trend_and_spikes(sd: float) -> None:
    """White noise on a fast fall with one spike in fifty: within 15 % of the truth (400 readings)."""
    dice = random.Random(3)
    points = [(at * MINUTE, 2.0 - 0.004 * at + dice.gauss(0, sd) + (0.5 if at % 50 == 7 else 0.0)) for at in range(400)]
    assert noise_sd(points) == pytest.approx(sd, rel=0.15)


def test_noise_is_never_under_the_doubt_of_a_count_and_needs_even_readings() -> None:
    """Steady quantised data: resolution / sqrt 12; too few, or unevenly spaced: nothing can be said."""
    steady = [(at * MINUTE, 1.0) for at in range(30)]
    assert noise_sd(steady, 0.01) == pytest.approx(0.01 / math.sqrt(12))
    assert noise_sd(steady[:9]) is None
    assert noise_sd([(at * at * MINUTE, 1.0) for at in range(4)] * 1) is None


# -- stuck and false echoes ----------------------------------------------------------------------------------------------------


def _frozen(values: list[float]) -> Frozen:
    frozen = Frozen(values[0], 0, 0)
    for at, value in enumerate(values[1:], 1):
        frozen = frozen.then(at * 10 * MINUTE, value, 0.0005)
    return frozen


def test_a_value_that_stands_while_water_moved_is_a_stuck_sensor() -> None:
    """The household noted a load of 20 cm; the sensor shows what it showed before."""
    frozen = _frozen([1.0] * 6)
    assert frozen_quality(frozen, 0.001, 3 * HOUR, Facts(moved_m=0.2, u_moved_m=0.01)) == STUCK_FOR_SURE
    assert frozen_quality(frozen, 0.001, 3 * HOUR, Facts(moved_m=0.02, u_moved_m=0.01)) == OK


def test_a_sensor_that_has_lost_its_noise_is_suspect() -> None:
    """Its noise spans a count, yet one count stood for the whole limit and ten readings; quiet coarse sensors may stand."""
    frozen = _frozen([1.0] * 20)
    assert frozen.span_ms == 190 * MINUTE
    assert frozen_quality(frozen, 0.001, 3 * HOUR, Facts(noise_m=0.002)) == STUCK
    assert frozen_quality(frozen, 0.001, 6 * HOUR, Facts(noise_m=0.002)) == OK
    assert frozen_quality(frozen, 0.01, 3 * HOUR, Facts(noise_m=0.002)) == OK
    assert frozen_quality(_frozen([1.0] * 18 + [1.1, 1.1]), 0.001, 3 * HOUR, Facts(noise_m=0.002)) == OK


def test_false_echoes_are_known_by_their_signs() -> None:
    """Minimum repeated, twice the distance, the wall nearer than any inflow explains."""
    gauge = Ultrasonic(3.0, dead_zone_m=0.25)
    assert echo_quality(0.25, 1.0, gauge) == DEAD_ZONE
    assert echo_quality(2.02, 1.0, gauge) == DOUBLE_ECHO
    assert echo_quality(0.80, 1.5, gauge, wall_gap_m=0.8) == WALL
    assert echo_quality(0.80, 0.82, gauge, wall_gap_m=0.8) == OK
    assert echo_quality(1.5, None, gauge) == OK
    assert echo_quality(1.4, 1.5, gauge) == OK


# -- agreement ---------------------------------------------------------------------------------------------------------------


def _depth(depth_m: float | None, u_m: float = 0.01) -> Depth:
    return Depth(depth_m, u_m, 0.0, OK)


def test_two_sensors_agree_within_their_doubt() -> None:
    """Three standard uncertainties of the difference."""
    assert compare(_depth(1.0), _depth(1.04)) == Comparison(
        pytest.approx(-0.04), pytest.approx(0.01 * math.sqrt(2)), True
    )
    far = compare(_depth(1.0), _depth(1.05))
    assert far is not None
    assert not far.agrees
    assert compare(_depth(None), _depth(1.0)) is None
    assert compare(_depth(1.0), _depth(None)) is None


def test_expansion_that_only_one_sees_is_no_quarrel() -> None:
    """Ten feet of water from 5 to 30 degC: 13 mm that a pressure sensor with a fixed density does not see."""
    expansion_m = unseen_expansion(3.048, 5.0, 30.0)
    assert expansion_m == pytest.approx(0.00434 * 3.048, rel=1e-2)
    sharp = _depth(3.048, 0.002), _depth(3.048 + expansion_m, 0.002)
    without, with_it = compare(*sharp), compare(*sharp, expansion_m)
    assert without is not None
    assert with_it is not None
    assert (without.agrees, with_it.agrees) == (False, True)


@pytest.mark.parametrize(
    ("third", "liar"),
    [
        (Third(), Liar(0, "")),
        (Third(dip=_depth(1.01)), Liar(2, "the hand dip")),
        (Third(dip=_depth(1.2)), Liar(0, "")),
        (Third(float_switch=FloatSwitch((1.2,)), float_value=1), Liar(1, "the float switch")),
        (Third(overflow_m=1.3), Liar(2, "the overflow")),
        (Third(overflow_m=1.4, running_over=True), Liar(1, "the overflow")),
        (Third(first_rate_m_s=1e-5, second_rate_m_s=1e-2, most_rate_m_s=1e-4), Liar(2, "how fast the tank can change")),
        (Third(dip=_depth(1.0), overflow_m=1.3), Liar(2, "the hand dip and the overflow")),
        (Third(dip=_depth(1.0), float_switch=FloatSwitch((1.2,)), float_value=1), Liar(0, "")),
    ],
)
def test_a_third_fact_names_the_likelier_liar(third: Third, liar: Liar) -> None:
    """First says 1.0 m, second 1.4 m: a fact counts when it speaks against one only; facts that contradict name nobody."""
    assert likelier_liar(_depth(1.0), _depth(1.4), third) == liar


def test_a_sensor_without_depth_is_not_called_a_liar_by_facts_about_depth() -> None:
    """It has said nothing."""
    assert likelier_liar(_depth(None), _depth(1.0), Third(float_switch=FloatSwitch((0.9,)), float_value=1)).which == 0
    assert likelier_liar(_depth(None), _depth(1.0), Third(overflow_m=0.5)) == Liar(2, "the overflow")


def test_only_a_lasting_disagreement_counts() -> None:
    """One comparison that agrees begins it anew."""
    quarrel, bad, good = Quarrel(), Comparison(0.1, 0.01, False), Comparison(0.0, 0.01, True)
    for at in range(5):
        quarrel = quarrel.then(at * HOUR, bad)
    assert quarrel.lasting(4 * HOUR)
    assert not quarrel.lasting(5 * HOUR)
    assert not quarrel.then(6 * HOUR, good).lasting(0)


def test_reasons_used_here_are_of_the_closed_list() -> None:
    """Codes keep grade and reason apart."""
    assert code(Grade.REJECTED, Reason.STUCK) == STUCK_FOR_SURE > STUCK > OK
