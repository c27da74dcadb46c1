"""What the loop gathers between two commits: rows to write, and what may go out once they are written."""

from __future__ import annotations

from collections import Counter
from concurrent.futures import Future
from dataclasses import dataclass, field
from typing import Any

from holdwater.alerts.rows import Change
from holdwater.runs import Run


@dataclass(frozen=True, slots=True)
class NewSeries:
    """A series heard of for the first time; its id was allotted in memory."""

    id: int
    node: int
    quantity: str
    unit: str
    digits: int


@dataclass(frozen=True, slots=True)
class NodeState:
    """A node's row."""

    id: int
    name: str
    state: str
    first_ms: int | None
    heard_ms: int | None


@dataclass(frozen=True, slots=True)
class NoteRecord:
    """A note to append; a note with the same `uid` is there already and stays as it is."""

    uid: str
    at_ms: int
    made_ms: int
    kind: str
    body: str
    replaces: int | None = None


@dataclass(frozen=True, slots=True)
class Ack:
    """A broker acknowledgement that is owed once the batch is on the card."""

    mid: int
    qos: int
    connection: int


@dataclass(frozen=True, slots=True)
class Publication:
    """A message to publish once the batch is on the card."""

    topic: str
    payload: bytes
    retain: bool
    qos: int = 1


@dataclass(slots=True)
class Batch:
    """Rows and releases. Keys are allotted in memory, so that a batch of unclear fate may be written again."""

    nodes: dict[int, NodeState] = field(default_factory=dict)
    series: list[NewSeries] = field(default_factory=list)
    runs: dict[tuple[int, int], Run] = field(default_factory=dict)
    readings: list[tuple[int, int, float, int]] = field(default_factory=list)
    undated: list[tuple[str, int, int | None, int, float, int]] = field(default_factory=list)
    dirty: set[tuple[int, int]] = field(default_factory=set)
    quarantine: list[tuple[int, bytes, bytes, str]] = field(default_factory=list)
    read_again: list[int] = field(default_factory=list)  # rows of the quarantine that could be read after all
    notes: list[NoteRecord] = field(default_factory=list)
    changes: list[Change] = field(default_factory=list)
    sent: list[tuple[str, str, int, int]] = field(default_factory=list)  # key, state, tries, due_ms
    models: dict[tuple[str, str], tuple[int, int, bytes]] = field(default_factory=dict)
    forecasts: list[tuple[str, str, int, int, str]] = field(default_factory=list)  # kind, subject, issued, target, body
    configs: list[tuple[int, bytes, str]] = field(default_factory=list)
    marks: dict[str, str] = field(default_factory=dict)
    counts: Counter[str] = field(default_factory=Counter)
    move_undated: tuple[str, int] | None = None  # boot, offset wall − mono in ms, once the clock is trusted

    acks: list[Ack] = field(default_factory=list)
    publications: list[Publication] = field(default_factory=list)
    answers: list[tuple[Future[dict[str, Any]], dict[str, Any]]] = field(default_factory=list)
    urgent: bool = False

    @property
    def has_rows(self) -> bool:
        """True when there is something to write."""
        return bool(
            self.nodes or self.series or self.runs or self.readings or self.undated or self.quarantine or self.read_again or self.notes
            or self.changes or self.sent or self.models or self.forecasts or self.configs or self.marks or self.counts
            or self.move_undated or self.dirty
        )  # fmt: skip
