"""Who may speak, what is new, and when it was: from packs to dated rows in the batch.

Identity (STORE rules 3 to 5): a numbered pack is known by (run, seq); a reading with its own time by (series, time); a reading with
neither is dated at arrival and only believed when it cannot have waited at the broker.
"""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import replace
from operator import attrgetter
from typing import TYPE_CHECKING, NamedTuple

from holdwater.intake.decode import Pack, Reading
from holdwater.runs import begin, take
from holdwater.store.batch import Batch, NewSeries, NodeState, Publication
from holdwater.store.digits import digits_for, pack
from holdwater.store.rows import HOUR_MS
from holdwater.units import wire_unit

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping

    from holdwater.events import Message
    from holdwater.store.writer import Known

AHEAD_MS = 300_000
"""A reading stamped further ahead of a trusted clock than this is set aside: one stamped 2099 must not make all later ones late."""

MOST_UNKNOWN = 64
MOST_SERIES = 64
"""Most series of one node; the rest is counted and dropped, so that a mad node cannot fill the store with names."""

LITTLE_MS = 86_400_000
"""So far ahead two clocks may be apart and both be meant well; beyond it the stamp is taken for wrong."""

_T_S = attrgetter("t_s")

MOST_LOST = 1_000_000
"""Most lost packs counted for one jump of a node's numbers."""

MOST_A_MINUTE = 20_000
"""Most readings of one node per minute of reading time without pack numbers. A legal flood (backlog) is spread over reading time."""


class Fresh(NamedTuple):
    """A reading newer than all before it of its series: it moves the live state. Late ones only move history."""

    series: str
    ts_ms: int
    value_si: float


class Moment(NamedTuple):
    """Both clocks, as the loop read them, and whether the wall clock may be believed."""

    wall_ms: int
    mono_s: float
    trusted: bool
    boot: str


class Refused(Exception):  # noqa: N818 -- an outcome, not a fault
    """The pack is set aside whole; `reason` goes into the quarantine."""

    def __init__(self, reason: str) -> None:
        self.reason = reason
        super().__init__(reason)


class Reception:
    """Registers nodes, series and runs in memory, and adds rows to the batch of the moment."""

    def __init__(
        self, known: Known, named: Collection[str], units: Mapping[str, str], keep_ms: int, prefix: str, store_uuid: str
    ) -> None:
        self._nodes = known.nodes
        self._series = known.series
        self._runs = known.runs
        self.newest = known.newest
        self._named = frozenset(named)
        self._units = units
        self._keep_ms = keep_ms
        self._prefix = prefix
        self._store = store_uuid
        self._next_node = 1 + max((node.id for node in self._nodes.values()), default=0)
        self._next_series = 1 + max((series.id for series in self._series.values()), default=0)
        self._marked: set[tuple[int, int]] = set()
        self._names: dict[int, str] = {}
        self._minute: dict[int, tuple[int, int]] = {}
        self.newest_ms = max(self.newest.values(), default=-1)
        self.presence: dict[str, str] = {}

    @property
    def nodes(self) -> tuple[NodeState, ...]:
        """All nodes known."""
        return tuple(self._nodes.values())

    def accept(self, name: str, batch: Batch, now: Moment) -> None:
        """Accept a waiting node, or one not heard of yet."""
        node = self._nodes.get(name) or self._new_node(name, "waiting", now)
        self._set(replace(node, state="accepted"), batch)

    def retire(self, name: str, batch: Batch) -> bool:
        """Stop listening to a node; False when it is unknown."""
        node = self._nodes.get(name)
        if node is not None:
            self._set(replace(node, state="retired"), batch)
        return node is not None

    def take(self, pack_: Pack, message: Message, batch: Batch, now: Moment) -> list[Fresh]:
        """Add a pack's rows to the batch.

        Returns:
            The readings that move the live state, in time order.

        Raises:
            Refused: the pack is set aside whole.
        """
        node = self._heard(pack_.node, batch, now)
        if node is None or node.state != "accepted":
            batch.counts["from unknown nodes"] += 1
            return []
        if pack_.numbered:
            return self._numbered(node, pack_, message, batch, now)
        if message.backlog or message.duplicate:
            timed = tuple(each for each in pack_.readings if not each.relative)
            if len(timed) < len(pack_.readings):
                raise Refused("a backlog or duplicate without a time")
        if not self._within_rate(node, pack_, batch):
            return []
        return self._rows(node, pack_.readings, message, batch, now)

    def _numbered(self, node: NodeState, pack_: Pack, message: Message, batch: Batch, now: Moment) -> list[Fresh]:
        assert pack_.run is not None  # noqa: S101 -- `numbered` says so; tells the type checker
        assert pack_.seq is not None  # noqa: S101
        key = (node.id, pack_.run)
        before = self._runs.get(key) or begin(pack_.seq, pack_.keep)
        fresh: list[Fresh] = []
        if before.has(pack_.seq):
            batch.counts["duplicate packs"] += 1
        elif message.backlog and any(each.relative for each in pack_.readings):
            # It may have waited at the broker, so "now" is not its now. Without a receipt the node sends it again with a fresh age.
            batch.counts["waited at the broker"] += 1
            return []
        elif now.trusted and any(_a_little_ahead(each, now) for each in pack_.readings):
            # Our clock may be the slow one. Without a receipt the node keeps the pack and sends it again, until our clock has come so far.
            batch.counts["a little ahead of the clock"] += 1
            return []
        else:
            fresh = self._rows(node, pack_.readings, message, batch, now)
        after = take(before, pack_.seq, pack_.keep)
        if after.lost > before.lost:
            # A node gone mad may say that it lost 2^60 packs: the count must stay a number that the store can hold.
            batch.counts["packs lost by nodes"] += min(after.lost - before.lost, MOST_LOST)
        self._runs[key] = batch.runs[key] = after
        batch.publications.append(self._receipt(pack_.node, pack_.run, after.upto, after.ahead))
        return fresh

    def _receipt(self, node: str, run: int, upto: int, ahead: tuple[tuple[int, int], ...]) -> Publication:
        body = {"store": self._store, "run": run, "upto": upto, "ahead": [list(island) for island in ahead]}
        return Publication(
            f"{self._prefix}/node/{node}/receipt", json.dumps(body, separators=(",", ":")).encode(), retain=True
        )

    def handled(self, node: str, run: int, seq: int, keep: int | None, batch: Batch) -> None:
        """A numbered pack whose readings were set aside counts as handled, or its node would send it for ever."""
        found = self._nodes.get(node)
        if found is None or found.state != "accepted":
            return
        key = (found.id, run)
        after = take(self._runs.get(key) or begin(seq, keep), seq, keep)
        self._runs[key] = batch.runs[key] = after
        batch.publications.append(self._receipt(node, run, after.upto, after.ahead))

    def _rows(
        self, node: NodeState, readings: tuple[Reading, ...], message: Message, batch: Batch, now: Moment
    ) -> list[Fresh]:
        fresh = []
        node_id, newest = node.id, self.newest
        for reading in sorted(readings, key=_T_S):
            series = self._series.get((node_id, reading.quantity, reading.unit)) or self._of(node, reading, batch)
            if series is None:
                continue
            stored, flag = pack(reading.value, series.digits)
            ts_ms = round(reading.t_s * 1000)
            if not now.trusted:
                mono_ms = round(message.mono_s * 1000) + (ts_ms - message.at_ms if reading.relative else 0)
                batch.undated.append((now.boot, mono_ms, None if reading.relative else ts_ms, series.id, stored, flag))
                fresh.append(Fresh(self._name(node, series), ts_ms, wire_unit(series.unit).to_si(reading.value)))
                continue
            if not self._plausible(self._name(node, series), ts_ms, reading, message, batch, now):
                continue
            batch.readings.append((ts_ms, series.id, stored, flag))
            self._mark(series.id, ts_ms, batch)
            if ts_ms > newest.get(series.id, -1):
                newest[series.id] = ts_ms
                self.newest_ms = max(self.newest_ms, ts_ms)
                fresh.append(Fresh(self._name(node, series), ts_ms, wire_unit(series.unit).to_si(reading.value)))
            else:
                batch.counts["late readings"] += 1
        return fresh

    def _name(self, node: NodeState, series: NewSeries) -> str:
        """`node:quantity` of a series, put together once."""
        name = self._names.get(series.id)
        if name is None:
            name = self._names[series.id] = f"{node.name}:{series.quantity}"
        return name

    def _wrong_unit(self, name: str, unit: str) -> str:
        """Why a reading cannot be what the config says its series is; empty when it can, or when it came without a unit."""
        expected = self._units.get(name)
        if not expected or unit in ("", expected):
            return ""
        return f"unit {unit} where the config expects {expected}"

    def _plausible(self, name: str, ts_ms: int, reading: Reading, message: Message, batch: Batch, now: Moment) -> bool:
        """Set aside what is stamped ahead of the clock or older than what is kept."""
        reason = self._wrong_unit(name, reading.unit)
        if ts_ms > now.wall_ms + AHEAD_MS:
            reason = "stamped ahead of the clock"
        elif ts_ms + self._keep_ms < self.newest_ms:  # never by the clock: one that is wrong would refuse the record
            reason = "older than what is kept"
        if not reason:
            return True
        topic = message.topic.encode() if isinstance(message.topic, str) else message.topic
        said = f"{reading.quantity} {reading.value!r} {reading.unit} at {ts_ms} ms".encode()
        batch.quarantine.append((now.wall_ms, topic, said, reason))
        batch.counts["readings set aside"] += 1
        return False

    def _within_rate(self, node: NodeState, pack_: Pack, batch: Batch) -> bool:
        minute = round(pack_.readings[0].t_s) // 60 if pack_.readings else 0
        at, count = self._minute.get(node.id, (minute, 0))
        count = (0 if at != minute else count) + len(pack_.readings)
        self._minute[node.id] = (minute, count)
        if count > MOST_A_MINUTE:
            batch.counts["dropped: too many a minute"] += len(pack_.readings)
            return False
        return True

    def _of(self, node: NodeState, reading: Reading, batch: Batch) -> NewSeries | None:
        key = (node.id, reading.quantity, reading.unit)
        found = self._series.get(key)
        if found is None:
            if sum(each == node.id for each, _, _ in self._series) >= MOST_SERIES:
                batch.counts["dropped: too many series"] += 1
                return None
            found = NewSeries(self._next_series, node.id, reading.quantity, reading.unit, digits_for(reading.unit))
            self._next_series += 1
            self._series[key] = found
            batch.series.append(found)
        return found

    def _mark(self, series: int, ts_ms: int, batch: Batch) -> None:
        key = (series, ts_ms - ts_ms % HOUR_MS)
        if key not in self._marked:
            self._marked.add(key)
            batch.dirty.add(key)

    def unmark(self, series: int, hour: int) -> None:
        """That hour was rolled up: the next reading in it marks it again."""
        self._marked.discard((series, hour))

    def mark_all(self, marks: Collection[tuple[int, int]]) -> None:
        """Remember the marks that the store held at the start."""
        self._marked.update(marks)

    def _heard(self, name: str, batch: Batch, now: Moment) -> NodeState | None:
        node = self._nodes.get(name)
        if node is None:
            waiting = Counter(each.state for each in self._nodes.values())["waiting"]
            if name not in self._named and waiting >= MOST_UNKNOWN:
                batch.counts["unknown nodes not listed"] += 1
                return None
            node = self._new_node(name, "accepted" if name in self._named else "waiting", now)
        elif node.state == "waiting" and name in self._named:
            node = replace(node, state="accepted")
        heard = now.wall_ms if now.trusted else node.heard_ms
        node = NodeState(node.id, node.name, node.state, node.first_ms, heard)
        self._set(node, batch)
        return node

    def _new_node(self, name: str, state: str, now: Moment) -> NodeState:
        node = NodeState(self._next_node, name, state, now.wall_ms if now.trusted else None, None)
        self._next_node += 1
        return node

    def _set(self, node: NodeState, batch: Batch) -> None:
        self._nodes[node.name] = node
        batch.nodes[node.id] = node


def _a_little_ahead(reading: Reading, now: Moment) -> bool:
    """Whether a reading's own time is further ahead than is believed, and not so far that it must be wrong."""
    return not reading.relative and AHEAD_MS < round(reading.t_s * 1000) - now.wall_ms <= LITTLE_MS
