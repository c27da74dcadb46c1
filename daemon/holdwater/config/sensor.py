"""Tables `[sensor.NAME]`, `[[sensor.NAME.calibration]]` and `[route.NAME]` of the config."""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import UTC, date, datetime, time, tzinfo
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, model_validator

from holdwater.config.model import (
    Angle,
    Length,
    Mass,
    Model,
    Pressure,
    Ratio,
    Speed,
    Temperature,
    Voltage,
    problem,
)
from holdwater.config.names import Series, topic_problem
from holdwater.units import DIMENSIONS, PA_PER_M_H2O, UNITS, Dimension, UnitError, names_of, parse
from holdwater_sensors.air import dry_sound_speed, standard_pressure
from holdwater_sensors.bounds import FloatSwitch
from holdwater_sensors.calibrate import Correction
from holdwater_sensors.counter import Pulses
from holdwater_sensors.echo import FIRMWARE_SPEED, Ultrasonic
from holdwater_sensors.formats import Route, TimeAt
from holdwater_sensors.instrument import Dip, Instrument, Physics
from holdwater_sensors.pressure import Hydrostatic
from holdwater_sensors.signals import CurrentLoop, Ratiometric, Signal
from holdwater_sensors.water import STANDARD_GRAVITY
from holdwater_sensors.weight import LoadCell

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
Quantity = tuple[str, float]  # dimension, SI value

_PRESSURE_KINDS = {"pressure": "gauge", "absolute pressure": "absolute", "sealed pressure": "sealed"}
_COMMON = {
    "tank",
    "vessel",
    "kind",
    "series",
    "air",
    "water",
    "accuracy",
    "resolution",
    "since",
    "until",
    "calibration",
}
_MOUNT = {"height", "height_doubt"}
_HYDROSTATIC = _MOUNT | {"range", "drift", "seal", "usual_water"}
_ALLOWED: dict[str, set[str]] = {
    "ultrasonic": _MOUNT
    | {"sends", "assumed_speed", "assumed_air", "compensated", "dead_zone", "reach", "beam", "wall", "tilt", "share"}
    | {"humidity", "humidity_series", "usual_air"},
    "pressure": _HYDROSTATIC - {"seal"},
    "absolute pressure": _HYDROSTATIC - {"seal"},
    "sealed pressure": _HYDROSTATIC,
    "current loop": _HYDROSTATIC | {"reference"},
    "ratiometric": _HYDROSTATIC | {"reference", "supply", "supply_nominal", "span"},
    "float": {"heights", "band", "closed_when_up"},
    "load cell": {"empty", "carried", "adjusted_here"},
    "flow pulses": {"per_pulse", "rollover", "most_per_s"},
    "rain pulses": {"per_pulse", "rollover", "most_per_s"},
    "dip": {"height"},
}
_NEEDED: dict[str, tuple[str, ...]] = {
    "ultrasonic": ("height",),
    "pressure": ("height",),
    "absolute pressure": ("height",),
    "sealed pressure": ("height",),
    "current loop": ("height", "range"),
    "ratiometric": ("height", "range"),
    "float": ("heights",),
    "load cell": ("empty",),
    "flow pulses": ("per_pulse",),
    "rain pulses": ("per_pulse",),
    "dip": (),
}
_EXAMPLE = {"height": "1 in", "range": "5 psi", "heights": '["40 in"]', "empty": "45 lb", "per_pulse": "0.1 gal"}
_UNIT: dict[str, str] = {
    "current loop": "A",
    "ratiometric": "V",
    "float": "count",
    "load cell": "kg",
    "flow pulses": "count",
    "rain pulses": "count",
    "dip": "m",
}
_UNIT |= dict.fromkeys(_PRESSURE_KINDS, "Pa")
# Defaults of accuracy, as limits; where each is from stands beside the class that uses it in holdwater_sensors.
_RANGE_SHARE = 0.005  # of the range: usual class of a submersible transmitter (common practice, no source)
_NO_RANGE_PA = 250.0  # 25 mm of water: 0.5 % of a 5 m range, when no range is stated
_DRIFT_SHARE = 0.0025  # of the range, a year's drift (common practice, no source)


def _either(*dimensions: Dimension) -> BeforeValidator:
    """Reads a quantity that may be of one of several dimensions; keeps which."""

    def read(value: Any) -> Quantity:
        words = " or ".join(dimensions)
        if not isinstance(value, str):
            raise problem(f"{value!r}", f"a {words} as text with its unit", 'write it in quotes, like "0.5 in"')
        first: UnitError | None = None
        for dimension in dimensions:
            try:
                return dimension, parse(value, dimension)
            except UnitError as error:
                first = first or error
        assert first is not None
        raise problem(first.found, f"a {words}", first.fix)

    return BeforeValidator(read)


def _moment(value: Any) -> datetime | date:
    if isinstance(value, datetime):
        found: datetime | date = value
    elif isinstance(value, date):
        return value
    else:
        try:
            text = str(value).strip()
            found = date.fromisoformat(text) if len(text) == 10 else datetime.fromisoformat(text)
        except ValueError:
            raise problem(
                f"'{value}'", "a date, or a date and time with offset", "write 2026-07-01T08:00:00-06:00"
            ) from None
    if isinstance(found, datetime) and found.tzinfo is None:
        raise problem(
            f"'{value}' has no offset from UTC", "a time such as 2026-07-01T08:00:00-06:00", "add Z or the offset"
        )
    return found


def _pair(value: Any) -> Any:
    return value if isinstance(value, list | tuple) else [value]


Moment = Annotated[datetime | date, BeforeValidator(_moment)]
Accuracy = Annotated[Quantity, _either("length", "pressure", "ratio", "mass")]
End = Annotated[Quantity, _either("pressure", "length")]
Ends = Annotated[list[End], BeforeValidator(_pair)]
Amount = Annotated[Quantity, _either("volume", "length")]
PressureOrRatio = Annotated[Quantity, _either("pressure", "ratio")]


def moment_ms(moment: datetime | date | None, zone: tzinfo) -> int | None:
    """A moment as ms UTC; a date alone is the midnight with which it begins in the zone."""
    if moment is None:
        return None
    if not isinstance(moment, datetime):
        moment = datetime.combine(moment, time(), zone)
    return round(moment.timestamp() * 1000)


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
    """One sensor of a tank: `[sensor.NAME]`. Heights are above the lowest inside floor of the tank, or of the vessel it is on."""

    tank: str = Field(description="name of the tank it measures", examples=["drinking"])
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
        description="limit of error, ±: a length, a pressure, a weight, or a share (of the range of a pressure sensor, of the distance of an ultrasonic one)",
        examples=["0.5 in"],
    )
    resolution: Annotated[Quantity, _either("length", "pressure")] | None = Field(
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
        description="pressure: diaphragm above the floor; ultrasonic: face above the floor; dip: from where the empty space is measured down",
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
    usual_water: Temperature = Field(
        default=15.0, ge=0.0, le=40.0, description="pressure: water temperature when none is measured"
    )
    supply: Series | None = Field(default=None, description="ratiometric: series of its supply voltage")
    supply_nominal: Voltage = Field(default=5.0, gt=0.5, lt=60.0, description="ratiometric: supply when not measured")
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

    @model_validator(mode="after")
    def _fits_its_kind(self) -> SensorConfig:
        foreign = sorted(self.model_fields_set - _COMMON - _ALLOWED[self.kind])
        if foreign:
            kinds = ", ".join(kind for kind, names in _ALLOWED.items() if foreign[0] in names)
            raise problem(
                f"{foreign[0]} on a sensor of kind '{self.kind}'",
                f"{foreign[0]} belongs to: {kinds}",
                "remove it, or correct kind",
                foreign[0],
            )
        for key in _NEEDED[self.kind]:
            if not getattr(self, key) and getattr(self, key) != 0.0:
                raise problem(
                    "nothing; it must be given",
                    f"{key} of a sensor of kind '{self.kind}'",
                    f'add {key} = "{_EXAMPLE[key]}"'.replace('"[', "[").replace(']"', "]"),
                    key,
                )
        for check in (_mount, _speed, _range, _dimensions, _times):
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
        physics = _BUILD.get(self.kind, _hydrostatic)(self, air, gravity, standard_pressure(elevation_m))
        return Instrument(
            name=name,
            tank=self.tank,
            vessel=self.vessel,
            kind=self.kind,
            series=self.series,
            unit=_UNIT.get(self.kind) or ("s" if self.sends == "echo time" else "m"),
            physics=physics,
            corrections=tuple(corrections),
            air_series=air,
            water_series=self.water,
            supply_series=self.supply,
            rh_series=self.humidity_series,
            from_ms=moment_ms(self.since, zone),
            until_ms=moment_ms(self.until, zone),
            spread_m=_spread(physics),
        )


def _mount(config: SensorConfig) -> None:
    if config.height is None:
        return
    if config.height < 0 or config.height > 30:
        raise problem(
            f"height {config.height:.4g} m",
            "0 to 30 m above the lowest inside floor",
            "measure from the inside floor up",
            "height",
        )
    if config.kind == "ultrasonic" and config.height <= config.dead_zone:
        raise problem(
            f"height {config.height:.3g} m, dead zone {config.dead_zone:.3g} m",
            "a face higher above the floor than the dead zone is deep",
            "height is the height of the FACE above the inside floor; correct it or dead_zone",
            "height",
        )


def _speed(config: SensorConfig) -> None:
    stated = [
        key for key in ("assumed_speed", "assumed_air", "compensated") if getattr(config, key) not in (None, False)
    ]
    if len(stated) > 1:
        raise problem(
            f"{' and '.join(stated)} together", "one of them", "keep what the device's data sheet says", stated[1]
        )
    if stated and config.sends == "echo time":
        raise problem(
            f"{stated[0]} with sends = 'echo time'",
            "an echo time needs no assumed speed",
            f"remove {stated[0]}",
            stated[0],
        )


def _range(config: SensorConfig) -> None:
    if config.range is None:
        return
    if len(config.range) > 2 or len({dimension for dimension, _ in config.range}) > 1:
        raise problem(
            f"{len(config.range)} ends",
            "the high end, or both ends in one kind of unit",
            'write range = ["0 psi", "5 psi"]',
            "range",
        )
    low, high = _ends_pa(config)
    if high <= low:
        raise problem(
            f"range from {low:.6g} to {high:.6g} Pa", "a high end above the low end", "write the low end first", "range"
        )
    if len(config.span) != 2 or config.span[1] <= config.span[0] or config.span[1] > config.supply_nominal:
        raise problem(
            f"span {config.span}",
            "two voltages, low first, at most the nominal supply",
            'write span = ["0.5 V", "4.5 V"]',
            "span",
        )


def _dimensions(config: SensorConfig) -> None:
    dimension = config.accuracy[0] if config.accuracy else ""
    allowed: dict[str, tuple[str, ...]] = {
        "load cell": ("mass", "ratio"),
        "flow pulses": ("ratio",),
        "rain pulses": ("ratio",),
    }
    usual = ("length", "ratio") if config.kind in ("ultrasonic", "dip", "float") else ("length", "pressure", "ratio")
    good = allowed.get(config.kind, usual)
    if dimension and dimension not in good:
        raise problem(
            f"an accuracy as {dimension}",
            f"a {' or '.join(good)} for kind '{config.kind}'",
            "write the accuracy from its data sheet",
            "accuracy",
        )
    if (
        dimension == "ratio"
        and config.kind in (*_PRESSURE_KINDS, "current loop", "ratiometric")
        and config.range is None
    ):
        raise problem(
            "an accuracy as a share, without a range",
            "range: the share is of the full range",
            'add range = "5 psi"',
            "accuracy",
        )
    if config.drift and config.drift[0] == "ratio" and config.range is None:
        raise problem(
            "a drift as a share, without a range",
            "range: the share is of the full range",
            'add range = "5 psi"',
            "drift",
        )
    wanted = {"flow pulses": "volume", "rain pulses": "length"}.get(config.kind)
    if wanted and config.per_pulse and (config.per_pulse[0] != wanted or config.per_pulse[1] <= 0):
        raise problem(
            f"a {config.per_pulse[0]} of one pulse",
            f"a {wanted} above zero",
            'write per_pulse = "0.1 gal" for flow, "0.01 in" for rain',
            "per_pulse",
        )
    if config.heights != sorted(set(config.heights)):
        raise problem("heights that do not rise", "heights from the lowest up, each once", "sort them", "heights")


def _times(config: SensorConfig) -> None:
    start, end = moment_ms(config.since, UTC), moment_ms(config.until, UTC)
    if start is not None and end is not None and end <= start:
        raise problem("until before from", "an end after the start", "swap them", "until")


def _ends_pa(config: SensorConfig) -> tuple[float, float]:
    """Low and high end of the range as pressure; a height of water is a conventional column (1000 kg/m3, standard gravity)."""
    if config.range is None:
        return 0.0, 0.0
    ends = [value * PA_PER_M_H2O if dimension == "length" else value for dimension, value in config.range]
    return (0.0, ends[0]) if len(ends) == 1 else (ends[0], ends[1])


def _as_pa(quantity: Quantity | None, span_pa: float, default_pa: float) -> float:
    if quantity is None:
        return default_pa
    dimension, value = quantity
    return value * {"length": PA_PER_M_H2O, "ratio": span_pa}.get(dimension, 1.0)


def _hydrostatic(config: SensorConfig, air: str | None, gravity: float, pressure_pa: float) -> Physics:  # noqa: ARG001 - one form for all kinds
    low, high = _ends_pa(config)
    span = high - low
    signal: Signal | None = None
    if config.kind == "current loop":
        signal = CurrentLoop()
    elif config.kind == "ratiometric":
        signal = Ratiometric(
            config.span[0] / config.supply_nominal,
            config.span[1] / config.supply_nominal,
            config.supply_nominal,
            config.supply is not None,
        )
    return Hydrostatic(
        height_m=config.height or 0.0,
        reference=_PRESSURE_KINDS.get(config.kind, config.reference),
        seal_pa=config.seal,
        signal=signal,
        low_pa=low,
        high_pa=high,
        accuracy_pa=_as_pa(config.accuracy, span, _RANGE_SHARE * span if span else _NO_RANGE_PA),
        drift_pa=_as_pa(config.drift, span, _DRIFT_SHARE * span),
        resolution_pa=_as_pa(config.resolution, span, 0.0),
        height_u_m=config.height_doubt,
        pressure_pa=pressure_pa,
        usual_water_c=config.usual_water,
        gravity=gravity,
    )


def _ultrasonic(config: SensorConfig, air: str | None, gravity: float, pressure_pa: float) -> Physics:  # noqa: ARG001 - one form for all kinds
    speed = None if config.compensated else config.assumed_speed or FIRMWARE_SPEED
    if config.assumed_air is not None:
        speed = dry_sound_speed(config.assumed_air)
    accuracy_m, accuracy_share = 0.01, 0.004
    if config.accuracy is not None:
        accuracy_m, accuracy_share = (
            (config.accuracy[1], 0.0) if config.accuracy[0] == "length" else (0.0, config.accuracy[1])
        )
    return Ultrasonic(
        height_m=config.height or 0.0,
        sends=config.sends,
        assumed_speed=speed,
        dead_zone_m=config.dead_zone,
        max_range_m=config.reach,
        accuracy_m=accuracy_m,
        accuracy_share=accuracy_share,
        resolution_m=config.resolution[1] if config.resolution and config.resolution[0] == "length" else 0.001,
        height_u_m=config.height_doubt,
        tilt_rad=config.tilt,
        share=config.share,
        expects_air=air is not None,
        rh=config.humidity * 100,
        pressure_pa=pressure_pa,
        usual_air_c=config.usual_air,
    )


def _float(config: SensorConfig, air: str | None, gravity: float, pressure_pa: float) -> Physics:  # noqa: ARG001 - one form for all kinds
    return FloatSwitch(tuple(config.heights), config.band, config.closed_when_up)


def _load_cell(config: SensorConfig, air: str | None, gravity: float, pressure_pa: float) -> Physics:  # noqa: ARG001 - one form for all kinds
    empty = config.empty or 0.0
    accuracy = 2.5 if config.accuracy is None else config.accuracy[1] * (1.0 if config.accuracy[0] == "mass" else 500.0)
    return LoadCell(empty, config.carried, accuracy, gravity, config.adjusted_here)


def _pulses(config: SensorConfig, air: str | None, gravity: float, pressure_pa: float) -> Physics:  # noqa: ARG001 - one form for all kinds
    per_pulse = config.per_pulse[1] if config.per_pulse else 0.0
    return Pulses(per_pulse, config.rollover, config.most_per_s, config.accuracy[1] if config.accuracy else 0.02)


def _dip(config: SensorConfig, air: str | None, gravity: float, pressure_pa: float) -> Physics:  # noqa: ARG001 - one form for all kinds
    return Dip(config.height or 0.0, config.accuracy[1] if config.accuracy else 0.0127)


_BUILD: dict[str, Callable[[SensorConfig, str | None, float, float], Physics]] = {
    "ultrasonic": _ultrasonic,
    "float": _float,
    "load cell": _load_cell,
    "flow pulses": _pulses,
    "rain pulses": _pulses,
    "dip": _dip,
}


def _spread(physics: Physics) -> float:
    """Smallest standard deviation that the filter assumes: half of the accuracy, at least 2 mm (common practice, no source)."""
    if isinstance(physics, Ultrasonic):
        return max(0.002, physics.accuracy_m / 2, physics.resolution_m)
    if isinstance(physics, Hydrostatic):
        return max(0.002, (physics.accuracy_pa / 4 + physics.resolution_pa) / PA_PER_M_H2O)
    return 0.003


_SENML: dict[str, str] = {
    "length": "m",
    "pressure": "Pa",
    "temperature": "Cel",
    "volume": "m3",
    "flow": "m3/s",
    "time": "s",
    "ratio": "/",
    "voltage": "V",
    "current": "A",
    "mass": "kg",
    "count": "count",
    "speed": "m/s",
    "angle": "rad",
    "area": "m2",
}


class TimeConfig(Model):
    """Where a route finds the time of a reading."""

    form: Literal["seconds", "milliseconds", "RFC 3339"] = Field(
        default="seconds", description="how the time is written: since 1970 UTC, or as an RFC 3339 date"
    )
    pointer: str = Field(default="", description="JSON pointer of the time (RFC 6901)", examples=["/at"])
    field: int = Field(default=0, ge=0, description="number of the field with the time, counted from 1")


class RouteConfig(Model):
    """A foreign device: `[route.NAME]`."""

    topic: str = Field(description="MQTT topic it publishes on, without wildcards", examples=["shed/level"])
    payload: Literal["number", "json", "text"] = Field(description="how the payload is written")
    series: Series = Field(description="series that the value belongs to", examples=["shed:gap"])
    unit: str = Field(description="unit of the number sent", examples=["in"])
    scale: float = Field(default=1.0, description="factor on the number before its unit counts, a plain number")
    pointer: str = Field(default="", description="json: pointer of the value (RFC 6901)", examples=["/level"])
    field: int = Field(default=1, ge=1, le=256, description="text: number of the field with the value, counted from 1")
    delimiter: str = Field(
        default=",",
        min_length=1,
        max_length=8,
        description="text: what stands between fields; a blank means any run of blanks",
    )
    time: TimeConfig | None = Field(
        default=None, description="where the time of the reading stands; default: its reception counts"
    )

    @model_validator(mode="after")
    def _fits(self) -> RouteConfig:
        fault = topic_problem(self.topic)
        if fault:
            raise problem(
                f"topic '{self.topic}': {fault}", "one plain topic", "write the topic the device publishes on", "topic"
            )
        if not math.isfinite(self.scale) or self.scale == 0:
            raise problem(
                f"scale {self.scale}",
                "a factor that is not zero",
                "remove scale, or write a number such as 0.1",
                "scale",
            )
        wire_unit(self.unit)
        for key, pointer in (("pointer", self.pointer), ("time.pointer", self.time.pointer if self.time else "")):
            if pointer and not pointer.startswith("/"):
                raise problem(f"'{pointer}'", "a JSON pointer, which begins with /", f'write "/{pointer}"', key)
        if self.payload != "json" and self.pointer:
            raise problem(
                f"a pointer with payload = '{self.payload}'",
                "payload = 'json'",
                "correct payload, or remove pointer",
                "pointer",
            )
        if self.time is not None:
            self._check_time(self.time)
        return self

    def _check_time(self, found: TimeConfig) -> None:
        if self.payload == "number":
            raise problem("a time in a payload that is one number", "payload = 'json' or 'text'", "remove time", "time")
        if self.payload == "json" and not found.pointer:
            raise problem(
                "no pointer",
                "the place of the time in the document",
                'write time = { pointer = "/at" }',
                "time.pointer",
            )
        if self.payload == "text" and found.field == 0:
            raise problem(
                "no field", "the number of the field with the time", "write time = { field = 1 }", "time.field"
            )

    def build(self, name: str) -> Route:
        """The route of that name."""
        senml, scale, offset = wire_unit(self.unit)
        time_at = TimeAt(self.time.form, self.time.pointer, self.time.field) if self.time else None
        return Route(
            name,
            self.topic,
            self.payload,
            self.series,
            senml,
            self.scale * scale,
            offset,
            self.pointer,
            self.field,
            self.delimiter,
            time_at,
        )


def wire_unit(name: str) -> tuple[str, float, float]:
    """The primary SenML unit of a unit that households write, and factor and offset to it.

    Raises:
        PydanticCustomError: as `model.problem`: no such unit, or one of a dimension that is not measured.
    """
    if name == "%RH":
        return "%RH", 1.0, 0.0
    for dimension in DIMENSIONS:
        unit = UNITS.get(f"{dimension}:{name}")
        if unit is not None and dimension in _SENML:
            return _SENML[dimension], unit.scale, unit.offset
    known = [
        each
        for dimension in ("length", "pressure", "temperature", "volume", "voltage", "current")
        for each in names_of(dimension)
    ]
    raise problem(
        f"unknown unit '{name}'", f"a unit such as {', '.join(known[:16])}", 'write it like "in", "psi", "degC"', "unit"
    )
