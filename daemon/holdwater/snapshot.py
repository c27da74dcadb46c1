"""The loop's latest picture of the site: immutable, swapped whole, read by page, command line and state topics.

Times are milliseconds since 1970-01-01 UTC; volumes m3, depths m, temperatures degC. `None` means unknown, never zero.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class TankNow:
    """One tank as of its latest reading.

    Attributes:
        name: name of the tank in the config.
        at_ms: time of the reading the figures stand for; None before the first.
        depth_m: water height above the lowest inside floor; None when unknown.
        on_hand_m3: volume above the outlet; None when unknown.
        total_m3: whole volume, with dead storage; None when unknown.
        u_noise_m3: standard uncertainty that does not cancel between readings.
        u_scale_m3: standard uncertainty of geometry and gain, which cancels in differences.
        quality: code of `holdwater_sensors.quality`; of the newest reading.
        reason: why the level is unknown or in doubt, in words; empty when all is well.
        trusted_at_ms: time of the last trusted reading, when the level is unknown.
        trusted_m3: on hand at that time.
        day_ago_m3: on hand about 24 h before `at_ms`, if known.
        heard_ms: when anything last came from the tank's level sensor.
        days_low: days above reserve, cautious figure; None when not known.
        days_mid: days above reserve, middle figure.
        days_high: days above reserve, hopeful figure.
        haul_by: last local day to haul, ISO 8601; empty when there is none to name.
        haul_late: that day is past; `haul_by` is then today.
        waiting_quality: quality of a reading newer than `at_ms` that does not count yet; 0 when there is none.
        waiting_m3: on hand by that reading; None when it gives no figure.
    """

    name: str
    at_ms: int | None = None
    depth_m: float | None = None
    on_hand_m3: float | None = None
    total_m3: float | None = None
    u_noise_m3: float = 0.0
    u_scale_m3: float = 0.0
    quality: int = 0
    reason: str = ""
    trusted_at_ms: int | None = None
    trusted_m3: float | None = None
    day_ago_m3: float | None = None
    heard_ms: int | None = None
    days_low: float | None = None
    days_mid: float | None = None
    days_high: float | None = None
    haul_by: str = ""
    haul_late: bool = False
    waiting_quality: int = 0
    waiting_m3: float | None = None

    @property
    def u_m3(self) -> float:
        """Combined standard uncertainty of the volume (GUM, uncorrelated parts)."""
        return float((self.u_noise_m3**2 + self.u_scale_m3**2) ** 0.5)


@dataclass(frozen=True, slots=True)
class NoticeNow:
    """A notice that is not clear: watching ones are not shown to the household."""

    id: int
    kind: str
    subject: str
    severity: str
    state: str
    since_ms: int
    seen: bool
    quiet_until_ms: int | None
    short: str
    long: str


@dataclass(frozen=True, slots=True)
class NodeNow:
    """A sensor box: waiting for acceptance, accepted or retired, and when it last spoke."""

    name: str
    state: str
    heard_ms: int | None
    presence: str = ""


@dataclass(frozen=True, slots=True)
class SeriesNow:
    """The newest value of one series, in the unit it was sent in."""

    name: str
    at_ms: int
    value: float
    unit: str


@dataclass(frozen=True, slots=True)
class MeterNow:
    """A counter of pulses as of now.

    Attributes:
        name: its name in the config.
        tank: its tank; empty for a rain gauge that stands by itself.
        kind: flow pulses or rain pulses.
        fills: whether the water it counts comes into the tank.
        at_ms: time of its newest reading; None before the first.
        today: counted since local midnight, m3 of water or m of rain; None before the first reading.
    """

    name: str
    tank: str
    kind: str
    fills: bool
    at_ms: int | None
    today: float | None


@dataclass(frozen=True, slots=True)
class Snapshot:
    """All of it. `counts` holds what was stored, dropped, quarantined, by name; `newest_ms` keys the page's cache."""

    made_ms: int
    clock_trusted: bool
    newest_ms: int
    tanks: tuple[TankNow, ...] = ()
    notices: tuple[NoticeNow, ...] = ()
    nodes: tuple[NodeNow, ...] = ()
    series: tuple[SeriesNow, ...] = ()
    counts: tuple[tuple[str, int], ...] = ()
    broker: str = ""
    meters: tuple[MeterNow, ...] = ()

    def tank(self, name: str) -> TankNow | None:
        """The tank of that name."""
        return next((tank for tank in self.tanks if tank.name == name), None)


def snapshot_of(told: Mapping[str, Any]) -> Snapshot:
    """The snapshot out of what the control socket answers (`dataclasses.asdict` of one, through JSON)."""
    lists = {"tanks": TankNow, "notices": NoticeNow, "nodes": NodeNow, "series": SeriesNow, "meters": MeterNow}
    parts: dict[str, Any] = {key: tuple(make(**each) for each in told.get(key, ())) for key, make in lists.items()}
    counts = tuple((str(name), int(count)) for name, count in told["counts"])
    return Snapshot(**{**told, **parts, "counts": counts})
