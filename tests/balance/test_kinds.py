"""Names of moves: what notes and rain explain, and what they do not."""

from __future__ import annotations

import pytest

from holdwater.balance.kinds import CAUGHT, LOAD, UNEXPLAINED, USED, WELL, entries, entry
from holdwater.balance.points import HOUR_MS, MINUTE_MS, Facts, Rain, Span
from holdwater.balance.uses import Move

AT_MS = 1_790_000_000_000
RISE = Move(AT_MS, AT_MS + HOUR_MS, 0.3, 0.002)
FALL = Move(AT_MS, AT_MS + HOUR_MS, -0.02, 0.002)
ROOFED = Facts(3.3, ("roof",), 72.5)
ROOFLESS = Facts(1.3, ("well", "load"))
SHOWER = (Rain(AT_MS + 10 * MINUTE_MS, 0.004),)


def test_a_fall_is_used() -> None:
    """An ordinary fall is an ordinary draw."""
    found = entry(FALL)
    assert (found.kind, found.usual) == (USED, True)


@pytest.mark.parametrize("kind", ["watering", "working on it", "guests", "away"])
def test_a_fall_that_a_note_explains_is_not_usual(kind: str) -> None:
    """It is used, but does not teach what is normal; the same note an hour too early changes nothing."""
    found = entry(FALL, [Span(kind, AT_MS - HOUR_MS, AT_MS + 1)])
    assert (found.kind, found.usual) == (USED, False)
    assert entry(FALL, [Span(kind, AT_MS - 2 * HOUR_MS, AT_MS - HOUR_MS)]).usual


def test_a_fall_in_a_gap_is_not_usual() -> None:
    """Its time is unknown."""
    assert not entry(Move(AT_MS, AT_MS + HOUR_MS, -0.02, 0.002, gap=True)).usual


def test_a_noted_load_explains_a_rise_within_six_hours() -> None:
    """Written before leaving or after supper; not the day before."""
    for at_ms in (AT_MS - 6 * HOUR_MS, AT_MS, AT_MS + 7 * HOUR_MS):
        assert entry(RISE, [Span("load", at_ms, at_ms)]).kind == LOAD
    assert entry(RISE, [Span("load", AT_MS - 7 * HOUR_MS, AT_MS - 7 * HOUR_MS)]).kind == UNEXPLAINED


def test_a_noted_well_run_explains_a_rise_within_an_hour() -> None:
    """The pump's time is known better than a load's."""
    assert entry(RISE, [Span("well run", AT_MS - 3 * HOUR_MS, AT_MS - HOUR_MS)]).kind == WELL
    assert entry(RISE, [Span("well run", AT_MS - 4 * HOUR_MS, AT_MS - 2 * HOUR_MS)]).kind == UNEXPLAINED


def test_rain_explains_a_rise_of_a_roofed_tank_only() -> None:
    """Rain on a tank without a roof is no excuse: that water came from somewhere else."""
    assert entry(RISE, rain=SHOWER, facts=ROOFED).kind == CAUGHT
    assert entry(RISE, rain=SHOWER, facts=ROOFLESS).kind == UNEXPLAINED
    assert entry(RISE, rain=SHOWER).kind == CAUGHT


def test_rain_too_little_or_at_another_time_explains_nothing() -> None:
    """Less than the loss depth of 0.03 in never runs off; the roof drips on for an hour and a half, not longer."""
    little = (Rain(AT_MS, 0.0005), Rain(AT_MS + 1, 0.0002))
    early = (Rain(AT_MS - 91 * MINUTE_MS, 0.01),)
    late = (Rain(AT_MS + HOUR_MS + 1, 0.01),)
    dripping = (Rain(AT_MS - 90 * MINUTE_MS, 0.01),)
    assert [entry(RISE, rain=rain, facts=ROOFED).kind for rain in (little, early, late, dripping)] == [
        UNEXPLAINED,
        UNEXPLAINED,
        UNEXPLAINED,
        CAUGHT,
    ]


def test_rain_just_above_the_loss_depth_is_caught() -> None:
    """0.8 mm runs off, 0.76 mm does not."""
    for depth_m, kind in ((0.0008, CAUGHT), (0.00076, UNEXPLAINED)):
        assert entry(RISE, rain=(Rain(AT_MS, depth_m),), facts=ROOFED).kind == kind


def test_a_load_goes_before_a_well_before_rain() -> None:
    """What the household wrote outweighs the rain gauge."""
    load, well = Span("load", AT_MS, AT_MS), Span("well run", AT_MS, AT_MS)
    assert entry(RISE, [well, load], SHOWER, ROOFED).kind == LOAD
    assert entry(RISE, [well], SHOWER, ROOFED).kind == WELL


def test_all_moves_keep_their_order() -> None:
    """One name each."""
    assert [found.kind for found in entries([FALL, RISE, FALL], rain=SHOWER, facts=ROOFED)] == [USED, CAUGHT, USED]


def test_a_load_explains_the_nearest_rise_and_its_followers_only() -> None:
    """Let in by turns within two hours it is one load; the rise five hours later must explain itself."""
    second = Move(AT_MS + 2 * HOUR_MS, AT_MS + 3 * HOUR_MS, 0.1, 0.002)
    later = Move(AT_MS + 6 * HOUR_MS, AT_MS + 7 * HOUR_MS, 0.2, 0.002)
    note = Span("load", AT_MS + 10 * MINUTE_MS, AT_MS + 10 * MINUTE_MS)
    assert [found.kind for found in entries([RISE, second, later], [note], facts=ROOFLESS)] == [LOAD, LOAD, UNEXPLAINED]
    assert entries([FALL], [note])[0].kind == USED
    slow = Move(AT_MS + HOUR_MS + 2 * HOUR_MS + 1, AT_MS + 4 * HOUR_MS, 0.1, 0.002)
    assert [found.kind for found in entries([RISE, slow], [note], facts=ROOFLESS)] == [LOAD, UNEXPLAINED]
