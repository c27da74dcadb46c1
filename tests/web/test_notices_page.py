"""The page of notices: what is on, what was told, who was reached, and what came of it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from urllib.parse import urlencode

from holdwater.outcomes import outcome_of
from holdwater.store.rows import HOUR_MS, NoteRow, NoticeLife, NoticeStepRow
from web.household import NOW_MS, bad, household, well
from web.serving import Served, Tags


def step(n: int, hours: float, state: str, severity: str = "act today", short: str = "") -> NoticeStepRow:
    text = short or f"Step {n} of the valve."
    return NoticeStepRow(
        3, n, "valve open", "garden", severity, NOW_MS + round(hours * HOUR_MS), state, text, f"{text} At length."
    )


LIFE = NoticeLife(
    3, "valve open", "garden", "clear", NOW_MS - 10 * HOUR_MS, NOW_MS - 9 * HOUR_MS,
    (step(1, -10, "active"), step(2, -9.5, "active", "act now"), step(3, -8, "clear", short="The garden tank has stopped falling.")),
    (("log", "sent"), ("phone", "waiting"), ("radio", "refused")),
)  # fmt: skip


def test_what_is_on_stands_first_with_its_buttons(serve: Callable[..., Served]) -> None:
    """The same cards as on the first page; a button leads back here."""
    site = household()
    served = serve(site, bad(site))
    page = served.get("/notices")
    assert 'action="/notice/7/seen"' in page.text
    assert page.text.count('name="back" value="/notices"') >= 4
    answer = served.post("/notice/7/seen", urlencode({"back": "/notices"}).encode())
    assert (answer.status, answer.headers["location"]) == (303, "/notices")
    assert served.hatch.wishes == [("seen", {"notice": 7})]


def test_a_button_never_leads_to_another_site(serve: Callable[..., Served]) -> None:
    """The way back is one of our own pages."""
    site = household()
    served = serve(site, bad(site))
    answer = served.post("/notice/7/seen", urlencode({"back": "https://evil.example/"}).encode())
    assert answer.headers["location"] == "/"


def test_the_list_says_what_was_told_whom_it_reached_and_what_came_of_it(page: Served) -> None:
    """Raised, seen, what was written meanwhile, how it ended; the newest first."""
    page.book.steps += [replace(each, notice=90) for each in LIFE.steps]
    page.book.seen[90] = NOW_MS - 9 * HOUR_MS
    page.book.told[90] = LIFE.told
    page.book.written.append(
        NoteRow(70, "z", NOW_MS - 9 * HOUR_MS, NOW_MS, "mended", {"tank": "garden", "text": "tap"})
    )
    text = Tags(page.get("/notices").text).text
    assert "No notice is on" in text
    assert "No message is no proof that all is well" in text
    assert "act now · Wed 28 Oct 7:20 am to Wed 28 Oct 9:20 am, 2 h" in text
    assert (
        "Step 2 of the valve. At length. Told by log, 2 times. Not by phone (still waits), radio (was not taken)."
        in text
    )
    assert "Seen Wed 28 Oct 8:20 am. Noted Wed 28 Oct 8:20 am: mended, garden, tap." in text
    assert "Over: The garden tank has stopped falling. At length." in text
    assert text.index("Step 2 of the valve") < text.index("Freeze tonight: about 19F")


def test_what_is_older_than_two_months_is_left_to_the_season(page: Served) -> None:
    """The valve of July and the leak of August are not in the list of October."""
    text = page.get("/notices").text
    assert "Drinking tank below its reserve" in text
    assert "catches" not in text
    assert "loses about 7 gal" not in text


def test_a_time_without_notices_is_said(serve: Callable[..., Served]) -> None:
    """In words, not as an empty list."""
    site = household()
    served = serve(site, well(site))
    served.book.steps = []
    assert "Nothing was told in this time." in served.get("/notices").text


def test_an_outcome_takes_the_worst_words_and_the_last_end() -> None:
    """A notice that rose is told as what it rose to."""
    found = outcome_of(LIFE, ())
    assert found is not None
    assert (found.severity, found.text, found.again) == ("act now", "Step 2 of the valve. At length.", 2)
    assert (found.told, found.untold) == (("log",), ("phone (still waits)", "radio (was not taken)"))
    assert found.lasted == "2 h"


def test_a_notice_of_which_nothing_was_told_has_no_outcome() -> None:
    """Held back and gone again."""
    assert outcome_of(replace(LIFE, steps=(step(1, -1, "clear"),)), ()) is None


def test_notes_count_while_it_is_on_and_half_a_day_after_and_only_for_the_same_tank() -> None:
    """What was written about another tank is no outcome of this one."""

    def note(number: int, hours: float, **body: object) -> NoteRow:
        return NoteRow(number, str(number), NOW_MS + round(hours * HOUR_MS), 0, "mended", body)

    notes = (
        note(1, -11),
        note(2, -9, tank="garden"),
        note(3, -9, tank="cabin"),
        note(4, 3.9),
        note(5, 4.1),
        note(6, -9),
    )
    found = outcome_of(LIFE, notes)
    assert found is not None
    assert [each.id for each in found.notes] == [2, 4, 6]
