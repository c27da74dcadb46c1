"""A sensor with its mount: from one value, and what surrounds it, to the depth of the water and its doubt.

The doubt comes in two parts (GUM, JCGM 100:2008, eq. 10, uncorrelated inputs). `u_noise_m` changes from reading to
reading; `u_scale_m` stays the same or moves in step (mount height, gain, density, temperature scale), so it cancels in
the difference of two readings. Limits "± a" are read as uniform: u = a / sqrt(3) (GUM 4.3.7).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import NamedTuple

from holdwater_sensors.bounds import FloatSwitch
from holdwater_sensors.calibrate import Correction
from holdwater_sensors.counter import Pulses
from holdwater_sensors.echo import Ultrasonic
from holdwater_sensors.pressure import Hydrostatic
from holdwater_sensors.quality import OK, Grade, Reason, code
from holdwater_sensors.surroundings import Surroundings, plausible
from holdwater_sensors.transmitter import LevelTransmitter
from holdwater_sensors.weight import Holds, LoadCell

__all__ = ["Depth", "Dip", "Instrument", "Physics", "Surroundings"]

NOT_FINITE = code(Grade.REJECTED, Reason.NOT_FINITE)
OUT_OF_RANGE = code(Grade.REJECTED, Reason.OUT_OF_RANGE)
LARGEST = 1e12  # no sensor gives more in any SI unit; squares of it are still ordinary numbers
DEEPEST_M = 30.0  # no household's tank is deeper


class Depth(NamedTuple):
    """Height of the water above the lowest inside floor. A named tuple, not a dataclass: made for every reading.

    Attributes:
        depth_m: m; None when the value says nothing that can be trusted.
        u_noise_m: standard uncertainty that changes from reading to reading, m.
        u_scale_m: standard uncertainty that cancels in differences, m.
        quality: code of `holdwater_sensors.quality`.
    """

    depth_m: float | None
    u_noise_m: float
    u_scale_m: float
    quality: int

    @property
    def u_m(self) -> float:
        """Combined standard uncertainty, m."""
        return math.hypot(self.u_noise_m, self.u_scale_m)

    def with_noise(self, noise_m: float) -> Depth:
        """The same depth when the noise of its series is known (`noise.noise_sd`), m.

        What the noise does not explain of the stated accuracy stays the same from reading to reading, so it goes to the
        part that cancels in differences; the whole is not made smaller by it.
        """
        rest2 = max(self.u_noise_m**2 - noise_m**2, 0.0)
        return self._replace(u_noise_m=noise_m, u_scale_m=math.sqrt(self.u_scale_m**2 + rest2))


@dataclass(frozen=True, slots=True)
class Dip:
    """A stick or tape that a person reads.

    Attributes:
        height_m: 0 when the stick stands on the floor and shows the depth; else the height above the lowest inside
            floor from which the empty space is measured down.
        accuracy_m: limit of error, m; half an inch by default (common practice, no source).
    """

    height_m: float = 0.0
    accuracy_m: float = 0.0127

    def measure(self, value: float, around: Surroundings) -> Depth:  # noqa: ARG002 - one form for all physics
        """The depth from a reading in m."""
        depth_m = self.height_m - value if self.height_m > 0 else value
        u_m = self.accuracy_m / math.sqrt(3)
        if not -self.accuracy_m <= depth_m <= DEEPEST_M:
            return Depth(None, u_m, 0.0, OUT_OF_RANGE)
        return Depth(max(depth_m, 0.0), u_m, 0.0, OK)


Physics = Ultrasonic | Hydrostatic | LevelTransmitter | FloatSwitch | LoadCell | Pulses | Dip


@dataclass(frozen=True, slots=True)
class Instrument:
    """One sensor of a tank, as configured.

    Attributes:
        name: name in the config.
        tank: name of the tank.
        vessel: name of the vessel, for joined vessels; empty otherwise.
        kind: kind as written in the config.
        series: series of its readings, ``node:quantity``.
        unit: SenML unit that its readings must have.
        physics: how a value becomes a depth.
        corrections: calibrations, in order of the time from which each counts.
        air_series: series of the air temperature along the path.
        water_series: series of the water temperature.
        supply_series: series of the supply voltage.
        rh_series: series of the humidity of the headspace.
        from_ms: the instrument counts from this time on; None: always did.
        until_ms: and up to this time, not included; None: still does.
        spread_m: smallest standard deviation to assume when its depths are filtered, m.
        fills: a flow meter counts water that comes into its tank, not water that leaves it.
    """

    name: str
    tank: str
    vessel: str
    kind: str
    series: str
    unit: str
    physics: Physics
    corrections: tuple[Correction, ...] = ()
    air_series: str | None = None
    water_series: str | None = None
    supply_series: str | None = None
    rh_series: str | None = None
    from_ms: int | None = None
    until_ms: int | None = None
    spread_m: float = 0.003
    fills: bool = False

    @property
    def gives_depth(self) -> bool:
        """Whether its values become depths; floats give bounds, pulses amounts, a load cell without its vessel a weight."""
        if isinstance(self.physics, LoadCell):
            return self.physics.vessel is not None
        return isinstance(self.physics, Ultrasonic | Hydrostatic | LevelTransmitter | Dip)

    def on(self, vessel: Holds) -> Instrument:
        """The same instrument once its vessel is known: a load cell needs it to tell a depth."""
        if not isinstance(self.physics, LoadCell):
            return self
        cells = self.physics.under(vessel)
        half_m3 = vessel.volume_m3(vessel.height_m) / 2
        per_m2 = half_m3 / max(vessel.depth_m(half_m3), 1e-3)
        spread_m = max(0.002, cells.accuracy_kg / 2 / cells.carried / 1000 / max(per_m2, 1e-3))
        return replace(self, physics=cells, spread_m=spread_m)

    def counts_at(self, ts_ms: int) -> bool:
        """Whether the instrument, as configured here, was in place at a time."""
        return (self.from_ms is None or ts_ms >= self.from_ms) and (self.until_ms is None or ts_ms < self.until_ms)

    def correction_at(self, ts_ms: int) -> Correction | None:
        """The calibration that counts at a time."""
        found = None
        for correction in self.corrections:
            if correction.from_ms is not None and correction.from_ms > ts_ms:
                break
            found = correction
        return found

    def depth(self, value_si: float, around: Surroundings, ts_ms: int = 0) -> Depth:
        """The depth that a value stands for.

        Args:
            value_si: the value in `unit`.
            around: temperatures, pressure and supply at the time.
            ts_ms: time of the reading, ms UTC; picks the calibration.

        Returns:
            Depth, its doubt and its quality; `depth_m` is None for what cannot be trusted and for kinds that give no
            depth.
        """
        if not -LARGEST <= value_si <= LARGEST:
            return Depth(None, 0.0, 0.0, OUT_OF_RANGE if math.isfinite(value_si) else NOT_FINITE)
        physics = self.physics
        if isinstance(physics, FloatSwitch | Pulses):
            return Depth(None, 0.0, 0.0, OK)
        found = Depth(*physics.measure(value_si, plausible(around)))
        if not self.corrections or found.depth_m is None:
            return found
        correction = self.correction_at(ts_ms)
        if correction is None:
            return found
        depth_m, u_m = correction.apply(found.depth_m)
        u_scale_m = math.hypot(found.u_scale_m * correction.keeps_scale, u_m)
        return Depth(max(depth_m, 0.0), found.u_noise_m * abs(correction.gain), u_scale_m, found.quality)
