"""What strangers may not do: tables W1 to W5, W8, W10 of faults and threats, as a client over a real socket."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import replace

import pytest

from holdwater.snapshot import NodeNow, Snapshot
from holdwater.store.rows import NoteRow
from holdwater.web.guard import BODY_MOST, POLICY
from web.household import FREEZE, LOW, NOW_MS, bad, household, season_book, tank_now, tanks, well
from web.serving import Answer, Served, Tags

POSTS = ("/notice/7/seen", "/notice/7/quiet", "/look", "/note", "/time")
FORM = {"Content-Type": "application/x-www-form-urlencoded"}


@pytest.fixture(scope="module")
def bare() -> Iterator[Served]:
    """One page for all tests whose requests must not change anything."""
    site = household()
    served = Served(site, bad(site))
    yield served
    served.server.stop()


@pytest.fixture
def stern(serve: Callable[..., Served]) -> Served:
    """A page with notices to press buttons on."""
    site = household()
    return serve(site, bad(site))


@pytest.mark.parametrize("path", POSTS)
@pytest.mark.parametrize(
    "headers",
    [
        {},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
        {"Sec-Fetch-Site": "none"},
        {"Sec-Fetch-Site": ""},
        {"Sec-Fetch-Site": "cross-site", "Origin": "http://127.0.0.1"},
        {"Origin": "null"},
        {"Origin": ""},
        {"Origin": "http://evil.example"},
        {"Origin": "http://127.0.0.1:1"},
    ],
)
def test_a_post_that_is_not_from_our_own_page_is_refused(bare: Served, path: str, headers: dict[str, str]) -> None:
    """OWASP Cross-Site Request Forgery Prevention Cheat Sheet: Fetch Metadata, Origin as the fall-back."""
    answer = bare.post(path, b"hours=24&units=metric", {**FORM, **headers})
    assert answer.status == 403
    assert "set-cookie" not in answer.headers
    assert bare.hatch.wishes == []


def test_a_post_with_our_own_origin_is_taken_where_fetch_metadata_is_absent(stern: Served) -> None:
    """Browsers leave Fetch Metadata out on plain http."""
    origin = {"Origin": f"http://127.0.0.1:{stern.server.port}", **FORM}
    assert stern.post("/notice/7/seen", b"", origin).status == 303


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "OPTIONS", "TRACE"])
def test_other_methods_change_nothing(bare: Served, method: str) -> None:
    """Refused with 403 from strangers, 405 from our own bare."""
    assert bare.ask(method, "/notice/7/seen").status == 403
    assert bare.ask(method, "/notice/7/seen", bare.own).status == 405
    assert bare.hatch.wishes == []


@pytest.mark.parametrize(
    ("host", "status"),
    [
        ("127.0.0.1", 200),
        ("localhost", 200),
        ("LOCALHOST:9", 200),
        ("water.home", 200),
        ("Water.Home.:8080", 200),
        ("evil.example", 400),
        ("127.0.0.1.nip.io", 400),
        ("127.0.0.2", 400),
        ("2130706433", 400),
        ("127.1", 400),
        ("0x7f000001", 400),
        ("[::1]", 400),
        ("water.home.evil.example", 400),
        ("evil.example/water.home", 400),
        ("water.home@evil.example", 400),
        ("", 400),
    ],
)
def test_only_known_hosts_are_answered(bare: Served, host: str, status: int) -> None:
    """DNS rebinding: a name that nobody configured gets nothing."""
    answer = bare.raw(f"GET / HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\r\n".encode())
    assert answer.split(b" ", 2)[1] == str(status).encode()


def test_a_double_host_or_none_at_all_is_refused(bare: Served) -> None:
    """HTTP/1.0 without Host, HTTP/1.1 with two or none."""
    for request in (
        b"GET / HTTP/1.0\r\n\r\n",
        b"GET / HTTP/1.1\r\nConnection: close\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: water.home\r\nHost: evil.example\r\nConnection: close\r\n\r\n",
    ):
        assert bare.raw(request).split(b" ", 2)[1] == b"400"


CLIMBS = (
    "..", "../..", "%2e%2e", "..%2f..%2fapp.py", "..%5capp.py", "%00", "page.css%00", "....//app.py", "//etc/passwd",
    "%2e%2e%2f%2e%2e%2fguard.py", "..;/app.py", "%c0%ae%c0%ae/app.py", "page.css/../../app.py", "%252e%252e%252fapp.py",
)  # fmt: skip


@pytest.mark.parametrize("climb", CLIMBS)
def test_no_path_leads_out_of_the_fixed_list_of_files(bare: Served, climb: str) -> None:
    """Every route with a path part: 404 (or 405 for a button), never a file."""
    for prefix in ("/static/", "/notice/", "/"):
        answer = bare.raw(f"GET {prefix}{climb} HTTP/1.1\r\nHost: water.home\r\nConnection: close\r\n\r\n".encode())
        assert answer.split(b" ", 2)[1] in {b"400", b"404", b"405"}, prefix + climb
        assert b"create_app" not in answer
        assert b"root:" not in answer


def _answers(served: Served) -> Iterator[tuple[str, Answer]]:
    for path in (
        "/",
        "/season",
        "/season/table",
        "/api/now",
        "/health",
        "/static/now.js",
        "/nowhere",
        "/season?days=x",
    ):
        yield path, served.get(path)
    yield "405", served.get("/look")
    yield "403", served.post("/look", b"", FORM)
    yield "409", served.post("/notice/99/seen")
    yield "303", served.post("/look", b"light=day")
    yield "413", served.post("/look", b"x" * (BODY_MOST + 1))
    yield "415", served.post("/look", b"{}", {**served.own, "Content-Type": "application/json"})
    yield "host", served.get("/", Host="evil.example")

    def broken() -> object:
        raise RuntimeError("x")

    served.reader = broken
    yield "500", served.get("/season?days=9")


def test_every_answer_carries_the_policy_errors_too(stern: Served) -> None:
    """The whole list of headers, and none that tells what serves it."""
    for name, answer in _answers(stern):
        if name.isdigit():
            assert answer.status == int(name), name
        assert answer.headers["content-security-policy"] == POLICY, name
        assert answer.headers["x-content-type-options"] == "nosniff", name
        assert answer.headers["referrer-policy"] == "same-origin", name
        assert answer.headers["cache-control"] in {"no-store", "no-cache"}, name
        assert "server" not in answer.headers, name
        assert not re.search(r"uvicorn|starlette|python|Traceback|holdwater/web", answer.text), name


def test_what_is_no_http_gets_a_400_with_the_policy(bare: Served) -> None:
    """Refused below the app, with the same headers."""
    answer = bare.raw(b"\x16\x03\x01\x02\x00\x01\x00\r\n\r\n")
    assert answer.startswith(b"HTTP/1.1 400")
    assert POLICY.encode() in answer
    assert b"server:" not in answer.lower()


def test_the_policy_is_the_strict_one() -> None:
    """Nothing inline, nothing from elsewhere, no frame around it."""
    parts = dict(part.split(" ", 1) for part in POLICY.split("; "))
    assert parts["default-src"] == parts["frame-ancestors"] == parts["base-uri"] == "'none'"
    assert parts["script-src"] == parts["style-src"] == parts["connect-src"] == parts["form-action"] == "'self'"
    assert "unsafe" not in POLICY


def test_a_long_body_is_counted_while_it_comes_with_and_without_a_length(stern: Served) -> None:
    """64 kB and not a byte more is read."""
    fits = b"hours=24&x=" + b"y" * (BODY_MOST - 11)
    assert stern.post("/notice/7/quiet", fits).status == 303
    assert stern.post("/notice/7/quiet", fits + b"y").status == 413
    chunks = stern.ask("POST", "/look", {**stern.own, "Transfer-Encoding": "chunked"}, iter([b"y" * 8192] * 9))
    assert chunks.status == 413


def test_many_fields_are_refused(stern: Served) -> None:
    """A form of ours has two fields; a thousand are not parsed."""
    assert stern.post("/look", b"&".join(b"a=1" for _ in range(1000))).status == 400


HOSTILE = (
    "<script>alert(1)</script>", "\"><img src=x onerror=alert(1)>", "'-alert(1)-'", "</title><svg/onload=alert(1)>", "{{7*7}}{% raw %}",
    "</svg><script>alert(1)</script>", "javascript:alert(1)", "<!--", "]]><script>alert(1)</script>", "\x00\x1b[31m\u202e", "&lt;b&gt;",
)  # fmt: skip


def hostile(serve: Callable[..., Served], text: str) -> Served:
    """A site in which every text that comes from outside is hostile."""
    plain = tanks()
    named = {
        text: replace(plain["drinking"], name=text, uses=("drinking", text)),
        text + "2": replace(plain["cabin"], name=text + "2"),
    }
    site = household(name=text, tanks=named)
    now = (
        tank_now(named[text], 100, reason=text, quality=102),
        replace(tank_now(named[text + "2"], 100, reason=text), depth_m=None, on_hand_m3=None),
    )
    notices = tuple(replace(each, short=text, long=text, subject=text, kind=text) for each in (LOW, FREEZE))
    notices += (replace(LOW, id=10, severity=text),)
    served = serve(
        site, Snapshot(NOW_MS, False, NOW_MS, now, notices, (NodeNow(text, "waiting", NOW_MS, text),), broker=text)
    )
    book = season_book(household())
    served.book.hours = {text: book.hours["drinking"], text + "2": []}
    served.book.rolled = book.rolled
    served.book.written = [
        NoteRow(1, "a", NOW_MS - 9_000_000, NOW_MS, text, {"tank": text, "text": text, "volume_m3": 0.4})
    ]
    served.book.steps = [replace(book.steps[0], short=text, severity=text), replace(book.steps[1], short=text)]
    return served


HOSTILE_PAGES = ("/", "/season", "/season/table", "/season?tank=%3Cscript%3E")


CALM: dict[str, list[str]] = {}


def calm_tags(serve: Callable[..., Served]) -> dict[str, list[str]]:
    """The tags of each page when every text is harmless; worked out once."""
    if not CALM:
        served = hostile(serve, "x" * 20)
        CALM.update(
            {path: [name for name in Tags(served.get(path).text).names if name != "text"] for path in HOSTILE_PAGES}
        )
    return CALM


@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_text_changes_no_tag_of_any_page(serve: Callable[..., Served], text: str) -> None:
    """Names, units, notes, notices, reasons, the broker's words: text they are and text they stay."""
    evil, calm = hostile(serve, text), calm_tags(serve)
    for path in HOSTILE_PAGES:
        page = evil.get(path)
        # The picture wraps a reason by its words, so the number of <text> may differ; nothing else may.
        assert [name for name in Tags(page.text).names if name != "text"] == calm[path], path
        for tag, name, value in Tags(page.text).attributes:
            assert not name.startswith("on"), (tag, name)
            assert name != "style", tag
            if name in {"href", "src", "action"}:
                assert value.startswith(("/", "#")), (tag, name, value)


def test_hostile_text_stays_data_in_the_json(serve: Callable[..., Served]) -> None:
    """And the type says that it is no page."""
    answer = hostile(serve, HOSTILE[0]).get("/api/now")
    assert answer.headers["content-type"] == "application/json"
    assert "<script>" not in answer.text.replace("\\", "").split('"picture"')[1].split('"on_hand_m3"')[0]


def test_a_site_answers_only_to_the_names_in_its_config(serve: Callable[..., Served]) -> None:
    """Other names are other sites' business."""
    site = household()
    served = serve(replace(site, page=replace(site.page, hosts=())), well(site))
    assert served.get("/", Host="water.home").status == 400
