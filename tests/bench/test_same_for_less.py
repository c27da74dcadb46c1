"""What was made quicker gives what it gave before."""

from __future__ import annotations

import sqlite3
import zlib
from contextlib import closing
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench import truerate
from holdwater_sensors.filter import Hampel, Window
from holdwater_sensors.quality import Grade, grade_of


@given(
    st.lists(st.tuples(st.integers(1, 5_000_000), st.floats(-10, 10).map(lambda depth: round(depth, 2))), max_size=40)
)
def test_a_glance_says_what_the_provisional_verdict_says(steps) -> None:
    """For any series, also with gaps longer than the window."""
    window, ts_ms = Window(floor=0.01), 0
    push, glance = Hampel(window), Hampel(window)
    for step_ms, value in steps:
        ts_ms += step_ms
        assert glance.glance(ts_ms, value) == push.push(ts_ms, value)[0]


def test_a_glance_refuses_what_is_not_later() -> None:
    """As `push` does."""
    hampel = Hampel(Window(floor=0.01))
    hampel.glance(1000, 1.0)
    with pytest.raises(ValueError, match="in order of time"):
        hampel.glance(1000, 1.0)


def test_every_code_has_its_grade_and_no_other_has_one() -> None:
    """The look-up knows what the enumeration knows."""
    assert [grade_of(each) for each in (0, 20, 100, 199, 200)] == [
        Grade.OK, Grade.OK, Grade.SUSPECT, Grade.SUSPECT, Grade.REJECTED,
    ]  # fmt: skip
    with pytest.raises(ValueError, match="3"):
        grade_of(300)


@pytest.mark.slow
def test_the_kept_memory_of_the_rules_fits_a_page_and_is_read_again(tmp_path: Path) -> None:
    """Six hours of the invented household, then another hour after a start on the same store."""
    truerate.ours(tmp_path, 0, 360, 60.0)
    truerate.ours(tmp_path, 360, 60, 60.0)
    with closing(sqlite3.connect(tmp_path / "store" / "store.db")) as database:
        (body,) = database.execute("SELECT body FROM model WHERE kind = 'alerts'").fetchone()
        (count,) = database.execute("SELECT count(*) FROM reading").fetchone()
    assert len(body) < 1000
    assert b'"heard":420' in zlib.decompress(body).replace(b"\\", b"")
    assert count == 420 * 8
