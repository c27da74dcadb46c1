"""A sensor on its tank: what cannot work, and what works worse than the household may think."""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdwater.errors import Problem
from holdwater.units import PA_PER_M_H2O, Measure
from holdwater_sensors.beam import (
    USUAL_BEAM_RAD,
    meets_outline_below,
    meets_wall_below,
    straight_wall_nearer_below,
    wall_nearer_below,
)
from holdwater_sensors.bounds import FloatSwitch
from holdwater_sensors.echo import Ultrasonic
from holdwater_sensors.instrument import Instrument
from holdwater_sensors.pressure import Hydrostatic
from holdwater_sensors.weight import LoadCell

if TYPE_CHECKING:
    from holdwater.tanks.tank import Tank

LOWEST_M = 0.0254  # water lower than an inch is hardly measured, whatever the beam does (own choice)


def mismatches(instrument: Instrument, tank: Tank, measure: Measure) -> tuple[Problem, ...]:
    """What cannot work: a face so low that the dead zone reaches below the overflow, a height above the tank.

    Args:
        instrument: the sensor, built.
        tank: the tank it names.
        measure: the household's units, for the words.

    Returns:
        Problems with their keys as in the file; none when all is well.
    """
    at = f"sensor.{instrument.name}"
    if instrument.vessel and instrument.vessel not in [each.name for each in tank.vessels]:
        names = ", ".join(each.name for each in tank.vessels if each.name) or "none: it has only one shape"
        expected = f"a vessel of this tank: {names}"
        return (Problem(f"{at}.vessel", f"vessel '{instrument.vessel}'", expected, "correct it"),)
    weighs = isinstance(instrument.physics, LoadCell)
    if not instrument.vessel and len(tank.vessels) > 1 and (instrument.gives_depth or weighs):
        names = ", ".join(each.name for each in tank.vessels)
        fix = f'add vessel = "{tank.tap_vessel}"'
        return (Problem(f"{at}.vessel", "nothing", f"the vessel it sits on: {names}", fix),)
    physics, full_m, top_m = instrument.physics, *_levels(instrument, tank)
    if isinstance(physics, Ultrasonic):
        return _dead_zone(at, physics, full_m, measure)
    if isinstance(physics, Hydrostatic) and physics.height_m >= full_m:
        return (
            Problem(
                f"{at}.height",
                f"diaphragm {measure.length_text(physics.height_m)} above the floor",
                f"below the overflow, {measure.length_text(full_m)}",
                "height is that of the diaphragm above the inside floor; correct it",
            ),
        )
    if isinstance(physics, FloatSwitch) and physics.heights_m[-1] > top_m:
        return (
            Problem(
                f"{at}.heights",
                f"a switch {measure.length_text(physics.heights_m[-1])} above the floor",
                f"inside the tank, at most {measure.length_text(top_m)}",
                "correct the height",
            ),
        )
    return ()


def _levels(instrument: Instrument, tank: Tank) -> tuple[float, float]:
    """Overflow and top above the floor from which the sensor's height counts, m."""
    floor_m = next((each.floor_m for each in tank.vessels if each.name == instrument.vessel), 0.0)
    return tank.overflow_m - floor_m, tank.height_m - floor_m


def _dead_zone(at: str, gauge: Ultrasonic, full_m: float, measure: Measure) -> tuple[Problem, ...]:
    sees_m = gauge.height_m - gauge.dead_zone_m
    # a hair of slack: a face set at exactly overflow plus dead zone is right
    if sees_m >= full_m - 1e-6:
        return ()
    return (
        Problem(
            f"{at}.height",
            f"face {measure.length_text(gauge.height_m)} above the floor, dead zone "
            f"{measure.length_text(gauge.dead_zone_m)}: it sees water only up to {measure.length_text(sees_m)}",
            f"to see as far as the overflow at {measure.length_text(full_m)}",
            f"raise the face to {measure.length_text(full_m + gauge.dead_zone_m)} on a riser, lower overflow, "
            "or write the dead zone of its data sheet",
        ),
    )


def warnings(instrument: Instrument, tank: Tank, measure: Measure, barometer: bool = False) -> tuple[str, ...]:
    """What works worse than the household may think, in words.

    Args:
        instrument: the sensor, built.
        tank: the tank it names.
        measure: the household's units, for the words.
        barometer: whether the site names a barometer.
    """
    physics = instrument.physics
    if isinstance(physics, Ultrasonic):
        beam = _beam_words(physics, instrument, tank, measure)
        return (*beam, *_speed_words(physics, instrument), *_reach_words(physics, measure))
    if isinstance(physics, Hydrostatic):
        return _pressure_words(physics, instrument, tank, measure, barometer)
    return ()


def _beam_words(gauge: Ultrasonic, instrument: Instrument, tank: Tank, measure: Measure) -> tuple[str, ...]:
    beam_rad = gauge.beam_rad or USUAL_BEAM_RAD
    if gauge.wall_m is not None:
        depth_m = meets_wall_below(gauge.height_m, gauge.wall_m, beam_rad)
        nearer_m = straight_wall_nearer_below(gauge.height_m, gauge.wall_m, beam_rad)
        place = f"{measure.length_text(gauge.wall_m)} beside it"
    else:
        vessel = next((each for each in tank.vessels if each.name == instrument.vessel), tank.vessels[0])
        outline = vessel.shape.outline
        middle_m = (min(x for x, _ in outline) + max(x for x, _ in outline)) / 2
        depth_m = meets_outline_below((middle_m, gauge.height_m), beam_rad, outline)
        nearer_m = wall_nearer_below((middle_m, gauge.height_m), beam_rad, outline)
        place = "even when mounted in the middle"
    # where only water below the tap is out of sight nothing that counts is lost
    floor_m = next((each.floor_m for each in tank.vessels if each.name == instrument.vessel), 0.0)
    if depth_m is None or nearer_m <= max(tank.outlet_m - floor_m, LOWEST_M):
        return ()
    usual = "" if gauge.beam_rad else " (60 deg is taken; if the data sheet has it, write beam = …)"
    return (
        f"below {measure.length_text(depth_m)} of water the edge of its beam{usual} meets the wall {place}, and below "
        f"{measure.length_text(nearer_m)} that wall is nearer than the water: it may report the wall instead. "
        "A sensor with a narrower beam sees deeper.",
    )


def _speed_words(gauge: Ultrasonic, instrument: Instrument) -> tuple[str, ...]:
    words = []
    if not gauge.speed_stated and gauge.sends == "distance":
        words.append(
            "it is not said how the device reckons distance; 343.2 m/s is taken. If it allows for air temperature by "
            'itself, write compensated = true; if it uses another speed, assumed_speed = "… m/s".'
        )
    if gauge.assumed_speed is not None and instrument.air_series is None:
        words.append(
            "no air temperature for it: each 10 degC (18 degF) off the usual moves the distance by 1.7 %. "
            "Name a series: air = …"
        )
    return tuple(words)


def _reach_words(gauge: Ultrasonic, measure: Measure) -> tuple[str, ...]:
    if gauge.height_m <= gauge.max_range_m:
        return ()
    reach = measure.length_text(gauge.max_range_m)
    blind = measure.length_text(gauge.height_m - gauge.max_range_m)
    return (f"it reaches {reach}: water below {blind} is out of its sight.",)


def _pressure_words(
    gauge: Hydrostatic, instrument: Instrument, tank: Tank, measure: Measure, barometer: bool
) -> tuple[str, ...]:  # fmt: skip
    words = []
    floor_m = next((each.floor_m for each in tank.vessels if each.name == instrument.vessel), 0.0)
    outlet_m, full_m = tank.outlet_m - floor_m, tank.overflow_m - floor_m
    if gauge.height_m > outlet_m + 1e-9 and instrument.vessel in ("", tank.tap_vessel):
        words.append(
            f"its diaphragm at {measure.length_text(gauge.height_m)} is above the outlet at "
            f"{measure.length_text(outlet_m)}: the last water on hand is below its sight. Hang it lower."
        )
    deepest_pa = PA_PER_M_H2O * (full_m - gauge.height_m)
    if 0 < gauge.high_pa < deepest_pa and gauge.reference == "gauge":
        words.append(
            f"its range ends {measure.length_text(gauge.high_pa / PA_PER_M_H2O)} above the diaphragm, the overflow is "
            f"{measure.length_text(deepest_pa / PA_PER_M_H2O)} above it: a full tank is out of its range."
        )
    if gauge.reference != "gauge" and not barometer:
        words.append(
            "its level is right only beside a barometer, and the site names none: it is off by up to about 15 cm (6 in) with the "
            'weather. Name its series in [weather], such as barometer = "garden:barometer"; it must show the air pressure at the '
            "site, not the one reduced to sea level."
        )
    if not gauge.accuracy_stated:
        words.append("neither accuracy nor range is stated; ± 25 mm (1 in) of water is taken.")
    return tuple(words)
