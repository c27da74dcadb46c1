"""What was warned and what came of it: a notice's life in words, for the page and the weekly sheet. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from holdwater.alerts.kinds import KINDS
from holdwater.alerts.matter import Severity
from holdwater.alerts.telling import span_text
from holdwater.store.rows import DAY_MS, NoteRow, NoticeLife

AFTER_MS = DAY_MS // 2
"""A note so soon after the end of a notice still tells what came of it, ms."""

SHOUT = "ACT NOW "


@dataclass(frozen=True, slots=True)
class Outcome:
    """A notice that was told, from its raising on.

    Attributes:
        id: its number.
        title: kind of notice as the household reads it.
        subject: tank, series or part.
        severity: the worst that it came to.
        raised_ms: when it was first told.
        seen_ms: when somebody said *seen*; None when nobody did.
        over_ms: when its end was told; None while it is on.
        text: what was told first, or at its worst.
        ended: how it ended, in the words that were told; empty while it is on.
        again: how often it was told before its end.
        told: channels that took it.
        untold: channels for which something of it still waits, or that did not take it, with the reason in words.
        notes: what the household wrote meanwhile about the same thing.
    """

    id: int
    title: str
    subject: str
    severity: str
    raised_ms: int
    seen_ms: int | None
    over_ms: int | None
    text: str
    ended: str
    again: int
    told: tuple[str, ...]
    untold: tuple[str, ...]
    notes: tuple[NoteRow, ...]

    @property
    def lasted(self) -> str:
        """How long it was on, in one unit; empty while it is on."""
        return "" if self.over_ms is None else span_text((self.over_ms - self.raised_ms) / 1000)


def outcome_of(life: NoticeLife, notes: Iterable[NoteRow]) -> Outcome | None:
    """What came of a notice; None when nothing was ever told."""
    told = [step for step in life.steps if step.state != "clear"]
    if not told:
        return None
    ends = [step for step in life.steps if step.state == "clear"]
    over_ms = ends[-1].at_ms if ends else None
    worst = max(told, key=lambda step: _rank(step.severity))
    kind = KINDS.get(life.kind)
    return Outcome(
        id=life.id,
        title=kind.title if kind else life.kind,
        subject=life.subject,
        severity=worst.severity,
        raised_ms=told[0].at_ms,
        seen_ms=life.seen_ms,
        over_ms=over_ms,
        text=worst.long,
        ended=ends[-1].long if ends else "",
        again=len(told),
        told=tuple(name for name, state in life.told if state == "sent"),
        untold=tuple(f"{name} ({UNTOLD[state]})" for name, state in life.told if state in UNTOLD),
        notes=tuple(_meanwhile(life.subject, told[0].at_ms, over_ms, notes)),
    )


UNTOLD = {"waiting": "still waits", "refused": "was not taken"}


def _rank(severity: str) -> int:
    try:
        return Severity(severity).rank
    except ValueError:
        return -1


def _meanwhile(subject: str, from_ms: int, over_ms: int | None, notes: Iterable[NoteRow]) -> list[NoteRow]:
    """Notes about the same tank, or about none in particular, while it was on or soon after."""
    until_ms = None if over_ms is None else over_ms + AFTER_MS
    return [
        note
        for note in notes
        if from_ms <= note.at_ms and (until_ms is None or note.at_ms <= until_ms)
        and note.body.get("tank", note.body.get("exposure", subject)) == subject
    ]  # fmt: skip


def outcomes(lives: Sequence[NoticeLife], notes: Sequence[NoteRow]) -> list[Outcome]:
    """All of them, in the order given."""
    return [found for life in lives if (found := outcome_of(life, notes)) is not None]
