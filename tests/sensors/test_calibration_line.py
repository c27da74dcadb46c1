"""The calibration line against certified and published fits."""

from __future__ import annotations

import json
import math
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdwater_sensors.calibrate import Correction, FitError, line, line_through_zero

FACTS = json.loads((Path(__file__).parents[1] / "reference" / "sensing-facts.json").read_text(encoding="utf-8"))


def test_the_certified_fit_of_an_ozone_monitor_is_met_to_ten_digits() -> None:
    """NIST StRD Norris: intercept, slope, their standard deviations and the residual one."""
    norris = FACTS["norris"]
    fit = line([(x, y) for x, y in norris["points"]])
    for name in ("gain", "offset", "u_gain", "u_offset", "residual_sd"):
        assert getattr(fit, name) == pytest.approx(norris[name], rel=1e-10), name


def test_the_certified_line_through_zero_is_met() -> None:
    """NIST StRD NoInt2."""
    noint2 = FACTS["noint2"]
    fit = line_through_zero([(x, y) for x, y in noint2["points"]])
    assert fit.gain == pytest.approx(noint2["gain"], rel=1e-12)
    assert fit.u_gain == pytest.approx(noint2["u_gain"], rel=1e-12)


def test_the_thermometer_of_the_guide_is_met_with_its_correlation() -> None:
    """JCGM 100:2008 H.3: coefficients, uncertainties, r, and the prediction at 30 degC."""
    h3 = FACTS["gum_h3"]
    fit = line([(t - 20, b) for t, b in zip(h3["t"], h3["b"], strict=True)])
    assert fit.offset == pytest.approx(h3["offset"], abs=5e-5)
    assert fit.u_offset == pytest.approx(h3["u_offset"], abs=5e-5)
    assert fit.gain == pytest.approx(h3["gain"], abs=5e-6)
    assert fit.u_gain == pytest.approx(h3["u_gain"], abs=5e-6)
    assert fit.correlation == pytest.approx(h3["r"], abs=5e-4)
    assert fit.residual_sd == pytest.approx(h3["s"], abs=5e-5)
    at_30, u_at_30 = fit.predict(10.0)
    assert at_30 == pytest.approx(h3["at_30"], abs=5e-5)
    assert u_at_30 == pytest.approx(h3["u_at_30"], abs=5e-5)


def test_without_the_correlation_the_doubt_would_be_wrong() -> None:
    """The same prediction without r gives 0.0073 instead of 0.0041: a correction carries its correlation."""
    h3 = FACTS["gum_h3"]
    fit = line([(t - 20, b) for t, b in zip(h3["t"], h3["b"], strict=True)])
    with_r = Correction(fit.gain, fit.offset, fit.u_gain, fit.u_offset, fit.correlation).apply(10.0)
    without_r = Correction(fit.gain, fit.offset, fit.u_gain, fit.u_offset).apply(10.0)
    assert with_r == fit.predict(10.0)
    assert without_r[1] == pytest.approx(h3["u_without_r"], abs=5e-5)


def test_one_point_gives_an_offset_and_its_own_doubt() -> None:
    """A single dip says nothing of the gain."""
    fit = line([(0.50, 0.52)], u_point=0.006)
    assert (fit.gain, fit.u_gain, fit.u_offset, fit.n) == (1.0, 0.0, 0.006, 1)
    assert fit.offset == pytest.approx(0.02)


def test_two_points_are_met_exactly_and_their_doubt_comes_from_the_dips() -> None:
    """gain = (y2 - y1) / (x2 - x1), offset = y1 - gain x1; the doubt of a point at one end is that of the dip."""
    fit = line([(0.2, 0.21), (1.2, 1.25)], u_point=0.005)
    assert fit.gain == pytest.approx(1.04)
    assert fit.offset == pytest.approx(0.21 - 1.04 * 0.2)
    assert fit.predict(0.2)[1] == pytest.approx(0.005)
    assert fit.residual_sd == 0.0


def test_points_that_lie_in_a_row_by_luck_do_not_make_a_perfect_sensor() -> None:
    """The doubt of a point is the least that is believed of the residuals."""
    lucky = line([(0.0, 0.0), (0.5, 0.5), (1.0, 1.0)], u_point=0.005)
    assert lucky.u_offset > 0.004


@pytest.mark.parametrize("points", [[], [(0.5, 0.5), (0.5, 0.6)]])
def test_points_without_a_line_are_refused_with_words(points: list[tuple[float, float]]) -> None:
    """No points, or all at one measured value."""
    with pytest.raises(FitError, match="points"):
        line(points)


def test_a_line_through_zero_needs_a_point_away_from_it() -> None:
    """All points at zero say nothing; one point away from it is enough."""
    with pytest.raises(FitError):
        line_through_zero([(0.0, 0.1)])
    assert line_through_zero([(2.0, 3.0)]).gain == 1.5


@given(st.lists(st.tuples(st.floats(0, 3), st.floats(-0.05, 0.05)), min_size=3, max_size=20))
def test_the_line_agrees_with_a_general_least_squares_solver(points: list[tuple[float, float]]) -> None:
    """Random points against numpy.polyfit with its covariance: 1e-6 of the values."""
    import numpy as np

    xs = np.array([x for x, _ in points])
    if np.ptp(xs) < 0.1:
        return
    ys = 0.98 * xs + 0.03 + np.array([e for _, e in points])
    fit = line(list(zip(xs.tolist(), ys.tolist(), strict=True)))
    design = np.column_stack([xs, np.ones_like(xs)])
    gain, offset = np.linalg.lstsq(design, ys, rcond=None)[0]
    assert fit.gain == pytest.approx(gain, rel=1e-6, abs=1e-8)
    assert fit.offset == pytest.approx(offset, rel=1e-6, abs=1e-8)
    covariance = np.linalg.inv(design.T @ design) * fit.residual_sd**2
    assert fit.u_gain == pytest.approx(math.sqrt(covariance[0, 0]), rel=1e-5, abs=1e-9)
    assert fit.u_offset == pytest.approx(math.sqrt(covariance[1, 1]), rel=1e-5, abs=1e-9)


@given(st.floats(0, 3))
def test_the_doubt_of_a_correction_agrees_with_general_error_propagation(depth_m: float) -> None:
    """Correlated gain and offset against PyPI uncertainties: 1e-9."""
    from uncertainties import correlated_values

    covariance = [[0.01**2, -0.9 * 0.01 * 0.02], [-0.9 * 0.01 * 0.02, 0.02**2]]
    gain, offset = correlated_values([1.02, -0.03], covariance)
    theirs = gain * depth_m + offset
    value, u = Correction(1.02, -0.03, 0.01, 0.02, -0.9).apply(depth_m)
    assert value == pytest.approx(theirs.nominal_value, abs=1e-12)
    assert u == pytest.approx(theirs.std_dev, rel=1e-6, abs=1e-12)
