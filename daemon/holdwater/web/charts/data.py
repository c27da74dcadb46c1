"""What a season picture is drawn from: plain values, times in ms UTC, volumes m3, rain m, temperatures degC."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from holdwater.store.rows import LevelRow
from holdwater.units import Measure


@dataclass(frozen=True, slots=True)
class AheadPoint:
    """One step of an outlook: on hand with 10, 50 and 90 % chance of being lower, m3."""

    at_ms: int
    low_m3: float
    mid_m3: float
    high_m3: float


@dataclass(frozen=True, slots=True)
class TankLane:
    """One tank over the season.

    Attributes:
        name: the tank.
        full_m3: on hand when full to the overflow lip; top of the lane.
        reserve_m3: line that should not be crossed, or None.
        rows: hours or local days, oldest first.
        span_ms: length of one row.
        ahead: outlook beyond today, empty when there is none.
    """

    name: str
    full_m3: float
    reserve_m3: float | None
    rows: Sequence[LevelRow]
    span_ms: int
    ahead: Sequence[AheadPoint] = ()


@dataclass(frozen=True, slots=True)
class Sky:
    """Rain and frost by local day.

    Attributes:
        rain: (midnight, metres of rain); None where no rain gauge is configured.
        lows: (midnight, lowest degC); None where no outside air is configured.
    """

    rain: Sequence[tuple[int, float]] | None
    lows: Sequence[tuple[int, float]] | None


@dataclass(frozen=True, slots=True)
class Sign:
    """One thing done or told, on the hand lane.

    Attributes:
        number: the figure on the sign, explained in the list.
        at_ms: when.
        kind: load, dip, chore or notice: the shape of the sign.
        severity: of a notice: act now, act today, know; else empty.
        words: what it says in the list.
    """

    number: int
    at_ms: int
    kind: str
    severity: str
    words: str


@dataclass(frozen=True, slots=True)
class Season:
    """All that one season picture shows, from the local midnight `start_ms` to `end_ms`."""

    site: str
    zone: ZoneInfo
    measure: Measure
    start_ms: int
    end_ms: int
    now_ms: int
    tanks: Sequence[TankLane]
    sky: Sky
    signs: Sequence[Sign]
