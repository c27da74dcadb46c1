"""How water is hauled to a tank, as the household says it."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Hauling:
    """One trip and how long it takes from deciding until the water is in the tank.

    Attributes:
        load_m3: what one trip brings, m3.
        usual_wait_days: the usual wait, days.
        worst_wait_days: the longest wait the household reckons with, days.
    """

    load_m3: float
    usual_wait_days: float
    worst_wait_days: float
