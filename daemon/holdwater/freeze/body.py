"""Water that cools, freezes and thaws as one lump: a length of pipe, a spigot, a tank. It remembers how cold it
already is.

Lumped heat balance: heat capacity C and loss K = area / resistance; towards the air at t = C/K ln((T0 - Ta)/(T -
Ta)) as in the ASHRAE Handbook Fundamentals (2009), chapter 23, equation 1; at 0 degC the same loss turns water to
ice, L m = K (0 - Ta) t. The resistance that the ice itself adds is left out, so that the times err on the early
side. Supercooling is left out for the same reason.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from math import exp, log, pi, sqrt

WATER_J_KG_K = 4186.8  # 1 Btu/lb degF (international table)
WATER_KG_M3 = 999.55  # 62.4 lb/ft3
FUSION_J_KG = 333_550.0  # 143.4 Btu/lb
FREEZING_C = 0.0
HOUR_S = 3600.0


@dataclass(frozen=True, slots=True)
class State:
    """How cold it is: degC, and the share of the water that is ice, 0 to 1. Ice is there at 0 degC only."""

    water_c: float
    ice: float = 0.0


@dataclass(frozen=True, slots=True)
class Body:
    """A lump of water and what it loses.

    Attributes:
        water_m3: volume of the water, at least 0; an empty body neither cools nor freezes.
        loss_w_k: heat lost for each degree that it is warmer than the air, W/K, above 0.
    """

    water_m3: float
    loss_w_k: float

    @property
    def heat_j_k(self) -> float:
        """Heat capacity, J/K."""
        return self.water_m3 * WATER_KG_M3 * WATER_J_KG_K

    @property
    def fusion_j(self) -> float:
        """Heat to take out at 0 degC until all is ice, J."""
        return self.water_m3 * WATER_KG_M3 * FUSION_J_KG

    @property
    def is_empty(self) -> bool:
        """Whether there is no water in it."""
        return self.water_m3 <= 0

    @property
    def time_constant_h(self) -> float:
        """Hours in which the difference to a steady air falls to 1/e."""
        return self.heat_j_k / self.loss_w_k / HOUR_S

    def hours_to_freezing(self, water_c: float, air_c: float) -> float | None:
        """Hours until the water is at 0 degC in steady air.

        Returns:
            0.0 when it is there already; None when it never gets there: empty, or the air is at or above 0 degC.
        """
        if self.is_empty or air_c >= FREEZING_C:
            return None
        if water_c <= FREEZING_C:
            return 0.0
        return self.time_constant_h * log((water_c - air_c) / (FREEZING_C - air_c))

    def hours_to_ice(self, share: float, air_c: float) -> float | None:
        """Hours from water at 0 degC without ice until a share of it, 0 to 1, is ice; None when it never freezes."""
        if self.is_empty or air_c >= FREEZING_C:
            return None
        return share * self.fusion_j / (self.loss_w_k * (FREEZING_C - air_c)) / HOUR_S

    def loss_w(self, water_c: float, air_c: float) -> float:
        """Heat lost in steady air, W; negative when it is gained."""
        return self.loss_w_k * (water_c - air_c)

    def swing_passed(self, hours: float = 24.0) -> float:
        """Share of a swing of the air, of so many hours from peak to peak, that the water follows (first-order lag)."""
        return 1 / sqrt(1 + (2 * pi * self.time_constant_h / hours) ** 2)

    def after(self, state: State, air_c: float, hours: float) -> State:
        """The state after some hours in steady air.

        Args:
            state: at the beginning.
            air_c: air temperature as the body feels it, degC.
            hours: at least 0.
        """
        if self.is_empty or hours <= 0:
            return state
        if state.ice > 0:
            return self._melted(state, air_c, hours)
        wait_h = self.hours_to_freezing(state.water_c, air_c)
        if wait_h is None or wait_h >= hours:
            return State(air_c + (state.water_c - air_c) * exp(-hours / self.time_constant_h))
        return State(FREEZING_C, min(1.0, self._ice(air_c, hours - wait_h)))

    def _melted(self, state: State, air_c: float, hours: float) -> State:
        """Ice that grows, or melts away before the water warms."""
        ice = state.ice + self._ice(air_c, hours)
        if ice > 0:
            return State(FREEZING_C, min(1.0, ice))
        left_h = -ice * self.fusion_j / (self.loss_w_k * air_c) / HOUR_S
        return State(air_c * (1 - exp(-left_h / self.time_constant_h)))

    def _ice(self, air_c: float, hours: float) -> float:
        """Share that freezes in so many hours; negative when it melts."""
        return self.loss_w_k * (FREEZING_C - air_c) * hours * HOUR_S / self.fusion_j


def follow(body: Body, state: State, airs_c: Iterable[float], step_h: float = 1.0) -> Iterator[State]:
    """The states after each step of a series of airs: the lasting state of a tank or pipe.

    Args:
        body: the lump.
        state: at the beginning.
        airs_c: mean air of each step, degC.
        step_h: length of a step, hours.
    """
    for air_c in airs_c:
        state = body.after(state, air_c, step_h)
        yield state
