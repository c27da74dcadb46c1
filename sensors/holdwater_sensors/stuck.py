"""Signs that a sensor no longer measures: a frozen value, the minimum repeated, twice the distance.

Quiet water freezes no value for long: noise moves the last digit. Where it does not (coarse resolution), a fact from
elsewhere must say that the water moved.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from holdwater_sensors.echo import Ultrasonic
from holdwater_sensors.quality import OK, Grade, Reason, code

STUCK = code(Grade.SUSPECT, Reason.STUCK)
STUCK_FOR_SURE = code(Grade.REJECTED, Reason.STUCK)
DOUBLE_ECHO = code(Grade.REJECTED, Reason.DOUBLE_ECHO)
DEAD_ZONE = code(Grade.REJECTED, Reason.DEAD_ZONE)
WALL = code(Grade.SUSPECT, Reason.WALL)


@dataclass(frozen=True, slots=True)
class Facts:
    """What else is known about the time for which a value has stood still.

    Attributes:
        moved_m: how far other facts say that the level should have moved: water drawn or loaded as the household noted
            it, rain on the roof, a second sensor of the tank; m.
        u_moved_m: standard uncertainty of that, m.
        noise_m: usual noise of this sensor from reading to reading, m; 0 when not known.
    """

    moved_m: float = 0.0
    u_moved_m: float = 0.0
    noise_m: float = 0.0


@dataclass(frozen=True, slots=True)
class Frozen:
    """How long a series has shown one value. A fold over readings in order of time.

    Attributes:
        value: the value shown.
        since_ms: time of the first reading that showed it.
        latest_ms: time of the latest reading.
        n: how many readings in a row showed it.
    """

    value: float
    since_ms: int
    latest_ms: int
    n: int = 1

    def then(self, ts_ms: int, value: float, step: float = 0.0) -> Frozen:
        """After one more reading; `step` is how far a value may move and still be "the same" (half a count)."""
        if abs(value - self.value) <= step:
            return replace(self, latest_ms=ts_ms, n=self.n + 1)
        return Frozen(value, ts_ms, ts_ms)

    @property
    def span_ms(self) -> int:
        """For how long it has shown the value."""
        return self.latest_ms - self.since_ms


def frozen_quality(frozen: Frozen, resolution_m: float, limit_ms: int, facts: Facts) -> int:
    """Whether a value that stands still is a stuck sensor.

    Args:
        frozen: how long it has stood.
        resolution_m: smallest step of the sensor, m.
        limit_ms: for how long a value may stand when its noise should move it.
        facts: what else is known.

    Returns:
        Rejected when other facts say that the water moved by more than the sensor could miss; suspect when only its own
        noise is missing: a sensor whose noise spans a count cannot show the same count for ten readings and the whole
        limit; else ok.
    """
    missed_m = abs(facts.moved_m) - 3 * facts.u_moved_m - 2 * resolution_m
    if missed_m > 0 and frozen.n >= 3:
        return STUCK_FOR_SURE
    noisy = facts.noise_m > 0.5 * resolution_m and facts.noise_m > 0
    if noisy and frozen.n >= 10 and frozen.span_ms >= limit_ms:
        return STUCK
    return OK


def echo_quality(gap_m: float, trusted_gap_m: float | None, gauge: Ultrasonic, wall_gap_m: float | None = None) -> int:
    """Whether a distance looks like a false echo, next to the last one that was trusted.

    Args:
        gap_m: distance now, m.
        trusted_gap_m: distance of the last trusted reading, m; None when there is none.
        gauge: the sensor.
        wall_gap_m: distance at which its beam meets the wall, if it does.

    Returns:
        Dead zone: it repeats its own minimum. Double echo: within 3 % or 2 cm of twice the trusted distance. Wall: it
        fell to the distance of the wall from farther away by more than any inflow explains. Else ok. (The signs are
        common practice, no source.)
    """
    if gap_m <= gauge.dead_zone_m * 1.02:
        return DEAD_ZONE
    if trusted_gap_m is None:
        return OK
    near = max(0.02, 0.03 * trusted_gap_m)
    if abs(gap_m - 2 * trusted_gap_m) <= near and trusted_gap_m > gauge.dead_zone_m:
        return DOUBLE_ECHO
    if wall_gap_m is not None and abs(gap_m - wall_gap_m) <= near and trusted_gap_m - gap_m > 5 * near:
        return WALL
    return OK
