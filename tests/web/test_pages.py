"""The pages over a real socket: what they say, and that reading them changes nothing."""

from __future__ import annotations

import json
import xml.etree.ElementTree as ET
from collections.abc import Callable
from dataclasses import replace

import pytest

from holdwater.errors import BusyError, StoreError
from holdwater.snapshot import Snapshot
from holdwater.units import Measure
from web.household import NOW_MS, SILENT, bad, household, well
from web.serving import Served, Tags

PAGES = ("/", "/season", "/season/table", "/api/now", "/health", "/static/page.css")


def test_now_says_for_each_tank_what_is_usable_how_sure_how_long_and_how_old(page: Served) -> None:
    """Figure with its doubt, days with their range, change since yesterday, age of the reading, in this order."""
    text = Tags(page.get("/").text).text
    assert "212 gal usable, ± 5 lasts about 15 days (12 to 19) 14 gal used since yesterday read 2 min ago" in text
    assert text.index("All well until about Monday 9 November.") < text.index("212")


def test_a_drinking_tank_carries_the_caution_that_amount_is_not_safety(page: Served) -> None:
    """Said once, beside the tank whose water is drunk."""
    assert page.get("/").text.count("Measures amount, not safety.") == 1


def test_an_unknown_level_shows_no_figure_but_the_reason_and_the_last_trusted_one(serve: Callable[..., Served]) -> None:
    """Never zero, never the last good value as if it were now."""
    site = household()
    served = serve(site, bad(site))
    now = json.loads(served.get("/api/now").body)
    cabin = now["tanks"][2]
    assert (cabin["known"], cabin["figure"], cabin["on_hand_m3"]) == (False, "Unknown", None)
    text = Tags(served.get("/").text).text
    assert "ice at the sensor is likely" in text
    assert "last trusted 101 gal, Wed 28 Oct 2:20 am; do not plan on it" in text


def test_notices_say_severity_in_words_and_offer_seen_and_quiet(serve: Callable[..., Served]) -> None:
    """The worst first; one already seen has no button for it."""
    site = household()
    page = serve(site, bad(site)).get("/").text
    text = Tags(page).text
    assert text.index("Act now") < text.index("Act today") < text.index("Know")
    assert 'action="/notice/7/seen"' in page
    assert 'action="/notice/8/seen"' not in page
    assert page.count('name="hours"') == 3


def test_each_severity_has_a_mark_of_its_own_shape(serve: Callable[..., Served]) -> None:
    """No colour without a shape and a word."""
    site = household()
    page = serve(site, bad(site)).get("/").text
    shapes = [part.split("</svg>")[0].split(">", 1)[1] for part in page.split('<svg class="mark ')[1:]]
    assert len(shapes) == len(set(shapes)) == 3


def test_a_watching_notice_is_not_shown(serve: Callable[..., Served]) -> None:
    """It may come to nothing."""
    site = household()
    served = serve(site, replace(well(site), notices=(replace(SILENT, state="watching"),)))
    assert "Cabin sensor" not in served.get("/").text


def test_a_box_that_waits_is_shown_with_the_command_that_accepts_it(serve: Callable[..., Served]) -> None:
    """In words, with what to run."""
    site = household()
    assert "<code>holdwater node accept shed2</code>" in serve(site, bad(site)).get("/").text


def test_an_untrusted_clock_is_said_and_no_age_is_claimed(serve: Callable[..., Served]) -> None:
    """Without a clock there is no age, and no Date header."""
    site = household()
    served = serve(site, bad(site))
    answer = served.get("/")
    assert "The clock of this box is not trusted yet" in answer.text
    assert " ago" not in Tags(answer.text).text
    assert "date" not in answer.headers
    assert "date" in serve(site, well(site)).get("/").headers


def test_a_broken_snapshot_of_no_tank_at_all_still_gives_a_page(serve: Callable[..., Served]) -> None:
    """Before the first reading every level is unknown, and the page says so."""
    served = serve(household(), Snapshot(NOW_MS, True, 0))
    text = Tags(served.get("/").text).text
    assert "No level is known: no trusted reading has come in." in text
    assert "no reading yet" in text


def test_the_data_of_now_says_the_same_as_the_page(page: Served) -> None:
    """One view behind both."""
    now = json.loads(page.get("/api/now").body)
    html = Tags(page.get("/").text).text
    assert now["day"] in html
    for tank in now["tanks"]:
        assert f"{tank['figure']} {tank['unit']} {tank['doubt']}" in html
        ET.fromstring(tank["picture"])


def test_season_draws_every_tank_for_wide_and_narrow_screens_and_lists_every_sign(page: Served) -> None:
    """The list explains each number in words."""
    answer = page.get("/season")
    assert answer.text.count("<svg xmlns") == 2
    text = Tags(answer.text).text
    assert "load, drinking, 125 gal" in text
    assert "act today: Freeze tonight: about 24F (20-28) near 6am." in text


def test_season_of_one_tank_holds_only_its_lane(page: Served) -> None:
    """Tanks are chosen by address."""
    assert "262 gal" not in page.get("/season?tank=drinking&days=30").text
    assert "The last 30 days" in page.get("/season?tank=drinking&days=30").text


def test_the_table_holds_a_row_for_each_local_day(page: Served) -> None:
    """The same data for those who cannot see a picture; the newest day first."""
    page_text = page.get("/season/table?days=120").text
    assert page_text.count("<tr>") == 121
    assert page_text.index("Wed 28 Oct") < page_text.index("Wed 1 Jul")
    assert "unknown" in page_text


@pytest.mark.parametrize(
    "query",
    [
        "days=0",
        "days=-3",
        "days=1e2",
        "days=99999",
        "days=abc",
        "days=%D9%A3",
        "days=",
        "tank=nobody",
        "tank=%00",
        "to=yesterday",
        "to=2026-02-30",
        "to=1970-01-01",
        "to=20261028",
    ],
)
def test_a_wrong_range_or_tank_is_refused_with_what_was_found_and_expected(page: Served, query: str) -> None:
    """A clear error, no traceback."""
    answer = page.get(f"/season?{query}")
    assert answer.status == 400
    assert "expected:" in answer.text
    assert "Traceback" not in answer.text


def test_a_drawn_season_is_kept_until_a_new_reading_comes(page: Served) -> None:
    """One drawing for each range and newest row."""
    for _ in range(3):
        page.get("/season")
    assert page.book.opened == 1
    page.hatch.snapshot = replace(page.hatch.snapshot, newest_ms=NOW_MS)
    page.get("/season")
    assert page.book.opened == 2


def test_units_are_switched_by_a_cookie_and_only_for_this_reader(page: Served) -> None:
    """Metric on this device, the site's own elsewhere."""
    answer = page.post("/look", b"units=metric&back=%2Fseason%3Fdays%3D30")
    assert (answer.status, answer.headers["location"]) == (303, "/season?days=30")
    cookie = answer.headers["set-cookie"]
    assert all(word in cookie for word in ("units=metric", "HttpOnly", "SameSite=strict", "Path=/"))
    assert "803 L" not in page.get("/").text
    text = Tags(page.get("/", Cookie="units=metric").text).text
    assert "802 L usable" in text or "803 L usable" in text
    assert "overflow lip 157.5 cm" in text


def test_day_and_night_are_switched_by_a_cookie(page: Served) -> None:
    """Else the device decides."""
    assert "light=night" in page.post("/look", b"light=night").headers["set-cookie"]
    assert '<html lang="en" class="night">' in page.get("/", Cookie="light=night").text
    assert '<html lang="en">' in page.get("/", Cookie="light=purple; units=furlong").text


@pytest.mark.parametrize(
    "back",
    [
        "https://evil.example/",
        "//evil.example/",
        "/\\evil.example",
        "/notice/7/seen",
        "javascript:alert(1)",
        "/season\r\nX: y",
        "",
    ],
)
def test_a_switch_leads_back_to_our_own_pages_only(page: Served, back: str) -> None:
    """No open redirect, no header injection."""
    from urllib.parse import urlencode

    answer = page.post("/look", urlencode({"light": "day", "back": back}).encode())
    assert answer.headers["location"] == "/"
    assert "x" not in answer.headers


def test_health_is_ok_while_the_loop_beats_and_not_ok_when_it_stands(page: Served) -> None:
    """Without login, without details."""
    assert (page.get("/health").status, page.get("/health").text) == (200, "ok\n")
    page.now_ms = NOW_MS + 300_000
    assert (page.get("/health").status, page.get("/health").text) == (503, "not ok\n")


def test_static_files_are_known_by_their_content(page: Served) -> None:
    """Asked again with the same mark, they are not sent again."""
    first = page.get("/static/page.css")
    again = page.ask("GET", "/static/page.css", {"If-None-Match": first.headers["etag"]})
    assert (first.status, again.status, again.body) == (200, 304, b"")


def test_three_thousand_ranges_are_answered_as_one_whole_file(page: Served) -> None:
    """No range is served, so none can be abused (CVE-2025-62727)."""
    ranges = "bytes=" + ",".join(f"{each}-{each}" for each in range(3000))
    assert page.get("/static/page.css", Range=ranges[:15000]).status == 200


def test_no_page_names_an_outside_address(page: Served) -> None:
    """It works alone: the only http:// is the name space of SVG."""
    for path in PAGES:
        text = page.get(path).text.replace("http://www.w3.org/2000/svg", "")
        assert "http://" not in text
        assert "https://" not in text


def test_seen_and_quiet_go_through_the_door_and_come_back_to_the_page(serve: Callable[..., Served]) -> None:
    """What the button says is what the loop is asked."""
    site = household()
    served = serve(site, bad(site))
    assert served.post("/notice/7/seen").status == 303
    assert served.post("/notice/7/quiet", b"hours=24").status == 303
    assert served.hatch.wishes == [("seen", {"notice": 7}), ("quiet", {"notice": 7, "for_s": 86400})]
    page = served.get("/").text
    assert 'action="/notice/7/seen"' not in page
    assert "quiet until Thu 29 Oct 5:20 pm" in page


@pytest.mark.parametrize("body", [b"", b"hours=25", b"hours=", b"hours=1e9", b"for_s=1", b"hours=\xff"])
def test_quiet_takes_only_the_times_on_the_page(serve: Callable[..., Served], body: bytes) -> None:
    """No notice can be kept quiet for ever."""
    site = household()
    served = serve(site, bad(site))
    assert served.post("/notice/7/quiet", body).status == 400
    assert served.hatch.wishes == []


def test_a_notice_that_is_gone_is_refused_in_words(page: Served) -> None:
    """The loop's own words reach the reader."""
    answer = page.post("/notice/99/seen")
    assert answer.status == 409
    assert "no notice has the number 99" in answer.text


def test_a_service_that_does_not_answer_is_said_and_what_to_do(page: Served) -> None:
    """The wish may have been carried out: look again."""
    page.hatch.fault = BusyError("no answer within 5 s", where="seen", do="look at it again in a minute")
    answer = page.post("/notice/7/seen")
    assert answer.status == 503
    assert "look at it again in a minute" in answer.text


def test_a_fault_of_ours_tells_nothing_but_that_it_failed(page: Served) -> None:
    """No traceback, no path, no secret; the log has it."""

    def broken() -> object:
        raise RuntimeError("/var/lib/holdwater canary-4711")

    page.reader = broken
    answer = page.get("/season")
    assert (answer.status, answer.text) == (500, "This page failed. The service goes on; its log says why.\n")


def test_a_store_that_cannot_be_read_gives_not_just_now_without_its_path(page: Served) -> None:
    """Paths stay in the log."""

    def locked() -> object:
        raise StoreError("cannot read", where="/var/lib/holdwater/canary")

    page.reader = locked
    answer = page.get("/season")
    assert answer.status == 503
    assert "canary" not in answer.text


def test_a_site_without_tanks_still_gives_pages(serve: Callable[..., Served]) -> None:
    """A config may begin empty."""
    site = household(tanks={}, air_series=None, rain_series=None)
    served = serve(site, Snapshot(NOW_MS, True, 0))
    for path in PAGES:
        assert served.get(path).status == 200


def test_get_and_head_of_every_route_change_nothing(serve: Callable[..., Served]) -> None:
    """Routes that change something answer 405 to anything but POST."""
    site = household()
    served = serve(site, bad(site))
    before = served.hatch.snapshot
    for route in served.app.routes:
        path = route.path.replace("{id:int}", "7").replace("{name}", "page.css")  # type: ignore[attr-defined]
        for method in ("GET", "HEAD"):
            answer = served.ask(method, path, served.own)
            only_post = route.methods == {"POST"}  # type: ignore[attr-defined]
            assert answer.status == (405 if only_post else 200), path
            assert "set-cookie" not in answer.headers
    assert served.hatch.wishes == []
    assert served.hatch.snapshot is before


def test_metric_sites_write_metric_without_a_cookie(serve: Callable[..., Served]) -> None:
    """The config's units are the default."""
    site = household(measure=Measure("metric"))
    assert "17:19" in serve(site, well(site)).get("/").text
