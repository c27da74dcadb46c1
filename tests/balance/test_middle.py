"""The figures that the balance works out by itself are those of the standard library's `statistics`."""

import statistics

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdwater.ahead.haul import _within
from holdwater.balance.middle import median
from holdwater.balance.supply import _Z90, Use


@given(st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=9))
def test_the_median_is_that_of_the_standard_library(values: list[float]) -> None:
    """Of one value, of odd and even counts, in any order."""
    assert median(values) == statistics.median(values)


def test_of_no_values_there_is_no_median() -> None:
    """Said, not guessed."""
    with pytest.raises(ValueError, match="no values"):
        median([])


@given(st.floats(0.0, 40.0), st.floats(0.1, 5.0))
def test_the_chance_of_a_normal_use_is_that_of_the_standard_library(level: float, sd: float) -> None:
    """One day at mean 10, whatever the level and the spread."""
    assert _within(level, Use(10.0, sd), (1.0)) == pytest.approx(statistics.NormalDist(10.0, sd).cdf(level), abs=1e-12)


def test_the_ninety_per_cent_quantile_is_that_of_the_standard_library() -> None:
    """To the last bit that matters."""
    assert pytest.approx(statistics.NormalDist().inv_cdf(0.9), rel=1e-12) == _Z90
