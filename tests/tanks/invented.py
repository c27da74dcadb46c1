"""Random tanks as a household would write them, each with its volume by slice integration."""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from pydantic import TypeAdapter

from holdwater.config.shape import ShapeConfig
from holdwater.tanks.shapes import Body
from tanks import slices

ADAPTER: TypeAdapter[Any] = TypeAdapter(ShapeConfig)
HEADS = ("flat", "conical", "ellipsoidal", "2:1 ellipsoidal", "hemispherical", "torispherical", "spherical")


@dataclass(frozen=True)
class Invented:
    """A random tank: what the config says, and its volume by slices for a depth.

    `off` is how far slices themselves may be off, as a share of the whole.
    """

    config: dict[str, Any]
    volume: Callable[[float], float]
    off: float = 2e-6

    def build(self) -> Body:
        """The product's tank."""
        body: Body = ADAPTER.validate_python(self.config).build()
        return body


def text(m: float) -> str:
    """A length as the config holds it, in m without loss."""
    return f"{m!r} m"


def _head(rng: random.Random, radius: float) -> tuple[dict[str, Any] | str, str, float, float, float]:
    """Config, kind, reach, f and k of a random head."""
    kind = rng.choice(HEADS)
    f, k = rng.uniform(0.8, 1.2), rng.uniform(0.03, 0.2)
    depth = rng.uniform(0.05, 1.0) * radius
    reach = 0.0 if kind == "flat" else slices.reach_of(kind, radius, depth, f, k)
    if kind == "torispherical":
        return {"kind": kind, "f": f, "k": k}, kind, reach, f, k
    if kind in ("conical", "ellipsoidal", "spherical"):
        return {"kind": kind, "depth": text(depth)}, kind, reach, f, k
    return kind, kind, reach, f, k


def _axis(
    radius: float, straight: float, low: tuple[Any, ...], high: tuple[Any, ...]
) -> tuple[Callable[[np.ndarray], np.ndarray], list[float]]:
    """Radius along the axis and joints of a cylinder between two heads; 0 at the first tangent line."""
    parts = []
    for _, kind, reach, f, k in (low, high):
        parts.append(
            None
            if kind == "flat"
            else (slices.head_radius(kind, radius, reach, f, k), slices.head_joints(kind, radius, reach, f, k))
        )

    def along(t: np.ndarray) -> np.ndarray:
        out = np.full_like(t, radius)
        if parts[0]:
            out = np.where(t < 0, parts[0][0](np.maximum(-t, 0)), out)
        if parts[1]:
            out = np.where(t > straight, parts[1][0](np.maximum(t - straight, 0)), out)
        return out

    joints = [-j for j in reversed(parts[0][1])] if parts[0] else []
    joints += [0.0, straight] + ([straight + j for j in parts[1][1]] if parts[1] else [])
    return along, joints


def lying(rng: random.Random, tilt: bool) -> Invented:
    """A lying cylinder with two random heads, level or not."""
    radius, straight = rng.uniform(0.2, 2.0), rng.uniform(0.2, 6.0)
    low, high = _head(rng, radius), _head(rng, radius)
    config = {
        "kind": "horizontal cylinder",
        "diameter": text(2 * radius),
        "length": text(straight),
        "left": low[0],
        "right": high[0],
    }
    along, joints = _axis(radius, straight, low, high)
    if not tilt:
        return Invented(config, lambda depth: slices.turned(along, joints, (0.0, 1.0), depth - radius))
    angle = rng.uniform(-0.2, 0.2)
    config["tilt"] = {"along": f"{angle!r} rad"}
    up = (math.sin(angle), math.cos(angle))
    t = np.concatenate([np.linspace(joints[0], joints[-1], 20001), joints])
    lowest = float(np.min(t * up[0] - along(t) * up[1]))
    return Invented(config, lambda depth: slices.turned(along, joints, up, lowest + depth), 3e-6)


def standing(rng: random.Random, tilt: bool) -> Invented:
    """A standing cylinder with random bottom and top, level or not."""
    radius, straight = rng.uniform(0.2, 3.0), rng.uniform(0.2, 5.0)
    low, high = _head(rng, radius), _head(rng, radius)
    config = {
        "kind": "upright cylinder",
        "diameter": text(2 * radius),
        "side": text(straight),
        "bottom": low[0],
        "top": high[0],
    }
    along, joints = _axis(radius, straight, low, high)
    if not tilt:
        return Invented(config, lambda depth: slices.upright(along, joints, depth))
    angle = rng.uniform(0.002, 0.2)
    config["tilt"] = {"along": f"{angle!r} rad"}
    up = (math.cos(angle), math.sin(angle))
    t = np.concatenate([np.linspace(joints[0], joints[-1], 20001), joints])
    lowest = float(np.min(t * up[0] - along(t) * up[1]))
    return Invented(config, lambda depth: slices.turned(along, joints, up, lowest + depth), 2e-5)


def tapering(rng: random.Random, tilt: bool) -> Invented:
    """A frustum, level or not."""
    one, two, height = rng.uniform(0.1, 2.0), rng.uniform(0.1, 2.0), rng.uniform(0.3, 3.0)
    config = {
        "kind": "frustum",
        "bottom_diameter": text(2 * one),
        "top_diameter": text(2 * two),
        "height": text(height),
    }

    def along(t: np.ndarray) -> np.ndarray:
        return one + (two - one) * t / height

    if not tilt:
        return Invented(config, lambda depth: slices.upright(along, [0.0, height], depth))
    angle = rng.uniform(0.002, 0.2)
    config["tilt"] = {"across": f"{angle!r} rad"}
    up = (math.cos(angle), math.sin(angle))
    lowest = min(-one * up[1], height * up[0] - two * up[1])
    return Invented(config, lambda depth: slices.turned(along, [0.0, height], up, lowest + depth), 2e-5)


def boxed(rng: random.Random, tilt: bool) -> Invented:
    """A box, level or out of level both ways."""
    length, width, height = rng.uniform(0.3, 4.0), rng.uniform(0.3, 4.0), rng.uniform(0.3, 3.0)
    config: dict[str, Any] = {"kind": "box", "length": text(length), "width": text(width), "height": text(height)}
    x, z = (rng.uniform(-0.2, 0.2), rng.uniform(-0.2, 0.2)) if tilt else (0.0, 0.0)
    if tilt:
        config["tilt"] = {"along": f"{x!r} rad", "across": f"{z!r} rad"}
    up = (math.sin(x), math.sqrt(1 - math.sin(x) ** 2 - math.sin(z) ** 2), math.sin(z))
    return Invented(config, lambda depth: slices.columns(length, width, height, up, depth), 2e-5)


def sloping(rng: random.Random, tilt: bool) -> Invented:
    """A trough or a tapered box, level: slices up the height."""
    l0, w0, l1, w1, height = (rng.uniform(0.2, 3.0) for _ in range(5))
    if rng.random() < 0.5:
        l1 = l0
        config = {
            "kind": "trough",
            "bottom_width": text(w0),
            "top_width": text(w1),
            "height": text(height),
            "length": text(l0),
        }
    else:
        config = {
            "kind": "tapered box",
            "bottom_length": text(l0),
            "bottom_width": text(w0),
            "top_length": text(l1),
            "top_width": text(w1),
            "height": text(height),
        }

    def volume(depth: float) -> float:
        t, w = slices.spots([0.0, max(1e-12, min(depth, height))])
        return float(np.sum(w * (l0 + (l1 - l0) * t / height) * (w0 + (w1 - w0) * t / height)))

    return Invented(config, volume)


def oval(rng: random.Random, tilt: bool) -> Invented:
    """A lying oval of either section, level or tilted along: slices across the length, each by its widths."""
    width, height, length = rng.uniform(0.3, 3.0), rng.uniform(0.3, 3.0), rng.uniform(0.5, 5.0)
    section = rng.choice(("elliptic", "stadium"))
    config: dict[str, Any] = {
        "kind": "horizontal oval",
        "section": section,
        "width": text(width),
        "height": text(height),
        "length": text(length),
    }
    r = min(width, height) / 2

    def wide(y: np.ndarray) -> np.ndarray:
        if section == "elliptic":
            return width * np.sqrt(np.maximum(0.0, 1 - (2 * y / height - 1) ** 2))
        into = np.minimum(np.minimum(y, height - y), r)
        return width - 2 * r + 2 * np.sqrt(np.maximum(0.0, into * (2 * r - into)))

    joints = [0.0, r, height - r, height] if height - 2 * r > 1e-9 else [0.0, height]
    y, w = slices.spots(joints, 60)
    area = np.concatenate([[0.0], np.cumsum(w * wide(y))])
    edge = np.concatenate([[0.0], np.cumsum(w)])
    if not tilt:

        def level(depth: float) -> float:
            if depth <= 0.0:
                return 0.0
            cut = [j for j in joints if j < depth]
            ys, ws = slices.spots([*cut, min(depth, height)])
            return float(np.sum(ws * wide(ys))) * length

        return Invented(config, level)
    angle = rng.uniform(-0.2, 0.2)
    config["tilt"] = {"along": f"{angle!r} rad"}
    sin, cos = math.sin(angle), math.cos(angle)

    def volume(depth: float) -> float:
        x = (np.arange(2000) + 0.5) / 2000 * length - length / 2
        surface = np.clip((depth - abs(sin) * length / 2 - sin * x) / cos, 0.0, height)
        return float(np.mean(np.interp(surface, edge, area)) * length)

    return Invented(config, volume, 5e-5)


KINDS = (lying, standing, tapering, boxed, sloping, oval)


def invent(seed: int, tilted_share: float = 0.1) -> Invented:
    """The random tank of a seed."""
    rng = random.Random(seed)
    kind = rng.choice(KINDS)
    return kind(rng, rng.random() < tilted_share)
