"""The free surface of a body of revolution cut by a level plane, its axis lying at any angle.

Cut the body into circles square to its axis. The plane meets the circle at t in a chord 2 sqrt(r(t)2 - d(t)2), where
d(t) = (level - t ut) / un is how far the chord lies from the centre; ut and un are the parts of the upward unit vector
along and square to the axis. The surface is the integral of the chords over t, divided by un. Exact for any tilt.
The integrals end where the chord vanishes like a square root, so they are done by the double exponential rule, which
does not mind: Takahasi and Mori, "Double exponential formulas for numerical integration", Publ. RIMS 9 (1974) 721.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterable, Sequence

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
    if length <= 0.0:
        return 0.0
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

        def off(t: float, run: Run = run) -> float:
            return (level_m - t * along) / square - run.rise(t) * rise_share

        low, high = _wetted(run, off)
        if high <= low:
            continue

        def chord(t: float, run: Run = run, off: Callable[[float], float] = off) -> float:
            r, d = run.radius(t), off(t)
            return math.sqrt(max(0.0, (r - d) * (r + d)))

        share = 2 * integral(chord, low, high) / square
        total += -share if run.dent else share
    return max(0.0, total)


def _wetted(run: Run, off: Callable[[float], float]) -> tuple[float, float]:
    """Places between which the plane meets the run: where r(t) >= |d(t)|; both sides fall from the best place."""

    def inside(t: float) -> float:
        return run.radius(t) - abs(off(t))

    low, high = run.start_m, run.end_m
    first, last = inside(low), inside(high)
    if first >= 0.0 and last >= 0.0:
        return low, high
    best = low if first > last else high
    if max(first, last) < 0.0:
        best = highest_of(inside, low, high)
        if inside(best) <= 0.0:
            return low, low
    start = low if first >= 0.0 else _root(inside, low, best)
    end = high if last >= 0.0 else _root(inside, high, best)
    return start, end


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
    """Where a function turns from below to above zero between two places, by halving."""
    for _ in range(60):
        middle = (outside + within) / 2
        if middle in (outside, within):
            break
        if f(middle) < 0.0:
            outside = middle
        else:
            within = middle
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
    return sum(integral(chord, a, b) for a, b in itertools.pairwise(joints))
