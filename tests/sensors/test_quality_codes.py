"""Quality codes: closed, stored as small integers, worst is the largest."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdwater_sensors.quality import OK, WORDS, Grade, Reason, code, grade_of, reason_of, words

NUMBERS = {
    "NONE": 0, "SPIKE": 1, "STUCK": 2, "DEAD_ZONE": 3, "DOUBLE_ECHO": 4, "OUT_OF_RANGE": 5, "BELOW_SENSOR": 6, "WALL": 7,
    "ICE": 8, "LOOP": 9, "SUPPLY": 10, "DISAGREES": 11, "FUTURE": 12, "NOT_FINITE": 13, "NO_AIR": 14, "NO_BAROMETER": 15,
    "EXTRAPOLATED": 16, "TOO_FAST": 17, "FLOAT": 18, "LINK": 19, "ABOVE_OVERFLOW": 20,
}  # fmt: skip


def test_stored_numbers_never_change_their_meaning() -> None:
    """Stores of years ago hold them; new reasons are appended."""
    assert {name: Reason[name].value for name in NUMBERS} == NUMBERS


@given(st.sampled_from(Grade), st.sampled_from(Reason))
def test_a_code_holds_grade_and_reason(grade: Grade, reason: Reason) -> None:
    """Both come back, and a worse grade is the larger code whatever the reason."""
    quality = code(grade, reason)
    assert (grade_of(quality), reason_of(quality)) == (grade, reason)
    assert all(code(worse) > quality for worse in Grade if worse > grade)


def test_every_reason_has_words() -> None:
    """ok, or grade and reason."""
    assert words(OK) == "ok"
    assert words(code(Grade.SUSPECT, Reason.STUCK)) == "suspect: stuck at one value"
    assert WORDS.keys() == set(Reason)


def test_a_code_of_no_grade_is_refused_by_name() -> None:
    """A store that was written by a later version must not be read as something else."""
    with pytest.raises(ValueError, match="is not a valid Grade"):
        words(7700)
