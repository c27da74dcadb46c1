"""Settings that were renamed or went away, by version: what `holdwater check --upgrade` explains, old and new.

When a setting changes, add a row here in the same commit; rows are never taken out, so that a file of any age is explained.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from holdwater.config.fields import shown
from holdwater.config.redact import is_secret
from holdwater.config.syntax import dotted

FIRST = "0.1.0"
"""The first version: there is nothing older to come from."""


@dataclass(frozen=True, slots=True)
class Move:
    """One change of a setting.

    Attributes:
        version: version of holdwater that changed it.
        old: its key before, such as ``tank.*.lip``; ``*`` stands for any name.
        new: its key now, with the same stars; empty when it went away.
        why: a sentence for the household.
    """

    version: str
    old: str
    new: str
    why: str


MOVES: tuple[Move, ...] = ()
"""Every change so far, oldest first. None: there is one version."""


def moved(data: dict[str, Any], moves: Iterable[Move] = MOVES) -> list[str]:
    """What of a file has another name now: one sentence each, old to new.

    Args:
        data: the tables of the file.
        moves: the changes to look for.
    """
    return [_words(move, key, value) for move in moves for key, value in _found(data, move.old.split("."))]


def _found(data: Any, pattern: Sequence[str], at: tuple[str, ...] = ()) -> Iterator[tuple[tuple[str, ...], Any]]:
    """Every place of the file that a pattern names, with its value."""
    if not pattern:
        yield at, data
        return
    if not isinstance(data, dict):
        return
    for name in data if pattern[0] == "*" else (pattern[0],):
        if name in data:
            yield from _found(data[name], pattern[1:], (*at, name))


def _words(move: Move, key: tuple[str, ...], value: Any) -> str:
    said = "…" if is_secret(key[-1]) else shown(value)
    if not move.new:
        return f"{dotted(key)} = {said}: gone since {move.version}. {move.why} Remove the line."
    names = iter(part for part, star in zip(key, move.old.split("."), strict=True) if star == "*")
    new = dotted(tuple(next(names) if part == "*" else part for part in move.new.split(".")))
    return f"{dotted(key)} = {said} -> {new} since {move.version}. {move.why}"
