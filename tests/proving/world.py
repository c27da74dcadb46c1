"""One season of one site: the truth by the minute, the sensor boxes that see it, what was planted in it, and its recording."""

from __future__ import annotations

from array import array
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from random import Random

from holdwater.demo.files import node_core
from holdwater.events import Message, Request
from holdwater.recording import Line

MINUTE_MS = 60_000
DAY_MINUTES = 1440
EVERY = 10
UNDER_WAY_MS = 1500

Readings = list[tuple[str, str, float]]


@dataclass(frozen=True, slots=True)
class Fault:
    """Something planted. Kinds: valve (`rate_m3` a minute), stuck, dead, silent. Minutes of the season, end not included."""

    kind: str
    tank: str
    start: int
    end: int
    rate_m3: float = 0.0

    def holds(self, minute: int) -> bool:
        """Whether it is on."""
        return self.start <= minute < self.end


@dataclass(slots=True)
class Course:
    """The truth of one tank by the minute, m3: on hand, as its sensor would show it without noise, and what moved."""

    on_hand: array[float]
    shown: array[float]
    used: array[float]
    came: array[float]
    full_m3: float
    reserve_m3: float | None = None
    series: str = ""


@dataclass(slots=True)
class Box:
    """One sensor box.

    Attributes:
        name: of its node.
        tank: whose level it measures, by its first reading.
        measure: readings at a minute of the season.
        phase_s: seconds after the minute.
        clock: False: it sends ages.
        by_minute: spans of minutes in which it measures each minute.
    """

    name: str
    tank: str
    measure: Callable[[int], Readings]
    phase_s: int = 7
    clock: bool = True
    by_minute: list[tuple[int, int]] = field(default_factory=list)


@dataclass(slots=True)
class World:
    """A season. `start_ms` is the time of minute 0; `air_c` the outside air of each minute."""

    name: str
    seed: int
    config: str
    start_ms: int
    minutes: int
    courses: dict[str, Course]
    air_c: array[float]
    boxes: list[Box]
    faults: list[Fault]
    notes: list[tuple[int, dict[str, object]]]
    freezing_c: float = 0.0

    def minute_of(self, at_ms: int) -> int:
        """The minute of the season that a time lies in."""
        return (at_ms - self.start_ms) // MINUTE_MS

    def minutely(self, tank: str, minute: int) -> bool:
        """Whether the tank's box measures each minute then."""
        return any(a <= minute < b for box in self.boxes if box.tank == tank for a, b in box.by_minute)

    def lines(self) -> Iterator[Line]:
        """The recording, in order of time."""
        senders = [_Sender(box, [f for f in self.faults if f.tank == box.tank]) for box in self.boxes]
        waiting = sorted(self.notes, key=lambda each: each[0])
        for minute in range(self.minutes):
            while waiting and waiting[0][0] <= minute:
                at, body = waiting.pop(0)
                at_ms = self.start_ms + at * MINUTE_MS
                yield Line(at_ms, Request("note", {"at_ms": at_ms, **body}))
            for sender in senders:
                line = sender.line(minute, self.start_ms)
                if line is not None:
                    yield line


class _Sender:
    """Numbers the packs of one box; what is planted in it spoils its first reading or keeps it silent."""

    def __init__(self, box: Box, faults: list[Fault]) -> None:
        self._box = box
        self._faults = [fault for fault in faults if fault.kind != "valve"]
        self._spans = sorted(box.by_minute)
        self._stuck: dict[Fault, float] = {}
        self._run, self._seq = 1000, 0
        self._pack, self._entry = node_core().pack, node_core().ring.Entry

    def line(self, minute: int, start_ms: int) -> Line | None:
        """The message of a minute; None when it does not measure or is silent."""
        box = self._box
        while self._spans and self._spans[0][1] <= minute:
            self._spans.pop(0)
        if minute % EVERY and not any(a <= minute < b for a, b in self._spans):
            return None
        readings = box.measure(minute)
        for fault in self._faults:
            if not fault.holds(minute):
                continue
            if fault.kind == "silent":
                if self._seq:
                    self._run, self._seq = self._run + 1, 0
                return None
            name, unit, value = readings[0]
            held = 0.0 if fault.kind == "dead" else self._stuck.setdefault(fault, value)
            readings = [(name, unit, held), *readings[1:]]
        self._seq += 1
        at_ms = start_ms + minute * MINUTE_MS + box.phase_s * 1000
        entry = self._entry(0, self._run, self._seq, 0, at_ms, self._pack.body(readings))
        payload = self._pack.senml(box.name, at_ms if box.clock else -UNDER_WAY_MS, entry, max(1, self._seq - 1))
        came_ms = at_ms + UNDER_WAY_MS
        return Line(came_ms, Message(f"water/node/{box.name}/readings", payload, came_ms, came_ms / 1000))


def planted(chance: Random, tanks: list[str], days: float, room: dict[str, float]) -> list[Fault]:
    """What goes wrong in a season: every four to seven days one thing, by turns; nothing overlaps.

    Args:
        chance: seeded.
        tanks: names; the sooner named, the more often a valve is left open there.
        days: of the season; the first two stay clean.
        room: most that a valve may let run out of each tank, m3; 0 for none.
    """
    found, day = [], 2.0
    turn = chance.randrange(4)
    while day < days - 1.6:
        kind = ("valve", "stuck", "valve", "silent", "valve", "dead")[turn % 6]
        start = int(day * DAY_MINUTES) + chance.randrange(DAY_MINUTES // 2)
        tank = tanks[0] if chance.random() < 0.5 else chance.choice(tanks)
        if kind == "valve":
            gal = 0.003785411784
            rate_m3 = gal * 8 ** chance.random()  # 1 to 8 gal/min
            lost_m3 = min(gal * chance.uniform(60, 110), room[tank])
            if lost_m3 > 45 * gal:
                found.append(Fault(kind, tank, start, start + max(1, round(lost_m3 / rate_m3)), rate_m3))
        else:
            lasts = chance.randrange(180, 600)
            found.append(Fault(kind, tank, start, start + lasts))
        turn += 1
        day += chance.uniform(1.6, 3.2) if days < 30 else chance.uniform(4, 7)
    return found
