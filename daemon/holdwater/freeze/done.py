"""What the household has done about the things that can freeze: a drained spigot stays drained until it is opened.

A note names the thing by `exposure` (its name in the config): *drained*, *covered*, *opened*. The newest by its time holds,
in whichever order notes come in; without a thing named a note says nothing here.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

KINDS = ("drained", "covered", "opened")
UNDONE = "opened"
KEPT_MS = 400 * 86_400_000
"""A note older than that has lost its year: it says nothing of this winter."""


@dataclass(frozen=True, slots=True)
class Done:
    """The newest note about one thing: which kind, and when it was done, ms UTC."""

    kind: str
    at_ms: int


Deeds = Mapping[str, Done]


def with_note(deeds: Deeds, kind: str, at_ms: int, body: Mapping[str, object]) -> Deeds:
    """The newest deeds with one more note; the same object when it says nothing new.

    Args:
        deeds: newest note of each thing, by name.
        kind: kind of the note.
        at_ms: when it was done, ms UTC; a note older than the one that is kept changes nothing.
        body: the note's figures and words; `exposure` names the thing.
    """
    name = body.get("exposure")
    if kind not in KINDS or not isinstance(name, str) or not name:
        return deeds
    known = deeds.get(name)
    return deeds if known is not None and known.at_ms > at_ms else {**deeds, name: Done(kind, at_ms)}


def done_as_of(deeds: Deeds, now_ms: int) -> dict[str, Done]:
    """What is drained or covered now: things that were opened again, and notes of another year, are left out."""
    return {name: each for name, each in deeds.items() if each.kind != UNDONE and now_ms - each.at_ms <= KEPT_MS}


def done_of(notes: Iterable[tuple[str, int, Mapping[str, object]]], now_ms: int) -> dict[str, Done]:
    """What is drained or covered as of a time, out of notes as (kind, time, body) in any order; later ones do not count."""
    deeds: Deeds = {}
    for kind, at_ms, body in notes:
        if at_ms <= now_ms:
            deeds = with_note(deeds, kind, at_ms, body)
    return done_as_of(deeds, now_ms)


def kind_of(done: Deeds, name: str) -> str:
    """What was done about a thing: ``drained``, ``covered``, or nothing."""
    found = done.get(name)
    return "" if found is None or found.kind == UNDONE else found.kind
