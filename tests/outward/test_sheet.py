"""The weekly sheet: one page that says what is on hand, what happened, and what came of what was told."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, timedelta

import pytest

from holdwater.balance.days import Account, Mark, day_bounds_ms
from holdwater.config.channels import SmtpChannel
from holdwater.config.outwards import SheetSettings
from holdwater.outcomes import outcomes
from holdwater.sheet import MOST_TOLD, WEEK_DAYS, Week, occasion, sheet_text, sheet_title
from holdwater.sheet_week import last_done, reached
from holdwater.snapshot import Snapshot
from holdwater.store.rows import HOUR_MS, NoteRow, NoticeLife
from holdwater.units import Measure
from holdwater.web.view import Scene
from web.household import NOW_MS, ZONE, bad, gallons, household, well
from web.test_notices_page import LIFE

MAIL = SmtpChannel(host="mail.example.org", sender="a@example.org", to=("b@example.org",), test="monthly", sheet=True)
SITE = household(channels={"mail": MAIL})


def book(used_gal: float, load_gal: float = 0.0, rest_gal: float = 0.0, u_gal: float = 1.0) -> tuple[Account, ...]:
    """Seven days with the same use, a load on the third."""
    days = []
    for number in range(WEEK_DAYS):
        day = date(2026, 10, 21) + timedelta(days=number)
        inflow = (("load", gallons(load_gal)),) if number == 2 and load_gal else ()
        rest = used_gal - (load_gal if number == 2 else 0.0) + rest_gal
        start, end = day_bounds_ms(day, ZONE)
        closing = Mark(gallons(200 - rest), gallons(0.3))
        days.append(
            Account(
                day,
                start,
                end,
                Mark(gallons(200), gallons(0.3)),
                closing,
                gallons(used_gal),
                inflow,
                gallons(u_gal),
                end - start,
            )
        )
    return tuple(days)


def week(**changes: object) -> Week:
    notes = (
        NoteRow(1, "a", NOW_MS - 9 * HOUR_MS, 0, "mended", {"tank": "garden", "text": "tap"}),
        NoteRow(2, "b", NOW_MS - 30 * 24 * HOUR_MS, 0, "dip", {"tank": "drinking", "depth_m": 1.0}),
    )
    plain = Week(
        {"drinking": book(11, 125), "garden": book(18, rest_gal=3), "cabin": book(5)[:4]},
        0.00635,
        outcomes((LIFE,), notes),
        notes[:1],
        last_done(notes),
        {"mail": (NOW_MS - 24 * HOUR_MS, None)},
    )
    return replace(plain, **changes)  # type: ignore[arg-type]


def scene(snapshot: Snapshot | None = None, **changes: object) -> Scene:
    site = replace(SITE, **changes)  # type: ignore[arg-type]
    return Scene(site, snapshot or well(site), site.measure, NOW_MS)


EXPECTED = """\
Quern Bench: water from Wed 21 Oct to Tue 27 Oct 2026
All well until about Monday 9 November.

in gal            on hand   +-    lasts days    used  came in  unexplained
drinking              212    5    15 (12-19)     77       125    none seen
garden                540   14    55 (42-70)    126         0           21
cabin                 160    4             -     20*        0    none seen
* not all seven days were heard: cabin
Came in: drinking 125 load.
Rain: 0.25 in

TO DO
  Nothing is asked for by a notice.

WARNED, AND WHAT CAME OF IT
  Wed 28 Oct, act now: Step 2 of the valve. Seen Wed 28 Oct. Over after 2 h.
    Noted: mended, garden, tap. Not by phone (still waits), radio (was not
    taken).

NOTED
  Wed 28 Oct: mended, garden, tap

LAST DONE
  dip (drinking) Mon 28 Sep, 30 days ago. Never noted: screen cleaned, tested,
  dosed.

WAYS OF REACHING YOU
  mail: last took a message Tue 27 Oct; no test of it was ever answered

Amount, not safety: roof water is not for drinking, cooking or teeth unless
treated and tested. Never climb in or lean into a tank. No message is no proof
that all is well.
"""


def test_the_sheet_of_a_good_week_is_this_page() -> None:
    """Word for word."""
    assert sheet_text(scene(), week()) == EXPECTED


@pytest.mark.parametrize("system", ["US", "metric"])
@pytest.mark.parametrize("day", ["good", "bad", "nothing"])
def test_every_sheet_is_one_page_of_plain_characters_in_eighty_columns(day: str, system: str) -> None:
    """For a printer of any age: at most 66 lines, also with far too much to say."""
    shot = {"good": well(SITE), "bad": bad(SITE), "nothing": Snapshot(NOW_MS, True, 0)}[day]
    lives = tuple(replace(LIFE, id=number) for number in range(40))
    notes = tuple(NoteRow(n, str(n), NOW_MS - n, 0, "other", {"text": "some words \u00e9 " * 3}) for n in range(40))
    full = week(outcomes=outcomes(lives, ()), notes=notes) if day == "bad" else week()
    if day == "nothing":
        full = Week({}, None, (), (), (), {})
    text = sheet_text(scene(shot, measure=Measure(system)), full)  # type: ignore[arg-type]
    lines = text.splitlines()
    assert text.isascii()
    assert max(map(len, lines)) <= 80
    assert len(lines) <= 66
    if day == "bad":
        assert f"and {40 - MOST_TOLD} more" in text
        assert "UNKNOWN" in text
        assert "[8] act now: Drain the garden spigot" in text


def test_what_went_unseen_is_a_figure_only_where_it_is_more_than_its_doubt() -> None:
    """Three gallons a day against one gallon of doubt: told; the same against ten: not."""
    assert " 21\n" in sheet_text(scene(), week())
    loose = week(books={"garden": book(18, rest_gal=3, u_gal=10)})
    assert " 21\n" not in sheet_text(scene(), loose)


def test_the_day_to_haul_by_stands_under_the_table() -> None:
    """And that it is past."""
    tanks = well(SITE).tanks
    dry = replace(
        well(SITE),
        tanks=(
            replace(tanks[0], haul_by="2026-11-07"),
            replace(tanks[1], haul_by="2026-10-28", haul_late=True),
            tanks[2],
        ),
    )
    text = sheet_text(scene(dry), week())
    assert "drinking haul by Sat 7 Nov; garden haul now: the day to be safe is past.\n" in text


def test_a_week_nobody_heard_claims_no_use() -> None:
    """A dash, not a zero."""
    text = sheet_text(scene(), week(books={}))
    assert "drinking              212    5    15 (12-19)      -*        -            -" in text


@pytest.mark.parametrize(
    ("now", "mark", "at"),
    [
        (datetime(2026, 10, 25, 8, 0, tzinfo=ZONE), "2026-10-25", datetime(2026, 10, 25, 8, 0, tzinfo=ZONE)),
        (datetime(2026, 10, 25, 7, 59, tzinfo=ZONE), "2026-10-18", datetime(2026, 10, 18, 8, 0, tzinfo=ZONE)),
        (datetime(2026, 10, 28, 17, 0, tzinfo=ZONE), "2026-10-25", datetime(2026, 10, 25, 8, 0, tzinfo=ZONE)),
        (datetime(2026, 11, 1, 7, 30, tzinfo=ZONE), "2026-10-25", datetime(2026, 10, 25, 8, 0, tzinfo=ZONE)),
        (datetime(2026, 11, 1, 8, 30, tzinfo=ZONE), "2026-11-01", datetime(2026, 11, 1, 8, 0, tzinfo=ZONE)),
    ],
)
def test_a_sheet_is_due_once_a_week_by_the_households_clock(now: datetime, mark: str, at: datetime) -> None:
    """Sunday 8:00, also in the week in which the clock is set back."""
    found = occasion(SheetSettings(), ZONE, round(now.timestamp() * 1000))
    assert found == (mark, round(at.timestamp() * 1000))


def test_a_channel_says_when_it_last_took_something_and_when_its_test_was_answered() -> None:
    """What was refused or waits does not count."""
    site = replace(SITE, channels={"phone": MAIL, "radio": MAIL, "log": MAIL})
    test = NoticeLife(9, "test", "phone", "clear", 0, NOW_MS - HOUR_MS, LIFE.steps, (("phone", "sent"),))
    found = reached(site, (LIFE, test))
    assert found == {
        "phone": (LIFE.steps[-1].at_ms, NOW_MS - HOUR_MS),
        "radio": (None, None),
        "log": (LIFE.steps[-1].at_ms, None),
    }


def test_the_title_is_the_subject_of_the_mail() -> None:
    """Which week it is, in plain characters."""
    assert sheet_title(scene(name="Qu\u00e9rn")) == "Quern: water from Wed 21 Oct to Tue 27 Oct 2026"
