"""From the settings of a sensor to its physics."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from holdwater.config.measured import Quantity, read
from holdwater.units import PA_PER_M_H2O
from holdwater_sensors.air import dry_sound_speed
from holdwater_sensors.bounds import FloatSwitch
from holdwater_sensors.counter import Pulses
from holdwater_sensors.echo import FIRMWARE_SPEED, Ultrasonic
from holdwater_sensors.instrument import Dip, Physics
from holdwater_sensors.pressure import Hydrostatic
from holdwater_sensors.signals import CurrentLoop, Ratiometric, Signal, Voltage
from holdwater_sensors.transmitter import LevelTransmitter
from holdwater_sensors.weight import LoadCell

if TYPE_CHECKING:
    from holdwater.config.sensor import SensorConfig

PRESSURE_KINDS = {"pressure": "gauge", "absolute pressure": "absolute", "sealed pressure": "sealed"}
_UNIT: dict[str, str] = {
    "current loop": "A",
    "ratiometric": "V",
    "float": "count",
    "load cell": "kg",
    "flow pulses": "count",
    "rain pulses": "count",
    "dip": "m",
}
_UNIT |= dict.fromkeys(PRESSURE_KINDS, "Pa")
# Defaults of accuracy, as limits; where each is from stands beside the class that uses it in holdwater_sensors.
_RANGE_SHARE = 0.005  # of the range: usual class of a submersible transmitter (common practice, no source)
_NO_RANGE_PA = 250.0  # 25 mm of water: 0.5 % of a 5 m range, when no range is stated
_CELL_SHARE = 0.005  # of the full weight (common practice, no source)
_CELL_KG = 2.5
_DRIFT_SHARE = 0.0025  # of the range, a year's drift (common practice, no source)


@dataclass(frozen=True, slots=True)
class Site:
    """What a sensor takes from its site: series of the air, gravity in m/s2, mean air pressure in Pa."""

    air: str | None
    gravity: float
    pressure_pa: float


def ends_pa(config: SensorConfig) -> tuple[float, float]:
    """Low and high end of the range as pressure; a height of water is a column of 1000 kg/m3 at standard gravity."""
    if config.range is None:
        return 0.0, 0.0
    ends = [value * PA_PER_M_H2O if dimension == "length" else value for dimension, value in map(read, config.range)]
    return (0.0, ends[0]) if len(ends) == 1 else (ends[0], ends[1])


def _as_pa(quantity: Quantity | None, span_pa: float, default_pa: float) -> float:
    if quantity is None:
        return default_pa
    dimension, value = quantity
    return value * {"length": PA_PER_M_H2O, "ratio": span_pa}.get(dimension, 1.0)


def _signal(config: SensorConfig) -> Signal | None:
    if config.kind == "current loop":
        return CurrentLoop()
    if config.kind != "ratiometric":
        return None
    low_v, high_v = config.span
    if config.fixed_span:
        return Voltage(low_v, high_v)
    nominal_v = config.supply_nominal
    return Ratiometric(low_v / nominal_v, high_v / nominal_v, nominal_v, config.supply is not None)


def _level_transmitter(config: SensorConfig, signal: Signal, low_m: float, high_m: float) -> Physics:
    span_m = abs(high_m - low_m)
    resolution_m = read(config.resolution)[1] if config.resolution and read(config.resolution)[0] == "length" else 0.0
    accuracy_m = _RANGE_SHARE * span_m
    if config.accuracy is not None:
        accuracy_m = read(config.accuracy)[1] * (span_m if read(config.accuracy)[0] == "ratio" else 1.0)
    down = config.measures == "distance"
    height_m = config.height or 0.0
    return LevelTransmitter(height_m, signal, low_m, high_m, down, accuracy_m, resolution_m, config.height_doubt)


def _hydrostatic(config: SensorConfig, site: Site) -> Physics:
    low, high = ends_pa(config)
    span = high - low
    signal = _signal(config)
    if signal is not None and config.measures != "pressure":
        return _level_transmitter(config, signal, low / PA_PER_M_H2O, high / PA_PER_M_H2O)
    return Hydrostatic(
        height_m=config.height or 0.0,
        reference=PRESSURE_KINDS.get(config.kind, config.reference),
        seal_pa=config.seal,
        signal=signal,
        low_pa=low,
        high_pa=high,
        accuracy_pa=_as_pa(read(config.accuracy), span, _RANGE_SHARE * span if span else _NO_RANGE_PA),
        drift_pa=_as_pa(read(config.drift), span, _DRIFT_SHARE * span),
        resolution_pa=_as_pa(read(config.resolution), span, 0.0),
        height_u_m=config.height_doubt,
        pressure_pa=site.pressure_pa,
        usual_water_c=config.usual_water,
        accuracy_stated=config.accuracy is not None or config.range is not None,
        gravity=site.gravity,
    )


def _ultrasonic(config: SensorConfig, site: Site) -> Physics:
    speed = None if config.compensated else config.assumed_speed or FIRMWARE_SPEED
    if config.assumed_air is not None:
        speed = dry_sound_speed(config.assumed_air)
    accuracy_m, accuracy_share = 0.01, 0.004
    if config.accuracy is not None:
        accuracy_m, accuracy_share = (
            (read(config.accuracy)[1], 0.0) if read(config.accuracy)[0] == "length" else (0.0, read(config.accuracy)[1])
        )
    return Ultrasonic(
        height_m=config.height or 0.0,
        sends=config.sends,
        assumed_speed=speed,
        dead_zone_m=config.dead_zone,
        max_range_m=config.reach,
        accuracy_m=accuracy_m,
        accuracy_share=accuracy_share,
        resolution_m=read(config.resolution)[1]
        if config.resolution and read(config.resolution)[0] == "length"
        else 0.001,
        height_u_m=config.height_doubt,
        tilt_rad=config.tilt,
        share=config.share,
        expects_air=site.air is not None,
        rh=config.humidity * 100,
        pressure_pa=site.pressure_pa,
        usual_air_c=config.usual_air,
        beam_rad=config.beam,
        wall_m=config.wall,
        speed_stated=config.compensated or config.assumed_speed is not None or config.assumed_air is not None,
    )


def _float(config: SensorConfig, _: Site) -> Physics:
    return FloatSwitch(tuple(config.heights), config.band, config.closed_when_up)


def _load_cell(config: SensorConfig, site: Site) -> Physics:
    dimension, value = read(config.accuracy) or ("ratio", _CELL_SHARE)
    share = value if dimension == "ratio" else 0.0
    return LoadCell(
        empty_kg=config.empty or 0.0,
        carried=config.carried,
        accuracy_kg=value if dimension == "mass" else _CELL_KG,
        gravity=site.gravity,
        set_here=config.adjusted_here,
        usual_water_c=config.usual_water,
        accuracy_share=share,
    )


def _pulses(config: SensorConfig, _: Site) -> Physics:
    per_pulse = read(config.per_pulse)[1] if config.per_pulse else 0.0
    return Pulses(per_pulse, config.rollover, config.most_per_s, read(config.accuracy)[1] if config.accuracy else 0.02)


def _dip(config: SensorConfig, _: Site) -> Physics:
    return Dip(config.height or 0.0, read(config.accuracy)[1] if config.accuracy else 0.0127)


_BUILD: dict[str, Callable[[SensorConfig, Site], Physics]] = {
    "ultrasonic": _ultrasonic,
    "float": _float,
    "load cell": _load_cell,
    "flow pulses": _pulses,
    "rain pulses": _pulses,
    "dip": _dip,
}


def physics_of(config: SensorConfig, site: Site) -> Physics:
    """How values of the sensor become depths."""
    return _BUILD.get(config.kind, _hydrostatic)(config, site)


def unit_of(config: SensorConfig) -> str:
    """The SenML unit that its readings must have."""
    return _UNIT.get(config.kind) or ("s" if config.sends == "echo time" else "m")


def spread_of(physics: Physics) -> float:
    """Smallest standard deviation for the filter: half the accuracy, at least 2 mm (common practice, no source)."""
    if isinstance(physics, Ultrasonic):
        return max(0.002, physics.accuracy_m / 2, physics.resolution_m)
    if isinstance(physics, Hydrostatic):
        return max(0.002, (physics.accuracy_pa / 4 + physics.resolution_pa) / PA_PER_M_H2O)
    if isinstance(physics, LevelTransmitter):
        return max(0.002, physics.accuracy_m / 2, physics.resolution_m)
    return 0.003
