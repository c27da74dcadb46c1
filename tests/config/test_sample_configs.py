"""Every sample config is read, and what it holds is what the formulas of its shapes say."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from holdwater.sitefile import open_site

SAMPLES = Path(__file__).parents[2] / "sample_configs"
IN3_PER_GAL = 231  # the US gallon by definition, NIST SP 811, appendix B
M3_PER_IN3 = 0.0254**3


def lying_in3(diameter: float, length: float, depth: float) -> float:
    """Volume of a lying cylinder filled to a depth: length times the circular segment (any table of areas)."""
    r = diameter / 2
    return length * (r * r * math.acos((r - depth) / r) - (r - depth) * math.sqrt(2 * r * depth - depth * depth))


def upright_in3(diameter: float, depth: float) -> float:
    """Volume of an upright cylinder."""
    return math.pi / 4 * diameter**2 * depth


def cone_l(bottom_cm: float, top_cm: float, height_cm: float, depth_cm: float) -> float:
    """Litres in a frustum filled to a depth: pi h / 12 (a2 + a b + b2), a and b the diameters."""
    at = bottom_cm + (top_cm - bottom_cm) * depth_cm / height_cm
    return math.pi * depth_cm / 12 * (bottom_cm**2 + bottom_cm * at + at**2) / 1000


GALLONS = {
    ("quern-bench", "drinking"): upright_in3(42, 62 - 3) / IN3_PER_GAL,
    ("quern-bench", "garden"): (lying_in3(48, 120, 45) - lying_in3(48, 120, 4)) / IN3_PER_GAL,
    ("quern-bench", "cabin"): 48 * 36 * (40 - 2) / IN3_PER_GAL,
    ("one-tank", "house"): upright_in3(64, 76 - 4) / IN3_PER_GAL,
    ("roof-and-drinking", "cistern"): upright_in3(102, 90 - 6) / IN3_PER_GAL,
    ("roof-and-drinking", "garden-barrel"): 48 * 40 * 38 / IN3_PER_GAL,
    ("roof-and-drinking", "drinking"): upright_in3(48, 60 - 3) / IN3_PER_GAL,
    ("joined-tanks", "cubes"): 4 * 45 * 37 * (38 - 2) / IN3_PER_GAL,
    ("buried-cylinder", "buried"): (lying_in3(64, 120, 60) - lying_in3(64, 120, 5)) / IN3_PER_GAL,
    ("stock-tank-metric", "trough"): cone_l(200, 230, 70, 62) / 1000 / M3_PER_IN3 / IN3_PER_GAL,
    ("foreign-payloads", "shed"): upright_in3(30, 36) / IN3_PER_GAL,
}
HOUSEHOLD = {"drinking": 353.9, "garden": 878.2, "cabin": 284.3}  # as printed for the invented household, gal


@pytest.mark.parametrize("path", sorted(SAMPLES.glob("*.toml")), ids=lambda path: path.stem)
def test_a_sample_is_right_and_holds_what_its_shapes_say(path):
    """On hand when full against a hand formula, within one part in a million."""
    site = open_site(path, {})
    assert site.tanks
    for name, tank in site.tanks.items():
        expected_m3 = GALLONS[path.stem, name] * IN3_PER_GAL * M3_PER_IN3
        assert tank.full_on_hand_m3 == pytest.approx(expected_m3, rel=1e-6), name


def test_every_formula_has_its_sample():
    """No sample is gone, none is unchecked; the README names each."""
    stems = {path.stem for path in SAMPLES.glob("*.toml")}
    assert stems == {stem for stem, _ in GALLONS}
    readme = (SAMPLES / "README.md").read_text(encoding="utf-8")
    assert all(f"({stem}.toml)" in readme for stem in stems)


def test_the_household_of_the_manual_holds_the_gallons_printed_for_it():
    """353.9, 878.2 and 284.3 gal; reserve 90 gal, fire water 80 gal."""
    site = open_site(SAMPLES / "quern-bench.toml", {})
    for name, gallons in HOUSEHOLD.items():
        assert round(site.measure.volume(site.tanks[name].full_on_hand_m3), 1) == gallons
    words = site.tanks["drinking"].describe(site.measure)
    assert words == "upright, 42 in across, 353.9 gal on hand when full, 6.0 gal per inch, reserve 90 gal"
    assert "fire water 80 gal" in site.tanks["cabin"].describe(site.measure)
    assert [each.name for each in site.instruments_of("garden")] == ["garden-level"]
    assert set(site.channels) == {"lamp", "log", "phone"}
    assert set(site.exposures) == {"garden-spigot", "cabin-spigot", "cabin-tank"}


def test_the_foreign_payloads_of_the_sample_are_read_as_its_comments_say():
    """The three payloads written in the comments give inches as metres, degF as degC, volts."""
    routes = {route.name: route for route in open_site(SAMPLES / "foreign-payloads.toml", {}).routes}
    (gap,) = routes["shed-gap"].decode(b"14.2", 1783000100.0)
    assert gap.value == pytest.approx(14.2 * 0.0254)
    (air,) = routes["shed-air"].decode(b'{"climate": {"t": 71.3}, "at": 1783000000}', 1783000100.0)
    assert air.value == pytest.approx((71.3 - 32) * 5 / 9)
    assert air.t_s == 1783000000
    (battery,) = routes["shed-battery"].decode(b"shed;ok;3.71", 1783000100.0)
    assert battery.value == pytest.approx(3.71)
