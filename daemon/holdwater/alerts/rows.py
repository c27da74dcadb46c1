"""What the engine hands to the loop, and takes back from the store: rows of notice, notice_step and outbox."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from typing import Any

from holdwater.alerts.matter import Matter, Run, Severity
from holdwater.alerts.states import State


@dataclass(frozen=True, slots=True)
class SavedNotice:
    """One row of `notice`. `quiet_left` is in whole seconds, `seen` in ms; `body` is JSON that restores the rest."""

    id: int
    kind: str
    subject: str
    state: str
    since: int
    seen: int | None
    quiet_left: int
    body: str


Saved = SavedNotice


@dataclass(frozen=True, slots=True)
class Step:
    """One row of `notice_step`: what was told, word for word."""

    notice: int
    n: int
    reading_ts: int
    at: int
    state: str
    severity: str
    short: str
    long: str

    @property
    def body(self) -> str:
        """The body column: JSON with severity, short and long."""
        return json.dumps({"severity": self.severity, "short": self.short, "long": self.long})


@dataclass(frozen=True, slots=True)
class Outgoing:
    """One row of `outbox`: one step for one channel. `body` is the JSON that is sent."""

    key: str
    notice: int
    channel: str
    due_ms: int
    body: str


@dataclass(frozen=True, slots=True)
class Change:
    """One change: the notice's row to upsert, its step to append if it has one, and what goes out."""

    notice: SavedNotice
    step: Step | None = None
    outbox: tuple[Outgoing, ...] = ()

    @property
    def is_urgent(self) -> bool:
        """True when the change must be on the disk before anything else happens."""
        return bool(self.outbox)


def run_list(run: Run) -> list[Any]:
    """A run as JSON."""
    return [run.state.value, run.from_ms, run.earned_ms, run.count, run.last_ms]


def run_of(values: list[Any]) -> Run:
    """A run from JSON."""
    state, from_ms, earned_ms, count, last_ms = values
    return Run(State(state), int(from_ms), int(earned_ms), int(count), None if last_ms is None else int(last_ms))


def saved(matter: Matter) -> SavedNotice:
    """The row of a matter."""
    body = {
        "run": run_list(matter.run),
        "upper": run_list(matter.upper),
        "severity": matter.severity.value,
        "peak": matter.peak.value,
        "numbers": dict(matter.numbers),
        "words": dict(matter.words),
        "edition": matter.edition,
        "held": matter.held,
        "told": matter.told,
        "steps": matter.steps,
        "repeats": matter.repeats,
        "repeat_in_s": matter.repeat_in_s,
        "quiet_left_s": matter.quiet_left_s,
        "short": matter.short,
        "long": matter.long,
    }
    return SavedNotice(
        matter.id, matter.kind, matter.subject, matter.run.state.value, matter.since_ms, matter.seen_ms,
        round(matter.quiet_left_s), json.dumps(body, separators=(",", ":")),
    )  # fmt: skip


def restored(row: SavedNotice) -> Matter:
    """The matter of a row.

    Raises:
        ValueError: the body is not what `saved` wrote.
        KeyError: likewise.
    """
    body = json.loads(row.body)
    return Matter(
        id=row.id,
        kind=row.kind,
        subject=row.subject,
        run=run_of(body["run"]),
        upper=run_of(body["upper"]),
        since_ms=row.since,
        severity=Severity(body["severity"]),
        peak=Severity(body["peak"]),
        numbers=tuple(body["numbers"].items()),
        words=tuple(body["words"].items()),
        seen_ms=row.seen,
        quiet_left_s=float(body["quiet_left_s"]),
        edition=str(body.get("edition", "")),
        held=bool(body["held"]),
        told=bool(body["told"]),
        steps=int(body["steps"]),
        repeats=int(body["repeats"]),
        repeat_in_s=body["repeat_in_s"],
        short=body["short"],
        long=body["long"],
    )


def progress(matter: Matter) -> list[Any]:
    """What of a matter moves between two rows, as JSON."""
    return [run_list(matter.run), run_list(matter.upper), matter.quiet_left_s, matter.repeat_in_s]


def with_progress(matter: Matter, values: list[Any]) -> Matter:
    """The matter with what has moved since its row was written; a state that differs is older and not taken."""
    run, upper = run_of(values[0]), run_of(values[1])
    if run.state is not matter.run.state:
        return matter
    return replace(matter, run=run, upper=upper, quiet_left_s=float(values[2]), repeat_in_s=values[3])
