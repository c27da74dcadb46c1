"""Table `[route.NAME]` of the config: a foreign device."""

from __future__ import annotations

import math
from typing import Literal

from pydantic import Field, model_validator

from holdwater.config.model import Model, problem
from holdwater.config.names import Series, topic_problem
from holdwater.units import DIMENSIONS, UNITS, names_of
from holdwater_sensors.formats import Route, TimeAt

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
