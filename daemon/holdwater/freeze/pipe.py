"""Pipes and spigots: how long until the water in them is at 32 degF (0 degC), and until they are blocked.

ASHRAE Handbook Fundamentals (2009), chapter 23, equation 1: t = C R ln((T0 - Ta)/(32 - Ta)), C the heat capacity of
the water and R the resistance of the insulation, each per length; pipe wall and outer film are left out for an
insulated pipe; a bare pipe has the film on its outer surface alone. These are times for still, steady air: they give
an order of size, not a promise.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import log, pi

from holdwater.freeze.body import Body
from holdwater.units import M_PER_FT, M_PER_IN

W_M2K_PER_BTU = 5.678263  # Btu/(h ft2 degF); NIST SP 811, B.8
STILL_W_M2K = 1.46 * W_M2K_PER_BTU  # still air at a pipe, radiation in it (from memory, ASHRAE)
WIND_W_M2K = 6.0 * W_M2K_PER_BTU  # wind of 15 mph (from memory, ASHRAE)
W_MK_PER_BTU_IN = 0.1442279  # Btu in/(h ft2 degF); NIST SP 811, B.8
FOAM_W_MK = 0.25 * W_MK_PER_BTU_IN  # pipe sleeve of closed foam, common figure

TAPE_W_FT = (3.0, 5.0)  # heat tape, trade figures

# Ice grows as plates across the bore and stops the flow long before all is ice (Gilpin, The effects of dendritic ice
# formation in water pipes, 1977, from memory). The share is a choice on the careful side, not a measured one.
BLOCKED = 0.3

# Outside diameter and bore in inches of schedule 40 pipe (ASME B36.10, from memory).
SCHEDULE_40 = {
    "1/2 in": (0.840, 0.622),
    "3/4 in": (1.050, 0.824),
    "1 in": (1.315, 1.049),
    "1-1/2 in": (1.900, 1.610),
    "2 in": (2.375, 2.067),
    "4 in": (4.500, 4.026),
}


@dataclass(frozen=True, slots=True)
class Pipe:
    """A length of pipe full of standing water.

    Attributes:
        bore_m: inside diameter, above 0.
        outside_m: outside diameter, at least the bore.
        length_m: above 0.
        insulation_m: thickness of the insulation; 0 for a bare pipe.
        conductivity_w_mk: of the insulation, above 0.
        film_w_m2k: of the air at a bare pipe: `STILL_W_M2K` to `WIND_W_M2K`.
    """

    bore_m: float
    outside_m: float
    length_m: float = 1.0
    insulation_m: float = 0.0
    conductivity_w_mk: float = FOAM_W_MK
    film_w_m2k: float = STILL_W_M2K

    @property
    def resistance_mk_w(self) -> float:
        """Resistance between water and air for a metre of pipe, m K/W: of the insulation, or of the film on a bare
        pipe."""
        if self.insulation_m > 0:
            return log((self.outside_m + 2 * self.insulation_m) / self.outside_m) / (2 * pi * self.conductivity_w_mk)
        return 1 / (self.film_w_m2k * pi * self.outside_m)

    def body(self) -> Body:
        """The water in it as a lump."""
        return Body(pi / 4 * self.bore_m**2 * self.length_m, self.length_m / self.resistance_mk_w)


def schedule_40(size: str, **settings: float) -> Pipe:
    """A pipe of schedule 40 by its nominal size (``3/4 in``); further settings as of `Pipe`."""
    outside_in, bore_in = SCHEDULE_40[size]
    return Pipe(bore_in * M_PER_IN, outside_in * M_PER_IN, **settings)


@dataclass(frozen=True, slots=True)
class Times:
    """Hours to 0 degC and on to blockage: in wind, and in still air (for an insulated pipe they are the same). None
    is never."""

    freezing_wind_h: float | None
    freezing_still_h: float | None
    blocked_wind_h: float | None
    blocked_still_h: float | None


def times(pipe: Pipe, water_c: float, air_c: float) -> Times:
    """How long a pipe lasts in steady air, with its range.

    Args:
        pipe: its film is not looked at.
        water_c: water at the beginning, degC.
        air_c: steady air, degC.

    Returns:
        All None when the air is at or above 0 degC: it never freezes.
    """
    found: list[float | None] = []
    for film_w_m2k in (WIND_W_M2K, STILL_W_M2K):
        body = Pipe(
            pipe.bore_m, pipe.outside_m, pipe.length_m, pipe.insulation_m, pipe.conductivity_w_mk, film_w_m2k
        ).body()
        cold_h, more_h = body.hours_to_freezing(water_c, air_c), body.hours_to_ice(BLOCKED, air_c)
        found += [cold_h, None if cold_h is None or more_h is None else cold_h + more_h]
    return Times(found[0], found[2], found[1], found[3])


def tape_wh(length_m: float, hours: float) -> tuple[float, float]:
    """What heat tape on a pipe uses, Wh: of 3 and of 5 W a foot (trade figures).

    Args:
        length_m: of the tape.
        hours: that it is on.
    """
    least, most = TAPE_W_FT
    return least * length_m / M_PER_FT * hours, most * length_m / M_PER_FT * hours
