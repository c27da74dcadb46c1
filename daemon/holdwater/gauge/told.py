"""What the household told of a tank that its level rests on: hand dips, and links shut or opened by a note."""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import NamedTuple

from holdwater.tanks.tank import Tank
from holdwater_sensors.instrument import Depth, Dip, Instrument
from holdwater_sensors.quality import OK

DIP, LINK_SHUT, LINK_OPEN = "dip", "link shut", "link open"
KINDS = (DIP, LINK_SHUT, LINK_OPEN)
"""Kinds of note that change a level."""


class Noted(NamedTuple):
    """One note, as far as levels are concerned: its kind, its time and what it says, in SI."""

    kind: str
    at_ms: int
    body: Mapping[str, object]


class Dipped(NamedTuple):
    """One hand dip: the depth over the floor of a vessel, with its doubt."""

    ts_ms: int
    vessel: str
    depth: Depth


@dataclass(frozen=True, slots=True)
class Told:
    """All of it for one tank.

    Attributes:
        dips: hand dips in order of time.
        changes: links shut by notes, each from a time on, in order.
    """

    dips: tuple[Dipped, ...] = ()
    changes: tuple[tuple[int, tuple[int, ...]], ...] = ()

    def shut_at(self, ts_ms: int) -> tuple[int, ...]:
        """Positions of the links that notes have shut at a time."""
        found = bisect_right(self.changes, ts_ms, key=lambda each: each[0]) - 1
        return self.changes[found][1] if found >= 0 else ()


NOTHING = Told()


def told_of(tank: Tank, instruments: Iterable[Instrument], notes: Iterable[Noted]) -> Told:
    """What notes tell of a tank.

    Args:
        tank: the tank.
        instruments: its instruments; a `dip` among them states how well this household dips.
        notes: notes of `KINDS` in order of time, of any tank.
    """
    stick = next((each.physics for each in instruments if isinstance(each.physics, Dip)), Dip())
    dips: list[Dipped] = []
    changes: list[tuple[int, tuple[int, ...]]] = []
    shut: frozenset[int] = frozenset()
    for note in notes:
        if note.body.get("tank") != tank.name:
            continue
        if note.kind == DIP:
            found = dipped(tank, note, stick)
            dips += [] if found is None else [found]
            continue
        link = note.body.get("link")
        if isinstance(link, int) and note.kind in (LINK_SHUT, LINK_OPEN):
            shut = shut | {link} if note.kind == LINK_SHUT else shut - {link}
            changes.append((note.at_ms, tuple(sorted(shut))))
    return Told(tuple(dips), tuple(changes))


def dipped(tank: Tank, note: Noted, stick: Dip) -> Dipped | None:
    """A noted dip as a depth over the floor of its vessel; None when it says none that the tank can have.

    A note counts from the lowest floor of the tank, or from the floor of the vessel that it names. `doubt_m` is its limit of error.
    """
    depth_m, limit_m = note.body.get("depth_m"), note.body.get("doubt_m")
    named = note.body.get("vessel")
    vessel = next((each for each in tank.vessels if each.name == named), None) if named else None
    if isinstance(depth_m, bool) or not isinstance(depth_m, int | float) or (named and vessel is None):
        return None
    if vessel is None:
        vessel = next((each for each in tank.vessels if each.name == tank.tap_vessel), tank.vessels[0])
        depth_m = max(depth_m - vessel.floor_m, 0.0) if depth_m >= 0 else depth_m
    limit_m = float(limit_m) if isinstance(limit_m, int | float) and limit_m > 0 else stick.accuracy_m
    if not 0.0 <= depth_m <= vessel.shape.height_m + limit_m:
        return None
    return Dipped(note.at_ms, vessel.name, Depth(float(depth_m), limit_m / math.sqrt(3), 0.0, OK))
