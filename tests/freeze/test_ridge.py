"""The regression learned night by night is the ridge regression of all nights, and never breaks."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from holdwater.freeze.regression import ridge, solve

NUMBERS = st.floats(-5, 5)
NIGHTS = st.lists(st.tuples(NUMBERS, NUMBERS, NUMBERS), min_size=1, max_size=40)


@settings(max_examples=60, deadline=None)
@given(NIGHTS)
def test_learning_one_by_one_is_the_regression_of_all(nights: list[tuple[float, float, float]]) -> None:
    """Without forgetting it equals the closed form of ridge regression (NumPy)."""
    prior, trust = np.array([1.0, -2.0]), 1.5
    model = ridge(tuple(prior), trust)
    for first, second, answer in nights:
        model = model.learn((first, second), answer)
    inputs = np.array([night[:2] for night in nights])
    answers = np.array([night[2] for night in nights])
    exact = np.linalg.solve(inputs.T @ inputs + trust * np.eye(2), inputs.T @ answers + trust * prior)
    assert model.coefficients == pytest.approx(exact, rel=1e-6, abs=1e-6)


@settings(max_examples=20, deadline=None)
@given(st.floats(-5, 5), st.floats(0.9, 1.0))
def test_the_same_night_for_years_neither_winds_up_nor_forgets_the_prior(value: float, keep: float) -> None:
    """One input never moves: its coefficient stays at the prior, and all numbers stay finite."""
    model = ridge((0.5, 3.0), 2.0)
    for _ in range(700):
        model = model.learn((1.0, 0.0), value, keep=keep)
    assert model.coefficients[1] == pytest.approx(3.0)
    assert all(map(math.isfinite, model.coefficients))
    assert model.predict((1.0, 0.0)) == pytest.approx(value, abs=0.21 * abs(value - 0.5) + 1e-9)


def test_it_follows_a_change_of_the_world() -> None:
    """After as many nights of a new kind the forgetting model has come over, the other is half way."""
    forgetting, remembering = ridge((0.0,), 1.0), ridge((0.0,), 1.0)
    for answer in [1.0] * 300 + [-1.0] * 300:
        forgetting = forgetting.learn((1.0,), answer, keep=0.98)
        remembering = remembering.learn((1.0,), answer)
    assert forgetting.predict((1.0,)) < -0.9
    assert abs(remembering.predict((1.0,))) < 0.1


def test_a_matrix_that_is_not_positive_definite_is_refused() -> None:
    """Cholesky says so instead of taking the root of a negative number."""
    with pytest.raises(ValueError, match="not positive definite"):
        solve([[1.0, 2.0], [2.0, 1.0]], [0.0, 0.0])
