"""The one loop that owns the store: events in, one transaction, then acknowledgements, receipts, answers and notices out.

Nothing goes out before the commit that it rests on. All time comes from the clock that the loop is given, so the same loop serves the
running service, `replay` and the tests.
"""

from __future__ import annotations

import logging
import sqlite3
import threading
import zlib
from collections.abc import Callable, Iterable
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from holdwater import aside, power
from holdwater.alerts.facts import Moment as AlertMoment
from holdwater.books import Learned
from holdwater.clock import StepWatch
from holdwater.drill import Drill
from holdwater.errors import HoldwaterError
from holdwater.events import BrokerState, Delivered, Event, Message, Request, Stop, Tick, TimeGiven
from holdwater.evolving import Evolution
from holdwater.gauge import Place
from holdwater.intake.decode import Decoder, Pack, Presence, Wish
from holdwater.levels import StoredRecord
from holdwater.mending import AGAIN_S, Mending
from holdwater.outlook import Outlook
from holdwater.picture import BY_HAND_MS, Picture
from holdwater.reception import Fresh, Moment, Reception, Refused
from holdwater.release import Release
from holdwater.restoring import named_nodes, notes_on_levels, restored_frost, restored_rules
from holdwater.rollup import RollUp
from holdwater.slack import SLICE_HOURS, Slack
from holdwater.snapshot import NodeNow, Snapshot
from holdwater.store.batch import Ack, Batch
from holdwater.store.reader import Reader
from holdwater.store.rows import HOUR_MS
from holdwater.wishes import Wishes, told_ms
from holdwater.world import Surroundings
from holdwater_sensors.errors import PayloadError
from holdwater_sensors.water import gravity

if TYPE_CHECKING:
    from holdwater.alerts.rows import Change
    from holdwater.books import Saved
    from holdwater.config.site import Site
    from holdwater.store.writer import Store

log = logging.getLogger(__name__)

TICK_S = 20.0
"""How often time alone is looked at: the clock, channels that fail. What is due at a known time (silence, repeats, deliveries) has it."""

EARLY_TICK_S = 8.0
"""A tick is taken along so early when the loop is awake anyway: a tick of its own is a wake-up more."""

SNAPSHOT_S = 0.25
"""Shortest time between two snapshots: the page shows at most four a second."""

WARM_MS = 8 * HOUR_MS
"""Readings that a start feeds to the gauges again: as far as one hour of history looks back by itself."""

MEMORY_S = 240.0
"""How old the kept memory of the rules (intervals, what flows) may be while no notice moved: written with each commit, it was 40 % of
what a reading costs the card. After a power cut the rules have a gap that much longer; readings and notices have none."""

MOST_EVENTS = 256

MOST_REASON = 500
"""Longest reason kept with a message that was set aside: it may quote what was sent."""

MOST_HELD = 50_000
"""Readings held while the store cannot be written; past it nothing is taken, the inbox fills and the broker keeps the rest."""


class Loop:
    """State and store of one site. `handle` an event, `commit` when due; `run` does both for a service."""

    def __init__(self, site: Site, store: Store, given: Surroundings) -> None:
        self.site = site
        self.store = store
        self._clock = given.clock
        self._outward = given.outward
        self._post = given.post
        self._trusted = given.trusted
        self._window = given.window
        self._ticked = given.ticked
        self._why_untrusted = given.why_untrusted
        self._told_time = given.told_time
        self._backup_words = given.backup_words
        self._batch = Batch()
        self._release = Release(site.store.commit_every_s, given.window())
        self._sparing = _sparing_of(site)
        self._steps = StepWatch()
        self._decoder = Decoder(site.broker.prefix, site.routes)
        known = store.known()
        units = {each.series: each.unit for each in site.instruments.values()}
        self._reception = Reception(
            known, named_nodes(site), units, round(site.store.keep_raw_s * 1000), site.broker.prefix, store.uuid
        )
        place = Place(site.barometer_series, gravity(site.latitude, site.elevation_m))
        self.picture = Picture(site, place)
        self.rollup = RollUp(store.connection, site, place)
        self._reception.mark_all(
            store.connection.execute("SELECT series, hour FROM dirty WHERE task = 'roll'").fetchall()
        )
        kept = store.connection.execute(
            "SELECT kind, subject, through, body FROM model ORDER BY kind, subject"
        ).fetchall()
        self._learned = Learned(site, [row for row in kept if row[0] in Learned.KINDS])
        self._drill = Drill(
            site, dict(store.connection.execute("SELECT job, mark FROM done WHERE job LIKE 'test:%'").fetchall())
        )
        self._alerts = restored_rules(site, store, self._learned.usual_m3)
        done = self._alerts.done(self._clock.wall_ms())
        frost = restored_frost(site, store, kept, self._reception.newest_ms, self.picture, done)
        outlook = Outlook(site, self._learned, self._alerts)
        self._live = Evolution(site, self.picture, self._alerts, outlook, frost)
        self.picture.lasts, self.picture.haul = self._lasts, outlook.haul
        self.wishes = Wishes(self._reception, self._alerts, self.picture, site)
        self.slack = Slack(
            store, self.rollup, self._learned, self._reception, self._clock, keep_raw_ms=round(site.store.keep_raw_s * 1000),
            noted_ms=lambda: self.wishes.noted_ms, keep=self._learn,
        )  # fmt: skip
        self._broker = ""
        self._stopping = False
        self._snapshot = Snapshot(self._clock.wall_ms(), self._trusted(), self._reception.newest_ms)
        self._changed = True
        self._snapshot_s = -1e9
        self._tick_s = -1e9
        self._memory_s = -1e9
        self._ask_undated = True
        self._errors: list[str] = []
        self.turned_s = self._clock.mono_s()
        self.last_commit_s = self._clock.mono_s()
        self._mending = Mending(store, self.slack.ballast)
        self._told_in_fault = 0
        self.rollup.begin_if_changed()
        self._keep_config()
        self._warm_up()

    # -- looking -------------------------------------------------------------------------------------------------------------------

    @property
    def snapshot(self) -> Snapshot:
        """The latest picture; immutable."""
        return self._snapshot

    def now(self) -> Moment:
        """Both clocks, read once."""
        clock = self._clock
        return Moment(clock.wall_ms(), clock.mono_s(), self._trusted(), clock.boot_id())

    @property
    def newest_ms(self) -> int:
        """Time of the newest accepted reading; -1 before the first."""
        return self._reception.newest_ms

    def rules_due_s(self) -> float | None:
        """Monotonic time at which time alone changes something for the rules."""
        return self._alerts.next_due_s()

    def errors(self) -> list[str]:
        """What was refused of the wishes of this batch, in words; asking takes them out."""
        found, self._errors = self._errors, []
        return found

    # -- starting ------------------------------------------------------------------------------------------------------------------

    def _keep_config(self) -> None:
        """Store the config with its time if it differs from the last one stored."""
        row = self.store.connection.execute("SELECT sha FROM config ORDER BY id DESC LIMIT 1").fetchone()
        if row is None or bytes(row[0]) != self.site.sha:
            self._batch.configs.append((self._clock.wall_ms(), self.site.sha, self.site.text))
            self._batch.urgent = True

    def _warm_up(self) -> None:
        """Feed the newest hours to the gauges, without rules: a restart changes nothing and says nothing."""
        dips = self.wishes.restore_notes(notes_on_levels(self.store))
        newest = max(self._reception.newest_ms, self.wishes.noted_ms)
        if newest < 0:
            return
        start_ms = newest - WARM_MS
        self.picture.recall(StoredRecord(Reader(self.store.connection, str(self.store.path))), start_ms, newest + 1)
        rows = self.store.connection.execute(
            "SELECT r.ts, n.name || ':' || s.quantity, s.unit, s.digits, r.value, r.flag FROM reading r "
            "JOIN series s ON s.id = r.series JOIN node n ON n.id = s.node WHERE r.ts >= ? ORDER BY r.ts, r.series",
            (start_ms,),
        ).fetchall()
        self.picture.feed_stored(rows, [each for each in dips if each.at_ms >= newest - BY_HAND_MS])
        hours = self.store.connection.execute(
            "SELECT tank, start, closing FROM level WHERE span = ? AND start > ? AND closing IS NOT NULL ORDER BY start",
            (HOUR_MS, newest - 27 * HOUR_MS),
        )
        for tank, start, closing in hours.fetchall():
            if tank in self.site.tanks:
                self.picture.remember(tank, start, closing)

    # -- events --------------------------------------------------------------------------------------------------------------------

    def handle(self, event: Event) -> None:
        """Take one event into the batch."""
        now = self.now()
        self._look_at_clock(now)
        self._take_event(event, now)

    def _take_event(self, event: Event, now: Moment) -> None:
        if isinstance(event, Message):
            self._message(event, now)
        elif isinstance(event, Request):
            self._request(event, now)
        elif isinstance(event, Delivered):
            self._batch.sent += self._post.delivered(event, now)
            self._batch.urgent = True
        elif isinstance(event, BrokerState):
            self._broker = event.words
            self._changed = True
            self._release.window = self._window()
            self._take_in(self.wishes.broker(event, now))
        elif isinstance(event, Tick):
            self.tick(now)
        elif isinstance(event, TimeGiven):
            self._batch.counts["times given"] += 1
            self._changed, self._snapshot_s = True, -1e9  # who told it looks at the page at once
        elif isinstance(event, Stop):
            self._stopping = True
        if isinstance(event, Message) or (self._batch.has_rows and not isinstance(event, Tick)):
            self._release.came(now.mono_s)

    def _look_at_clock(self, now: Moment) -> None:
        step_ms = self._steps.look(self._clock)
        if step_ms:
            log.warning("the clock stepped by %.0f s", step_ms / 1000)
            self._batch.counts["clock steps"] += 1
            self._batch.marks["clock step"] = f"{step_ms} ms to {now.wall_ms}"
            self._changed = True
        if now.trusted and self._batch.move_undated is None and self._undated_wait():
            self._batch.move_undated = (now.boot, now.wall_ms - round(now.mono_s * 1000))

    def _undated_wait(self) -> bool:
        """Whether rows of this boot wait for the clock; asked of the store when some may have come."""
        if not self._ask_undated:
            return False
        boot = self._clock.boot_id()
        try:
            row = self.store.connection.execute("SELECT 1 FROM undated WHERE boot = ? LIMIT 1", (boot,)).fetchone()
        except sqlite3.Error:
            return False  # asked again at the next event; an event must not be lost for it
        self._ask_undated = False
        return row is not None

    def _message(self, message: Message, now: Moment) -> None:
        if message.qos:
            self._batch.acks.append(Ack(message.mid, message.qos, message.connection))
        found: Pack | Presence | Wish | None = None
        try:
            found = self._decoder.decode(message)
            if isinstance(found, Presence):
                self._reception.presence[found.node] = found.state
                self._changed = True
            elif message.retain:
                self._batch.counts["retained, not taken"] += 1
            elif isinstance(found, Wish):
                self._wish(found, message, now)
            else:
                self._pack(found, message, now)
        except (PayloadError, HoldwaterError, ValueError) as error:
            self._set_aside(message, str(error), now)
        except Refused as error:
            self._set_aside(message, error.reason, now)
            if isinstance(found, Pack) and found.run is not None and found.seq is not None:
                self._reception.handled(found.node, found.run, found.seq, found.keep, self._batch)

    def _wish(self, wish: Wish, message: Message, now: Moment) -> None:
        if wish.what == "time":
            self._told_time("message", told_ms(wish.body, now))
            self._batch.counts["times given"] += 1
            return
        changes, answer = self.wishes.carry_out(Request(wish.what, wish.body), self._batch, now)
        self._take_in(changes)
        self._take_in(self._live.on_done(now, self._batch))
        if "error" in answer:
            self._set_aside(message, str(answer["error"]), now)

    def _pack(self, found: Pack, message: Message, now: Moment) -> None:
        fresh = self._reception.take(found, message, self._batch, now)
        self._changed = True
        self._ask_undated = self._ask_undated or bool(self._batch.undated)
        if fresh:
            self._evolve(fresh, now)

    def _set_aside(self, message: Message, reason: str, now: Moment) -> None:
        topic = message.topic.encode() if isinstance(message.topic, str) else message.topic
        reason = " ".join(reason.encode("utf-8", "backslashreplace").decode().split())[:MOST_REASON]
        self._batch.quarantine.append((now.wall_ms, topic[:1024], message.payload[:16_384], reason))
        self._batch.counts["quarantined"] += 1
        self._changed = True

    def _evolve(self, fresh: list[Fresh], now: Moment) -> None:
        """Move the live state."""
        if self._sparing is not None and self.site.power is not None:
            for each in fresh:
                if each.series == self.site.power.board_series:
                    self._spare(self._sparing, each)
        self._take_in(self._live.on_readings(fresh, now, self._batch))

    def _spare(self, sparing: power.Sparing, reading: Fresh) -> None:
        """Write less often while the board's battery is low. The page is the service's to switch off, at its tick."""
        if sparing.take(reading.ts_ms, reading.value_si):
            settings = self.site.power
            every_s = settings.commit_every_s if settings is not None and sparing.on else 0.0
            self._release.every_s = max(self.site.store.commit_every_s, every_s)
            self._tick_s = -1e9  # so that the page follows at once, not at the next tick
            words = "low: sparing, written less often" if sparing.on else "well: no longer sparing"
            log.warning("the board's battery (%s, %.2f V) is %s", reading.series, reading.value_si, words)

    @property
    def sparing(self) -> bool:
        """Whether the board's battery is being spared."""
        return self._sparing is not None and self._sparing.on

    def _request(self, request: Request, now: Moment) -> None:
        if request.what == "recompute":
            self.rollup.begin()
            changes: list[Change] = []
            answer: dict[str, Any] = {"ok": True}
        elif request.what == "read again":
            changes, answer = [], self._read_again(now)
        else:
            changes, answer = self.wishes.carry_out(request, self._batch, now)
        self._take_in(changes)
        self._take_in(self._live.on_done(now, self._batch))
        if "error" in answer:
            self._errors = [*self._errors[-20:], str(answer["error"])]
        self._batch.urgent = True
        self._changed = True
        if request.answer is not None:
            self._batch.answers.append((request.answer, answer))

    def _read_again(self, now: Moment) -> dict[str, Any]:
        """Put what was set aside through the door once more."""
        if self._batch.read_again:
            return {"error": "the last reading is not on the card yet; ask again"}
        door = aside.Door(self._decoder, self._reception, self._evolve)
        read, left = aside.read_again(aside.rows_of(self.store.connection), door, self._batch, now)
        return {"ok": True, "read": read, "left": left}

    def _take_in(self, changes: Iterable[Change]) -> None:
        for change in changes:
            kept = change if self._post.sends else replace(change, outbox=())
            self._batch.changes.append(kept)
            self._batch.urgent = self._batch.urgent or kept.is_urgent
            self._changed = True

    def tick(self, now: Moment) -> None:
        """Let time pass for rules and post."""
        self._tick_s = now.mono_s
        self._changed = True  # a level grows old by time alone
        facts = [("clock", "clock", now.trusted, self._why_untrusted())]
        if self._post.sends:
            facts += self._drill.facts(now, self._alerts.active())
            self._batch.marks |= self._drill.marks()
        facts += [("undelivered", name, False, words) for name, _, words in self._post.failing(now)]
        if (words := self._backup_words()) is not None:
            facts.append(("card", "backup", not words, words))
        self._take_in(self.wishes.facts(now, facts))
        self._take_in(self._alerts.tick(AlertMoment(now.wall_ms, now.mono_s, now.trusted)))
        self._take_in(self._live.on_time(now, self._batch))
        self._batch.sent += self._post.send_due(now)
        self._ticked()

    # -- committing ----------------------------------------------------------------------------------------------------------------

    def commit(self) -> None:
        """Write the batch in one transaction, then let go of what rests on it.

        Raises:
            sqlite3.Error: nothing was written and nothing went out; the batch is kept and may be committed again.
        """
        batch, now_s = self._batch, self._clock.mono_s()
        owed = len(batch.acks)
        if batch.has_rows:
            if batch.changes or batch.urgent or (batch.readings and now_s - self._memory_s >= MEMORY_S):
                self._remember(now_s)
            self.store.write(batch)
            self.last_commit_s = now_s
        self._batch = Batch()
        told, self._told_in_fault = self._told_in_fault, 0
        self._release.released(now_s, owed)
        if batch.acks:
            self._outward.acks(batch.acks)
        for each in _latest(batch):
            self._outward.publish(each.topic, each.payload, retain=each.retain, qos=each.qos)
        self._swap_snapshot()
        for future, answer in batch.answers:
            future.set_result(answer)
        if batch.changes[told:]:
            self._post.committed(batch.changes[told:])
            self._batch.sent += self._post.send_due(self.now())

    def _remember(self, now_s: float) -> None:
        """What the rules must know after a restart goes into the batch."""
        self._memory_s = now_s
        memory = zlib.compress(self._alerts.memory().encode())  # so it fits one page of the store
        self._batch.models["alerts", "memory"] = (1, max(self._reception.newest_ms, 0), memory)

    def wait_s(self) -> float:
        """Seconds until something is due: commit, tick, delivery."""
        now = self.now()
        waits = [self._tick_s + TICK_S - now.mono_s]
        if self._changed:
            waits.append(self._snapshot_s + SNAPSHOT_S - now.mono_s)
        commit = self._release.wait_s(now.mono_s, len(self._batch.acks), urgent=self._batch.urgent)
        due = self._alerts.next_due_s()
        post = self._post.next_due_s(now)
        waits += [each for each in (commit, None if due is None else due - now.mono_s, post) if each is not None]
        return max(0.0, min(waits))

    def commit_if_due(self) -> None:
        """Commit when the release says so."""
        if self._release.wait_s(self._clock.mono_s(), len(self._batch.acks), urgent=self._batch.urgent) == 0.0:
            self.commit()

    def _swap_snapshot(self) -> None:
        if not self._changed:
            return
        now = self.now()
        if now.mono_s - self._snapshot_s < SNAPSHOT_S:
            return
        self._changed = False
        self._snapshot_s = now.mono_s
        self._snapshot = self._make_snapshot(now)

    def _make_snapshot(self, now: Moment) -> Snapshot:
        nodes = tuple(
            NodeNow(node.name, node.state, node.heard_ms, self._reception.presence.get(node.name, ""))
            for node in self._reception.nodes
        )
        return Snapshot(
            made_ms=now.wall_ms, clock_trusted=now.trusted, newest_ms=self._reception.newest_ms, tanks=self.picture.tanks(now.wall_ms),
            notices=self._alerts.active(), nodes=nodes, series=self.picture.series(), broker=self._broker,
            meters=self.picture.meters(now.wall_ms),
        )  # fmt: skip

    def _learn(self, models: Iterable[Saved]) -> None:
        """What a day has taught goes into the batch."""
        for kind, subject, through, body in models:
            self._batch.models[kind, subject] = (1, through, body)
        self._changed = True

    def _lasts(self, tank: str, on_hand_m3: float, u_m3: float) -> tuple[float | None, float | None, float | None]:
        days = self._learned.days(tank, self.newest_ms, on_hand_m3, u_m3)
        return days.low, days.mid, days.high

    # -- the service's thread ------------------------------------------------------------------------------------------------------

    def run(self, take: Callable[[int, float], list[Event]], tick_due: threading.Event) -> None:
        """Turn until a `Stop` event; `take` waits for events, `tick_due` is set by the scheduler."""
        while not self._stopping:
            self.turned_s = self._clock.mono_s()
            if self._batch.has_rows or self._batch.acks or not self._slice():
                wait = AGAIN_S if self._mending.under_way else self.wait_s()
                events = take(MOST_EVENTS if len(self._batch.readings) < MOST_HELD else 0, wait)
            else:
                events = take(MOST_EVENTS, 0.0)
            self._turn(events, tick_due)
        self._last_commit()

    def _slice(self) -> bool:
        """Slack work, unless the store is at fault; a fault that it meets is one like any other."""
        if self._mending.under_way:
            return False
        try:
            return self.slack.step()
        except sqlite3.Error as error:
            self._fault(error)
            return False

    def _turn(self, events: list[Event], tick_due: threading.Event) -> None:
        now = self.now()
        if events:
            self._look_at_clock(now)  # both clocks are read once for all that came together; a step is applied first
            for event in events:
                self._take_event(event, now)
            now = self.now()
        due_s = EARLY_TICK_S if events else TICK_S
        if tick_due.is_set() or self._tick_s + due_s - now.mono_s <= 0 or _past(self._alerts.next_due_s(), now.mono_s):
            tick_due.clear()
            self._look_at_clock(now)
            self.tick(now)
        elif _past_zero(self._post.next_due_s(now)):
            self._batch.sent += self._post.send_due(now)
        try:
            if self._mending.may_try(now.mono_s):
                self.commit_if_due()
                self._mended()
        except sqlite3.Error as error:
            self._fault(error)
        self._swap_snapshot()

    def _mended(self) -> None:
        if self._mending.under_way and not self._batch.has_rows:
            self._mending.over()
            self._say_store("")

    def _fault(self, error: sqlite3.Error) -> None:
        """The store cannot be written: hold the batch and its acks, tell from memory, try again in a second.

        Raises:
            StoreError: only a new start can mend it.
        """
        if self._mending.meet(error, self._clock.mono_s()):
            self._batch.counts["store faults"] += 1
        self.rollup.use(self.store.connection)
        self._batch.urgent = True
        self._say_store(f"{error}")
        told, self._told_in_fault = self._batch.changes[self._told_in_fault :], len(self._batch.changes)
        self._post.committed(told)
        self._batch.sent += self._post.send_due(self.now())

    def _say_store(self, words: str) -> None:
        self.wishes.store_words = words
        self._take_in(self.wishes.facts(self.now()))

    def _last_commit(self) -> None:
        try:
            self._remember(self._clock.mono_s())
            self.commit()
            self.slack.settle(hours=SLICE_HOURS)
        except sqlite3.Error:
            log.exception("the last commit failed; what was not acknowledged comes again")


def _sparing_of(site: Site) -> power.Sparing | None:
    if site.power is None:
        return None
    return power.Sparing(site.power.sparing_below_v, site.power.back_above_v, round(site.power.after_s * 1000))


def _latest(batch: Batch) -> list[Any]:
    """Publications, the last one of each retained topic only: a receipt says all that the ones before it said."""
    latest = {each.topic: at for at, each in enumerate(batch.publications) if each.retain}
    return [each for at, each in enumerate(batch.publications) if not each.retain or latest[each.topic] == at]


def _past(due_s: float | None, now_s: float) -> bool:
    return due_s is not None and due_s <= now_s


def _past_zero(wait_s: float | None) -> bool:
    return wait_s is not None and wait_s <= 0.0
