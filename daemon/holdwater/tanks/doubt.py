"""The standard uncertainty of a volume, by the law of propagation (JCGM 100:2008, GUM, equation 10), with its parts.

u2(V) = (A u_noise)2 + (A u_scale)2 + (A u_mount)2 + (geometry V)2 + (table V)2. The first is new with each reading; the
others are shared by all readings of a tank and cancel in differences, so they are kept apart.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from holdwater.tanks.tank import Tank


@dataclass(frozen=True, slots=True)
class Doubt:
    """Standard uncertainty of a volume, m3: the part of the single reading, the shared part, all parts by name."""

    noise_m3: float
    scale_m3: float
    parts: tuple[tuple[str, float], ...]


NO_DOUBT = Doubt(math.nan, math.nan, ())
"""The doubt of a volume that is not known."""


def of_volume(tank: Tank, depth_m: float, area_m2: float, on_hand_m3: float, u_depth_m: tuple[float, float]) -> Doubt:
    """The doubt of the volume on hand.

    Args:
        tank: whose geometry, mount and table are in doubt.
        depth_m: the depth, m.
        area_m2: free surface there: the sensitivity dV/dh.
        on_hand_m3: volume that the shares of geometry and table apply to, m3.
        u_depth_m: standard uncertainty of the depth, m: what is new with each reading, and what readings share.
    """
    u_noise_m, u_scale_m = u_depth_m
    noise = _by_level(tank, depth_m, area_m2, u_noise_m)
    level = _by_level(tank, depth_m, area_m2, u_scale_m)
    mount = _by_level(tank, depth_m, area_m2, tank.u_mount_m)
    geometry = tank.geometry * on_hand_m3
    table = math.hypot(tank.table * on_hand_m3, *(v.shape.table_u_m3(depth_m - v.floor_m) for v in tank.vessels))
    parts = (("level noise", noise), ("level scale", level), ("mount", mount), ("geometry", geometry), ("table", table))
    return Doubt(noise, math.sqrt(level * level + mount * mount + geometry * geometry + table * table), parts)


def _by_level(tank: Tank, depth_m: float, area_m2: float, u_m: float) -> float:
    """A times u; where floor or overflow lies within u, the first-order term can vanish, so at least half of what 2 u spans."""
    if u_m <= 0.0:
        return 0.0
    first = area_m2 * u_m
    if u_m < depth_m < tank.overflow_m - u_m:
        return first
    near = min(max(depth_m, 0.0), tank.overflow_m)
    return max(first, (tank.volume_m3(near + u_m) - tank.volume_m3(near - u_m)) / 2)
