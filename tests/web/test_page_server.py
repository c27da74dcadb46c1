"""The page's server: deadlines, limits, ports, and that it sleeps. W9 of faults and threats."""

from __future__ import annotations

import selectors
import socket
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import pytest

from holdwater.errors import BusyError, OutsideError
from holdwater.web.protocol import Limits
from holdwater.web.server import PageServer
from web.household import household, well
from web.serving import Served

HALF = b"GET / HTTP/1.1\r\nHost: water.home\r\n"


@contextmanager
def links(port: int, count: int, data: bytes = HALF, source: str = "127.0.0.1") -> Iterator[list[socket.socket]]:
    """So many connections that sent only so much."""
    with ExitStack() as stack:
        found = []
        for _ in range(count):
            link = stack.enter_context(
                socket.create_connection(("127.0.0.1", port), timeout=10, source_address=(source, 0))
            )
            link.sendall(data)
            found.append(link)
        yield found


def ended(some: list[socket.socket], within_s: float) -> int:
    """How many were closed by the other side within that time; waits no longer than needed."""
    until, closed = time.monotonic() + within_s, 0
    with selectors.DefaultSelector() as watch:
        for link in some:
            link.setblocking(False)
            watch.register(link, selectors.EVENT_READ)
        while closed < len(some) and (left := until - time.monotonic()) > 0:
            for key, _ in watch.select(left):
                link = key.fileobj
                assert isinstance(link, socket.socket)
                try:
                    over = link.recv(65536) == b""
                except ConnectionResetError:
                    over = True
                if over:
                    watch.unregister(link)
                    closed += 1
    return closed


def quick(served: Served) -> float:
    """Seconds until the page answers."""
    began = time.monotonic()
    assert served.get("/").status == 200
    return time.monotonic() - began


@pytest.mark.slow
def test_three_hundred_half_sent_requests_lock_nobody_out_and_are_all_closed(serve: Callable[..., Served]) -> None:
    """From many addresses and from the owner's own: the page answers within a second; all are gone by the deadline."""
    served = serve(household(), limits=Limits(receive_s=1.0))
    with ExitStack() as stack:
        some = []
        for number in range(30):
            some += stack.enter_context(links(served.server.port, 10, source=f"127.0.0.{number + 1}"))
            if number % 10 == 0:
                assert quick(served) < 1.0
        assert quick(served) < 1.0
        assert ended(some, 3.0) == 300


@pytest.mark.slow
def test_a_half_sent_request_is_closed_at_its_deadline_even_if_it_drips(serve: Callable[..., Served]) -> None:
    """A byte now and then does not buy more time; silence from the start does not either."""
    served = serve(household(), limits=Limits(receive_s=0.4))
    for data in (b"", b"G", HALF, b"POST /look HTTP/1.1\r\nHost: water.home\r\nContent-Length: 99\r\n\r\nab"):
        with links(served.server.port, 1, data) as (link,):
            began = time.monotonic()
            gone = False
            while not gone and time.monotonic() - began < 2.0:
                try:
                    link.sendall(b"x")
                    gone = bool(ended([link], 0.05))
                except OSError:
                    gone = True
            assert gone
            assert time.monotonic() - began < 1.5


def test_the_default_limits_are_those_of_the_threat_table() -> None:
    """10 s, 64 connections, 8 from one address."""
    limits = Limits()
    assert (limits.receive_s, limits.connections, limits.connections_each) == (10.0, 64, 8)


def test_a_ninth_connection_from_one_address_takes_the_place_of_the_longest_waiting(
    serve: Callable[..., Served],
) -> None:
    """The newcomer is served: somebody who sends a whole request is never shut out by those who do not."""
    served = serve(household())
    with links(served.server.port, 8) as some:
        assert quick(served) < 1.0
        assert ended(some[:1], 2.0) == 1
        assert ended(some[1:], 0.05) == 0


def test_when_all_places_are_busy_with_answers_the_newcomer_is_turned_away(serve: Callable[..., Served]) -> None:
    """Nobody who is being answered is cut off for a stranger."""
    served = serve(household(), limits=Limits(connections=2, connections_each=2))
    free = threading.Event()
    real = served.book.reader

    def slow() -> object:
        assert free.wait(10)
        return real()

    served.reader = slow
    ask = b"GET /season HTTP/1.1\r\nHost: water.home\r\nConnection: close\r\n\r\n"
    with links(served.server.port, 2, ask) as busy:
        while served.server.busy < 2:
            threading.Event().wait(0.01)
        with socket.create_connection(("127.0.0.1", served.server.port), timeout=5) as late:
            assert ended([late], 3.0) == 1
        free.set()
        assert all(link.recv(15).startswith(b"HTTP/1.1 200") for link in busy)


def test_places_are_given_back(serve: Callable[..., Served]) -> None:
    """A hundred visits one after the other, more than there are places."""
    served = serve(household(), limits=Limits(connections=4, connections_each=2))
    assert all(served.get("/health").status == 200 for _ in range(100))


@pytest.mark.slow
def test_an_answer_nobody_takes_ends_too(serve: Callable[..., Served]) -> None:
    """A reader who stops reading does not hold a place for ever."""
    served = serve(household(), limits=Limits(answer_s=0.5, receive_s=0.5))
    with socket.socket() as link:
        link.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 2048)
        link.settimeout(10)
        link.connect(("127.0.0.1", served.server.port))
        link.sendall(b"GET /season HTTP/1.1\r\nHost: water.home\r\n\r\n" * 60)
        until = time.monotonic() + 5
        gone = False
        while not gone and time.monotonic() < until:
            try:
                link.sendall(b"x")
                threading.Event().wait(0.1)
            except OSError:
                gone = True
        assert gone


def test_requests_sent_in_one_go_are_answered_in_order(page: Served) -> None:
    """Pipelining (RFC 9112, 9.3.2), the last one ending the connection."""
    keep = b"GET /health HTTP/1.1\r\nHost: water.home\r\n\r\n"
    last = b"GET /health HTTP/1.1\r\nHost: water.home\r\nConnection: close\r\n\r\n"
    assert page.raw(keep * 3 + last).count(b"HTTP/1.1 200") == 4


def test_a_port_in_use_is_said_with_what_to_do(page: Served) -> None:
    """BusyError with the address."""
    with pytest.raises(BusyError) as caught:
        PageServer(page.app, "127.0.0.1", page.server.port).start()
    assert f"127.0.0.1:{page.server.port}" in caught.value.words()
    assert "choose another port" in caught.value.words()


@pytest.mark.parametrize(("host", "port"), [("192.0.2.1", 0), ("not a host", 0), ("127.0.0.1", 70000)])
def test_an_address_that_is_not_ours_is_said(page: Served, host: str, port: int) -> None:
    """192.0.2.1 is for documentation (RFC 5737): no machine has it."""
    with pytest.raises(OutsideError) as caught:
        PageServer(page.app, host, port).start()
    assert "listen under [page]" in caught.value.words()


def test_it_ends_with_its_thread_and_starts_again_on_the_same_port(serve: Callable[..., Served]) -> None:
    """Stopping twice is harmless."""
    served = serve(household())
    port = served.server.port
    assert served.server.alive
    served.server.stop()
    served.server.stop()
    assert not served.server.alive
    assert not [each for each in threading.enumerate() if each.name == "page"]
    again = PageServer(served.app, "127.0.0.1", port)
    again.start()
    again.stop()


def test_stopping_does_not_wait_for_half_sent_requests(serve: Callable[..., Served]) -> None:
    """The service ends in time whoever hangs on the line."""
    served = serve(household())
    with links(served.server.port, 5):
        began = time.monotonic()
        served.server.stop()
        assert time.monotonic() - began < 3.0


@pytest.mark.slow
def test_it_sleeps_when_nobody_asks(page: Served) -> None:
    """Its thread is not woken once in a second (the framework's own loop wakes ten times)."""
    page.get("/health")
    thread = next(each for each in threading.enumerate() if each.name == "page")
    status = Path(f"/proc/self/task/{thread.native_id}/status")

    def woken() -> int:
        return int(next(line.split()[1] for line in status.read_text().splitlines() if line.startswith("voluntary")))

    def second() -> int:
        before = woken()
        threading.Event().wait(1.0)
        return woken() - before

    assert second() <= 1 or second() <= 1  # the end of the answer above may fall into the first


def test_ipv6_loopback_is_served_under_its_own_address() -> None:
    """Where this machine has IPv6."""
    site = household()
    served = Served(site, well(site))
    try:
        server = PageServer(served.app, "::1", 0)
        try:
            server.start()
        except OutsideError:
            pytest.skip("no IPv6 loopback on this machine")
        with socket.create_connection(("::1", server.port), timeout=5) as link:
            link.sendall(b"GET /health HTTP/1.1\r\nHost: [::1]\r\nConnection: close\r\n\r\n")
            assert link.recv(100).startswith(b"HTTP/1.1 200")
        server.stop()
    finally:
        served.server.stop()


@pytest.mark.slow
@pytest.mark.parametrize("path", ["/season", "/season?tank=drinking"])
def test_a_season_of_120_days_is_served_in_50_ms(page: Served, path: str) -> None:
    """Hourly rows, drawn afresh each time; processor time of server and client together, as other programs share the machine."""
    if sys.gettrace() is not None:
        pytest.skip("times under a tracer mean nothing")
    times = []
    for number in range(8):
        page.now_ms += 60_000 * (number > 0)
        began = time.process_time()
        assert page.get(path).status == 200
        times.append((time.process_time() - began) * 1000)
    assert page.book.opened == 8
    assert min(times) <= 50
