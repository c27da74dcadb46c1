"""Where the household is: name, units, time zone, place, height."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

from pydantic_core import PydanticCustomError

from holdwater.config.general import zone
from holdwater.setting_up.answers import Sizes, one_of, quantity, words
from holdwater.setting_up.dialog import Dialog, Wrong
from holdwater.units import Measure


def ask_place(dialog: Dialog) -> dict[str, Any]:
    """The table [site]."""
    table: dict[str, Any] = {"name": dialog.ask("site.name", "What do you call the place?", words(1, 80))}
    units = dialog.ask(
        "site.units", "Gallons, inches, F: US. Litres, centimetres, C: metric.", one_of(("US", "metric")), default="US"
    )
    table["timezone"] = dialog.ask(
        "site.timezone", "Time zone?", time_zone, default=_zone_here(),
        why=("The name of the IANA time zone database, such as America/Denver. A day "
            "of the water book runs from midnight to midnight there."),
    )  # fmt: skip
    at = dialog.ask(
        "site.at", "Where is it: latitude, longitude in degrees? Enter alone: not said.", lat_lon,
        why=("Such as 37.6, -105.0 (north and east count up). Without it the cold of "
            "a clear night is not reckoned. It stays on this board."),
    )  # fmt: skip
    if at is not None:
        table |= {"latitude": at[0], "longitude": at[1]}
    sizes = Sizes(Measure("US" if units == "US" else "metric"))
    unit = "ft" if units == "US" else "m"
    high = dialog.ask(
        "site.elevation", f"How high above the sea, in {unit}?", _elevation(unit), default=f"0 {unit}",
        why="For the weight of the air and the speed of sound; a map or a phone says it well enough.",
    )  # fmt: skip
    return table | {"elevation": high, "units": sizes.measure.system}


def time_zone(text: str) -> str:
    """The name of a time zone."""
    try:
        return zone(text).key
    except PydanticCustomError as error:
        said = error.context or {}
        raise Wrong(str(said.get("found")), str(said.get("expected")), str(said.get("fix"))) from None


def lat_lon(text: str) -> tuple[float, float] | None:
    """Latitude and longitude, or None."""
    if text.lower() in ("", "none"):
        return None
    match = re.fullmatch(r"([+-]?\d+(?:\.\d+)?)\s*[,; ]\s*([+-]?\d+(?:\.\d+)?)", text)
    if match is None or not (-90 <= float(match[1]) <= 90 and -180 <= float(match[2]) <= 180):
        raise Wrong(f"'{text}'", "two numbers: -90 to 90 north, -180 to 180 east", "write them like 37.6, -105.0")
    return float(match[1]), float(match[2])


def _elevation(unit: str) -> Any:
    read = quantity("length", unit, -500.0, 9000.0, what="height above the sea")
    return lambda text: read(text).text


def _zone_here() -> str:
    """The zone that this machine is set to; empty when it does not say."""
    try:
        name = Path("/etc/timezone").read_text("ascii").strip()
    except (OSError, ValueError):
        link = Path("/etc/localtime")
        name = str(link.resolve()).partition("zoneinfo/")[2] if link.is_symlink() else ""
    return "" if name in ("", "Etc/UTC", "UTC") else name
