"""Readings and levels as InfluxDB line protocol: measurement, tags, fields, time in ms. Pure.

Source: "Line protocol reference" of the InfluxDB 2 documentation. Every point of a measurement carries every tag of it, for some
servers take no new tags later; every number is a float, for the first write fixes the type of a field.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, NamedTuple

from holdwater.units import wire_unit

if TYPE_CHECKING:
    from holdwater.config.site import Site
    from holdwater_sensors.instrument import Instrument

READING = "reading"
LEVEL = "level"
NO_TANK = "-"
"""Tag `tank` of a series that belongs to none (air, rain, batteries); no tank can have this name."""

_ESCAPED = str.maketrans({",": r"\,", "=": r"\=", " ": r"\ "})

_SI = {
    "length": "m", "area": "m2", "volume": "m3", "flow": "m3/s", "pressure": "Pa", "temperature": "degC",
    "temperature difference": "K", "time": "s", "ratio": "1", "angle": "rad", "voltage": "V", "current": "A", "mass": "kg",
    "insulation": "m2K/W", "speed": "m/s",
}  # fmt: skip


class SeriesRow(NamedTuple):
    """One series of the store."""

    node: str
    quantity: str
    unit: str
    digits: int

    @property
    def key(self) -> str:
        """Its name in the mirror's marks; the same after a restore, whatever number the store gives it."""
        return f"reading:{self.node}:{self.quantity}:{self.unit}"


class LevelHour(NamedTuple):
    """One hour of a tank, as the store keeps it: SI; depth and on hand are None where nothing could be trusted."""

    start_ms: int
    tank: str
    depth_m: float | None
    on_hand_m3: float | None
    closing_m3: float | None
    u_noise_m3: float
    u_scale_m3: float
    readings: int
    quality: int


def head(measurement: str, tags: Mapping[str, str]) -> str:
    """Measurement and tags, escaped; an empty tag value would be left out by servers, so it is written as a dash."""
    written = [f"{key}={(value or NO_TANK).translate(_ESCAPED)}" for key, value in sorted(tags.items())]
    return ",".join([measurement, *written])


class Heads:
    """The part before the fields for every series and tank of a site, put together once.

    Args:
        site: its instruments say which series speaks for which tank, and when.
        name: value of the tag `site`.
    """

    def __init__(self, site: Site, name: str) -> None:
        self._instruments = tuple(site.instruments.values())
        self._name = name
        self._found: dict[SeriesRow, tuple[tuple[tuple[float, float, str], ...], str]] = {}
        self._levels: dict[str, str] = {}

    def reading(self, series: SeriesRow, ts_ms: int) -> str:
        """Of a reading: site, node, quantity, unit (SI), tank (of the sensor that the series belongs to at that time)."""
        found = self._found.get(series)
        if found is None:
            found = self._found[series] = (tuple(self._spans(series)), self._head(series, NO_TANK))
        for start, end, text in found[0]:
            if start <= ts_ms < end:
                return text
        return found[1]

    def _spans(self, series: SeriesRow) -> Iterable[tuple[float, float, str]]:
        name = f"{series.node}:{series.quantity}"
        for each in (*_by(self._instruments, "series", name), *_by(self._instruments, "water_series", name)):
            start = -math.inf if each.from_ms is None else each.from_ms
            yield start, math.inf if each.until_ms is None else each.until_ms, self._head(series, each.tank)

    def _head(self, series: SeriesRow, tank: str) -> str:
        unit = wire_unit(series.unit)
        shown = _SI.get(unit.dimension, unit.name)
        tags = {"site": self._name, "node": series.node, "quantity": series.quantity, "unit": shown, "tank": tank}
        return head(READING, tags)

    def level(self, tank: str) -> str:
        """Of a level: site and tank."""
        text = self._levels.get(tank)
        if text is None:
            text = self._levels[tank] = head(LEVEL, {"site": self._name, "tank": tank})
        return text


def _by(instruments: Iterable[Instrument], attribute: str, name: str) -> list[Instrument]:
    return [each for each in instruments if getattr(each, attribute) == name]


def reading_line(head_: str, value: float, ts_ms: int) -> bytes | None:
    """One reading; None for what is no ordinary number, which no server takes."""
    return f"{head_} value={value!r} {ts_ms}".encode() if math.isfinite(value) else None


def level_line(head_: str, hour: LevelHour) -> bytes:
    """One hour of a tank. What is unknown is left out, never zero; `quality` says why."""
    fields = {
        "depth_m": hour.depth_m,
        "on_hand_m3": hour.on_hand_m3,
        "closing_m3": hour.closing_m3,
        "u_noise_m3": hour.u_noise_m3 if hour.on_hand_m3 is not None else None,
        "u_scale_m3": hour.u_scale_m3 if hour.on_hand_m3 is not None else None,
        "readings": float(hour.readings),
        "quality": float(hour.quality),
    }
    written = ",".join(
        f"{key}={round(value, 7)!r}" for key, value in fields.items() if value is not None and math.isfinite(value)
    )
    return f"{head_} {written} {hour.start_ms}".encode()
