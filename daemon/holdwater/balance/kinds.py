"""Names for moves: used, load, well, caught, or unexplained, from the household's notes and the rain."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from holdwater.balance.points import HOUR_MS, MINUTE_MS, Facts, Rain, Span
from holdwater.balance.uses import Move

USED, LOAD, WELL, CAUGHT, UNEXPLAINED = "used", "load", "well", "caught", "unexplained"
IN_KINDS = (LOAD, WELL, CAUGHT, UNEXPLAINED)
LOAD_SLACK_MS = 6 * HOUR_MS  # a load is noted before leaving or after supper; own choice
WELL_SLACK_MS = HOUR_MS
RUN_OFF_MS = 90 * MINUTE_MS  # a roof drips on after the rain; own choice
LOSS_M = (
    0.00076  # rain that wets the roof and never runs off, 0.03 in: the loss depth of the demo household; roofs differ
)
_NOTES = {"load": LOAD, "well run": WELL}
_NOT_USUAL = ("watering", "working on it", "guests", "away")


@dataclass(frozen=True, slots=True)
class Entry:
    """A move with its name.

    Attributes:
        move: the fall or rise.
        kind: used, load, well, caught or unexplained.
        usual: False when a note says that this was not an ordinary draw, or when its time is unknown.
    """

    move: Move
    kind: str
    usual: bool = True


def entry(move: Move, notes: Sequence[Span] = (), rain: Sequence[Rain] = (), facts: Facts | None = None) -> Entry:
    """Name one move.

    A fall is water used. A rise is a load or a well fill when the household wrote so near that time; caught when the
    tank has a roof and more than the loss depth fell; else unexplained. Rain explains nothing in a tank without a
    roof: then the water came from somewhere else.
    """
    near = {note.kind for note in notes if _touches(note, move)}
    if move.is_fall:
        return Entry(move, USED, usual=not move.gap and not near.intersection(_NOT_USUAL))
    for kind, name in _NOTES.items():
        if kind in near:
            return Entry(move, name)
    if (facts is None or facts.roof_m2 > 0) and _rained(move, rain):
        return Entry(move, CAUGHT)
    return Entry(move, UNEXPLAINED, usual=False)


def entries(
    found: Iterable[Move], notes: Sequence[Span] = (), rain: Sequence[Rain] = (), facts: Facts | None = None
) -> list[Entry]:
    """Name all moves, in their order."""
    return [entry(move, notes, rain, facts) for move in found]


def _touches(note: Span, move: Move) -> bool:
    slack_ms = {"load": LOAD_SLACK_MS, "well run": WELL_SLACK_MS}.get(note.kind, 0)
    return note.start_ms - slack_ms <= move.end_ms and note.end_ms + slack_ms >= move.start_ms


def _rained(move: Move, rain: Sequence[Rain]) -> bool:
    fell_m = sum(each.depth_m for each in rain if move.start_ms - RUN_OFF_MS <= each.at_ms <= move.end_ms)
    return fell_m > LOSS_M
