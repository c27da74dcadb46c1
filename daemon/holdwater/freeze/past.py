"""Past nights: what was told of each, and what came; how often the season's warnings were right."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any, Protocol

from holdwater.freeze.decision import Tally
from holdwater.freeze.evening import Issue

TOLD, CAME = "night", "night came"  # kinds of rows
AFTERNOON, EVENING = Issue("afternoon").name, Issue("evening").name
SEASON_MONTHS = (7, 1)  # a winter begins with July, south of the equator with January


class Row(Protocol):
    """A stored word, or what came of it."""

    @property
    def kind(self) -> str:
        """Which of the two."""

    @property
    def issued_ms(self) -> int:
        """When it was told, ms UTC."""

    @property
    def body(self) -> str:
        """Its JSON."""


def lowest_of(came_c: Mapping[str, float]) -> float | None:
    """The lowest air of a night by what came from each issue on; None where only its last hours are known."""
    whole = [came_c[issue] for issue in (AFTERNOON, EVENING) if issue in came_c]
    return min(whole, default=None)


@dataclass(frozen=True, slots=True)
class SaidSpot:
    """What a word meant for an exposure: the limit, the chance, whether it called, what was ticked off then."""

    limit_c: float
    chance: float
    call: bool
    done: str = ""


@dataclass(frozen=True, slots=True)
class Said:
    """One word of a night as it was told, degC, with what it meant for each exposure."""

    issued_ms: int
    p10_c: float
    p50_c: float
    p90_c: float
    chance_below_0c: float
    spots: Mapping[str, SaidSpot] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class PastNight:
    """A night.

    Attributes:
        day: local date of its evening.
        said: its words by the name of their issue.
        came: lowest hourly air from each issue to the end of the night, degC; empty while it is not known.
    """

    day: date
    said: Mapping[str, Said]
    came: Mapping[str, float]

    @property
    def lowest_c(self) -> float | None:
        """The lowest air of the whole night; None where not known."""
        return lowest_of(self.came)

    def told(self, issue: str) -> tuple[Said, float] | None:
        """A word and what came of it; None where either is missing."""
        said, came_c = self.said.get(issue), self.came.get(issue)
        return None if said is None or came_c is None else (said, came_c)

    def _first(self) -> dict[str, SaidSpot]:
        """Each exposure as the first word of the night had it; what was ticked off by then needed no word and is left out."""
        found: dict[str, SaidSpot] = {}
        for said in sorted(self.said.values(), key=lambda each: each.issued_ms):
            for name, spot in said.spots.items():
                found.setdefault(name, spot)
        return {name: spot for name, spot in found.items() if not spot.done}

    @property
    def called(self) -> tuple[str, ...]:
        """The exposures that the words of afternoon and evening called for, by name."""
        first = self._first()
        names = (
            name for said in self.said.values() for name, spot in said.spots.items() if spot.call and name in first
        )
        return tuple(dict.fromkeys(names))

    @property
    def below(self) -> tuple[str, ...]:
        """The exposures below whose limit, as first told, the night came."""
        limits = {name: spot.limit_c for name, spot in self._first().items()}
        lowest_c = self.lowest_c
        return () if lowest_c is None else tuple(name for name, limit_c in limits.items() if lowest_c < limit_c)


def past_nights(rows: Iterable[Row]) -> list[PastNight]:
    """Nights out of stored rows, oldest first; a row that cannot be read is left out.

    Args:
        rows: of kinds `TOLD` and `CAME`, in any order.
    """
    said: dict[date, dict[str, Said]] = {}
    came: dict[date, dict[str, float]] = {}
    for row in rows:
        try:
            if row.kind == TOLD:
                body = json.loads(row.body)
                said.setdefault(date.fromisoformat(body["night"]), {})[str(body["issue"])] = _said(row.issued_ms, body)
            elif row.kind == CAME:
                body = json.loads(row.body)
                came[date.fromisoformat(body["night"])] = {name: float(c) for name, c in body["came_c"].items()}
        except (ValueError, KeyError, TypeError, AttributeError):
            continue
    return [PastNight(day, said.get(day, {}), came.get(day, {})) for day in sorted(said.keys() | came.keys())]


def _said(issued_ms: int, body: Mapping[str, Any]) -> Said:
    spots = {
        str(name): SaidSpot(
            float(each["limit_c"]), float(each["chance"]), bool(each["call"]), str(each.get("done", ""))
        )
        for name, each in body.get("spots", {}).items()
    }
    low_c, middle_c, high_c, chance = (float(body[key]) for key in ("p10_c", "p50_c", "p90_c", "chance_below_0c"))
    return Said(issued_ms, low_c, middle_c, high_c, chance, spots)


def season_of(nights: Sequence[PastNight], latitude: float) -> list[PastNight]:
    """The nights of the winter that the last of them belongs to."""
    if not nights:
        return []
    last = nights[-1].day
    month = SEASON_MONTHS[latitude < 0]
    first = date(last.year - (last.month < month), month, 1)
    return [each for each in nights if each.day >= first]


def tally(nights: Iterable[PastNight]) -> Tally:
    """How often warnings were right: real when the night came below the limit of something that was called for."""
    found = Tally()
    for each in nights:
        if each.lowest_c is None or not each.said:
            continue
        called, below = set(each.called), set(each.below)
        found = found.add(warned=bool(called), froze=bool(called & below) if called else bool(below))
    return found


@dataclass(frozen=True, slots=True)
class Marks:
    """How good the words of one issue were: nights, mean size of the error (degC), share within the band."""

    nights: int
    mae_c: float
    covers: float


def marks(nights: Iterable[PastNight], issue: str) -> Marks | None:
    """The figures of an issue; None without a night of which both are known."""
    pairs = [pair for each in nights if (pair := each.told(issue)) is not None]
    if not pairs:
        return None
    errors = [abs(came_c - said.p50_c) for said, came_c in pairs]
    inside = [said.p10_c <= came_c <= said.p90_c for said, came_c in pairs]
    return Marks(len(pairs), sum(errors) / len(pairs), sum(inside) / len(pairs))
