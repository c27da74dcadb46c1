"""What the balance reads: points of one tank in time order, notes of the household, facts of the tank, rain."""

from __future__ import annotations

from dataclasses import dataclass

MINUTE_MS = 60_000
HOUR_MS = 3_600_000
DAY_MS = 86_400_000


@dataclass(frozen=True, slots=True)
class Point:
    """One reading of a tank.

    Attributes:
        ts_ms: time of the reading, ms UTC.
        on_hand_m3: volume above the outlet.
        u_noise_m3: standard uncertainty that does not cancel between readings.
        ok: False for a suspect or rejected reading, which the balance leaves out.
    """

    ts_ms: int
    on_hand_m3: float
    u_noise_m3: float
    ok: bool = True


@dataclass(frozen=True, slots=True)
class Span:
    """A note of the household as a span of time.

    Attributes:
        kind: load, well run, watering, working on it, away, guests, …
        start_ms: begin, ms UTC.
        end_ms: end; for a moment the same as the begin.
        m3: volume the household wrote, None when it wrote none.
    """

    kind: str
    start_ms: int
    end_ms: int
    m3: float | None = None


@dataclass(frozen=True, slots=True)
class Facts:
    """What is known of the tank.

    Attributes:
        capacity_m3: volume above the outlet when it stands at the overflow.
        filled_by: any of roof, well, load, transfer, spring, mains.
        roof_m2: roof area that feeds it, 0 for none.
    """

    capacity_m3: float
    filled_by: tuple[str, ...] = ()
    roof_m2: float = 0.0


@dataclass(frozen=True, slots=True)
class Rain:
    """Rain that fell by `at_ms` since the entry before, in m."""

    at_ms: int
    depth_m: float
