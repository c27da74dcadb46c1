"""Two facts on one water that do not go together, and what may tell which of them is wrong."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

from holdwater.gauge.beside import HOUR_MS, Looks
from holdwater.tanks.tank import Tank
from holdwater.units import Measure
from holdwater_sensors.agree import unseen_expansion
from holdwater_sensors.instrument import Depth, Instrument
from holdwater_sensors.pressure import Hydrostatic

COUNTS_MS = 24 * HOUR_MS
"""For how long a hand dip, and how fast two sensors came apart, count as a third fact."""

MOST_FLOW_M3_S = 0.02
"""Faster than this, about 300 gal/min, no household's tank fills or empties (common practice, no source: a 3 in transfer pump)."""


class Dispute(NamedTuple):
    """Two facts on one water that have disagreed for long.

    Attributes:
        first: name of a sensor.
        second: name of the other one; empty for a hand dip.
        since_ms: since when.
        latest_ms: when they were last compared.
        first_m: depth by the first, m.
        second_m: depth by the second, m.
        u_m: standard uncertainty of their difference, m.
        liar: name of the one that is likelier wrong; empty when nothing tells.
        by: which facts say so, in words.
    """

    first: str
    second: str
    since_ms: int
    latest_ms: int
    first_m: float
    second_m: float
    u_m: float
    liar: str = ""
    by: str = ""

    def words(self, measure: Measure) -> str:
        """In words, with what to do."""
        one, other = measure.length_text(self.first_m), measure.length_text(self.second_m)
        said = f"{self.first} says {one}, {self.second or 'the hand dip'} {other}."
        if self.liar:
            return f"{said} Likely wrong: {self.liar}, by {self.by}. Look at that sensor."
        if not self.second:
            return f"{said} Dip again; if that says the same, correct the sensor: holdwater calibrate."
        return f"{said} Dip the tank to tell which of them is wrong."


class Rate(NamedTuple):
    """How fast a depth changed from one reading to the next.

    Attributes:
        surely_m_s: m/s, less what the doubt of both explains; None when not known.
        from_m: depth before, m.
        to_m: depth after, m.
        at_ms: time of the later one.
    """

    surely_m_s: float | None = None
    from_m: float = 0.0
    to_m: float = 0.0
    at_ms: int = 0

    @classmethod
    def between(cls, before_ms: int, before: Depth, ts_ms: int, depth: Depth) -> Rate:
        """From one known depth to the next."""
        from_m, to_m = before.depth_m or 0.0, depth.depth_m or 0.0
        moved_m = abs(to_m - from_m) - 3 * math.hypot(before.u_noise_m, depth.u_noise_m)
        return cls(max(moved_m, 0.0) * 1000 / (ts_ms - before_ms), from_m, to_m, ts_ms)


def limit_m_s(tank: Tank, *rates: Rate) -> float | None:
    """How fast the surface of a tank can move at most, where two sensors came apart, m/s."""
    at_m = [depth for each in rates if each.surely_m_s is not None for depth in (each.from_m, each.to_m)]
    areas = [tank.area_m2(min(max(each, 0.02), tank.overflow_m)) for each in at_m]
    least_m2 = min((each for each in areas if each > 0), default=0.0)
    return MOST_FLOW_M3_S / least_m2 if least_m2 else None


class Warming:
    """The rise of warming water that only one of two sensors can see.

    A pressure sensor with a fixed density weighs the water and does not see it expand; one that looks at the surface does. How warm
    the water is another instrument of the tank may know.
    """

    def __init__(self, instruments: Sequence[Instrument]) -> None:
        self._fixed_c = {
            each.name: each.physics.usual_water_c
            for each in instruments
            if isinstance(each.physics, Hydrostatic) and each.water_series is None
        }
        self._water = next((each.water_series for each in instruments if each.water_series is not None), None)

    def unseen_m(self, name: str, other: str, depth: Depth, looks: Looks, ts_ms: int) -> float:
        """What only one of the two can have seen, m."""
        if self._water is None or (name in self._fixed_c) == (other in self._fixed_c):
            return 0.0
        water_c = looks.at(self._water, ts_ms)
        if water_c is None or depth.depth_m is None:
            return 0.0
        fixed_c = self._fixed_c[name if name in self._fixed_c else other]
        return unseen_expansion(depth.depth_m, fixed_c, water_c)
