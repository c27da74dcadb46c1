"""The law of propagation of uncertainty with correlated inputs."""

from __future__ import annotations

import math
from statistics import mean

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdwater_sensors.doubt import combined

# JCGM 100:2008 annex H.2, simultaneous resistance and reactance (raw data from memory; they give the printed figures)
V = (5.007, 4.994, 5.005, 4.990, 4.999)
CURRENT = (0.019663, 0.019639, 0.019640, 0.019685, 0.019678)
PHI = (1.0456, 1.0438, 1.0468, 1.0428, 1.0433)


def _covariance(a: tuple[float, ...], b: tuple[float, ...]) -> float:
    """Of the means."""
    return sum((x - mean(a)) * (y - mean(b)) for x, y in zip(a, b, strict=True)) / (len(a) * (len(a) - 1))


def test_the_resistance_of_the_guide_is_met_with_its_correlations() -> None:
    """GUM H.2: R 127.732 (0.071), X 219.847 (0.295), Z 254.260 (0.236) ohm."""
    v, i, phi = mean(V), mean(CURRENT), mean(PHI)
    inputs = (V, CURRENT, PHI)
    u = [math.sqrt(_covariance(each, each)) for each in inputs]
    r = {(a, b): _covariance(inputs[a], inputs[b]) / (u[a] * u[b]) for a, b in ((0, 1), (0, 2), (1, 2))}
    z, cos, sin = v / i, math.cos(phi), math.sin(phi)
    assert (z * cos, z * sin, z) == pytest.approx((127.732, 219.847, 254.260), abs=5e-4)
    assert combined((cos / i, -z * cos / i, -z * sin), u, r) == pytest.approx(0.071, abs=5e-4)
    assert combined((sin / i, -z * sin / i, z * cos), u, r) == pytest.approx(0.2956, abs=1e-4)
    assert combined((1 / i, -z / i, 0.0), u, r) == pytest.approx(0.236, abs=5e-4)


def test_uncorrelated_parts_add_as_squares_and_not_in_a_line() -> None:
    """A rod of 20.0 +- 0.1 cm and 5.00 +- 0.01 mm: its volume to 0.640 %, not the 0.9 % of the linear sum."""
    relative = combined((1.0, 2.0), (0.1 / 20.0, 0.01 / 5.00), {})
    assert relative * 100 == pytest.approx(0.640, abs=5e-4)


def test_a_cylinder_of_the_course_notes_is_met() -> None:
    """r 15 +- 0.1 m, L 50 +- 0.5 m: 35342.917 m3, u 589.049 m3."""
    volume = math.pi * 15**2 * 50
    assert volume == pytest.approx(35342.917, abs=1e-3)
    assert combined((2 * volume / 15, volume / 50), (0.1, 0.5), {}) == pytest.approx(589.049, abs=1e-3)


def test_rounding_makes_no_negative_square() -> None:
    """Fully opposed parts cancel to zero."""
    assert combined((1.0, 1.0), (0.1, 0.1), {(0, 1): -1.0 - 1e-15}) == 0.0


@given(st.lists(st.tuples(st.floats(-5, 5), st.floats(0.01, 3)), min_size=2, max_size=2), st.floats(-0.99, 0.99))
def test_the_law_agrees_with_an_independent_package(parts: list[tuple[float, float]], r: float) -> None:
    """Two correlated inputs against PyPI uncertainties: 1e-6."""
    from uncertainties import correlated_values

    (ca, ua), (cb, ub) = parts
    a, b = correlated_values([1.0, 2.0], [[ua * ua, r * ua * ub], [r * ua * ub, ub * ub]])
    theirs = (ca * a + cb * b).std_dev
    assert combined((ca, cb), (ua, ub), {(0, 1): r}) == pytest.approx(theirs, rel=1e-6, abs=1e-9)
