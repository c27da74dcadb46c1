"""Notes of the household that change what is normal. They end by themselves, but for a thing that was drained or covered."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from holdwater.freeze.done import Deeds, Done, done_as_of, with_note

HOUR_MS = 3_600_000
LASTS_MS = {
    "watering": 3 * HOUR_MS,
    "working on it": 4 * HOUR_MS,
    "away": 7 * 24 * HOUR_MS,
    "guests": 3 * 24 * HOUR_MS,
    "load": 6 * HOUR_MS,
    "well run": 6 * HOUR_MS,
    "drained": 2 * HOUR_MS,  # what runs out meanwhile is no open valve; the thing itself stays drained
    "moved": 6 * HOUR_MS,
    "thaw watch": 24 * HOUR_MS,
    "frost told": 26 * HOUR_MS,  # from one morning's line past the next
}
OWN = ("thaw watch", "frost told")
"""Not the household's: after a freeze night losses are watched more closely; a cold spell that is told once needs no second notice.
Only the newest of each is kept."""
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
    """The notes that hold, the newest one about each thing that can freeze, and the links that are shut."""

    held: tuple[Held, ...] = ()
    deeds: Deeds = field(default_factory=dict)
    shut: tuple[tuple[str, int], ...] = ()

    def added(self, kind: str, at_ms: int, body: Mapping[str, object]) -> Notes:
        """With one more note; `tank` names its subject, `until_ms` or `for_s` its end; *home* ends *away*."""
        notes = replace(self, deeds=with_note(self.deeds, kind, at_ms, body), shut=_shut(self.shut, kind, body))
        if kind == "home":
            return replace(notes, held=tuple(each for each in self.held if each.kind != "away"))
        lasts_ms = LASTS_MS.get(kind)
        if lasts_ms is None:
            return notes
        until_ms = at_ms + lasts_ms
        given_ms, given_s = body.get("until_ms"), body.get("for_s")
        if isinstance(given_ms, int | float):
            until_ms = int(given_ms)
        elif isinstance(given_s, int | float):
            until_ms = at_ms + round(given_s * 1000)
        until_ms = min(until_ms, at_ms + MOST_MS)
        subject = str(body.get("tank") or "")
        newest = Held(kind, subject, at_ms, until_ms)
        others = tuple(
            each for each in self.held if each.until_ms >= at_ms - MOST_MS and not (kind in OWN and each.kind == kind)
        )
        return replace(notes, held=(*others, newest)[-KEPT:])

    def done(self, at_ms: int) -> dict[str, Done]:
        """What is drained or covered, by its name in the config: until it is opened, however long that is."""
        return done_as_of(self.deeds, at_ms)

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
        """The notes that end, as JSON."""
        return [[each.kind, each.subject, each.from_ms, each.until_ms] for each in self.held]

    def deeds_as_list(self) -> list[list[Any]]:
        """The newest note about each thing that can freeze, as JSON."""
        return [[name, each.kind, each.at_ms] for name, each in self.deeds.items()]

    @classmethod
    def of(cls, rows: Iterable[list[Any]], deeds: Iterable[list[Any]] = (), shut: Iterable[list[Any]] = ()) -> Notes:
        """The notes from JSON."""
        held = (Held(str(kind), str(subject), int(from_ms), int(until_ms)) for kind, subject, from_ms, until_ms in rows)
        done = {str(name): Done(str(kind), int(at_ms)) for name, kind, at_ms in deeds}
        return cls(tuple(held), done, tuple((str(tank), int(link)) for tank, link in shut))


def _shut(before: tuple[tuple[str, int], ...], kind: str, body: Mapping[str, object]) -> tuple[tuple[str, int], ...]:
    """Links that notes have shut and not opened since, as (tank, position)."""
    tank, link = body.get("tank"), body.get("link")
    if kind not in ("link shut", "link open") or not isinstance(tank, str) or not isinstance(link, int):
        return before
    others = tuple(each for each in before if each != (tank, link))
    return (*others, (tank, link)) if kind == "link shut" else others
