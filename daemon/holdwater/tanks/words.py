"""A tank in words, as `holdwater check` says it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdwater.units import M_PER_IN, Measure, trimmed

if TYPE_CHECKING:
    from holdwater.tanks.hauling import Hauling
    from holdwater.tanks.tank import Tank


def describe(tank: Tank, measure: Measure) -> str:
    """The tank in words without its name: shape, on hand when full, volume per inch or centimetre, what is kept."""
    if len(tank.vessels) == 1:
        shape = tank.shape.words(measure)
    else:
        shape = (
            f"{len(tank.vessels)} joined vessels ("
            + "; ".join(f"{each.name}: {each.shape.words(measure)}" for each in tank.vessels)
            + ")"
        )
    said = [shape, f"{volume(tank.full_on_hand_m3, measure)} on hand when full", _per_step(tank, measure)]
    if tank.reserve_m3 is not None:
        said.append(f"reserve {volume(tank.reserve_m3, measure)}")
    if tank.floor_m3 is not None:
        said.append(
            f"fire water {volume(tank.floor_m3, measure)}"
            if "fire" in tank.uses
            else f"{volume(tank.floor_m3, measure)} kept back"
        )
    return ", ".join(said)


def volume(m3: float, measure: Measure) -> str:
    """A volume with one decimal where it has one: 353.9 gal, 90 gal."""
    return f"{trimmed(measure.volume(m3), 1)} {measure.volume_unit}"


def hauled(haul: Hauling, measure: Measure) -> str:
    """How water is hauled to a tank, in words."""
    usual, worst = wait(haul.usual_wait_days), wait(haul.worst_wait_days)
    return f"hauled by loads of {volume(haul.load_m3, measure)}, wait {usual}, at worst {worst}"


def wait(days: float) -> str:
    """A wait as one says it: ``12 h``, ``1 day``, ``6 days``."""
    if days < 1:
        return f"{trimmed(days * 24, 0)} h"
    return "1 day" if days == 1 else f"{trimmed(days, 1)} days"


def _per_step(tank: Tank, measure: Measure) -> str:
    """Gallons per inch or litres per centimetre; at half depth where they change with depth."""
    step_m = M_PER_IN if measure.system == "US" else 0.01
    step = "inch" if measure.system == "US" else "cm"
    ends = [tank.area_m2(tank.overflow_m * share) for share in (0.02, 0.5, 0.98)]
    where = " at half depth" if max(ends) - min(ends) > 0.005 * max(ends) else ""
    return f"{measure.volume(ends[1] * step_m):.1f} {measure.volume_unit} per {step}{where}"
