"""The free surface of a body of revolution cut by a level plane, its axis lying at any angle.

Cut the body into circles square to its axis. The plane meets the circle at t in a chord 2 sqrt(r(t)2 - d(t)2), where
d(t) = (level - t ut) / un is how far the chord lies from the centre; ut and un are the parts of the upward unit vector
along and square to the axis. The surface is the integral of the chords over t, divided by un. Exact for any tilt.
The integrals end where the chord vanishes like a square root, so they are done by the double exponential rule, which
does not mind: Takahasi and Mori, "Double exponential formulas for numerical integration", Publ. RIMS 9 (1974) 721.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from itertools import pairwise

from holdwater.tanks.curves import segment_m2
from holdwater.tanks.turned import Run


def _rule(step: float = 0.125, last: int = 25) -> tuple[tuple[float, float], ...]:
    """Abscissas as distance from the nearer end over the length, and weights, of the double exponential rule on 0 to 1."""
    out = []
    for k in range(last + 1):
        s = k * step
        inner = math.pi / 2 * math.sinh(s)
        near = 1 / (1 + math.exp(2 * inner))
        weight = step * math.pi / 4 * math.cosh(s) / math.cosh(inner) ** 2
        out.append((near, weight))
    return tuple(out)


_RULE = _rule()


def integral(f: Callable[[float], float], low: float, high: float) -> float:
    """Integral of a function that may end like a square root at either end."""
    length = high - low
    near, weight = _RULE[0]
    total = weight * f(low + length * near)
    for near, weight in _RULE[1:]:
        total += weight * (f(low + length * near) + f(high - length * near))
    return total * length


def axis_area(runs: Iterable[Run], up: tuple[float, float], level_m: float, rise_share: float = 1.0) -> float:
    """Free surface of runs about one axis, m2.

    Args:
        runs: the body; dents are taken away.
        up: parts of the upward unit vector along the axis and square to it; the second above zero.
        level_m: height of the surface above the axis' origin, m.
        rise_share: how much of a circle's rise off the axis is upwards in the plane of the circle (1 unless rolled).
    """
    along, square = up
    total = 0.0
    for run in runs:
        # Distance of the chord from the circle's centre: start + step t.
        start = level_m / square - run.lean[0] * rise_share
        step = -along / square - run.lean[1] * rise_share
        chords = _knuckle(run, start, step) if run.tube_m > 0.0 else _quadratic(run, start, step)
        total += -chords if run.dent else chords
    return max(0.0, 2 * total / square)


def _quadratic(run: Run, start: float, step: float) -> float:
    """Integral of half the chords where r2 is a quadratic: sqrt of the quadratic r2 - d2 between its roots.

    Places count from where the surface meets the axis, as near as the run comes to it: else r2 - d2 is the small
    difference of large numbers in an upright tank that is hardly out of level.
    """
    dish = _level_dish(run, start) if step == 0.0 else None
    if dish is not None:
        return dish
    origin = min(max(-start / step, run.start_m), run.end_m) if step != 0.0 else run.start_m
    q0, q1, q2 = run.square
    off = start + step * origin
    a = q2 - step * step
    b = q1 + 2 * q2 * origin - 2 * off * step
    c = q0 + origin * (q1 + origin * q2) - off * off
    first, last = run.start_m - origin, run.end_m - origin
    joints = [first, *(root for root in _roots(a, b, c) if first < root < last), last]

    def half_chord(t: float) -> float:
        square = c + t * (b + t * a)
        return math.sqrt(square) if square > 0.0 else 0.0

    total = 0.0
    for low, high in pairwise(joints):
        middle = (low + high) / 2
        if c + middle * (b + middle * a) > 0.0:
            total += integral(half_chord, low, high)
    return total


def _level_dish(run: Run, off: float) -> float | None:
    """Half the cut, parallel to the axis, of a part of a sphere that ends in its apex: a circular segment; else None."""
    q0, q1, q2 = run.square
    square = q0 + q1 * q1 / 4 - off * off
    if q2 != -1.0 or square <= 0.0:
        return None
    radius = math.sqrt(square)
    if run.end_m < q1 / 2 + radius:
        return None
    return segment_m2(radius, radius - (run.start_m - q1 / 2)) / 2


def _roots(a: float, b: float, c: float) -> tuple[float, ...]:
    """Real roots of a t2 + b t + c, rising, without loss of digits for small a (any handbook of numerics)."""
    inner = b * b - 4 * a * c
    if inner <= 0.0:
        return ()
    big = -(b + math.copysign(math.sqrt(inner), b)) / 2
    found = [c / big] if big != 0.0 else [0.0]
    if a != 0.0:
        found.append(big / a)
    return tuple(sorted(found))


def _knuckle(run: Run, start: float, step: float) -> float:
    """Integral of half the chords of a knuckle; its radius rises and falls once, so it is met between two places."""

    def inside(t: float) -> float:
        return run.radius(t) - abs(start + step * t)

    def half_chord(t: float) -> float:
        r, d = run.radius(t), start + step * t
        return math.sqrt(max(0.0, (r - d) * (r + d)))

    low, high = run.start_m, run.end_m
    first, last = inside(low), inside(high)
    if first < 0.0 and last < 0.0:
        widest = run.ring_m + run.tube_m
        ends = start + step * low, start + step * high
        if min(ends) > widest or max(ends) < -widest:
            return 0.0
        best = highest_of(inside, low, high)
        if inside(best) <= 0.0:
            return 0.0
        low, high = _root(inside, low, best), _root(inside, high, best)
    elif first < 0.0:
        low = _root(inside, low, high)
    elif last < 0.0:
        high = _root(inside, high, low)
    # A circle's middle may pass through the surface: the chord is smooth there, and no joint is needed.
    return integral(half_chord, low, high)


def highest_of(f: Callable[[float], float], low: float, high: float) -> float:
    """Place of the highest value of a function that rises, then falls, by the golden section."""
    golden = (math.sqrt(5) - 1) / 2
    a, b = high - golden * (high - low), low + golden * (high - low)
    fa, fb = f(a), f(b)
    for _ in range(60):
        if fa >= fb:
            high, b, fb = b, a, fa
            a = high - golden * (high - low)
            fa = f(a)
        else:
            low, a, fa = a, b, fb
            b = low + golden * (high - low)
            fb = f(b)
    return a if fa >= fb else b


def _root(f: Callable[[float], float], outside: float, within: float) -> float:
    """Where a function turns from below to above zero between two places: false position, kept honest by halving."""
    f_out, f_in = f(outside), f(within)
    turn = 0
    while abs(within - outside) > 1e-15 * (abs(within) + abs(outside)):
        share = f_out / (f_out - f_in) if turn % 3 < 2 and f_in > f_out else 0.5
        spot = outside + min(max(share, 0.01), 0.99) * (within - outside)
        value = f(spot)
        if spot in (outside, within):
            break
        if value < 0.0:
            outside, f_out = spot, value
        else:
            within, f_in = spot, value
        if value == 0.0:
            break
        turn += 1
    return within


def chords_between(
    chord: Callable[[float], float],
    off: Callable[[float], float],
    corners: Sequence[Callable[[float], float]],
    start_m: float,
    end_m: float,
) -> float:
    """Integral of chords along an axis, split where the plane passes a corner of a slice.

    Args:
        chord: length of the chord by place.
        off: distance of the chord from the slice's middle by place.
        corners: distances at which a slice has its ends and corners, by place.
        start_m: first place.
        end_m: last place.
    """
    steps = 12
    spots = [start_m + (end_m - start_m) * k / steps for k in range(steps + 1)]
    breaks = {start_m, end_m}
    for corner in corners:
        for sign in (1.0, -1.0):

            def miss(t: float, corner: Callable[[float], float] = corner, sign: float = sign) -> float:
                return sign * off(t) - corner(t)

            values = [miss(t) for t in spots]
            for (a, fa), (b, fb) in zip(
                zip(spots, values, strict=True), zip(spots[1:], values[1:], strict=True), strict=False
            ):
                if (fa < 0.0) != (fb < 0.0):
                    breaks.add(_root(miss, a, b) if fa < 0.0 else _root(miss, b, a))
    joints = sorted(breaks)
    return sum(integral(chord, a, b) for a, b in pairwise(joints))
