"""The life of a notice as one table: (state, event) -> state.

Nothing but this table decides which state follows; when a duration is over is decided in `matter`.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum


class State(StrEnum):
    """Where a matter stands. The names are stored and shown; they never change."""

    CLEAR = "clear"
    WATCHING = "watching"  # beyond the raise line, not yet long enough; never told to anyone
    ACTIVE = "active"
    EASING = "easing"  # back past the clear line, not yet long enough; still counts as active


class Event(StrEnum):
    """What can happen to a matter: a verdict on one reading, or a duration that is over."""

    BEYOND = "beyond"  # at or past the raise line
    BETWEEN = "between"  # between the two lines
    BACK = "back"  # at or past the clear line
    RAISE_DUE = "raise due"
    CLEAR_DUE = "clear due"


Table = Mapping[tuple[State, Event], State]

TABLE: Table = {
    (State.CLEAR, Event.BEYOND): State.WATCHING,
    (State.CLEAR, Event.BETWEEN): State.CLEAR,
    (State.CLEAR, Event.BACK): State.CLEAR,
    (State.CLEAR, Event.RAISE_DUE): State.CLEAR,
    (State.CLEAR, Event.CLEAR_DUE): State.CLEAR,
    (State.WATCHING, Event.BEYOND): State.WATCHING,
    # One reading that is not beyond ends the run: a notice needs every reading of the duration beyond the line.
    (State.WATCHING, Event.BETWEEN): State.CLEAR,
    (State.WATCHING, Event.BACK): State.CLEAR,
    (State.WATCHING, Event.RAISE_DUE): State.ACTIVE,
    (State.WATCHING, Event.CLEAR_DUE): State.WATCHING,
    (State.ACTIVE, Event.BEYOND): State.ACTIVE,
    (State.ACTIVE, Event.BETWEEN): State.ACTIVE,
    (State.ACTIVE, Event.BACK): State.EASING,
    (State.ACTIVE, Event.RAISE_DUE): State.ACTIVE,
    (State.ACTIVE, Event.CLEAR_DUE): State.ACTIVE,
    (State.EASING, Event.BEYOND): State.ACTIVE,
    (State.EASING, Event.BETWEEN): State.ACTIVE,
    (State.EASING, Event.BACK): State.EASING,
    (State.EASING, Event.RAISE_DUE): State.EASING,
    (State.EASING, Event.CLEAR_DUE): State.CLEAR,
}


class Verdict(StrEnum):
    """What one reading says about a matter."""

    BEYOND = "beyond"
    BETWEEN = "between"
    BACK = "back"
    UNKNOWN = "unknown"  # says nothing: moves nothing


EVENT_OF: Mapping[Verdict, Event] = {
    Verdict.BEYOND: Event.BEYOND,
    Verdict.BETWEEN: Event.BETWEEN,
    Verdict.BACK: Event.BACK,
}


def below(value: float, raise_at: float, clear_at: float) -> Verdict:
    """The verdict of a matter that is raised by too little: at or below `raise_at`, back at or above `clear_at`."""
    if value <= raise_at:
        return Verdict.BEYOND
    return Verdict.BACK if value >= clear_at else Verdict.BETWEEN


def above(value: float, raise_at: float, clear_at: float) -> Verdict:
    """The verdict of a matter that is raised by too much: at or above `raise_at`, back at or below `clear_at`."""
    if value >= raise_at:
        return Verdict.BEYOND
    return Verdict.BACK if value <= clear_at else Verdict.BETWEEN
