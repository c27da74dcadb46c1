"""The table of states, and one run of readings through it."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdwater.alerts.matter import Run, Severity, Timing, advance
from holdwater.alerts.states import TABLE, Event, State, Verdict, above, below

MIN = 60_000
TIMING = Timing(raise_after_ms=10 * MIN, clear_after_ms=30 * MIN, stale_ms=60 * MIN)
B, M, K, U = Verdict.BEYOND, Verdict.BETWEEN, Verdict.BACK, Verdict.UNKNOWN


def play(verdicts: list[tuple[int, Verdict]], timing: Timing = TIMING, start: Run | None = None) -> Run:
    run = start or Run()
    for minute, verdict in verdicts:
        run = advance(run, verdict, minute * MIN, timing)
    return run


def test_table_answers_every_state_and_event() -> None:
    """No pair of state and event is left out."""
    assert set(TABLE) == {(state, event) for state in State for event in Event}


def test_table_moves_only_where_the_specification_says() -> None:
    """Seven pairs change the state; every other pair keeps it."""
    moves = {pair: after for pair, after in TABLE.items() if after is not pair[0]}
    assert moves == {
        (State.CLEAR, Event.BEYOND): State.WATCHING,
        (State.WATCHING, Event.BETWEEN): State.CLEAR,
        (State.WATCHING, Event.BACK): State.CLEAR,
        (State.WATCHING, Event.RAISE_DUE): State.ACTIVE,
        (State.ACTIVE, Event.BACK): State.EASING,
        (State.EASING, Event.BEYOND): State.ACTIVE,
        (State.EASING, Event.BETWEEN): State.ACTIVE,
        (State.EASING, Event.CLEAR_DUE): State.CLEAR,
    }


ACTIVE = [(0, B), (10, B)]
STORIES: list[tuple[str, list[tuple[int, Verdict]], State]] = [
    ("nothing has come", [], State.CLEAR),
    ("one reading beyond is watched", [(0, B)], State.WATCHING),
    ("one minute short of the duration is still watched", [(0, B), (9, B)], State.WATCHING),
    ("the whole duration beyond raises", [(0, B), (10, B)], State.ACTIVE),
    ("one reading between ends the watch", [(0, B), (5, M), (10, B)], State.WATCHING),
    ("one reading back ends the watch", [(0, B), (9, B), (10, K)], State.CLEAR),
    ("an unknown reading does not end the watch", [(0, B), (5, U), (10, B)], State.ACTIVE),
    ("a gap counts towards raising", [(0, B), (600, B)], State.ACTIVE),
    ("between keeps it active", [*ACTIVE, (11, M), (60, M)], State.ACTIVE),
    ("one reading back is easing", [*ACTIVE, (11, K)], State.EASING),
    ("one minute short of the clear duration is easing", [*ACTIVE, (11, K), (40, K)], State.EASING),
    ("the whole clear duration clears", [*ACTIVE, (11, K), (41, K)], State.CLEAR),
    ("between while easing makes it active again", [*ACTIVE, (11, K), (40, M)], State.ACTIVE),
    ("beyond while easing makes it active again", [*ACTIVE, (11, K), (40, B)], State.ACTIVE),
    ("easing starts anew after that", [*ACTIVE, (11, K), (40, M), (41, K), (70, K)], State.EASING),
    ("a gap does not count towards clearing", [*ACTIVE, (11, K), (111, K)], State.EASING),
    ("time on both sides of a gap does", [*ACTIVE, (11, K), (31, K), (131, K), (141, K)], State.CLEAR),
    ("an unknown reading does not clear", [*ACTIVE, (11, K), (41, U)], State.EASING),
    ("a late reading does not end the watch", [(5, B), (3, K), (15, B)], State.ACTIVE),
    ("a repeated time does not clear", [*ACTIVE, (11, K), (11, K)], State.EASING),
]


@pytest.mark.parametrize(("story", "readings", "state"), STORIES, ids=[story for story, _, _ in STORIES])
def test_run_of_readings_ends_in_the_right_state(story: str, readings: list[tuple[int, Verdict]], state: State) -> None:
    """Each story of readings ends where the specification says."""
    assert play(readings).state is state


def test_no_duration_raises_and_clears_at_the_first_reading_that_counts() -> None:
    """Zero durations: raised by one reading, cleared by as many as `clear_count` asks for."""
    at_once = Timing(raise_after_ms=0, clear_after_ms=0, clear_count=2)
    assert play([(0, B)], at_once).state is State.ACTIVE
    assert play([(0, B), (1, K)], at_once).state is State.EASING
    assert play([(0, B), (1, K), (2, K)], at_once).state is State.CLEAR


def test_a_run_keeps_its_times_to_the_millisecond() -> None:
    """A run begins with its first reading and has earned nothing then; a gap is longer than an hour, and earns nothing."""
    slow = Timing(raise_after_ms=10 * MIN, clear_after_ms=180 * MIN, stale_ms=60 * MIN)
    assert advance(Run(), K, 5, slow) == Run(State.CLEAR, from_ms=0, earned_ms=0, count=1, last_ms=5)
    assert play([(1, B)], slow) == Run(State.WATCHING, from_ms=1 * MIN, earned_ms=0, count=1, last_ms=1 * MIN)
    raised = play([(1, B), (11, B)], slow)
    assert raised == Run(State.ACTIVE, from_ms=11 * MIN, earned_ms=0, count=0, last_ms=11 * MIN)
    confirmed = play([(12, B)], slow, raised)
    assert confirmed == Run(State.ACTIVE, from_ms=11 * MIN, earned_ms=1 * MIN, count=1, last_ms=12 * MIN)
    easing = play([(13, K), (73, K)], slow, confirmed)
    assert easing == Run(State.EASING, from_ms=13 * MIN, earned_ms=60 * MIN, count=2, last_ms=73 * MIN)
    after_gap = advance(easing, K, 133 * MIN + 1, slow)
    assert after_gap == Run(State.EASING, from_ms=13 * MIN, earned_ms=60 * MIN, count=3, last_ms=133 * MIN + 1)
    cleared = play([(190, K), (240, K), (254, K)], slow, after_gap)
    assert cleared == Run(State.CLEAR, from_ms=254 * MIN, earned_ms=0, count=0, last_ms=254 * MIN)


def test_raise_count_asks_for_more_readings() -> None:
    """A duration alone is not enough where a kind asks for three readings."""
    timing = Timing(raise_after_ms=10 * MIN, raise_count=3)
    assert play([(0, B), (20, B)], timing).state is State.WATCHING
    assert play([(0, B), (20, B), (21, B)], timing).state is State.ACTIVE


def test_lines_belong_to_beyond_and_back() -> None:
    """A value on the raise line is beyond, one on the clear line is back."""
    assert (below(90, 90, 95), below(91, 90, 95), below(95, 90, 95)) == (B, M, K)
    assert (above(40, 40, 30), above(35, 40, 30), above(30, 40, 30)) == (B, M, K)


def test_severities_are_in_order() -> None:
    """*act now* is worse than *act today*, which is worse than *know*."""
    assert Severity.NOW.rank > Severity.TODAY.rank > Severity.KNOW.rank


@given(st.lists(st.tuples(st.integers(0, 200), st.sampled_from(list(Verdict))), max_size=60))
def test_raised_and_cleared_only_by_whole_runs_of_readings(readings: list[tuple[int, Verdict]]) -> None:
    """A1: recomputed from the plain list of readings that count, each raise and each clear is covered by its duration."""
    run, counted = Run(), list[tuple[int, Verdict]]()
    for minute, verdict in readings:
        before, run = run, advance(run, verdict, minute * MIN, TIMING)
        if (
            verdict is not U
            and (not counted or minute > counted[-1][0])
            and not (before.last_ms is None and run is before)
        ):
            counted.append((minute, verdict))
        if run.is_on and not before.is_on:
            suffix = _suffix(counted, B)
            assert suffix[-1] - suffix[0] >= 10
        if before.is_on and not run.is_on:
            suffix = _suffix(counted, K)
            assert len(suffix) >= 2
            assert sum(b - a for a, b in pairwise(suffix) if b - a <= 60) >= 30


def _suffix(counted: list[tuple[int, Verdict]], verdict: Verdict) -> list[int]:
    taken: list[int] = []
    for minute, each in reversed(counted):
        if each is not verdict:
            break
        taken.insert(0, minute)
    return taken
