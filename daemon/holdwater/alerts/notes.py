"""Notes of the household that change what is normal, and end by themselves."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

HOUR_MS = 3_600_000
LASTS_MS = {
    "watering": 3 * HOUR_MS,
    "working on it": 4 * HOUR_MS,
    "away": 7 * 24 * HOUR_MS,
    "guests": 3 * 24 * HOUR_MS,
    "load": 6 * HOUR_MS,
    "well run": 6 * HOUR_MS,
    "drained": 2 * HOUR_MS,
    "moved": 6 * HOUR_MS,
}
MOST_MS = 60 * 24 * HOUR_MS
KEPT = 64


@dataclass(frozen=True, slots=True)
class Held:
    """One note while it holds: for a subject, or for all when that is empty."""

    kind: str
    subject: str
    from_ms: int
    until_ms: int


@dataclass(frozen=True, slots=True)
class Notes:
    """The notes that hold."""

    held: tuple[Held, ...] = ()

    def added(self, kind: str, at_ms: int, body: Mapping[str, object]) -> Notes:
        """With one more note; `tank` names its subject, `until_ms` or `for_s` its end; *home* ends *away*."""
        if kind == "home":
            return Notes(tuple(each for each in self.held if each.kind != "away"))
        lasts_ms = LASTS_MS.get(kind)
        if lasts_ms is None:
            return self
        until_ms = at_ms + lasts_ms
        given_ms, given_s = body.get("until_ms"), body.get("for_s")
        if isinstance(given_ms, int | float):
            until_ms = int(given_ms)
        elif isinstance(given_s, int | float):
            until_ms = at_ms + round(given_s * 1000)
        until_ms = min(until_ms, at_ms + MOST_MS)
        subject = str(body.get("tank") or "")
        newest = Held(kind, subject, at_ms, until_ms)
        others = tuple(each for each in self.held if each.until_ms >= at_ms - MOST_MS)
        return Notes((*others, newest)[-KEPT:])

    def holds(self, kind: str, subject: str, at_ms: int) -> bool:
        """Whether a note of that kind holds for the subject at a time."""
        return any(
            each.kind == kind and each.subject in ("", subject) and each.from_ms <= at_ms <= each.until_ms
            for each in self.held
        )

    def keeps(self, kind: str, at_ms: int) -> bool:
        """Whether a note of that kind was written in the last two months, so that its absence says something."""
        return any(each.kind == kind and at_ms - MOST_MS <= each.from_ms <= at_ms for each in self.held)

    def as_list(self) -> list[list[Any]]:
        """The notes as JSON."""
        return [[each.kind, each.subject, each.from_ms, each.until_ms] for each in self.held]

    @classmethod
    def of(cls, rows: Iterable[list[Any]]) -> Notes:
        """The notes from JSON."""
        return cls(
            tuple(
                Held(str(kind), str(subject), int(from_ms), int(until_ms)) for kind, subject, from_ms, until_ms in rows
            )
        )
