"""What the page says, word by word: ages, amounts, changes, days, the sentence of the day, notes."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdwater.config.site import Site
from holdwater.snapshot import NodeNow, NoticeNow, Snapshot, TankNow
from holdwater.store.rows import DAY_MS, HOUR_MS, LevelRow, NoteRow, NoticeStepRow, RollRow
from holdwater.units import Measure
from holdwater.web.charts.season import season_svg
from holdwater.web.choice import Span
from holdwater.web.history import day_lines, last_day, note_words, read_season, signs_of
from holdwater.web.view import Scene, day_line, now_view, quiet_choices
from holdwater.web.words import age, change, clock, lasts, listed, moment, plus_minus
from web.household import (
    FREEZE,
    LOW,
    NOW_MS,
    SILENT,
    ZONE,
    Book,
    gallons,
    household,
    inches,
    season_book,
    tank_now,
    well,
)

US, METRIC = Measure("US"), Measure("metric")
SITE = household()


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (0, "just now"), (9.9, "just now"), (10, "10 s ago"), (59, "50 s ago"), (60, "1 min ago"), (130, "2 min ago"), (5399, "89 min ago"),
        (5400, "1 h ago"), (86400, "24 h ago"), (129_599, "35 h ago"), (172_800, "2 days ago"), (-30, "just now"),
        (-61, "stamped ahead of the clock"),
    ],
)  # fmt: skip
def test_ages_are_no_finer_than_needed(seconds: float, words: str) -> None:
    """From seconds to days."""
    assert age(NOW_MS - round(seconds * 1000), NOW_MS) == words


@pytest.mark.parametrize(
    ("hour", "us", "metric"),
    [(0, "12:05 am", "00:05"), (11, "11:05 am", "11:05"), (12, "12:05 pm", "12:05"), (17, "5:05 pm", "17:05")],
)
def test_the_time_of_day_is_written_as_the_household_does(hour: int, us: str, metric: str) -> None:
    """Twelve hours with US units, twenty-four with metric ones."""
    at = round(datetime(2026, 10, 28, hour, 5, tzinfo=ZONE).timestamp() * 1000)
    assert (clock(at, ZONE, US), clock(at, ZONE, METRIC)) == (us, metric)
    assert moment(at, ZONE, METRIC) == f"Wed 28 Oct {metric}"


@pytest.mark.parametrize(
    ("now", "before", "noise", "words"),
    [
        (212, 226, 1, "14 gal used since yesterday"),
        (337, 212, 1, "125 gal more than yesterday"),
        (212, 213, 1, "about the same as yesterday"),
        (212, 250, 20, "about the same as yesterday"),
        (212, 312, 20, "100 gal used since yesterday"),
        (10.0, 9.98, 0.001, "about the same as yesterday"),
    ],
)
def test_a_change_is_told_only_beyond_its_doubt(now: float, before: float, noise: float, words: str) -> None:
    """The doubt of a difference: noise twice, scale not at all (GUM, 5.2: common parts cancel)."""
    assert change(gallons(now), gallons(before), gallons(noise), US) == words


@pytest.mark.parametrize(
    ("days", "words"),
    [
        ((12.2, 15.1, 19.0), "lasts about 15 days (12 to 19)"),
        ((None, 15.1, 19.0), "lasts about 15 days"),
        ((14.9, 15.1, 15.2), "lasts about 15 days"),
        ((0.2, 0.9, 2.0), "lasts less than a day (2 at best)"),
        ((0.1, 0.2, 0.3), "lasts less than a day"),
        ((30.0, 90.0, 400.0), "lasts about 90 days (30 to over a year)"),
        ((0.8, 1.2, 1.4), "lasts about 1 day (less than 1 to 1)"),
        ((400.0, 500.0, 900.0), "lasts more than a year"),
        ((100.0, 500.0, 900.0), "lasts more than a year (100 days at worst)"),
        ((0.0, 0.0, 1.0), "at or below its reserve"),
        ((None, None, None), ""),
    ],
)  # fmt: skip
def test_days_come_with_their_range(days: tuple[float | None, float | None, float | None], words: str) -> None:
    """Cautious, middle, hopeful."""
    assert lasts(*days) == words


@given(st.floats(0, 100))
def test_a_doubt_is_never_written_as_nothing(u_gal: float) -> None:
    """± 0 would be a lie."""
    assert float(plus_minus(gallons(u_gal), US)) > 0


def test_names_are_listed_as_people_do() -> None:
    """Commas and an and."""
    assert [listed(list(each)) for each in ("a", "ab", "abc")] == ["a", "a and b", "a, b and c"]


def scene(*tanks: TankNow, notices: tuple[NoticeNow, ...] = (), trusted: bool = True, site: Site = SITE) -> Scene:
    return Scene(site, Snapshot(NOW_MS, trusted, NOW_MS, tanks, notices), US, NOW_MS)


DRINKING, GARDEN, CABIN = well(SITE).tanks


@pytest.mark.parametrize(
    ("tanks", "sentence", "tone"),
    [
        ((DRINKING, GARDEN, CABIN), "All well until about Monday 9 November.", "well"),
        (
            (replace(DRINKING, days_low=None), replace(GARDEN, days_low=None), CABIN),
            "All well: no tank is below its reserve.",
            "well",
        ),
        (
            (replace(DRINKING, days_low=800), replace(GARDEN, days_low=900), CABIN),
            "All well: no tank is below its reserve.",
            "well",
        ),
        ((tank_now(SITE.tanks["drinking"], 80), GARDEN, CABIN), "drinking: below reserve.", "act today"),
        (
            (tank_now(SITE.tanks["drinking"], 80), GARDEN, tank_now(SITE.tanks["cabin"], 79)),
            "drinking and cabin: below reserve.",
            "act today",
        ),
        ((DRINKING, GARDEN), "Cannot tell for sure how much cabin holds; the rest is well.", "unknown"),
        (
            (DRINKING, replace(GARDEN, quality=102), CABIN),
            "Cannot tell for sure how much garden holds; the rest is well.",
            "unknown",
        ),
        (
            (replace(DRINKING, at_ms=NOW_MS - 2 * DAY_MS), GARDEN, CABIN),
            "Cannot tell for sure how much drinking holds; the rest is well.",
            "unknown",
        ),
        (
            tuple(replace(each, quality=102) for each in (DRINKING, GARDEN, CABIN)),
            "Cannot tell for sure how much drinking, garden and cabin hold.",
            "unknown",
        ),
        ((TankNow("drinking"), TankNow("garden")), "No level is known: no trusted reading has come in.", "unknown"),
    ],
)
def test_the_sentence_of_the_day_promises_no_more_than_is_known(
    tanks: tuple[TankNow, ...], sentence: str, tone: str
) -> None:
    """Well only when every level is known, fresh, undoubted and above its reserve."""
    assert day_line(scene(*tanks), ()) == (sentence, tone)


def test_the_worst_notice_is_the_sentence_of_the_day() -> None:
    """Act now before act today; things merely to know leave it alone."""
    view = now_view(scene(DRINKING, GARDEN, CABIN, notices=(SILENT, LOW, FREEZE)))
    assert view.day == "Act now: Drain the garden spigot before dark: 24 °F expected. And 1 more below."
    assert view.tone == "act now"
    assert [notice.id for notice in view.notices] == [8, 7, 9]
    assert now_view(scene(DRINKING, GARDEN, CABIN, notices=(SILENT,))).tone == "well"


def test_the_sentence_of_the_day_is_one_sentence_and_does_not_shout() -> None:
    """The rest stands in the paragraph below it."""
    short = "ACT NOW Garden tank falling 7.5 gal/min for 6 min, 42 gal gone. Nobody watering? Shut the 1 in valve."
    view = now_view(scene(DRINKING, notices=(replace(FREEZE, short=short, long=""),)))
    assert view.day == "Act now: Garden tank falling 7.5 gal/min for 6 min, 42 gal gone."
    assert view.notices[0].text.startswith("Garden tank falling")


def test_until_when_all_is_well_is_not_told_without_a_clock() -> None:
    """No date without a date."""
    assert day_line(scene(DRINKING, GARDEN, CABIN, trusted=False), ())[0] == "All well: no tank is below its reserve."


def test_a_site_without_reserves_is_simply_well() -> None:
    """Nothing to be below of."""
    tanks = {"garden": SITE.tanks["garden"]}
    assert day_line(scene(replace(GARDEN, days_low=None), site=household(tanks=tanks)), ())[0] == "All well."


def test_a_tank_says_what_it_fell_below() -> None:
    """The reserve, or the fire water, or what is kept back."""
    drinking, cabin = SITE.tanks["drinking"], SITE.tanks["cabin"]
    view = now_view(scene(tank_now(drinking, 70), tank_now(cabin, 70)))
    assert view.tanks[0].lines[0] == "below its reserve of 90 gal"
    assert view.tanks[2].lines[0] == "below the 80 gal kept as fire water"
    plain = household(tanks={"cabin": replace(cabin, uses=("washing",))})
    assert now_view(scene(tank_now(cabin, 70), site=plain)).tanks[0].lines[0] == "below the 80 gal kept back"


def test_a_full_tank_has_no_room_to_speak_of() -> None:
    """Capacity ends at the overflow lip."""
    cabin = SITE.tanks["cabin"]
    full = tank_now(cabin, 284.3)
    assert now_view(scene(full)).tanks[2].lines[-1] == "full to the overflow lip"


def test_an_unknown_quiet_time_or_severity_is_shown_plainly() -> None:
    """A quiet time that is over is not shown; a severity of another version counts as know."""
    odd = replace(LOW, severity="panic", quiet_until_ms=NOW_MS - 1, long="")
    (notice,) = now_view(scene(DRINKING, notices=(odd,))).notices
    assert (notice.severity, notice.quiet, notice.text) == ("know", "", LOW.short)


def test_a_waiting_box_tells_when_it_last_spoke_if_there_is_a_clock() -> None:
    """No age without a clock, none without a word."""
    nodes = (NodeNow("a", "waiting", NOW_MS - 240_000), NodeNow("b", "waiting", None), NodeNow("c", "accepted", NOW_MS))
    snapshot = replace(well(SITE), nodes=nodes)
    waiting = now_view(Scene(SITE, snapshot, US, NOW_MS)).waiting
    assert [(each.name, each.heard) for each in waiting] == [("a", "It last spoke 4 min ago."), ("b", "")]
    untrusted = now_view(Scene(SITE, replace(snapshot, clock_trusted=False), US, NOW_MS)).waiting
    assert [each.heard for each in untrusted] == ["", ""]


def test_quiet_times_say_until_when() -> None:
    """Hours, and the moment they end."""
    assert quiet_choices(scene())[1] == (24, "1 day, until Thu 29 Oct 5:20 pm")


@pytest.mark.parametrize(
    ("kind", "body", "us", "metric"),
    [
        ("load", {"tank": "drinking", "volume_m3": gallons(125)}, "load, drinking, 125 gal", "load, drinking, 473 L"),
        ("dip", {"tank": "cabin", "depth_m": inches(20.5)}, "dip, cabin, 20.5 in", "dip, cabin, 52.1 cm"),
        ("screen_cleaned", {}, "screen cleaned", "screen cleaned"),
        ("other", {"tank": "cabin", "text": "Wet ground."}, "note, cabin, Wet ground.", "note, cabin, Wet ground."),
        (
            "tested",
            {"water_c": 10.0, "text": "strip clear", "ok": True},
            "tested, 50 °F, strip clear",
            "tested, 10 °C, strip clear",
        ),
    ],
)
def test_notes_are_told_in_household_units(kind: str, body: dict[str, object], us: str, metric: str) -> None:
    """Figures are kept in SI and shown as the reader likes."""
    note = NoteRow(1, "u", NOW_MS, NOW_MS, kind, body)
    assert (note_words(note, US), note_words(note, METRIC)) == (us, metric)


def test_signs_stand_in_order_of_time_and_a_notice_is_told_once() -> None:
    """Where it was raised; later steps of the same notice are no new signs."""
    steps = [
        NoticeStepRow(1, n, "low", "x", "know", NOW_MS + n, state, "Low.", "")
        for n, state in enumerate(("watching", "active", "easing", "active"))
    ]
    notes = [NoteRow(1, "u", NOW_MS, NOW_MS, "load", {})]
    assert [(sign.number, sign.kind, sign.at_ms - NOW_MS) for sign in signs_of(notes, steps, US)] == [
        (1, "load", 0),
        (2, "notice", 1),
    ]


def test_a_season_covers_whole_local_days_up_to_tonight() -> None:
    """Hours up to 200 days, days beyond."""
    with season_book(SITE).reader() as reader:
        short = read_season(SITE, reader, US, ("drinking",), days=120, now_ms=NOW_MS)
        long = read_season(SITE, reader, US, ("drinking",), days=365, now_ms=NOW_MS)
    first = datetime.fromtimestamp(short.start_ms / 1000, ZONE)
    assert (first.month, first.day, first.hour) == (7, 1, 0)
    assert datetime.fromtimestamp(short.end_ms / 1000, ZONE).isoformat() == "2026-10-29T00:00:00-06:00"
    assert (short.tanks[0].span_ms, long.tanks[0].span_ms) == (HOUR_MS, DAY_MS)


def test_a_season_may_end_on_an_earlier_day_and_then_shows_no_today() -> None:
    """The days up to it, that day counted; today lies outside."""
    with season_book(SITE).reader() as reader:
        season = read_season(SITE, reader, US, ("drinking",), days=90, now_ms=NOW_MS, last=date(2026, 8, 31))
    assert datetime.fromtimestamp(season.start_ms / 1000, ZONE).isoformat() == "2026-06-03T00:00:00-06:00"
    assert datetime.fromtimestamp(season.end_ms / 1000, ZONE).isoformat() == "2026-09-01T00:00:00-06:00"
    assert ">today<" not in season_svg(season)
    assert ">August<" in season_svg(season)


@pytest.mark.parametrize(
    ("newest_days_ago", "last"),
    [(0, date(2026, 10, 28)), (119, date(2026, 10, 28)), (130, date(2026, 6, 20)), (None, date(2026, 10, 28))],
)
def test_a_store_that_ends_before_the_span_is_shown_up_to_its_own_end(newest_days_ago: int | None, last: date) -> None:
    """An empty picture helps nobody; as long as any of it would show, the span ends today."""
    newest_ms = -1 if newest_days_ago is None else NOW_MS - newest_days_ago * DAY_MS
    assert last_day(SITE, 120, newest_ms, NOW_MS) == last


def test_the_spans_beside_one_are_earlier_and_later_but_never_ahead_of_today() -> None:
    """Steps are as long as the span; the last one ends today."""
    span, today = Span(30, ("drinking",), "", date(2026, 10, 10)), date(2026, 10, 28)
    assert span.beside(date(2026, 10, 10), today) == (("earlier", date(2026, 9, 10)), ("later", today))
    assert span.beside(today, today) == (("earlier", date(2026, 9, 28)),)
    assert span.query(to=date(2026, 9, 10)) == "days=30&to=2026-09-10"
    assert span.query(days=7) == "days=7&to=2026-10-10"


def test_a_notice_says_act_now_once() -> None:
    """The page says the severity itself."""
    shout = replace(LOW, short="ACT NOW Shut it.", long="ACT NOW Shut it. Look for wet ground.")
    (view,) = now_view(Scene(SITE, replace(well(SITE), notices=(shout,)), US, NOW_MS)).notices
    assert view.text == "Shut it. Look for wet ground."


def test_rain_of_a_day_is_the_sum_of_its_readings() -> None:
    """Each reading is the rain since the one before: mean times count."""
    book = season_book(SITE)
    with book.reader() as reader:
        season = read_season(SITE, reader, US, (), days=120, now_ms=NOW_MS)
    assert sum(rain for _, rain in season.sky.rain or ()) == pytest.approx(inches(7.70))


def test_the_table_says_unknown_and_dashes_where_nothing_is_known() -> None:
    """Never zero."""
    rows = [
        LevelRow(round(datetime(2026, 10, 27, tzinfo=ZONE).timestamp() * 1000), 1.0, gallons(5), gallons(0.1), 0.0, 0)
    ]
    book = Book(
        days={"drinking": rows}, rolled={"garden:rain": [], "garden:air": [RollRow(rows[0].start_ms, -2.0, 0, 1, 9, 0)]}
    )
    with book.reader() as reader:
        today, yesterday = day_lines(SITE, reader, US, ("drinking",), days=2, last=date(2026, 10, 28))
    assert (today.levels, today.rain, today.low) == (("unknown",), "–", "–")
    assert (yesterday.levels, yesterday.low) == (("5.0 ± 0.2",), "28")
