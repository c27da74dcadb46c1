"""The weekly sheet on its way: once a week, over restarts and outages, to a real mail server."""

from __future__ import annotations

import socket
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import datetime
from email import message_from_bytes
from email.policy import default
from pathlib import Path
from typing import Any

import pytest
from aiosmtpd.controller import Controller

from holdwater.clock import SetClock
from holdwater.config.channels import SmtpChannel
from holdwater.events import Message, Request
from holdwater.loop import Loop
from holdwater.postman import NoPost
from holdwater.sheet_post import AGAIN_S, SheetPost
from holdwater.store.reader import open_reader
from holdwater.store.writer import Store
from holdwater.world import Surroundings
from place import make_site, payload, pressure

DAY_S = 86_400.0
HOUR_MS = 3_600_000


class Box:
    """A mail server's box; what it answers the test sets."""

    def __init__(self) -> None:
        self.answer = "250 taken"
        self.letters: list[Any] = []

    async def handle_DATA(self, server: object, session: object, envelope: Any) -> str:
        """Take a letter, or not."""
        if self.answer.startswith("250"):
            self.letters.append(message_from_bytes(envelope.content, policy=default))
        return self.answer


class Deaf:
    """A world to which nothing goes out."""

    def acks(self, owed: object) -> None:
        """Nothing."""

    def publish(self, topic: str, payload: bytes, *, retain: bool, qos: int = 1) -> bool:
        """Nothing."""
        return True


class House:
    """A real store with eight days of readings, its loop, and the post of its sheets."""

    def __init__(self, folder: Path, port: int) -> None:
        mail = SmtpChannel(
            host="127.0.0.1",
            port=port,
            security="plain",
            sender="water@house.example",
            to=("me@house.example",),
            sheet=True,
        )
        self.site = replace(make_site(folder), channels={"mail": mail})
        zone = self.site.timezone
        self.clock = SetClock(round(datetime(2026, 10, 17, 12, 0, tzinfo=zone).timestamp() * 1000))
        self.store = Store(folder)
        self.loop = Loop(self.site, self.store, Surroundings(self.clock, Deaf(), NoPost(), trusted=lambda: True))
        self.fill()
        self.post = self.start()

    def fill(self) -> None:
        """Eight days: an inch and a half goes each day between 8 and 9 in the morning."""
        begin_ms = self.clock.wall_ms()
        for quarter in range(8 * 96):
            at_ms = begin_ms + quarter * HOUR_MS // 4
            used = (quarter + 16) // 96 + min(1.0, max(0.0, ((quarter + 16) % 96 + 0.0) / 4))
            text = payload(("pressure", "Pa", pressure(1.5 - 0.04 * used)), t_s=at_ms / 1000)
            self.clock.advance_to(at_ms)
            self.loop.handle(Message("water/node/a/readings", text.encode(), at_ms, self.clock.mono_s(), qos=1))
        self.loop.commit()

    def start(self) -> SheetPost:
        """The post as after a start of the service."""
        marks = dict(self.store.connection.execute("SELECT job, mark FROM done WHERE job LIKE 'sheet:%'").fetchall())
        folder = self.site.store.folder
        looks = (lambda: self.loop.snapshot, self.clock.wall_ms, lambda: open_reader(folder))
        self.kept: list[tuple[str, str]] = []
        return SheetPost(self.site, looks, marks, lambda job, mark: self.kept.append((job, mark)))

    def pass_time(self, seconds: float) -> None:
        """Let time pass and tick until nothing is under way; marks go through the loop as in the service."""
        self.clock.advance(seconds)
        end = time.monotonic() + 10
        self.post.tick(self.clock.mono_s())
        while (self.post._busy or self.kept) and time.monotonic() < end:
            for job, mark in self.kept:
                self.loop.handle(Request("mark", {"job": job, "mark": mark}))
            self.kept.clear()
            self.loop.commit()
            time.sleep(0.005)
            if not self.post._back.empty():
                self.post.tick(self.clock.mono_s())


@pytest.fixture
def box() -> Iterator[Box]:
    """A mail server on loopback."""
    found = Box()
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    controller = Controller(found, hostname="127.0.0.1", port=port)
    controller.start()
    found.port = port  # type: ignore[attr-defined]
    yield found
    controller.stop()


@pytest.fixture
def house(tmp_path: Path, box: Box) -> Iterator[House]:
    """The household, on Sunday 25 October 2026 at noon."""
    made = House(tmp_path / "store", box.port)  # type: ignore[attr-defined]
    yield made
    made.store.close()


def until(check: Callable[[], object]) -> None:
    """Wait for what a thread does."""
    end = time.monotonic() + 5
    while not check() and time.monotonic() < end:
        time.sleep(0.005)


@pytest.mark.slow
def test_a_sheet_goes_out_once_a_week_with_the_picture_over_restarts_and_refusals(house: House, box: Box) -> None:
    """The first start sends none; a server that refuses for a while gets it ten minutes later; a restart sends no second."""
    house.pass_time(0.0)
    until(lambda: house.kept)
    house.pass_time(10.0)
    assert house.store.connection.execute("SELECT * FROM done").fetchall() == [("sheet:mail", "2026-10-25")]
    house.pass_time(6.5 * DAY_S)
    assert box.letters == []
    box.answer = "451 later"
    house.pass_time(0.5 * DAY_S)
    house.pass_time(AGAIN_S - 10)
    assert box.letters == []
    box.answer = "250 taken"
    house.pass_time(5)
    assert box.letters == []
    house.pass_time(10)
    (letter,) = box.letters
    assert letter["Subject"] == "Test place: water from Sun 25 Oct to Sat 31 Oct 2026"
    text, picture = letter.iter_parts()
    assert "WARNED, AND WHAT CAME OF IT" in text.get_content()
    assert "Amount, not safety" in text.get_content()
    assert picture.get_filename() == "season.svg"
    assert picture.get_payload(decode=True).startswith(b"<?xml")
    house.post = house.start()
    house.pass_time(DAY_S)
    assert len(box.letters) == 1
    box.answer = "554 never"
    house.pass_time(6 * DAY_S)
    box.answer = "250 taken"
    house.pass_time(DAY_S)
    assert len(box.letters) == 1
    house.pass_time(6 * DAY_S)
    assert len(box.letters) == 2
    assert box.letters[0]["Message-ID"] != box.letters[1]["Message-ID"]


@pytest.mark.slow
def test_without_a_trusted_clock_no_sheet_is_due(house: House, box: Box) -> None:
    """Nobody knows which week it is."""
    house.pass_time(0.0)
    house.pass_time(10.0)
    house.loop._snapshot = replace(house.loop.snapshot, clock_trusted=False)
    house.clock.advance(7 * DAY_S)
    house.post.tick(house.clock.mono_s())
    assert not house.post._busy
    assert box.letters == []


@pytest.mark.slow
def test_the_use_of_the_week_comes_out_of_the_store(house: House) -> None:
    """4 cm a day of a 42 in tank is 35.8 L, 9.4 gal; six whole days of it."""
    from holdwater.sheet import sheet_text
    from holdwater.sheet_week import read_week
    from holdwater.web.view import Scene

    now_ms = house.clock.wall_ms()
    scene = Scene(house.site, house.loop.snapshot, house.site.measure, now_ms)
    with open_reader(house.site.store.folder) as reader:
        week = read_week(house.site, reader, now_ms)
        text = sheet_text(scene, week)
    whole = [each for each in week.books["main"] if each.is_whole]
    assert len(whole) == 7
    gone = sum(each.gone_m3 or 0.0 for each in whole) / len(whole)
    assert gone == pytest.approx(3.14159265 / 4 * 1.0668**2 * 0.04, rel=0.15)
    assert text.startswith("Test place: water from Sun 18 Oct to Sat 24 Oct 2026\n")


def test_only_the_sheets_own_marks_are_taken_from_outside(tmp_path: Path) -> None:
    """The table holds other jobs too."""
    store = Store(tmp_path)
    loop = Loop(make_site(tmp_path), store, Surroundings(SetClock(0), Deaf(), NoPost(), trusted=lambda: True))
    loop.handle(Request("mark", {"job": "clock step", "mark": "x"}))
    loop.commit()
    assert store.connection.execute("SELECT count(*) FROM done").fetchone() == (0,)
    assert "no job 'clock step'" in loop.errors()[0]
    store.close()
