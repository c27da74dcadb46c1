"""What can freeze, as the running service sees it: plain values, made by the models of `config.exposure`."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from holdwater.units import M_PER_IN

ExposureKind = Literal["spigot", "pipe", "tank", "tank skin", "screen", "sensor"]
Sky = Literal["open", "part", "roof"]
WALL_M = 0.003
OF_TANK: tuple[ExposureKind, ...] = ("tank", "tank skin")


@dataclass(frozen=True, slots=True)
class Exposure:
    """One thing that can freeze, in SI.

    Attributes:
        name: its name in the config.
        kind: what it is.
        bore_m: inside diameter of what holds the water; for a screen twice the depth of the film on it.
        outside_m: outside diameter.
        length_m: length.
        insulation_m2k_w: resistance of its insulation, 0 for none.
        box_m2k_w: resistance of a box around it with its air gap, 0 for none; a box keeps the wind out.
        wind: whether wind reaches it.
        sky: how much of the sky it sees: open, part, roof.
        surface_m2: outside of the tank; None takes it from its volume.
        tank: name of its tank; empty where there is none.
        air_series: series of the air at it; None takes the outside air.
        water_series: series of the temperature of its water, or None.
        limit_c: outside air below which it freezes, when the household knows; None takes it from the heat balance.
        drained: whether there is no water in it this season.
        cost: of acting once, in the household's money.
        loss: when it freezes and nobody acted.
    """

    name: str
    kind: ExposureKind
    bore_m: float = 0.5 * M_PER_IN
    outside_m: float = 0.5 * M_PER_IN + 2 * WALL_M
    length_m: float = 0.3
    insulation_m2k_w: float = 0.0
    box_m2k_w: float = 0.0
    wind: bool = True
    sky: Sky = "part"
    surface_m2: float | None = None
    tank: str = ""
    air_series: str | None = None
    water_series: str | None = None
    limit_c: float | None = None
    drained: bool = False
    cost: float = 3.0
    loss: float = 58.0


def cube_surface_m2(volume_m3: float) -> float:
    """Outside of a cube of a volume, m2: what a tank has at least, when nothing is said."""
    return 6 * math.pow(max(0.0, volume_m3), 2 / 3)
