"""The running service: store, loop, broker, post, page, control socket and tick, put together and taken apart."""

from __future__ import annotations

import contextlib
import dataclasses
import logging
import sqlite3
import sys
import threading
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, Protocol

from apscheduler.schedulers.background import BackgroundScheduler

from holdwater import __version__
from holdwater.clock import Clock, Trusted
from holdwater.control import SOCKET_NAME, ControlServer
from holdwater.door import Inbox, LoopDoor
from holdwater.errors import HoldwaterError, OutsideError
from holdwater.events import Event, Stop, TimeGiven
from holdwater.intake.connection import Connection, Outward
from holdwater.intake.decode import Decoder
from holdwater.loop import Loop
from holdwater.memory import give_back
from holdwater.postman import Postman
from holdwater.recording import to_line
from holdwater.snapshot import Snapshot
from holdwater.statetopics import StateTopics
from holdwater.store.reader import Reader, open_reader
from holdwater.store.writer import Store, cannot_write
from holdwater.supervisor import Supervisor
from holdwater.telltime import take_time
from holdwater.trust import ClockTrust, GuidedClock
from holdwater.world import Surroundings

if TYPE_CHECKING:
    from holdwater.config.outwards import HeartbeatSettings
    from holdwater.config.site import Site
    from holdwater.heartbeat import Heartbeat
    from holdwater.mirror.child import MirrorChild
    from holdwater.second_copy import SecondCopy
    from holdwater.sheet_post import SheetPost

log = logging.getLogger(__name__)

SWITCH_S = 0.0005
"""Thread switch interval: beside one page being drawn a 20-row commit took 21 ms with Python's default, 2 ms with this."""


ARM_S = 60.0
"""How often the scheduler calls for a tick, beside the loop's own: its answer costs four wake-ups of two threads."""


class Server(Protocol):
    """The page's server."""

    def start(self) -> None:
        """Open the port and serve, in a thread of its own."""
        ...

    def stop(self) -> None:
        """Close it."""
        ...


class Tap:
    """Writes what the loop takes as a recording, while somebody asked for one."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._file: IO[str] | None = None
        self._until_s = 0.0
        self.count = 0

    def begin(self, path: Path, for_s: float) -> None:
        """Start writing to a new file, for a while.

        Raises:
            OutsideError: the file cannot be made.
        """
        self.end()
        try:
            self._file = path.open("x", encoding="utf-8", buffering=1)
        except OSError as error:
            raise OutsideError(
                f"cannot make this file: {error.strerror}", where=str(path), do="give a path that does not exist yet"
            ) from error
        self._until_s = self._clock.mono_s() + for_s
        self.count = 0

    def note(self, events: list[Event]) -> None:
        """Write events."""
        if self._file is None:
            return
        for event in events:
            line = to_line(event, self._clock.wall_ms())
            if line is not None:
                self._file.write(line + "\n")
                self.count += 1
        if self._clock.mono_s() >= self._until_s:
            self.end()

    def end(self) -> None:
        """Close the file."""
        if self._file is not None:
            self._file.close()
            self._file = None

    @property
    def open(self) -> bool:
        """True while a recording is written."""
        return self._file is not None


class Service:
    """One site, running. `start`, then `run` in the main thread until `stop`.

    Args:
        site: the site.
        clock: the machine's clocks.
        believed: True when this machine's clock counts as right without a source.
    """

    def __init__(self, site: Site, clock: Clock | None = None, *, believed: bool = False) -> None:
        self.site = site
        self._clock = clock or GuidedClock()
        self._inbox = Inbox()
        self._tick_due = threading.Event()
        self._supervisor = Supervisor()
        self._started_s = self._clock.mono_s()
        self._store = Store(site.store.folder)
        try:
            newest = self._store.connection.execute("SELECT max(ts) FROM reading").fetchone()[0]
            self.trust = ClockTrust(self._clock, newest, believed=believed)
            self._connection = self._connect()
            self._states = StateTopics(
                site,
                self._publish_state,
                lambda: self._connection.number if self._connection.connected else 0,
                lambda: self._connection.expires,
            )
            self._heartbeat = None if site.heartbeat is None else _heartbeat(site.heartbeat)
            self._copy = self._make_copy()
            self._post = Postman(site, self._store.connection, self._publish_text, self._inbox.put)
            given = Surroundings(
                self._clock,
                self._connection,
                self._post,
                self.trust,
                window=lambda: self._connection.window,
                ticked=self._ticked,
                why_untrusted=self._why_untrusted,
                told_time=self.trust.tell,
                backup_words=lambda: "" if self._copy is None else self._copy.words,
            )
            self.loop = Loop(site, self._store, given)
        except sqlite3.Error as error:
            self._store.close()
            raise cannot_write(error, self._store.path) from error
        except BaseException:
            self._store.close()
            raise
        self.door = LoopDoor(self._inbox)
        self._sheet = self._make_sheet()
        self._beside: dict[str, Callable[[dict[str, Any]], dict[str, Any]]] = {
            "status": self._status,
            "record": self._record,
            "time": self._time,
        }
        self._tap = Tap(self._clock)
        self._control = ControlServer(site.store.folder / SOCKET_NAME, self.ask)
        self._page: Server | None = None
        self._mirror = self._make_mirror()
        self._scheduler = BackgroundScheduler(timezone=UTC, daemon=True)
        self._armed_s = -1e9

    def _connect(self) -> Connection:
        broker = self.site.broker
        subscriptions = Decoder(broker.prefix, self.site.routes).subscriptions()
        outward = Outward(self._inbox.put, self._inbox.put_messages, self._clock.wall_ms, self._clock.mono_s)
        return Connection(broker, subscriptions, outward, broker.version)

    def _publish_state(self, topic: str, payload: str, retain: bool, expiry_s: int) -> bool:
        return self._connection.publish(topic, payload.encode(), retain=retain, expiry_s=expiry_s)

    def _publish_text(self, topic: str, payload: str, retain: bool) -> bool:
        return self._connection.connected and self._connection.publish(topic, payload.encode(), retain=retain)

    # -- life ------------------------------------------------------------------------------------------------------------------------

    def start(self) -> None:
        """Open socket, page and connection; the loop is not turning yet.

        Raises:
            BusyError: the page's port is in use.
            OutsideError: the control socket cannot be made.
        """
        sys.setswitchinterval(SWITCH_S)
        with contextlib.suppress(
            sqlite3.Error
        ):  # a full card at the start: the batch is kept, the loop knows what to do
            self.loop.commit()
        try:
            self._control.start()
            if self.site.page.on:
                self._page = self._make_page()
                self._page.start()
        except BaseException:
            self._close()
            raise
        self._post.start()
        if self._heartbeat is not None:
            self._heartbeat.start()
        if self._copy is not None:
            self._copy.start()
        self._connection.start()
        if self._mirror is not None:
            self._mirror.start(self._clock.mono_s())
        self._scheduler.start()
        self._arm()
        give_back()
        self._supervisor.say("READY=1")

    def run(self) -> None:
        """Turn the loop in this thread until `stop`."""
        try:
            self.loop.run(self._take, self._tick_due)
        finally:
            self._close()

    def stop(self) -> None:
        """Ask the loop to commit and end; may be called from a signal handler or another thread."""
        self._supervisor.say("STOPPING=1")
        self._inbox.put(Stop())

    def _close(self) -> None:
        if self._scheduler.running:
            self._scheduler.shutdown(wait=False)
        self._states.dark()
        self._connection.stop()
        if self._mirror is not None:
            self._mirror.stop()
        self._post.stop()
        if self._heartbeat is not None:
            self._heartbeat.stop()
        if self._copy is not None:
            self._copy.stop()
        if self._page is not None:
            self._page.stop()
        self._control.stop()
        self._tap.end()
        self._store.close()

    def _make_sheet(self) -> SheetPost | None:
        if not any(channel.sheet for channel in self.site.channels.values()):
            return None
        from holdwater.sheet_post import SheetPost  # noqa: PLC0415 -- only where a channel asks for it

        marks = self._store.connection.execute("SELECT job, mark FROM done WHERE job LIKE 'sheet:%'").fetchall()

        def keep(job: str, mark: str) -> None:
            self.door.ask("mark", {"job": job, "mark": mark}, 60.0)

        return SheetPost(self.site, (self.snapshot, self._clock.wall_ms, self.reader), dict(marks), keep)

    def _make_copy(self) -> SecondCopy | None:
        if self.site.backup is None:
            return None
        from holdwater.second_copy import SecondCopy  # noqa: PLC0415 -- only where one is asked for

        return SecondCopy(self.site.store.folder, self.site.backup, self.site.timezone)

    def _make_mirror(self) -> MirrorChild | None:
        if self.site.mirror is None:
            return None
        from holdwater.mirror.child import MirrorChild  # noqa: PLC0415 -- only where there is a mirror

        return MirrorChild(self.site)

    def _make_page(self) -> Server:
        # Imported here: without a page its 20 MiB are never loaded.
        from holdwater.web.app import create_app  # noqa: PLC0415
        from holdwater.web.server import PageServer  # noqa: PLC0415

        app = create_app(self.site, self.snapshot, self.reader, self, self._clock.wall_ms)
        return PageServer(app, self.site.page.host, self.site.page.port)

    def _spare_page(self) -> None:
        """The page goes off while the board's battery is spared, and comes back after."""
        if self.loop.sparing and self._page is not None:
            self._page.stop()
            self._page = None
            log.warning("the page is off while the battery is low; holdwater status still answers")
        elif not self.loop.sparing and self._page is None and self.site.page.on:
            page = self._make_page()
            with contextlib.suppress(HoldwaterError):  # the port was taken meanwhile: tried again at the next tick
                page.start()
                self._page = page
                log.info("the page is back: %s", self.site.page.address)

    def _why_untrusted(self) -> str:
        trust = self.trust.answer()
        return "" if isinstance(trust, Trusted) else trust.reason

    # -- the loop's neighbours ---------------------------------------------------------------------------------------------------------

    def _take(self, most: int, timeout_s: float) -> list[Event]:
        events = self._inbox.take(most, timeout_s)
        if events and self._tap.open:
            self._tap.note(events)
        return events

    def _arm(self) -> None:
        """One one-shot job, armed anew by each tick: an interval job would list every run missed by a step of the clock."""
        self._armed_s = self._clock.mono_s()
        due = datetime.now(UTC) + timedelta(seconds=ARM_S)
        self._scheduler.add_job(
            self._due, "date", run_date=due, id="tick", replace_existing=True, misfire_grace_time=None, coalesce=True
        )

    def _due(self) -> None:
        self._tick_due.set()
        self._inbox.wake()

    def _ticked(self) -> None:
        """After each tick of the loop: arm the next, look after the network thread, tell the supervisor that we live."""
        if self._clock.mono_s() - self._armed_s >= ARM_S:
            self._arm()
        if not self._connection.alive:
            log.error("the broker thread stands still; starting a new one")
            self._connection.restart()
        if self._mirror is not None:
            self._mirror.look(self._clock.mono_s())
        self._supervisor.say("WATCHDOG=1")
        self._spare_page()
        if self._sheet is not None:
            self._sheet.tick(self._clock.mono_s())
        if self._heartbeat is not None:
            self._heartbeat.tick(self._clock.mono_s())
        if self._copy is not None:
            self._copy.tick(self._clock.mono_s(), self._clock.wall_ms(), trusted=not self._why_untrusted())
        self._states.tick(self.snapshot(), self._clock.wall_ms(), self._clock.mono_s())

    # -- looking -----------------------------------------------------------------------------------------------------------------------

    def snapshot(self) -> Snapshot:
        """The loop's latest picture."""
        return self.loop.snapshot

    def reader(self) -> Reader:
        """A reader of the store, for one thread."""
        return open_reader(self.site.store.folder)

    def ask(self, what: str, body: dict[str, Any], timeout_s: float = 5.0) -> dict[str, Any]:
        """See `Door.ask`: what the loop need not decide is answered here, the rest goes through its inbox."""
        act = self._beside.get(what)
        return self.door.ask(what, body, timeout_s) if act is None else act(body)

    def _status(self, _body: dict[str, Any]) -> dict[str, Any]:
        trust = self.trust.answer()
        return {
            "version": __version__,
            "site": self.site.name,
            "wall_ms": self._clock.wall_ms(),
            "snapshot": dataclasses.asdict(self.snapshot()),
            "clock": "trusted" if isinstance(trust, Trusted) else trust.reason,
            "sparing": self.loop.sparing,
            "broker": self._connection.words,
            "inbox": len(self._inbox),
            "mirror": None if self._mirror is None else self._mirror.status(),
            "up_s": round(self._clock.mono_s() - self._started_s),
        }

    def _record(self, body: dict[str, Any]) -> dict[str, Any]:
        path = Path(str(body.get("file", "")))
        if not path.is_absolute():
            raise HoldwaterError(f"{path} is not an absolute path", where="record")
        self._tap.begin(path, float(body.get("for_s", 600.0)))
        return {"ok": True}

    def _time(self, body: dict[str, Any]) -> dict[str, Any]:
        answer = take_time(self.trust, self._clock, self.loop.newest_ms, self.site.timezone, body)
        if "error" not in answer:
            self._inbox.put(TimeGiven(str(body.get("source", "owner")), self._clock.wall_ms()))
        return answer


def _heartbeat(settings: HeartbeatSettings) -> Heartbeat:
    from holdwater.heartbeat import Heartbeat, sender_of  # noqa: PLC0415 -- only where one is configured

    return Heartbeat(settings.every_s, sender_of(settings))
