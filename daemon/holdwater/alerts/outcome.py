"""What became of one send, as a channel reports it."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Accepted:
    """The other side has taken it."""


@dataclass(frozen=True, slots=True)
class Refused:
    """The other side has not taken it. `final` when the same message will never be taken; `words` say why."""

    final: bool
    words: str


@dataclass(frozen=True, slots=True)
class Unclear:
    """It may or may not have been taken: sent again with the same key, which the other side can know it by."""

    words: str


Outcome = Accepted | Refused | Unclear
