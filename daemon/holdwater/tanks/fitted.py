"""Volume where no closed form exists: the area is fitted once, piece by piece, and the fit is integrated exactly.

On each piece the height is h = a + (b - a) (1 - cos p) / 2 and the area a Chebyshev series in p. The cosine takes out the
square-root ends that round walls give, so that about 20 terms reach ten digits; a piece that does not is halved.
The volume is the integral of the very same series, so it never falls where the area is not negative and its derivative
is the area. A call costs one arc cosine and one Clenshaw sum, a few microseconds, whatever the shape cost to fit.
Source: Clenshaw and Curtis, "A method for numerical integration on an automatic computer", Numer. Math. 2 (1960) 197;
Trefethen, "Approximation Theory and Approximation Practice", SIAM 2013, chapters 3, 4 and 19.
"""

from __future__ import annotations

import itertools
import math
from bisect import bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass

TERMS = 20
TOLERANCE = 1e-11  # of the mean area: a hundred times finer than the 1e-9 of capacity that is promised
NOISE = 1e-8  # of the mean area: more than rounding makes, less than a real corner leaves
NARROWEST = 2e-5  # of the height: below it a kink is left alone; it is worth less than 1e-9 of the volume


@dataclass(frozen=True, slots=True)
class Piece:
    """One piece of a fit: heights from `low_m` to `high_m`, series of area and of volume, volume below it."""

    low_m: float
    high_m: float
    area: tuple[float, ...]
    volume: tuple[float, ...]
    below_m3: float


@dataclass(frozen=True, slots=True)
class Fitted:
    """A curve by pieces; made by `fit`."""

    height_m: float
    pieces: tuple[Piece, ...]
    starts: tuple[float, ...]

    def area(self, h_m: float) -> float:
        """Free surface, m2."""
        piece = self._piece(h_m)
        return max(0.0, _sum(piece.area, _place(piece, h_m)))

    def volume(self, h_m: float) -> float:
        """Volume, m3."""
        piece = self._piece(h_m)
        return piece.below_m3 + max(0.0, _sum(piece.volume, _place(piece, h_m)))

    def _piece(self, h_m: float) -> Piece:
        return self.pieces[max(0, bisect_right(self.starts, h_m) - 1)]


def fit(area: Callable[[float], float], height_m: float, breaks: Sequence[float] = ()) -> Fitted:
    """Fit an area and integrate it.

    Args:
        area: free surface by height, m2, for 0 to `height_m`; costly calls are fine.
        height_m: height, m.
        breaks: heights where the area has a corner or a jump, m.

    Returns:
        The curve; its volume is within about 1e-10 of the true one.
    """
    inner = sorted(each for each in breaks if 1e-9 * height_m < each < height_m * (1 - 1e-9))
    joints = [0.0]
    for each in (*inner, height_m):
        # Breaks closer than the narrowest piece are one break.
        if each - joints[-1] > 1e-8 * height_m or each == height_m:
            joints.append(each)
    scale = max(area(height_m * (step + 0.5) / 16) for step in range(16))
    found: list[tuple[float, float, list[float]]] = []
    for low, high in itertools.pairwise(joints):
        _split(_Aim(area, height_m, scale), low, high, found, math.inf)
    pieces, below = [], 0.0
    for low, high, series in found:
        volume = _integral(series, low, high)
        pieces.append(Piece(low, high, tuple(series), tuple(volume), below))
        below += max(0.0, _sum(volume, 1.0))
    return Fitted(height_m, tuple(pieces), tuple(piece.low_m for piece in pieces))


@dataclass(frozen=True, slots=True)
class _Aim:
    """What a fit is made from and how fine it must be."""

    area: Callable[[float], float]
    height: float
    scale: float


def _split(aim: _Aim, low: float, high: float, found: list[tuple[float, float, list[float]]], before: float) -> None:
    """Fit one piece, or halve it; `before` is the tail of the piece it was halved from."""
    series = _series([aim.area(_height(low, high, node)) for node in _NODES])
    tail = max(abs(term) for term in series[-4:])
    # What counts is the error of the volume, so a narrow piece may be coarser.
    fine = tail <= TOLERANCE * aim.scale * max(1.0, 0.05 * aim.height / (high - low))
    # Where halving no longer helps, what is left is rounding.
    noise = tail <= NOISE * aim.scale and tail > 0.8 * before
    if fine or noise or high - low <= NARROWEST * aim.height:
        found.append((low, high, _trim(series, TOLERANCE * aim.scale / 100)))
        return
    middle = (low + high) / 2
    _split(aim, low, middle, found, tail)
    _split(aim, middle, high, found, tail)


def _height(low: float, high: float, node: float) -> float:
    return low + (high - low) * math.sin(math.pi * (node + 1) / 4) ** 2


_NODES = tuple(math.cos(math.pi * (k + 0.5) / TERMS) for k in range(TERMS))
_COSINES = tuple(tuple(math.cos(math.pi * j * (k + 0.5) / TERMS) for k in range(TERMS)) for j in range(TERMS))


def _series(values: Sequence[float]) -> list[float]:
    """Chebyshev coefficients of the polynomial through values at the nodes of the first kind."""
    out = [2 / TERMS * math.fsum(c * v for c, v in zip(row, values, strict=True)) for row in _COSINES]
    out[0] /= 2
    return out


def _trim(series: list[float], least: float) -> list[float]:
    keep = len(series)
    while keep > 1 and abs(series[keep - 1]) < least:
        keep -= 1
    return series[:keep]


def _sum(series: Sequence[float], x: float) -> float:
    """Clenshaw's sum of a Chebyshev series at x, -1 to 1."""
    twice, one, two = 2 * x, 0.0, 0.0
    for term in series[:0:-1]:
        one, two = term + twice * one - two, one
    return series[0] + x * one - two


def _place(piece: Piece, h_m: float) -> float:
    share = (h_m - piece.low_m) / (piece.high_m - piece.low_m)
    return 4 / math.pi * math.asin(math.sqrt(min(1.0, max(0.0, share)))) - 1


def _integral(series: Sequence[float], low: float, high: float) -> list[float]:
    """Series of the volume from the lower end: the integral of area times dh/dx, dh/dx = (b-a) pi/4 sin(pi (x+1)/2).

    The product is expanded to twice the terms, where the sine (known to 1e-16 by 16 terms) adds nothing more.
    """
    count = 2 * TERMS
    nodes = [math.cos(math.pi * (k + 0.5) / count) for k in range(count)]
    values = [_sum(series, x) * (high - low) * math.pi / 4 * math.sin(math.pi * (x + 1) / 2) for x in nodes]
    product = [
        2 / count * math.fsum(v * math.cos(math.pi * j * (k + 0.5) / count) for k, v in enumerate(values))
        for j in range(count)
    ]
    product[0] /= 2
    product += [0.0, 0.0]
    out = [0.0] * (count + 1)
    out[1] = product[0] - product[2] / 2
    for j in range(2, count + 1):
        out[j] = (product[j - 1] - product[j + 1 if j + 1 < len(product) else -1]) / (2 * j)
    out[0] = -math.fsum(term * (-1) ** j for j, term in enumerate(out))
    largest = max(abs(term) for term in out)
    return _trim(out, 1e-16 * largest)
