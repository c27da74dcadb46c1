"""How the mirror stands, in words: for `status`, `doctor` and whoever looks. Loads nothing of the network."""

from __future__ import annotations

import sqlite3
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from holdwater.mirror.marks import Marks

if TYPE_CHECKING:
    from collections.abc import Mapping
    from zoneinfo import ZoneInfo

BEHIND_MS = 3_600_000
"""Something that waits longer than this is worth a word: a look that has just begun is not."""


@dataclass(frozen=True, slots=True)
class Standing:
    """How the mirror stood when it last looked.

    Attributes:
        at_ms: when that was; None before the first look.
        words: what stops it; empty while all is well.
        mend: True when the config or the server has to be mended.
        waiting: readings and levels that wait.
        oldest_ms: hour of the oldest that waits.
        ok_ms: when the server last took something.
        refused: readings that the server did not take, or that were gone before it did.
    """

    at_ms: int | None = None
    words: str = ""
    mend: bool = False
    waiting: int = 0
    oldest_ms: int | None = None
    ok_ms: int | None = None
    refused: int = 0

    def plain(self) -> dict[str, Any]:
        """As plain values."""
        return asdict(self)


def standing(folder: Path) -> Standing:
    """How the mirror of a store stands, by its own marks."""
    marks = Marks.look(folder)
    if marks is None:
        return Standing()
    with marks:
        try:
            state = marks.state()
            refused = sum(each.n for each in marks.refusals())
        except (sqlite3.Error, ValueError) as error:
            return Standing(words=f"its marks cannot be read: {error}", mend=True)
    if not state:
        return Standing(refused=refused)
    names = ("at_ms", "words", "mend", "waiting", "oldest_ms", "ok_ms")
    return Standing(**{name: state.get(name, getattr(Standing(), name)) for name in names}, refused=refused)


def sentence(found: Mapping[str, Any], zone: ZoneInfo) -> str:
    """The standing in a sentence, within two lines of a terminal.

    Args:
        found: a `Standing` as plain values.
        zone: time zone of the household.
    """
    if found["at_ms"] is None:
        return "has not looked yet"
    parts: list[str] = []
    if found["waiting"]:
        oldest = "" if found["oldest_ms"] is None else f", the oldest of {_when(found['oldest_ms'], zone)}"
        parts.append(f"{found['waiting']:,} readings and levels wait{oldest}")
    if found["words"]:
        parts.append(f"the server: {found['words']}")
    if not parts:
        parts.append(f"up to date ({_when(found['at_ms'], zone)})")
    if found["refused"]:
        parts.append(f"{found['refused']:,} were not taken: holdwater mirror --gaps")
    return "; ".join(parts)


def _when(ms: int, zone: ZoneInfo) -> str:
    return f"{datetime.fromtimestamp(ms / 1000, zone):%a %-d %b %H:%M}"
