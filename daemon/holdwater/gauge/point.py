"""The level of a tank at one reading, and a span of them in one row."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

from holdwater.tanks.tank import Stand
from holdwater_sensors.quality import OK

SUSPECT, REJECTED = 100, 200


class LevelPoint(NamedTuple):
    """The level of a tank at the time of one reading; depth and volumes are None where nothing can be said.

    A named tuple, not a dataclass: it is made for every reading.

    `quality` is a code of `holdwater_sensors.quality`; the figures of a suspect reading are there, and not to be trusted.
    """

    ts_ms: int
    depth_m: float | None
    on_hand_m3: float | None
    total_m3: float | None
    u_noise_m3: float
    u_scale_m3: float
    quality: int

    @property
    def ok(self) -> bool:
        """True when the figures may be trusted."""
        return self.on_hand_m3 is not None and self.quality < SUSPECT


def point_of(ts_ms: int, quality: int, stand: Stand | None) -> LevelPoint:
    """The point that a stand makes; unknown without one."""
    if stand is None:
        return LevelPoint(ts_ms, None, None, None, 0.0, 0.0, quality)
    return LevelPoint(
        ts_ms, stand.depth_m, stand.on_hand_m3, stand.total_m3, stand.u_noise_m3, stand.u_scale_m3, quality
    )


@dataclass(frozen=True, slots=True)
class Summary:
    """A span of level points in one row: means over the trusted ones, and the last trusted one.

    `worst` is ok while at least half of the points could be trusted (a single spike spoils no hour), else the worst quality of all.
    """

    depth_m: float | None
    on_hand_m3: float | None
    closing_m3: float | None
    u_noise_m3: float
    u_scale_m3: float
    n: int
    worst: int


def summary(points: Sequence[LevelPoint]) -> Summary | None:
    """Points of one span as one row; None where there is no point at all."""
    if not points:
        return None
    good = [each for each in points if each.ok]
    worst = max(each.quality for each in points)
    if not good:
        return Summary(None, None, None, 0.0, 0.0, 0, worst)
    n = len(good)
    worst = OK if 2 * n >= len(points) else worst
    return Summary(
        depth_m=sum(p.depth_m for p in good if p.depth_m is not None) / n,
        on_hand_m3=sum(p.on_hand_m3 for p in good if p.on_hand_m3 is not None) / n,
        closing_m3=good[-1].on_hand_m3,
        u_noise_m3=sum(p.u_noise_m3 for p in good) / n,
        u_scale_m3=sum(p.u_scale_m3 for p in good) / n,
        n=n,
        worst=worst,
    )
