"""A tank in the cold: it follows the mean of days, as its time constant says, not the hour.

The water is one lump behind the resistance of its enclosure (R-values: ASHRAE Handbook Fundamentals, chapter 26,
common figures) and the film of air. No sun, ground heat, ice skin, leaks or thermal bridges: real boxes are worse,
so the time constant is fitted from the tank's own water temperature where there is one.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from math import exp, sqrt

from holdwater.freeze.body import HOUR_S, Body

R_M2K_W = 0.1761101838  # h ft2 degF/Btu; NIST SP 811, B.8
BARE_CALM_W_M2K = 7.5  # film outside with radiation, less the wall and the film of water inside
BARE_WIND_W_M2K = 26.5  # the same at 15 mph
PLYWOOD_R = 0.94 * R_M2K_W  # 3/4 in
AIR_GAP_R = 1.01 * R_M2K_W  # still, behind a tight box
FILM_WIND_R = 0.17 * R_M2K_W  # outside of the box, windy
FOAM_R_PER_M = 5 * R_M2K_W / 0.0254  # polystyrene board, R-5 an inch
SMALLEST_GAP_C = 1.0  # between water and air; closer ones say nothing about the time constant
FEWEST_HOURS = 48
LARGEST_DOUBT = 0.15  # standard error of the fitted share, relative


@dataclass(frozen=True, slots=True)
class Enclosure:
    """What stands between the water and the outside air.

    Attributes:
        wind: whether wind reaches the tank itself; a box keeps it out.
        box_r_m2k_w: resistance of a box around it with its air gap, m2 K/W; 0 for none.
        foam_r_m2k_w: resistance of insulation, m2 K/W; 0 for none.
    """

    wind: bool = False
    box_r_m2k_w: float = 0.0
    foam_r_m2k_w: float = 0.0

    @property
    def loss_w_m2k(self) -> float:
        """Heat lost through a square metre for each degree."""
        if self.box_r_m2k_w > 0:
            return 1 / (self.box_r_m2k_w + self.foam_r_m2k_w + FILM_WIND_R)
        bare = BARE_WIND_W_M2K if self.wind else BARE_CALM_W_M2K
        return 1 / (1 / bare + self.foam_r_m2k_w)


PLYWOOD_BOX = Enclosure(box_r_m2k_w=PLYWOOD_R + AIR_GAP_R)
FOAMED_BOX = Enclosure(box_r_m2k_w=PLYWOOD_R + AIR_GAP_R, foam_r_m2k_w=2 * 0.0254 * FOAM_R_PER_M)


def tank_body(water_m3: float, capacity_m3: float, surface_m2: float, loss_w_m2k: float) -> Body:
    """The water of a tank, partly full, as a lump.

    The water touches the floor, loses through its surface and through the sides up to its level; for a tank about as
    high as wide the sides are two thirds of the whole.

    Args:
        water_m3: what is in it, at least 0.
        capacity_m3: when full, above 0.
        surface_m2: the whole outside of the tank, above 0.
        loss_w_m2k: heat lost through a square metre, above 0.
    """
    full = min(1.0, max(0.0, water_m3 / capacity_m3))
    return Body(max(0.0, water_m3), loss_w_m2k * surface_m2 * (1 + 2 * full) / 3)


def mixed_c(first_m3: float, first_c: float, second_m3: float, second_c: float) -> float | None:
    """Temperature of two waters mixed, for instance after a load; None when there is no water.

    Args:
        first_m3: one volume, at least 0.
        first_c: its temperature.
        second_m3: the other volume, at least 0.
        second_c: its temperature.
    """
    whole = first_m3 + second_m3
    return None if whole <= 0 else (first_m3 * first_c + second_m3 * second_c) / whole


@dataclass(frozen=True, slots=True)
class Following:
    """How a tank's own water follows the air, hour by hour: least squares through the origin of its change over an hour
    on the difference of air and water, which is 1 - exp(-1/tau).

    Warm spells and draws add noise that the many hours average out; water within a degree of the air and water at or
    below 0.5 degC (ice holds it there) are left out.

    Attributes:
        product: sum of difference times change.
        square: sum of squared differences.
        changes: sum of squared changes.
        used: hours that count, older ones less where they fade.
        water_c: water of the hour before; None where unknown.
        air_c: air of the hour before.
    """

    product: float = 0.0
    square: float = 0.0
    changes: float = 0.0
    used: float = 0.0
    water_c: float | None = None
    air_c: float | None = None

    def hour(self, water_c: float | None, air_c: float | None, keep: float = 1.0) -> Following:
        """After one more hour.

        Args:
            water_c: water temperature, degC; None where unknown.
            air_c: air temperature, degC; None where unknown.
            keep: share of what was known that stays, 0 to 1.
        """
        before_c, around_c = self.water_c, self.air_c
        if before_c is None or around_c is None or water_c is None:
            return replace(self, water_c=water_c, air_c=air_c)
        gap_c, change_c = around_c - before_c, water_c - before_c
        if abs(gap_c) < SMALLEST_GAP_C or min(before_c, water_c) <= 0.5:
            return replace(self, water_c=water_c, air_c=air_c)
        return Following(
            keep * self.product + gap_c * change_c,
            keep * self.square + gap_c * gap_c,
            keep * self.changes + change_c**2,
            keep * self.used + 1,
            water_c,
            air_c,
        )

    @property
    def time_constant_h(self) -> float | None:
        """Hours, 1 to 2000; None with fewer than two days of such hours or when the water does not clearly follow."""
        if self.used < FEWEST_HOURS or self.product <= 0:
            return None
        share = self.product / self.square
        doubt = sqrt(max(0.0, self.changes - share * self.product) / (self.used - 1) / self.square)
        if share >= 1 or doubt > LARGEST_DOUBT * share:
            return None
        from_share = _time_constant(share)
        return from_share if 1 <= from_share <= 2000 else None


def fitted_time_constant_h(hours: Iterable[tuple[float | None, float | None]]) -> float | None:
    """The time constant of a tank from its own water, as `Following` finds it.

    Args:
        hours: water and air temperature of consecutive hours, degC; None where unknown.
    """
    found = Following()
    for water_c, air_c in hours:
        found = found.hour(water_c, air_c)
    return found.time_constant_h


def _time_constant(share: float) -> float:
    """The time constant of which a share is passed in an hour, by bisection of 1 - exp(-1/tau)."""
    low_h, high_h = 0.05, 100_000.0
    for _ in range(80):
        middle_h = sqrt(low_h * high_h)
        low_h, high_h = (middle_h, high_h) if 1 - exp(-1 / middle_h) > share else (low_h, middle_h)
    return sqrt(low_h * high_h)


def with_time_constant(body: Body, time_constant_h: float) -> Body:
    """The same water with the loss that a fitted time constant means."""
    return Body(body.water_m3, body.heat_j_k / (time_constant_h * HOUR_S))
