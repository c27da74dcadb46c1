"""The page's forms: notes are written from a phone, and what is wrong stands beside the field it is wrong in."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from urllib.parse import urlencode

import pytest

from holdwater.config.exposures import Exposure
from holdwater.note_figures import QUANTITIES
from holdwater.noting import KINDS, NOTE_KINDS, read_note, takes
from holdwater.tanks.vessels import Link
from holdwater.units import M3_PER_GAL, Measure, parse
from web.household import NOW_MS, household
from web.serving import Answer, Served, Tags

UID = "0123456789abcdef0123"


def write(served: Served, **fields: str) -> Answer:
    return served.post("/note", urlencode({"uid": UID, **fields}).encode())


def test_the_list_has_every_kind_that_makes_sense_here_as_a_plain_link(page: Served) -> None:
    """No script, one link a kind, with what it changes; valves between vessels only where vessels are joined."""
    answer = page.get("/note")
    linked = re.findall(r'href="/note\?kind=([^"]+)"', answer.text)
    names = [each.replace("%20", " ") for each in linked]
    assert sorted(names) == sorted(set(NOTE_KINDS) - {"link shut", "link open"})
    assert "<script" not in answer.text
    assert "A rise in the next 6 hours is then expected." in Tags(answer.text).text


@pytest.mark.parametrize("kind", NOTE_KINDS)
def test_each_kind_has_a_form_with_what_it_takes(page: Served, kind: str) -> None:
    """A label for every field; nothing else is asked."""
    answer = page.get(f"/note?{urlencode({'kind': kind})}")
    assert answer.status == 200
    fields = re.findall(r'<(?:input|select|textarea) id="f-([a-z]+)"', answer.text)
    assert re.findall(r'<label for="f-([a-z]+)"', answer.text) == fields
    wanted = {key for key in ("tank", "volume", "depth", "for", "text") if takes(KINDS[kind], key) != "no"} | {"at"}
    assert set(fields) - {"link", "exposure"} == wanted


def test_a_kind_that_nobody_knows_is_a_page_that_says_so(page: Served) -> None:
    """With the way on."""
    answer = page.get("/note?kind=feast")
    assert answer.status == 404
    assert "no such kind of note" in answer.text


@pytest.mark.parametrize(
    ("kind", "usual"), [("watering", "3 h"), ("working on it", "4 h"), ("away", "7 days"), ("guests", "3 days")]
)
def test_a_duration_begins_with_the_usual_one_of_its_kind(page: Served, kind: str, usual: str) -> None:
    """As the rules hold it when nothing is said."""
    text = page.get(f"/note?{urlencode({'kind': kind})}").text
    assert re.search(r'name="for" type="text" value="([^"]*)"', text)[1] == usual  # type: ignore[index]
    assert parse(usual, "time") == KINDS[kind].usual_s


def test_a_note_goes_through_the_door_and_now_says_what_was_noted(page: Served) -> None:
    """Back to the figures, in the reader's units; the mark in the address says nothing by itself."""
    answer = write(page, kind="load", tank="drinking", volume="125 gal", text="from the spring", at="2026-10-28T16:05")
    assert (answer.status, answer.headers["location"]) == (303, f"/?noted={UID}")
    at_ms = NOW_MS - 75 * 60_000
    wish = {
        "kind": "load",
        "tank": "drinking",
        "volume": "125 gal",
        "text": "from the spring",
        "at_ms": at_ms,
        "uid": UID,
    }
    assert page.hatch.wishes == [("note", wish)]
    assert "Noted: load, drinking, 125 gal, from the spring." in Tags(page.get(f"/?noted={UID}").text).text
    assert "Noted" not in page.get("/?noted=You+have+won").text


def test_an_empty_time_means_now_and_empty_fields_are_not_sent(page: Served) -> None:
    """The service dates it."""
    assert write(page, kind="well run", tank="drinking", volume=" ", text="", at="").status == 303
    assert page.hatch.wishes == [("note", {"kind": "well run", "tank": "drinking", "uid": UID})]


WRONG = (
    ({"kind": "load", "tank": "drinking", "volume": "125"}, "volume", "has no unit"),
    ({"kind": "load", "tank": "drinking", "volume": "125 in"}, "volume", "is a unit of length"),
    ({"kind": "load", "tank": "drinking", "volume": "0 gal"}, "volume", "not more than nothing"),
    ({"kind": "load", "tank": "drinking", "volume": "1250 gal"}, "volume", "more than this tank holds when full"),
    ({"kind": "load", "tank": "drinking", "volume": ""}, "volume", "Write a number and its unit"),
    ({"kind": "load", "tank": "", "volume": "125 gal"}, "tank", "Choose a tank."),
    ({"kind": "load", "tank": "moon", "volume": "125 gal"}, "tank", "There is no tank"),
    ({"kind": "dip", "tank": "drinking", "depth": "90 in"}, "depth", "higher than this tank"),
    ({"kind": "dip", "tank": "drinking", "depth": "40 in", "at": "2026-10-28T18:20"}, "at", "lies ahead"),
    ({"kind": "dip", "tank": "drinking", "depth": "40 in", "at": "yesterday"}, "at", "no date and time"),
    ({"kind": "dip", "tank": "drinking", "depth": "40 in", "at": "1999-10-28T18:20"}, "at", "Look at the year"),
    ({"kind": "away", "for": "4 months"}, "for", "Unknown unit"),
    ({"kind": "away", "for": "30 weeks"}, "for", "longer than 60 days"),
    ({"kind": "other", "text": " "}, "text", "Say it in a few words."),
    ({"kind": "other", "text": "x" * 501}, "text", "longer than 500"),
    ({"kind": "drained", "exposure": "moon"}, "exposure", "Choose one of the list"),
)  # fmt: skip


@pytest.mark.parametrize(("typed", "field", "words"), WRONG)
def test_what_is_wrong_stands_beside_its_field_and_nothing_typed_is_lost(
    serve: Callable[..., Served], typed: dict[str, str], field: str, words: str
) -> None:
    """The same form with the values as typed; nothing went through the door."""
    served = serve(household(exposures={"cabin-spigot": Exposure("cabin-spigot", "spigot")}))
    answer = write(served, **typed)
    assert answer.status == 400
    assert served.hatch.wishes == []
    fault = re.search(rf'<p class="fault" id="e-{field}">(.*?)</p>', answer.text)
    assert fault is not None
    assert words in fault[1]
    assert f'aria-describedby="e-{field}"' in answer.text
    for key, value in typed.items():
        if value and key not in {"exposure", "tank"}:
            assert value in answer.text
    if typed.get("tank") == "drinking":
        assert '<option value="drinking" selected>' in answer.text
    assert f'value="{UID}"' in answer.text


def test_a_refusal_of_the_service_is_said_above_the_form(page: Served) -> None:
    """In its own words, with what was typed."""
    page.hatch.answer = {"error": "no room for it"}
    answer = write(page, kind="load", tank="drinking", volume="125 gal")
    assert answer.status == 400
    assert "Not noted yet. no room for it" in Tags(answer.text).text
    assert "125 gal" in answer.text


def test_sending_the_same_form_twice_is_one_note_to_the_store(page: Served) -> None:
    """The form carries the note's name."""
    for _ in range(2):
        write(page, kind="well run", tank="drinking")
    assert {body["uid"] for _, body in page.hatch.wishes} == {UID}


@pytest.mark.parametrize("uid", ["", "x", "0123456789ABCDEF0123", "0" * 21])
def test_a_form_without_a_name_of_ours_is_refused(page: Served, uid: str) -> None:
    """It was not written by this page."""
    assert page.post("/note", urlencode({"kind": "home", "uid": uid}).encode()).status == 400
    assert page.hatch.wishes == []


def test_two_forms_have_two_names(page: Served) -> None:
    """Two loads on one day are two loads."""
    names = {re.search(r'name="uid" value="([0-9a-f]{20})"', page.get("/note?kind=load").text)[1] for _ in range(2)}  # type: ignore[index]
    assert len(names) == 2


def test_a_link_is_chosen_by_the_vessels_it_joins(serve: Callable[..., Served]) -> None:
    """And sent as tank and number."""
    site = household()
    joined = replace(site.tanks["garden"], links=(Link(("lower", "upper")),))
    served = serve(replace(site, tanks={**site.tanks, "garden": joined}))
    assert "Link shut" in served.get("/note").text
    assert "garden: between lower and upper" in served.get("/note?kind=link+shut").text
    assert write(served, kind="link shut", link="garden/0").status == 303
    assert served.hatch.wishes == [("note", {"kind": "link shut", "tank": "garden", "link": 0, "uid": UID})]
    assert write(served, kind="link shut", link="garden/1").status == 400


def test_a_metric_household_is_asked_in_litres(serve: Callable[..., Served]) -> None:
    """Examples and refusals in its units."""
    site = household(measure=Measure("metric"))
    served = serve(site)
    assert "such as 475 L" in served.get("/note?kind=load").text
    assert (
        "at most 1408 L" in write(served, kind="load", tank="drinking", volume="9 m3").text
    )  # pi/4 1.0668^2 1.5748 m3


@pytest.mark.parametrize("kind", NOTE_KINDS)
def test_what_the_form_sends_is_what_the_rules_know(kind: str) -> None:
    """Every quantity is one that the service parses; the volume comes out in SI."""
    site = household()
    typed = {
        "tank": "drinking",
        "volume": "10 gal",
        "depth": "10 in",
        "for": "2 h",
        "text": "words",
        "link": "drinking/0",
    }
    body, _ = read_note(KINDS[kind], typed, site, NOW_MS)
    assert set(body) <= {"kind", "tank", "link", "exposure", "text", "at_ms", *QUANTITIES}
    if "volume" in body:
        assert parse(str(body["volume"]), "volume") == pytest.approx(10 * M3_PER_GAL)


def test_switching_units_on_a_form_leads_back_to_the_form(page: Served) -> None:
    """Not to the figures."""
    assert 'name="back" value="/note?kind=load"' in page.get("/note?kind=load").text
    answer = page.post("/look", b"units=metric&back=%2Fnote%3Fkind%3Dload")
    assert answer.headers["location"] == "/note?kind=load"
