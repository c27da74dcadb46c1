"""Random tanks: no exception, never falling, invertible, and equal to slice integration."""

from __future__ import annotations

import itertools
import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tanks.invented import Invented, invent

BEYOND_M = 1e6


def judge(tank: Invented, seed: int) -> float:
    """Check one random tank at random depths; gives the largest difference to slices as a share of the whole."""
    body, rng = tank.build(), random.Random(seed)
    whole, height = body.volume_m3(BEYOND_M), body.height_m
    assert whole > 0.0
    worst, before, depth_before = 0.0, 0.0, 0.0
    for depth in sorted(rng.uniform(-0.05, 1.05) * height for _ in range(4)):
        volume = body.volume_m3(depth)
        assert volume >= before - 1e-9 * whole, f"falls from {depth_before} to {depth}: {tank.config}"
        assert 0.0 <= volume <= whole * (1 + 1e-12)
        inside = min(max(depth, 0.0), height)
        worst = max(worst, abs(volume - tank.volume(inside)) / whole)
        assert abs(body.depth_m(volume) - inside) <= 1e-6 * height, tank.config
        before, depth_before = volume, depth
    assert worst <= tank.off, f"{worst} off: {tank.config}"
    return worst


@pytest.mark.slow
def test_five_hundred_random_tanks_agree_with_slices(capsys):
    """500 tanks, 4 depths each, one in 100 out of level; the largest difference is printed. A hundred thousand are a soak."""
    worst = max(judge(invent(seed, tilted_share=0.01), seed) for seed in range(500))
    with capsys.disabled():
        print(f"\n500 random tanks: largest difference to slice integration {worst:.1e} of the whole")


@pytest.mark.soak
def test_a_hundred_thousand_random_tanks_agree_with_slices(capsys):
    """100,000 tanks, 4 depths each, one in 33 out of level; the largest difference is printed."""
    worst = max(judge(invent(seed, tilted_share=0.03), seed) for seed in range(10_000, 110_000))
    with capsys.disabled():
        print(f"\n100000 random tanks: largest difference to slice integration {worst:.1e} of the whole")


@pytest.mark.slow
@given(seed=st.integers(0, 10**9), share=st.floats(0.001, 0.999))
@settings(max_examples=60, deadline=None)
def test_the_free_surface_is_the_derivative_of_the_volume(seed, share):
    """A central difference of the volume gives dV/dh wherever the surface changes smoothly."""
    body = invent(seed, tilted_share=0.1).build()
    depth, step = share * body.height_m, 1e-6 * body.height_m
    slope = (body.volume_m3(depth + step) - body.volume_m3(depth - step)) / (2 * step)
    low, high = sorted(body.area_m2(depth + shift) for shift in (-2 * step, 2 * step))
    slack = 1e-4 * body.volume_m3(BEYOND_M) / body.height_m
    assert low - slack <= slope <= high + slack


@pytest.mark.slow
@given(seed=st.integers(0, 10**9))
@settings(max_examples=25, deadline=None)
def test_the_volume_never_falls_and_never_jumps(seed):
    """On a fine ladder of depths each step up adds water, and no more than the widest surface allows."""
    body = invent(seed, tilted_share=0.15).build()
    whole, steps = body.volume_m3(BEYOND_M), 1500
    rungs = [body.volume_m3(body.height_m * k / steps) for k in range(steps + 1)]
    widest = max(body.area_m2(body.height_m * k / steps) for k in range(steps + 1))
    rises = [b - a for a, b in itertools.pairwise(rungs)]
    assert min(rises) >= -1e-9 * whole
    assert max(rises) <= 1.02 * widest * body.height_m / steps + 1e-9 * whole


@pytest.mark.slow
@given(seed=st.integers(0, 10**9), share=st.floats(0.0, 1.0))
@settings(max_examples=60, deadline=None)
def test_depth_of_volume_gives_the_volume_back(seed, share):
    """volume(depth(v)) is v to 1e-9 of the whole."""
    body = invent(seed, tilted_share=0.1).build()
    whole = body.volume_m3(BEYOND_M)
    assert abs(body.volume_m3(body.depth_m(share * whole)) - share * whole) <= 1e-9 * whole
