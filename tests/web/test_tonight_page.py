"""The page of tonight: the curve, the list to tick off, and the nights before, read from a real store."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable
from dataclasses import replace
from datetime import date, datetime
from pathlib import Path

import pytest

from holdwater.config.exposures import Exposure
from holdwater.config.site import Site
from holdwater.events import Message, Request
from holdwater.freeze.exposure import Risk
from holdwater.freeze.past import marks, past_nights, season_of, tally
from holdwater.freeze.tonight import Tonight
from holdwater.recording import Line
from holdwater.replay import Replay
from holdwater.store.reader import open_reader
from holdwater.store.rows import ForecastRow
from holdwater.store.writer import Store
from holdwater.units import Measure
from holdwater.web.charts.tonight import NARROW, WIDE, tonight_svg
from holdwater.web.tonight import percent, view_of
from holdwater.web.view import Scene
from place import payload
from web.drawings import Drawing
from web.household import ZONE, household, well
from web.serving import Served, Tags

HOUR_MS = 3_600_000
END_MS = round(datetime(2026, 10, 14, 16, 10, tzinfo=ZONE).timestamp() * 1000)
EXPOSURES = {
    "garden-spigot": Exposure("garden-spigot", "spigot"),
    "cabin-spigot": Exposure("cabin-spigot", "spigot", sky="open"),
    "cabin-tank": Exposure("cabin-tank", "tank", tank="cabin"),
}


def site_with_frost() -> Site:
    return household(exposures=EXPOSURES)


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Twelve days of a cold October up to ten past four, with the cabin spigot drained the day before."""
    folder = tmp_path_factory.mktemp("tonight") / "store"
    kept = Store(folder)
    running = Replay(site_with_frost(), kept, END_MS - 12 * 24 * HOUR_MS)
    for at_ms in range(END_MS - 12 * 24 * HOUR_MS, END_MS + 1, HOUR_MS // 2):
        hour = (at_ms - END_MS) / HOUR_MS
        air_c = 2.0 + hour / 90 + 7 * math.cos(2 * math.pi * hour / 24)
        text = payload(("air", "Cel", round(air_c, 2)), t_s=at_ms / 1000)
        running.feed(Line(at_ms, Message("water/node/garden/readings", text.encode(), at_ms, 0.0)))
        if at_ms == END_MS - 24 * HOUR_MS:
            running.feed(Line(at_ms, Request("note", {"kind": "drained", "exposure": "cabin-spigot"})))
    running.finish()
    kept.close()
    return folder


@pytest.fixture
def page(serve: Callable[..., Served], store: Path) -> Served:
    site = site_with_frost()
    served = serve(site, well(site))
    served.now_ms = END_MS
    served.reader = lambda: open_reader(store)
    return served


@pytest.mark.slow
def test_the_page_says_what_to_see_to_before_dark(page: Served) -> None:
    """The sentence, the band, the list with chance, limit and hours, and the cautions."""
    text = Tags(page.get("/tonight").text).text
    assert re.search(r"Tonight about \d+F\. See to garden.spigot and cabin.tank before dark\.", text)
    assert re.search(r"Four nights in five it stays between -?\d+F and \d+F, lowest near [67]:00 am\.", text)
    assert re.search(
        r"garden-spigot spigot Unhook the hose, drain it ?chance (over )?\d+ % · freezes when the air falls below 3\dF",
        text,
    )
    assert "cabin-spigot spigot Drained, noted Tue 13 Oct 4:10 pmno water in it" in text
    for caution in ("Pump and water heater off", "GFCI", "never overlapped", "Local codes", "no word is no proof"):
        assert caution in text


@pytest.mark.slow
def test_a_button_ticks_one_thing_off_by_a_note(page: Served) -> None:
    """Drained, covered, opened again: each goes through the door as a note on that thing, and back to the list."""
    uid = re.search(r'name="uid" value="([0-9a-f]{20})"', page.get("/tonight").text).group(1)
    answer = page.post("/tonight/done", f"exposure=garden-spigot&kind=drained&uid={uid}".encode())
    assert (answer.status, answer.headers["location"]) == (303, "/tonight")
    assert page.hatch.wishes[-1] == (
        "note",
        {"kind": "drained", "exposure": "garden-spigot", "uid": f"{uid}-garden-spigot"},
    )


@pytest.mark.slow
@pytest.mark.parametrize(
    ("body", "status"),
    [
        (b"exposure=nobody&kind=drained&uid=" + b"0" * 20, 400),
        (b"exposure=garden-spigot&kind=load&uid=" + b"0" * 20, 400),
        (b"exposure=garden-spigot&kind=drained", 400),
        (b"exposure=garden-spigot&kind=drained&uid=x", 400),
    ],
)
def test_what_is_not_on_the_list_is_refused(page: Served, body: bytes, status: int) -> None:
    """With words, and without a note."""
    answer = page.post("/tonight/done", body)
    assert answer.status == status
    assert "Open the page again" in answer.text
    assert page.hatch.wishes == []


@pytest.mark.slow
def test_a_foreign_page_cannot_tick_anything_off(page: Served) -> None:
    """The guard of all forms holds here too."""
    body = b"exposure=garden-spigot&kind=drained&uid=" + b"0" * 20
    headers = {"Sec-Fetch-Site": "cross-site", "Content-Type": "application/x-www-form-urlencoded"}
    assert page.post("/tonight/done", body, headers).status == 403
    assert page.hatch.wishes == []


@pytest.mark.slow
def test_the_nights_before_stand_beside_what_came(page: Served) -> None:
    """Newest first, with the winter's warnings and how far off the words were."""
    text = Tags(page.get("/tonight").text).text
    assert re.search(r"This winter: \d+ freeze warnings?, \d+ real", text)
    assert re.search(r"Wed 14 Oct\d+ \(-?\d+ to \d+\)––garden-spigot", text)
    assert re.search(r"Tue 13 Oct\d+ \(-?\d+ to \d+\)\d+ \(-?\d+ to \d+\)\d+F(within|outside)garden-spigot", text)


@pytest.mark.slow
def test_the_picture_fits_wide_and_narrow_screens(store: Path) -> None:
    """No two texts meet, none leaves the sheet, whatever the units."""
    from holdwater.look import Look, tonight_of

    with open_reader(store) as reader:
        told = tonight_of(site_with_frost(), reader, END_MS)
        past = Look(reader, END_MS).air("garden:air", span_ms=15 * HOUR_MS).readings
    for sheet in (WIDE, NARROW):
        for measure in (Measure("US"), Measure("metric")):
            drawing = Drawing(tonight_svg(told, past, measure, ZONE, "", sheet))
            texts = drawing.texts
            assert all(each.left >= 0 and each.right <= drawing.width + 1 for each in texts), [t.text for t in texts]
            assert not [(a.text, b.text) for n, a in enumerate(texts) for b in texts[n + 1 :] if a.meets(b)]
            assert any("garden-spigot" in each.text for each in texts)


def scene(site: Site, **changes: object) -> Scene:
    return Scene(site, replace(well(site), **changes), Measure("US"), END_MS)


def test_without_a_word_the_page_says_why_and_what_to_do() -> None:
    """No air, no coordinates, before the first word, no trusted clock."""
    site = site_with_frost()
    risks = (Risk(EXPOSURES["garden-spigot"], "not known", chance=None, why="no forecast of the air"),)
    blind = view_of(Tonight(END_MS, risks=risks, why="no air temperature of the last hours"), scene(site), {}, [])
    assert blind.head == "Cannot tell tonight: no air temperature of the last hours."
    assert "Read a thermometer before dark" in blind.lines[0]
    early = view_of(Tonight(END_MS, why="the first word of the coming night is due at 15:00"), scene(site), {}, [])
    assert early.head == "The first word of tonight comes at 3:00 pm."
    untrusted = view_of(Tonight(END_MS), scene(site, clock_trusted=False), {}, [])
    assert "clock" in untrusted.head


@pytest.mark.slow
def test_a_site_without_a_place_still_has_the_page(serve: Callable[..., Served], store: Path) -> None:
    """It says what is missing; a site without outside air has no link to it."""
    site = replace(site_with_frost(), latitude=None, longitude=None)
    served = serve(site, well(site))
    served.reader = lambda: open_reader(store)
    assert "no latitude and longitude" in served.get("/tonight").text
    bare = replace(site_with_frost(), air_series=None)
    other = serve(bare, well(bare))
    other.reader = lambda: open_reader(store)
    assert 'href="/tonight"' not in other.get("/").text
    assert "no series of the outside air" in other.get("/tonight").text


def test_a_chance_is_never_told_as_certain() -> None:
    """Under 1 % and over 99 % where it is not quite so."""
    assert [percent(each) for each in (0.0, 0.004, 0.5, 0.996, 1.0)] == [
        "0 %",
        "under 1 %",
        "50 %",
        "over 99 %",
        "100 %",
    ]


def word(day: int, limit_c: float, call: bool, issue: str = "afternoon") -> ForecastRow:
    spots = {"spigot": {"limit_c": limit_c, "chance": 0.5, "call": call}}
    body = {"issue": issue, "night": date(2026, 10, day).isoformat(), "p10_c": -2.0, "p50_c": 0.0, "p90_c": 2.0,
            "chance_below_0c": 0.5, "spots": spots}  # fmt: skip
    return ForecastRow("night", "air", day, day, json.dumps(body))


def came(day: int, lowest_c: float | None) -> ForecastRow:
    body = {"night": date(2026, 10, day).isoformat(), "came_c": {} if lowest_c is None else {"afternoon": lowest_c}}
    return ForecastRow("night came", "air", day, day, json.dumps(body))


def test_the_season_counts_hits_false_alarms_and_misses() -> None:
    """A warning is real when the night came below the limit of what it called for; unknown nights do not count."""
    rows = [word(1, 0.0, True), came(1, -1.0), word(2, 0.0, True), came(2, 3.0), word(3, 0.0, False), came(3, -2.0),
            word(4, 0.0, False), came(4, 5.0), word(5, 0.0, True), came(5, None)]  # fmt: skip
    assert tally(past_nights(rows)).words() == "2 freeze warnings, 1 real, 1 missed."
    assert past_nights(
        [*rows, ForecastRow("night", "air", 9, 9, "not json"), ForecastRow("night", "air", 9, 9, "[]"),
         ForecastRow("rain", "roof", 9, 9, "{}")]
    ) == past_nights(rows)  # fmt: skip
    assert marks(past_nights(rows), "no such issue") is None


def test_what_was_drained_before_the_first_word_is_neither_called_for_nor_missed() -> None:
    """It held no water: the night says nothing about it. Drained after the word it counts, since the word was acted on."""
    night = date(2026, 10, 14)
    spot = {"limit_c": 1.0, "chance": 0.9, "call": True}

    def said(issue: str, issued_ms: int, **done: str) -> ForecastRow:
        spots = {"garden-spigot": spot | ({"done": done["garden"]} if "garden" in done else {}),
                 "cabin-spigot": spot | ({"done": done["cabin"]} if "cabin" in done else {})}  # fmt: skip
        body = {"night": night.isoformat(), "issue": issue, "p10_c": -3.0, "p50_c": -1.0, "p90_c": 1.0,
                "chance_below_0c": 0.8, "spots": spots}  # fmt: skip
        return ForecastRow("night", "air", issued_ms, issued_ms, json.dumps(body))

    rows = [
        said("afternoon", 1, garden="drained"),
        said("evening", 2, garden="drained", cabin="drained"),
        came(14, -2.0),
    ]
    (found,) = past_nights(rows)
    assert found.called == ("cabin-spigot",)
    assert found.below == ("cabin-spigot",)


def test_a_winter_begins_in_july_and_south_of_the_equator_in_january() -> None:
    """Nights of the winter before do not count."""
    days = ("2026-06-30", "2026-07-01", "2026-10-14")
    bodies = [json.dumps({"night": day, "came_c": {}}) for day in days]
    rows = [ForecastRow("night came", "air", 1, 1, body) for body in bodies]
    assert [each.day.month for each in season_of(past_nights(rows), 37.6)] == [7, 10]
    assert [each.day.month for each in season_of(past_nights(rows), -33.0)] == [6, 7, 10]
    assert season_of([], 37.6) == []
