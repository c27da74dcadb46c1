"""A board that does not know the time takes it from the phone that opens its page."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from urllib.parse import urlencode

import pytest

from web.household import NOW_MS, bad, household
from web.serving import Answer, Served, Tags


@pytest.fixture
def lost(serve: Callable[..., Served]) -> Served:
    """The household while its board does not know the time."""
    site = household()
    served = serve(site, bad(site))
    served.hatch.answer = {"ok": True, "clock": "trusted", "wall_ms": NOW_MS}
    return served


def send(served: Served, **fields: str) -> Answer:
    return served.post("/time", urlencode(fields).encode())


def test_the_offer_stands_on_the_page_only_while_the_clock_is_not_trusted(lost: Served, page: Served) -> None:
    """With a field to type into where there is no script."""
    text = lost.get("/").text
    assert "Take the time from this phone" in text
    assert 'name="at" type="datetime-local"' in text
    assert "America/Denver" in text
    assert "Take the time" not in page.get("/").text


def test_the_phones_time_goes_through_the_door(lost: Served) -> None:
    """To the millisecond, as the phone's."""
    answer = send(lost, ms=str(NOW_MS))
    assert (answer.status, answer.headers["location"]) == (303, "/")
    assert lost.hatch.wishes == [("time", {"source": "phone", "wall_ms": NOW_MS, "sure": False})]


@pytest.mark.parametrize("typed", ["2026-10-28T17:20", "2026-10-28 17:20", "2026-10-28T17:20:00-06:00"])
def test_a_typed_time_is_on_the_households_clock(lost: Served, typed: str) -> None:
    """As a browser without script sends it."""
    assert send(lost, at=typed, ms="").status == 303
    assert lost.hatch.wishes[0][1]["wall_ms"] == NOW_MS


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"ms": ""}, "Type the time instead"),
        ({"ms": "17:20"}, "Type the time instead"),
        ({"ms": "9" * 20}, "Type the time instead"),
        ({"at": "teatime"}, "That is no date and time"),
        ({"at": "2026-13-28T17:20"}, "That is no date and time"),
    ],
)
def test_what_is_no_time_is_said_and_can_be_mended_there(lost: Served, fields: dict[str, str], words: str) -> None:
    """Nothing goes through the door."""
    answer = send(lost, **fields)
    assert answer.status == 400
    assert words in answer.text
    assert 'action="/time"' in answer.text
    assert lost.hatch.wishes == []


def test_a_trusted_clock_is_not_moved_from_the_page(page: Served) -> None:
    """The door is not even asked."""
    answer = send(page, ms=str(NOW_MS))
    assert answer.status == 409
    assert "trusted already" in answer.text
    assert page.hatch.wishes == []


def test_a_refusal_is_a_page_in_the_services_words(lost: Served) -> None:
    """With the offer again."""
    lost.hatch.answer = {
        "error": "that would be Wed 31 Dec 2025, before this program was made; put that clock right first"
    }
    answer = send(lost, ms=str(NOW_MS))
    assert answer.status == 400
    assert (
        "That would be Wed 31 Dec 2025, before this program was made; put that clock right first."
        in Tags(answer.text).text
    )
    assert "Take the time from this phone" in answer.text


@pytest.mark.parametrize("fields", [{"ms": str(NOW_MS)}, {"at": "2026-10-28T17:20"}])
def test_a_time_far_ahead_is_asked_for_once_more(lost: Served, fields: dict[str, str]) -> None:
    """By phone the time is taken anew when *yes* is pressed; a typed one is sent as it was."""
    lost.hatch.answer = {"error": "that would be Sat 3 May 2036", "ask": "sure"}
    answer = send(lost, **fields)
    assert "Is that date right?" in answer.text
    assert ('name="at" value="2026-10-28T17:20"' in answer.text) == ("at" in fields)
    lost.hatch.answer = {"ok": True, "clock": "trusted", "wall_ms": NOW_MS}
    assert send(lost, sure="1", **fields).status == 303
    assert [body["sure"] for _, body in lost.hatch.wishes] == [False, True]


def test_a_time_that_makes_the_clock_no_more_trusted_says_why(lost: Served) -> None:
    """The service took it and still cannot believe it."""
    lost.hatch.answer = {"ok": True, "clock": "the clock is more than a day behind the newest reading", "wall_ms": 0}
    assert "The clock is more than a day behind the newest reading." in send(lost, ms=str(NOW_MS)).text


def test_the_offer_goes_when_the_clock_is_trusted(lost: Served) -> None:
    """With the next look at the page."""
    lost.hatch.snapshot = replace(lost.hatch.snapshot, clock_trusted=True)
    assert "Take the time" not in lost.get("/").text
