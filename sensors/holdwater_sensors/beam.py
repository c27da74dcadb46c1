"""Where the beam of an ultrasonic gauge meets the wall of its tank."""

from __future__ import annotations

import math
from collections.abc import Sequence

USUAL_BEAM_RAD = math.radians(60)  # closed-face 40 kHz parts: 45 to 75 deg full angle (common practice, no source)
RAYS = 40  # on each side of the axis

XY = tuple[float, float]


def spot_diameter(distance_m: float, beam_rad: float) -> float:
    """Diameter of the spot that a beam covers at a distance, m: 2 d tan(angle / 2)."""
    return 2 * distance_m * math.tan(beam_rad / 2)


def free_distance(wall_m: float, beam_rad: float) -> float:
    """Distance from the face at which the edge of the beam meets a straight wall, m.

    Args:
        wall_m: distance from the axis of the sensor to the nearest wall, m.
        beam_rad: full angle of the beam, rad.
    """
    return wall_m / math.tan(beam_rad / 2)


def meets_wall_below(face_m: float, wall_m: float, beam_rad: float) -> float | None:
    """Depth of water below which a beam meets a straight wall before the water, m; None when it never does.

    Args:
        face_m: face of the sensor above the lowest inside floor, m.
        wall_m: distance from the axis to the nearest wall, m.
        beam_rad: full angle of the beam, rad.
    """
    depth_m = face_m - free_distance(wall_m, beam_rad)
    return depth_m if depth_m > 0 else None


def meets_outline_below(face: XY, beam_rad: float, outline: Sequence[XY]) -> float | None:
    """As `meets_wall_below`, for a tank whose walls are not straight, given as the outline of its section.

    Args:
        face: where the face of the sensor is in the section: metres to the right, metres above the lowest floor.
        beam_rad: full angle of the beam, rad.
        outline: corners of the closed outline in the same coordinates.

    Returns:
        Height of the first place where an edge of the beam meets the outline above its lowest fifth of a
        millimetre, m; None when both edges reach the floor.
    """
    floor_m = min(y for _, y in outline)
    hits = [_wall(_crossings(face, side * math.tan(beam_rad / 2), outline)) for side in (-1, 1)]
    depth_m = max((hit for hit in hits if hit is not None), default=floor_m)
    return depth_m if depth_m > floor_m + 2e-4 else None


def wall_nearer_below(face: XY, beam_rad: float, outline: Sequence[XY]) -> float:
    """Depth of water below which some wall in the beam is nearer to the face than the water, m; 0 when that is nowhere so.

    Only then can the first echo be the wall's. In a lying cylinder the edge of any beam meets the wall at last, but near the floor it
    meets it later than the water.

    Args:
        face: where the face of the sensor is in the section: metres to the right, metres above the lowest floor.
        beam_rad: full angle of the beam, rad.
        outline: corners of the closed outline in the same coordinates.
    """
    floor_m = min(y for _, y in outline)
    depth_m = floor_m
    for step in range(-RAYS, RAYS + 1):
        slope = math.tan(step / RAYS * beam_rad / 2)
        hit_m = _wall(_crossings(face, slope, outline))
        if hit_m is not None:
            depth_m = max(depth_m, face[1] - (face[1] - hit_m) * math.hypot(1.0, slope))
    return depth_m - floor_m


def straight_wall_nearer_below(face_m: float, wall_m: float, beam_rad: float) -> float:
    """The same beside a straight wall, m: the edge of the beam meets it at a distance wall / sin(angle / 2)."""
    return max(face_m - wall_m / math.sin(beam_rad / 2), 0.0)


def _crossings(face: XY, slope: float, outline: Sequence[XY]) -> list[float]:
    """Heights at which the ray (x + slope * s, y - s), s > 0, crosses the sides of the outline, from the top down."""
    x0, y0 = face
    found = []
    for (xa, ya), (xb, yb) in zip(outline, [*outline[1:], outline[0]], strict=True):
        dx, dy = xb - xa, yb - ya
        across = -slope * dy - dx
        if abs(across) < 1e-12:
            continue
        # solve x0 + slope * s = xa + dx * u and y0 - s = ya + dy * u; the far corner belongs to the next side
        u = (slope * (ya - y0) + (xa - x0)) / across
        y = ya + dy * u
        if 0 <= u < 1 and y < y0 - 1e-9:
            found.append(y)
    return sorted(found, reverse=True)


def _wall(heights: list[float]) -> float | None:
    """The crossing that is a wall: from inside the outline the first; from a riser above it the second, after the lid."""
    if len(heights) % 2:
        return heights[0]
    return heights[1] if heights else None
