"""Tables `[sensor.NAME]` and `[[sensor.NAME.calibration]]` of the config."""

from __future__ import annotations

import math
from datetime import UTC, tzinfo
from typing import Annotated, Literal

from pydantic import Field, model_validator

from holdwater.config.measured import Accuracy, Amount, Ends, Moment, PressureOrRatio, either, moment_ms
from holdwater.config.model import Angle, Length, Mass, Model, Pressure, Ratio, Speed, Temperature, Voltage
from holdwater.config.names import Series
from holdwater.config.route import RouteConfig
from holdwater.config.sensor_build import Site, physics_of, spread_of, unit_of
from holdwater.config.sensor_check import check
from holdwater.config.sensor_words import mismatches, warnings
from holdwater_sensors.air import standard_pressure
from holdwater_sensors.calibrate import Correction
from holdwater_sensors.instrument import Instrument
from holdwater_sensors.water import STANDARD_GRAVITY

__all__ = ["CalibrationConfig", "RouteConfig", "SensorConfig", "mismatches", "warnings"]

Kind = Literal[
    "ultrasonic",
    "pressure",
    "absolute pressure",
    "sealed pressure",
    "current loop",
    "ratiometric",
    "float",
    "load cell",
    "flow pulses",
    "rain pulses",
    "dip",
]
Reference = Literal["gauge", "absolute", "sealed"]


class CalibrationConfig(Model):
    """`[[sensor.NAME.calibration]]`: true depth = gain × measured depth + offset, from a date on."""

    since: Moment | None = Field(
        default=None,
        alias="from",
        description="counts from this date or time on; default: always",
        examples=["2026-07-01T08:00:00-06:00"],
    )
    gain: float = Field(default=1.0, gt=0.2, lt=5.0, description="factor on the measured depth, a plain number")
    offset: Length = Field(default=0.0, description="added after the factor")
    gain_doubt: float = Field(
        default=0.0, ge=0.0, lt=1.0, description="standard uncertainty of the gain, a plain number"
    )
    offset_doubt: Length = Field(default=0.0, ge=0.0, description="standard uncertainty of the offset")
    correlation: float = Field(
        default=0.0, ge=-1.0, le=1.0, description="correlation of gain and offset, as `holdwater calibrate` prints it"
    )

    def build(self, zone: tzinfo = UTC) -> Correction:
        """The correction."""
        return Correction(
            self.gain, self.offset, self.gain_doubt, self.offset_doubt, self.correlation, moment_ms(self.since, zone)
        )


class SensorConfig(Model):
    """One sensor of a tank: `[sensor.NAME]`.

    Heights are above the lowest inside floor of the tank, or of the vessel it is on.
    """

    tank: str = Field(
        default="", description="name of the tank it measures; a rain gauge needs none", examples=["drinking"]
    )
    vessel: str = Field(default="", description="name of the vessel it sits on, for joined vessels")
    kind: Kind = Field(description="how it measures")
    series: Series = Field(
        description="series of its readings, as sensor box and quantity", examples=["drinking:pressure"]
    )
    air: Series | None = Field(
        default=None, description="series of the air temperature along the path; default: [weather] air"
    )
    water: Series | None = Field(default=None, description="series of the water temperature")
    accuracy: Accuracy | None = Field(
        default=None,
        description="limit of error, ±: a length, a pressure, a weight, or a share: of the range of a pressure "
        "sensor, of the distance of an ultrasonic one, of the full weight on load cells, of what pulses counted",
        examples=["0.5 in"],
    )
    resolution: Annotated[str, either("length", "pressure")] | None = Field(
        default=None, description="smallest step of its output", examples=["1 mm"]
    )
    since: Moment | None = Field(
        default=None,
        alias="from",
        description="counts from this date or time on",
        examples=["2026-07-01T08:00:00-06:00"],
    )
    until: Moment | None = Field(
        default=None, description="counts up to this date or time", examples=["2026-09-01T08:00:00-06:00"]
    )
    calibration: list[CalibrationConfig] = Field(default_factory=list, description="corrections, each from a date on")
    height: Length | None = Field(
        default=None,
        description="pressure: diaphragm above the floor; ultrasonic: face above the floor; "
        "dip: from where the empty space is measured down",
    )
    height_doubt: Length = Field(default=0.003, ge=0.0, description="standard uncertainty of height")
    sends: Literal["distance", "echo time"] = Field(default="distance", description="ultrasonic: what the device sends")
    assumed_speed: Speed | None = Field(
        default=None,
        gt=250.0,
        lt=450.0,
        description="ultrasonic: fixed speed of sound that the device reckons with",
        examples=["343.2 m/s"],
    )
    assumed_air: Temperature | None = Field(
        default=None,
        gt=-40.0,
        lt=60.0,
        description="ultrasonic: fixed air temperature that the device reckons with",
        examples=["20 degC"],
    )
    compensated: bool = Field(
        default=False, description="ultrasonic: the device allows for the air temperature by itself"
    )
    dead_zone: Length = Field(default=0.25, ge=0.0, description="ultrasonic: distance within which it cannot measure")
    reach: Length = Field(default=5.0, gt=0.0, description="ultrasonic: farthest distance it can measure")
    beam: Angle | None = Field(
        default=None, gt=0.0, lt=math.pi, description="ultrasonic: full angle of its beam", examples=["60 deg"]
    )
    wall: Length | None = Field(
        default=None, gt=0.0, description="ultrasonic: distance from its axis to the nearest wall", examples=["10 in"]
    )
    tilt: Angle = Field(
        default=0.0,
        ge=0.0,
        lt=0.5,
        description="ultrasonic: largest angle between its axis and the vertical",
        examples=["2 deg"],
    )
    share: Ratio | None = Field(
        default=None,
        ge=0.0,
        le=1.5,
        description="ultrasonic: share of the difference between air probe and water that the mean of the path has",
        examples=["50 %"],
    )
    humidity: Ratio = Field(
        default=0.95, ge=0.0, le=1.0, description="ultrasonic: relative humidity of the headspace when not measured"
    )
    humidity_series: Series | None = Field(
        default=None, description="ultrasonic: series of the humidity of the headspace"
    )
    usual_air: Temperature = Field(
        default=15.0, gt=-40.0, lt=60.0, description="ultrasonic: air temperature when none is known"
    )
    range: Ends | None = Field(
        default=None,
        description="pressure: range of the transmitter, its high end or both ends, as pressure or as height of water",
        examples=["5 psi"],
    )
    drift: PressureOrRatio | None = Field(
        default=None,
        description="pressure: limit of its drift since the last calibration; a share is of the range",
        examples=["0.25 %"],
    )
    seal: Pressure = Field(
        default=101_325.0,
        gt=50_000.0,
        lt=120_000.0,
        description="sealed pressure: pressure sealed in",
        examples=["101.325 kPa"],
    )
    reference: Reference = Field(
        default="gauge", description="current loop, ratiometric: what its pressure is measured against"
    )
    measures: Literal["pressure", "depth", "distance"] = Field(
        default="pressure",
        description="current loop, ratiometric: what its range stands for; a depth counts from height up, a distance "
        "from height down",
    )
    usual_water: Temperature = Field(
        default=15.0, ge=0.0, le=40.0, description="pressure, load cell: water temperature when none is measured"
    )
    supply: Series | None = Field(default=None, description="ratiometric: series of its supply voltage")
    supply_nominal: Voltage = Field(default=5.0, gt=0.5, lt=60.0, description="ratiometric: supply when not measured")
    fixed_span: bool = Field(
        default=False, description="ratiometric: its output does not follow the supply (0 to 10 V, 1 to 5 V)"
    )
    span: list[Voltage] = Field(
        default_factory=lambda: [0.5, 4.5],
        description="ratiometric: output at the two ends of the range, at nominal supply",
        examples=[["0.5 V", "4.5 V"]],
    )
    heights: list[Length] = Field(
        default_factory=list, description="float: heights of the switches, from the lowest up", examples=[["40 in"]]
    )
    band: Length = Field(
        default=0.0254, ge=0.0, description="float: how far the water may stand off a switch without contradicting it"
    )
    closed_when_up: bool = Field(default=True, description="float: the switch sends 1 when lifted")
    empty: Mass | None = Field(default=None, description="load cell: reading of the empty vessel", examples=["45 lb"])
    carried: Ratio = Field(
        default=1.0, gt=0.0, le=1.0, description="load cell: share of the weight that the cells carry"
    )
    adjusted_here: bool = Field(default=True, description="load cell: adjusted at the site with known weights")
    per_pulse: Amount | None = Field(
        default=None, description="pulses: water (a volume) or rain (a height) of one pulse", examples=["0.1 gal"]
    )
    rollover: int = Field(
        default=0, ge=0, description="pulses: count at which the counter starts again from zero; 0: never"
    )
    most_per_s: float = Field(
        default=0.0, ge=0.0, description="pulses: most pulses a second that the meter gives; 0: not stated"
    )

    flows: Literal["out", "in"] = Field(
        default="out", description="flow pulses: the water that it counts leaves its tank, or comes into it"
    )

    @model_validator(mode="after")
    def _fits_its_kind(self) -> SensorConfig:
        check(self)
        return self

    def build(
        self,
        name: str,
        site_air: str | None = None,
        gravity: float = STANDARD_GRAVITY,
        elevation_m: float = 0.0,
        zone: tzinfo = UTC,
    ) -> Instrument:
        """The instrument of that name.

        Args:
            name: name in the config.
            site_air: series of the outside air, for a sensor that names none.
            gravity: local gravity, m/s2 (`holdwater_sensors.water.gravity`).
            elevation_m: height of the site above sea level, m.
            zone: time zone of dates without a time.
        """
        corrections = sorted(
            (each.build(zone) for each in self.calibration),
            key=lambda each: -math.inf if each.from_ms is None else each.from_ms,
        )
        air = (self.air or site_air) if self.kind == "ultrasonic" else None
        physics = physics_of(self, Site(air, gravity, standard_pressure(elevation_m)))
        return Instrument(
            name=name,
            tank=self.tank,
            vessel=self.vessel,
            kind=self.kind,
            series=self.series,
            unit=unit_of(self),
            physics=physics,
            corrections=tuple(corrections),
            air_series=air,
            water_series=self.water,
            supply_series=self.supply,
            rh_series=self.humidity_series,
            from_ms=moment_ms(self.since, zone),
            until_ms=moment_ms(self.until, zone),
            spread_m=spread_of(physics),
            fills=self.flows == "in",
        )
