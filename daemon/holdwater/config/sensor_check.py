"""Which settings belong to which kind of sensor, and which do not go together."""

from __future__ import annotations

from datetime import UTC
from typing import TYPE_CHECKING

from holdwater.config.measured import moment_ms, read
from holdwater.config.model import problem
from holdwater.config.sensor_build import PRESSURE_KINDS, ends_pa

if TYPE_CHECKING:
    from holdwater.config.sensor import SensorConfig

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
    "current loop": _HYDROSTATIC | {"reference", "measures"},
    "ratiometric": _HYDROSTATIC | {"reference", "measures", "supply", "supply_nominal", "span", "fixed_span"},
    "float": {"heights", "band", "closed_when_up"},
    "load cell": {"empty", "carried", "adjusted_here", "usual_water"},
    "flow pulses": {"per_pulse", "rollover", "most_per_s", "flows"},
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
_ACCURACY: dict[str, tuple[str, ...]] = {
    "load cell": ("mass", "ratio"),
    "flow pulses": ("ratio",),
    "rain pulses": ("ratio",),
    "dip": ("length",),
}
_EXAMPLE = {
    "tank": "drinking",
    "height": "1 in",
    "range": "5 psi",
    "heights": '["40 in"]',
    "empty": "45 lb",
    "per_pulse": "0.1 gal",
}


def check(config: SensorConfig) -> None:
    """Refuses settings that do not fit the kind of sensor or each other.

    Raises:
        PydanticCustomError: as `model.problem`, with the key.
    """
    for each in (_belongs, _complete, _mount, _speed, _range, _accuracy, _amounts, _times):
        each(config)


def _belongs(config: SensorConfig) -> None:
    foreign = sorted(config.model_fields_set - _COMMON - _ALLOWED[config.kind])
    if foreign:
        kinds = ", ".join(kind for kind, names in _ALLOWED.items() if foreign[0] in names)
        raise problem(
            f"{foreign[0]} on a sensor of kind '{config.kind}'",
            f"{foreign[0]} belongs to: {kinds}",
            "remove it, or correct kind",
            foreign[0],
        )


def _complete(config: SensorConfig) -> None:
    needed = _NEEDED[config.kind] if config.kind == "rain pulses" else ("tank", *_NEEDED[config.kind])
    for key in needed:
        if getattr(config, key) in (None, [], ""):
            example = _EXAMPLE[key]
            shown = example if example.startswith("[") else f'"{example}"'
            raise problem(
                "nothing; it must be given", f"{key} of a sensor of kind '{config.kind}'", f"add {key} = {shown}", key
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
    if not 1 <= len(config.range) <= 2 or len({dimension for dimension, _ in map(read, config.range)}) > 1:
        raise problem(
            f"{len(config.range) or 'no'} ends",
            "the high end, or both ends in one kind of unit",
            'write range = ["0 psi", "5 psi"]',
            "range",
        )
    low, high = ends_pa(config)
    if config.measures != "pressure" and read(config.range[0])[0] != "length":
        raise problem(
            f"a range as {read(config.range[0])[0]}, but measures = '{config.measures}'",
            "a range in lengths",
            'write range = ["0 m", "5 m"], or measures = "pressure"',
            "range",
        )
    if high <= low and (config.measures == "pressure" or high == low):
        raise problem(
            f"range from {low:.6g} to {high:.6g} Pa", "a high end above the low end", "write the low end first", "range"
        )
    too_high = len(config.span) == 2 and config.span[1] > config.supply_nominal and not config.fixed_span
    if len(config.span) != 2 or config.span[1] <= config.span[0] or too_high:
        raise problem(
            f"span {config.span}",
            "two voltages, low first, at most the nominal supply",
            'write span = ["0.5 V", "4.5 V"]; if it does not follow its supply, fixed_span = true',
            "span",
        )


def _accuracy(config: SensorConfig) -> None:
    dimension = read(config.accuracy)[0] if config.accuracy else ""
    on_pressure = config.kind in (*PRESSURE_KINDS, "current loop", "ratiometric")
    pressed = on_pressure and config.measures == "pressure"
    usual = ("length", "pressure", "ratio") if pressed else ("length", "ratio")
    good = _ACCURACY.get(config.kind, usual)
    if dimension and dimension not in good:
        raise problem(
            f"an accuracy as {dimension}",
            f"a {' or '.join(good)} for kind '{config.kind}'",
            "write the accuracy from its data sheet",
            "accuracy",
        )
    for key, quantity in (("accuracy", config.accuracy), ("drift", config.drift)):
        if on_pressure and quantity and read(quantity)[0] == "ratio" and config.range is None:
            raise problem(
                f"{key} as a share, without a range",
                "range: the share is of the full range",
                'add range = "5 psi"',
                key,
            )


def _amounts(config: SensorConfig) -> None:
    wanted = {"flow pulses": "volume", "rain pulses": "length"}.get(config.kind)
    if wanted and config.per_pulse and (read(config.per_pulse)[0] != wanted or read(config.per_pulse)[1] <= 0):
        raise problem(
            f"a {read(config.per_pulse)[0]} for one pulse",
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
