"""The server refuses, hangs, floods, dies, comes back: nothing is lost, nothing is given up that it would have taken."""

from __future__ import annotations

import os
import signal
import time
from pathlib import Path

import pytest

from holdwater.config.mirrors import MirrorSettings
from holdwater.mirror.outcome import Accepted, Later, Rejected, TooLarge
from holdwater.mirror.server import Server
from place import MINUTE_MS, START_MS, reading, text_of
from series_servers import cut, drip, flood, hang, reply

LINES = [reading(START_MS + n * 5 * MINUTE_MS, 1.3 - n / 2000) for n in range(100)]  # 200 readings


def refusals(place) -> list[tuple[str, int, str]]:
    """(series, readings, words) of what was given up."""
    from holdwater.mirror.marks import Marks

    marks = Marks.look(place.folder)
    assert marks is not None
    with marks:
        return [(marks.names()[each.series], each.n, each.words) for each in marks.refusals()]


@pytest.mark.parametrize(
    ("status", "headers", "words", "mend"),
    [
        (401, {}, "refuses our token (401)", True),
        (403, {}, "may not write there (403)", True),
        (404, {}, "no such bucket or organisation", True),
        (302, {"Location": "http://127.0.0.1:9/login"}, "a redirect, which is not followed", True),
        (200, {}, "answers 200 where 204 is expected", True),
        (405, {}, "it answers 405", True),
        (429, {"Retry-After": "120"}, "it answers 429", False),
        (500, {}, "it answers 500", False),
        (503, {"Retry-After": "7200"}, "it answers 503", False),
    ],
)
def test_an_answer_about_the_server_gives_up_no_reading(place, influx, status, headers, words, mend) -> None:
    """Said in words, waited for, longer if it asks for it (at most an hour); then everything arrives."""
    server, proxy = influx
    proxy.fault = lambda handler, _lines: reply(handler, status, b'{"message": "no"}', **headers)
    place.to(proxy.url).take(LINES)
    with place.mirror() as mirror:
        waits = [mirror.turn() for _ in range(3)]
        assert words in mirror.why
        assert mirror.waiting >= 200
        assert len(proxy.requests) == 3
        if "Retry-After" in headers:
            assert all(wait >= min(int(headers["Retry-After"]), 3600) for wait in waits)
            assert all(wait <= 3600 for wait in waits)
        else:
            assert 5 <= waits[0] <= 10 <= waits[1] <= 20 <= waits[2] <= 40
        assert server.points().total() == 0
        proxy.fault = None
        while mirror.turn() == 0:
            pass
        assert mirror.why == ""
    assert refusals(place) == []
    assert server.points() == place.held()
    assert set(proxy.authorization) == {"Token t0ken"}
    from holdwater.mirror.standing import standing

    assert standing(place.folder).mend is False


@pytest.mark.slow
@pytest.mark.parametrize("fault", [hang, drip, cut, flood], ids=lambda fault: fault.__name__)
def test_a_request_ends_in_time_whatever_the_server_does(place, influx, fault) -> None:
    """Says nothing; answers a byte at a time; closes; answers a gigabyte: within the deadline, in little memory."""
    server, proxy = influx
    proxy.fault = fault
    place.deadline_s = 0.5
    place.to(proxy.url).take(LINES[:20])
    began = time.monotonic()
    before = rss_kib()
    mirror = place.send()
    assert time.monotonic() - began < 3.0
    assert rss_kib() - before < 20_000
    assert mirror.why
    assert mirror.sent == 0
    proxy.fault = None
    place.deadline_s = 10.0
    place.send()
    assert server.points() == place.held()


def rss_kib() -> int:
    return int(Path(f"/proc/{os.getpid()}/status").read_text().split("VmRSS:")[1].split()[0])


def test_too_large_a_request_is_halved_and_the_next_ones_are_smaller(place, influx) -> None:
    """413 above 30 lines."""
    server, proxy = influx
    proxy.fault = lambda handler, lines: len(lines) > 30 and reply(handler, 413)
    place.to(proxy.url).take(LINES)
    place.send()
    assert server.points() == place.held()
    assert refusals(place) == []
    late = proxy.requests[-4:]
    assert max(late) <= 30


def test_single_lines_that_the_server_cannot_take_are_found_set_aside_and_named(place, influx) -> None:
    """Four of 200, refused without saying which: found by halving, not one by one; the rest is whole; they are not sent for ever."""
    server, proxy = influx
    poison = {LINES[n].at_ms for n in (3, 40, 41, 99)}

    def bad(line: bytes) -> bool:
        return b"quantity=air" in line and int(line.split()[-1]) in poison

    proxy.fault = lambda handler, lines: (
        any(map(bad, lines)) and reply(handler, 400, b'{"error":"unable to parse: dropped=0"}')
    )
    place.to(proxy.url).take(LINES)
    place.send()
    want = place.held()
    for key in [key for key in want if key[1] == "air" and key[2] in poison]:
        del want[key]
    assert server.points() == want
    assert refusals(place) == [("reading:a:air:Cel", 4, "unable to parse: dropped=0")]
    assert len(proxy.requests) < 80
    assert place.send().sent == 0


def test_a_server_that_takes_none_of_the_lines_gives_none_of_them_up(place, influx) -> None:
    """A real type conflict: somebody wrote a truth value into our field. It is said, nothing is set aside; once mended all arrives."""
    server, proxy = influx
    write(proxy, f"reading,site=x value=true {LINES[50].at_ms}")
    place.to(proxy.url).take(LINES)
    mirror = place.send()
    assert "takes none of what it was sent" in mirror.why
    assert "type conflict" in mirror.why
    assert refusals(place) == []
    server.query('DROP MEASUREMENT "reading"')
    place.send()
    assert server.points() == place.held()


def test_an_old_week_that_the_server_cannot_take_does_not_hold_up_the_new(place, influx) -> None:
    """The same conflict in the shard of one week only: that week is named as refused, in few requests; the others are whole."""
    server, proxy = influx
    week = 7 * 86_400_000
    older = [reading(START_MS - week + n * 5 * MINUTE_MS, 1.2) for n in range(50)]
    write(proxy, f"reading,site=x value=true {older[0].at_ms}")
    place.to(proxy.url, batch=60).take([*older, *LINES])
    place.send()
    assert sum(n for _, n, _ in refusals(place)) == 100
    assert all("type conflict" in words for _, _, words in refusals(place))
    newer = {key: n for key, n in place.held().items() if key[2] >= START_MS}
    held = server.influx_points("reading", "water")
    assert {key: n for key, n in held.items() if key[0]} == newer
    assert len(proxy.requests) < 80


def write(proxy, line: str) -> None:
    server = Server(MirrorSettings(proxy.url, "water", "x"))
    assert server.write(line.encode()) == Accepted()
    server.close()


def test_an_unclear_answer_is_sent_again_and_doubles_nothing_where_doubles_are_dropped(
    place, make_server, make_proxy
) -> None:
    """The server stored it, the answer got lost: on InfluxDB by its nature, on victoria-metrics with its switch."""
    for kind, extra in (("influxd", ()), ("victoria-metrics", ("-dedup.minScrapeInterval=1ms",))):
        server = make_server(kind, *extra)
        if kind == "influxd":
            server.make("water")
        proxy = make_proxy(server.port, rewrite=kind == "influxd")

        def lost(handler, lines, server=server, proxy=proxy) -> bool:
            other = make_proxy(server.port, rewrite=proxy.rewrite)
            write(other, b"\n".join(lines).decode())
            return cut(handler, lines)

        proxy.fault = lost
        place.to(proxy.url).take(LINES)
        assert "broke off" in place.send().why
        proxy.fault = None
        place.send()
        assert server.points() == place.held()


def test_a_server_killed_in_the_midst_keeps_its_word_or_is_filled_again(place, victoria) -> None:
    """victoria-metrics says yes and loses its last seconds when killed: --verify sees it, --resend-from mends it."""
    place.to(victoria.url).take(LINES)
    place.send()
    victoria.kill()
    victoria.start()
    assert victoria.points().total() < 200
    from holdwater.mirror.marks import Marks

    with Marks.open(place.folder) as marks:
        marks.forget(START_MS - START_MS % 3_600_000)
    place.send()
    assert victoria.points() == place.held()


@pytest.mark.slow
def test_a_server_that_dies_and_comes_back_again_and_again_ends_up_whole(place, influx) -> None:
    """Killed between batches of 20, ten times; readings go on coming; what it had confirmed it still has."""
    server, proxy = influx
    place.to(proxy.url, batch=20, rate=100_000)
    for n in range(10):
        place.take(LINES[n * 10 : n * 10 + 10])
        if n % 2:
            server.kill()
            assert place.send().why
            server.start()
        place.send()
    place.send()
    assert server.points() == place.held()


@pytest.mark.slow
def test_a_mirror_killed_at_any_moment_sends_what_it_had_not_marked(place, influx) -> None:
    """SIGKILL while it catches up, at different times: no reading is lost; on InfluxDB none is double."""
    import subprocess
    import sys

    server, proxy = influx
    place.take(LINES)
    config = place.folder.parent / "site.toml"
    config.write_text(
        text_of(place.folder, more=f'[mirror]\nurl = "{proxy.url}"\nbucket = "water"\nbatch = 5\nrate = 100000\n')
    )
    for n in range(2):
        seen = len(proxy.requests)
        child = subprocess.Popen([sys.executable, "-m", "holdwater", "mirror", "--once", "--config", str(config)])
        while len(proxy.requests) < seen + 2 + 3 * n and child.poll() is None:
            time.sleep(0.002)
        child.send_signal(signal.SIGKILL)
        child.wait()
    place.to(proxy.url).send()
    assert server.points() == place.held()


def test_the_rate_is_kept_while_catching_up(place, influx) -> None:
    """200 readings in batches of 50 at 100 a second: half a second of waiting after each."""
    place.to(influx[1].url, batch=50, rate=100).take(LINES)
    place.send()
    waits = [each for each in place.pauses if each > 0]
    assert waits[:4] == pytest.approx([0.5] * 4)
    assert sum(waits) >= 2.0


def test_an_answer_in_odd_signs_is_shown_in_one_plain_line(make_proxy) -> None:
    """Control characters, broken UTF-8, a kilobyte of it."""
    body = b'{"message": "a\\u001b[31mb\\n' + b"x" * 1000 + b'"}'
    proxy = make_proxy(1, fault=lambda handler, _lines: reply(handler, 400, body))
    server = Server(MirrorSettings(proxy.url, "water", "x"))
    outcome = server.write(b"a b=1 1")
    assert isinstance(outcome, Rejected)
    assert outcome.words.isprintable()
    assert len(outcome.words) <= 200
    proxy.fault = lambda handler, _lines: reply(handler, 400, b"\xff\xfe\x00")
    assert isinstance(server.write(b"a b=1 1"), Rejected)
    proxy.fault = lambda handler, _lines: reply(handler, 413, b"")
    assert isinstance(server.write(b"a b=1 1"), TooLarge)
    proxy.fault = lambda handler, _lines: reply(handler, 429, b"", Retry_After="Wed, 21 Oct 2015 07:28:00 GMT")
    assert server.write(b"a b=1 1") == Later("it answers 429: Too Many Requests", wait_s=0.0)
    server.close()
