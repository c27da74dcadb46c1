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
FOLLOW_MS = 2 * HOUR_MS  # a load that is let in by turns
LOAD_NOTE, WELL_NOTE = "load", "well run"
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


def entries(
    found: Iterable[Move], notes: Sequence[Span] = (), rain: Sequence[Rain] = (), facts: Facts | None = None
) -> list[Entry]:
    """Name moves.

    A fall is water used. A rise is a load or a well fill when the household wrote so near that time; caught when the
    tank has a roof and more than the loss depth fell; else unexplained. Rain explains nothing in a tank without a
    roof: then the water came from somewhere else. A noted load explains the rise nearest to it and what follows within
    two hours, not every rise of half a day; so the moves of a day are to be named together.

    Args:
        found: moves of one tank, oldest first.
        notes: notes that concern it.
        rain: rain around that time.
        facts: the tank; when left out, rain is believed.

    Returns:
        One entry for each move, in order.
    """
    moves = list(found)
    loads = _loads([move for move in moves if not move.is_fall], notes)
    return [_entry(move, move in loads, notes, rain, facts) for move in moves]


def entry(move: Move, notes: Sequence[Span] = (), rain: Sequence[Rain] = (), facts: Facts | None = None) -> Entry:
    """Name one move by itself; see `entries`."""
    return entries([move], notes, rain, facts)[0]


def _entry(move: Move, loaded: bool, notes: Sequence[Span], rain: Sequence[Rain], facts: Facts | None) -> Entry:
    near = {note.kind for note in notes if _apart_ms(note, move) <= (WELL_SLACK_MS if note.kind == WELL_NOTE else 0)}
    if move.is_fall:
        return Entry(move, USED, usual=not move.gap and not near.intersection(_NOT_USUAL))
    if loaded:
        return Entry(move, LOAD)
    if WELL_NOTE in near:
        return Entry(move, WELL)
    if (facts is None or facts.roof_m2 > 0) and _rained(move, rain):
        return Entry(move, CAUGHT)
    return Entry(move, UNEXPLAINED, usual=False)


def _loads(rises: Sequence[Move], notes: Sequence[Span]) -> set[Move]:
    """The rises that noted loads explain: for each note the nearest one, the larger of equals, and its followers."""
    loads: set[Move] = set()
    for note in notes:
        near = [rise for rise in rises if _apart_ms(note, rise) <= LOAD_SLACK_MS]
        if note.kind != LOAD_NOTE or not near:
            continue
        first = min(near, key=lambda rise: (_apart_ms(note, rise), -rise.m3))
        loads |= {rise for rise in rises if first.start_ms <= rise.start_ms <= first.end_ms + FOLLOW_MS}
    return loads


def _apart_ms(note: Span, move: Move) -> int:
    """Time between a note and a move; 0 when they overlap."""
    return max(0, note.start_ms - move.end_ms, move.start_ms - note.end_ms)


def _rained(move: Move, rain: Sequence[Rain]) -> bool:
    fell_m = sum(each.depth_m for each in rain if move.start_ms - RUN_OFF_MS <= each.at_ms <= move.end_ms)
    return fell_m > LOSS_M
