"""*act now* is told again until somebody answers; nothing is said at 3 am that cannot be acted on."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from alerts.rig import Rig, phases

MINUTES = (30, 60, 120, 240)  # after each telling


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[Rig]:
    """A drinking tank under half its reserve for ten minutes: *act now*."""
    made = Rig(str(tmp_path / "rig.db"))
    made.levels(300.0, 10)
    assert phases(made.levels(30.0, 10), "low")[:1] == ["raise"]
    yield made
    made.db.close()


def repeats(rig: Rig, minutes: int, every_min: int = 5) -> list[int]:
    """Minutes at which *low* was told again."""
    found: list[int] = []
    for minute in range(every_min, minutes + every_min, every_min):
        if "repeat" in phases(rig.levels(30.0, every_min, every_min), "low"):
            found.append(minute)
    return found


def test_unanswered_it_is_told_again_each_time_once_and_ever_more_rarely(rig: Rig) -> None:
    """L5: after 30 min, 1 h, 2 h, 4 h; then no more, since four unheard calls say that nobody is there."""
    found = repeats(rig, 24 * 60)
    gaps = [b - a for a, b in zip([0, *found], found, strict=False)]
    assert len(found) == len(MINUTES)
    for gap, expected in zip(gaps, MINUTES, strict=True):
        assert expected - 10 <= gap <= expected + 10


def test_a_restart_neither_forgets_nor_doubles_a_repeat(rig: Rig) -> None:
    """L5 over restarts: what was due after the restart comes then, once."""
    assert repeats(rig, 20) == []
    rig.restart(60.0)
    rig.tick()
    assert len(repeats(rig, 30)) == 1


@pytest.mark.parametrize("note", ["working on it", "load", "well run", "mended", "watering", "moved"])
@pytest.mark.parametrize("tank", ["drinking", None])
def test_who_says_what_was_done_is_not_called_again(rig: Rig, note: str, tank: str | None) -> None:
    """At once, and over a restart; the notice itself stays on until the level says otherwise."""
    rig.keep(rig.alerts.on_note(note, rig.ts_ms, {} if tank is None else {"tank": tank}))
    assert repeats(rig, 60) == []
    rig.restart(60.0)
    assert repeats(rig, 10 * 60) == []
    assert any(each.kind == "low" for each in rig.alerts.active())


def test_a_note_about_another_tank_or_a_look_is_no_answer(rig: Rig) -> None:
    """Watering from the garden tank, or a dip, does nothing for the drinking tank."""
    rig.keep(rig.alerts.on_note("watering", rig.ts_ms, {"tank": "garden"}))
    rig.keep(rig.alerts.on_note("dip", rig.ts_ms, {"tank": "drinking"}))
    assert len(repeats(rig, 60)) >= 1


def test_an_answer_holds_for_this_notice_only(rig: Rig) -> None:
    """Low again after it was over calls again."""
    rig.keep(rig.alerts.on_note("load", rig.ts_ms, {"tank": "drinking"}))
    assert phases(rig.levels(300.0, 60, 5), "low") == ["clear"]
    assert "raise" in phases(rig.levels(30.0, 15), "low")
    assert len(repeats(rig, 60)) >= 1
