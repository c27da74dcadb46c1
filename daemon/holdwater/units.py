"""Quantities with units, as text a household writes, and back as text a household reads.

Inside the program every quantity is an SI float (m, m3, Pa, degC, s, m2, V, A, kg); units exist at the edges only.
All factors are exact by definition (NIST Special Publication 811, appendix B; the inch is 25.4 mm, the US gallon 231 cubic inches,
the pound 0.45359237 kg, standard gravity 9.80665 m/s2), but for the water-column units: those are "conventional" columns
of water of 1000 kg/m3 under standard gravity (NIST SP 811, B.8, "conventional").
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from functools import cache
from typing import Literal, get_args

Dimension = Literal[
    "length", "area", "volume", "flow", "pressure", "temperature", "temperature difference", "time",
    "ratio", "angle", "voltage", "current", "mass", "insulation", "speed", "money", "count",
]  # fmt: skip
DIMENSIONS: tuple[str, ...] = get_args(Dimension)

M_PER_IN = 0.0254
M_PER_FT = 0.3048
KG_PER_LB = 0.45359237
M2_PER_FT2 = M_PER_FT**2
M3_PER_GAL = 231 * M_PER_IN**3
PA_PER_PSI = 0.45359237 * 9.80665 / M_PER_IN**2
PA_PER_M_H2O = 9806.65


@dataclass(frozen=True, slots=True)
class Unit:
    """One unit: SI value = written value * scale + offset."""

    name: str
    dimension: Dimension
    scale: float
    offset: float = 0.0

    def to_si(self, value: float) -> float:
        """The SI value of a value written in this unit."""
        return value * self.scale + self.offset


def _table() -> dict[str, Unit]:
    rows: list[tuple[str, Dimension, float, float]] = [
        ("m", "length", 1.0, 0.0),
        ("cm", "length", 0.01, 0.0),
        ("mm", "length", 0.001, 0.0),
        ("in inch inches", "length", M_PER_IN, 0.0),
        ("ft foot feet", "length", M_PER_FT, 0.0),
        ("m2", "area", 1.0, 0.0),
        ("ft2 sqft", "area", M2_PER_FT2, 0.0),
        ("m3", "volume", 1.0, 0.0),
        ("L l liter liters litre litres", "volume", 0.001, 0.0),
        ("gal gallon gallons", "volume", M3_PER_GAL, 0.0),
        ("ft3", "volume", M_PER_FT**3, 0.0),
        ("in3", "volume", M_PER_IN**3, 0.0),
        ("m3/s", "flow", 1.0, 0.0),
        ("L/min l/min", "flow", 0.001 / 60, 0.0),
        ("L/day l/day", "flow", 0.001 / 86400, 0.0),
        ("gal/min gpm", "flow", M3_PER_GAL / 60, 0.0),
        ("gal/h gph", "flow", M3_PER_GAL / 3600, 0.0),
        ("gal/day gpd", "flow", M3_PER_GAL / 86400, 0.0),
        ("Pa", "pressure", 1.0, 0.0),
        ("hPa", "pressure", 100.0, 0.0),
        ("kPa", "pressure", 1000.0, 0.0),
        ("mbar", "pressure", 100.0, 0.0),
        ("bar", "pressure", 100000.0, 0.0),
        ("psi", "pressure", PA_PER_PSI, 0.0),
        ("mH2O", "pressure", PA_PER_M_H2O, 0.0),
        ("cmH2O", "pressure", PA_PER_M_H2O / 100, 0.0),
        ("inH2O", "pressure", PA_PER_M_H2O * M_PER_IN, 0.0),
        ("ftH2O", "pressure", PA_PER_M_H2O * M_PER_FT, 0.0),
        ("inHg", "pressure", 3386.389, 0.0),  # conventional inch of mercury, SP 811 B.8
        ("degC C Cel °C", "temperature", 1.0, 0.0),
        ("degF F °F", "temperature", 5 / 9, -160 / 9),
        ("K", "temperature", 1.0, -273.15),
        ("degC C K", "temperature difference", 1.0, 0.0),
        ("degF F", "temperature difference", 5 / 9, 0.0),
        ("s sec second seconds", "time", 1.0, 0.0),
        ("ms", "time", 0.001, 0.0),
        ("us", "time", 1e-6, 0.0),
        ("min minute minutes", "time", 60.0, 0.0),
        ("h hour hours", "time", 3600.0, 0.0),
        ("day days d", "time", 86400.0, 0.0),
        ("week weeks", "time", 7 * 86400.0, 0.0),
        ("%", "ratio", 0.01, 0.0),
        ("%RH", "ratio", 0.01, 0.0),
        ("ppm", "ratio", 1e-6, 0.0),
        ("1", "ratio", 1.0, 0.0),
        ("deg", "angle", math.pi / 180, 0.0),
        ("rad", "angle", 1.0, 0.0),
        ("V", "voltage", 1.0, 0.0),
        ("mV", "voltage", 0.001, 0.0),
        ("A", "current", 1.0, 0.0),
        ("mA", "current", 0.001, 0.0),
        ("kg", "mass", 1.0, 0.0),
        ("lb lbs", "mass", KG_PER_LB, 0.0),
        ("R", "insulation", 0.1761101838, 0.0),  # h ft2 degF / Btu in m2 K / W; Btu(IT), SP 811 B.8
        ("m2K/W", "insulation", 1.0, 0.0),
        ("m/s", "speed", 1.0, 0.0),
        ("mph", "speed", 0.44704, 0.0),
        ("$", "money", 1.0, 0.0),
        ("count", "count", 1.0, 0.0),
    ]
    table: dict[str, Unit] = {}
    for names, dimension, scale, offset in rows:
        first, *others = names.split()
        unit = Unit(first, dimension, scale, offset)
        for name in (first, *others):
            table[f"{dimension}:{name}"] = unit
    return table


UNITS = _table()
_TEXT = re.compile(r"^\s*(\$?)\s*([+-]?(?:\d[\d_,]*\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*([^\s\d].*?|1)?\s*$")

_GROUPED = re.compile(r"[+-]?\d{1,3}(,\d{3})+(\.\d*)?")
_TAPE = re.compile(
    r"\s*(?:(\d+(?:\.\d*)?)\s*(?:ft|foot|feet|'|\u2032)\s*-?\s*)?"
    r"(?:(\d+(?:\.\d*)?)?(?:(?:(?<=\d)[\s-]+)?(?<![\d.])(\d+)\s*/\s*(\d+))?\s*(?:in|inch|inches|\"|\u2033))?\s*",
)
"""A length as it is read off a tape: feet, inches and a fraction of an inch, any of them."""

LONGEST_TEXT = 100
"""Longest text that is read as a quantity. A longer one is none, and matching a million digits would hold up the service."""


class UnitError(ValueError):
    """A text that is not a quantity of the dimension asked for.

    Attributes:
        expected: what would have been right, with an example.
        fix: what to write.
    """

    def __init__(self, found: str, expected: str, fix: str) -> None:
        self.found = found
        self.expected = expected
        self.fix = fix
        super().__init__(f"{found}; expected {expected}; {fix}")


EXAMPLES: dict[str, str] = {
    "length": "45 in", "area": "780 ft2", "volume": "200 gal", "flow": "7 gal/min", "pressure": "2.5 psi", "temperature": "-3 degC",
    "temperature difference": "2 degC", "time": "30 min", "ratio": "1 %", "angle": "15 deg", "voltage": "3.3 V", "current": "12 mA",
    "mass": "45 lb", "insulation": "10 R", "speed": "15 mph", "money": "$58", "count": "3 count",
}  # fmt: skip


def names_of(dimension: Dimension) -> list[str]:
    """All unit names that a quantity of this dimension may be written in."""
    return [key.split(":", 1)[1] for key in UNITS if key.startswith(f"{dimension}:")]


def unit(name: str, dimension: Dimension) -> Unit:
    """The unit of that name.

    Raises:
        UnitError: no such unit of this dimension; says the nearest name, or of which dimension it is.
    """
    found = UNITS.get(f"{dimension}:{name}")
    if found is not None:
        return found
    names = names_of(dimension)
    elsewhere = [each for each in DIMENSIONS if f"{each}:{name}" in UNITS]
    if elsewhere:
        raise UnitError(
            f"'{name}' is a unit of {elsewhere[0]}",
            f"a unit of {dimension}: {', '.join(names)}",
            f'write it like "{EXAMPLES[dimension]}"',
        )
    from difflib import get_close_matches  # noqa: PLC0415 -- for a mistake only; the service carries no difflib

    near = get_close_matches(name, names, n=1)
    hint = f"did you mean '{near[0]}'?" if near else f'write it like "{EXAMPLES[dimension]}"'
    raise UnitError(f"unknown unit '{name}'", f"a unit of {dimension}: {', '.join(names)}", hint)


def parse(text: str, dimension: Dimension) -> float:
    """The SI value of a quantity written as text.

    Args:
        text: a number and a unit, such as ``"45 in"``, ``"-3 degC"``, ``"$58"``.
        dimension: which kind of quantity is expected.

    Returns:
        The value in SI (m, m2, m3, m3/s, Pa, degC, K, s, ratio 0 to 1, rad, V, A, kg).

    Raises:
        UnitError: not a number with a unit, or the unit is of another dimension.
    """
    match = _TEXT.match(text) if len(text) <= LONGEST_TEXT else None
    taped_m = _off_tape(text) if dimension == "length" else None
    if taped_m is not None:
        return taped_m
    if match is None:
        raise UnitError(
            f"'{text[:LONGEST_TEXT]}' is not a number with a unit",
            f'a {dimension} such as "{EXAMPLES[dimension]}"',
            "write a number, then a unit",
        )
    dollar, number, name = match.groups()
    name = "$" if dollar else name
    if name is None:
        raise UnitError(
            f"'{text}' has no unit",
            f'a {dimension} such as "{EXAMPLES[dimension]}"',
            f"add the unit: one of {', '.join(names_of(dimension))}",
        )
    if "," in number and not _GROUPED.fullmatch(number):
        raise UnitError(
            f"'{text}' has a comma where no thousands begin",
            f'a {dimension} such as "{EXAMPLES[dimension]}"',
            f"write the decimal mark as a point: {number.replace(',', '.')} {name}",
        )
    value = float(number.replace(",", "").replace("_", ""))
    if not math.isfinite(value):
        raise UnitError(
            f"'{text}' is not a finite number",
            f'a {dimension} such as "{EXAMPLES[dimension]}"',
            "write an ordinary number",
        )
    return unit(name, dimension).to_si(value)


def _off_tape(text: str) -> float | None:
    """A length as it is read off a tape (``3 ft 6 in``, ``42 1/2 in``, ``5' 6 3/4"``), m; None when it is not written so."""
    match = _TAPE.fullmatch(text) if len(text) <= LONGEST_TEXT else None
    if match is None:
        return None
    feet, inches, above, below = match.groups()
    if feet is inches is above is None or (below is not None and not 0 < int(above) < int(below)):
        return None
    share = int(above) / int(below) if below is not None else 0.0
    return float(feet or 0) * M_PER_FT + (float(inches or 0) + share) * M_PER_IN


System = Literal["US", "metric"]


@dataclass(frozen=True, slots=True)
class Measure:
    """How quantities are written for this household: US customary or metric."""

    system: System = "US"

    @property
    def volume_unit(self) -> str:
        """Name of the unit of volume: gal or L."""
        return "gal" if self.system == "US" else "L"

    @property
    def length_unit(self) -> str:
        """Name of the unit of depth: in or cm."""
        return "in" if self.system == "US" else "cm"

    @property
    def temperature_unit(self) -> str:
        """Letter of the unit of temperature: F or C."""
        return "F" if self.system == "US" else "C"

    def volume(self, m3: float) -> float:
        """Cubic metres as gallons or litres."""
        return m3 / M3_PER_GAL if self.system == "US" else m3 * 1000

    def length(self, m: float) -> float:
        """Metres as inches or centimetres."""
        return m / M_PER_IN if self.system == "US" else m * 100

    def rain(self, m: float) -> float:
        """Metres of rain as inches or millimetres."""
        return m / M_PER_IN if self.system == "US" else m * 1000

    def temperature(self, c: float) -> float:
        """Degrees Celsius as the household's degrees."""
        return c * 9 / 5 + 32 if self.system == "US" else c

    def volume_text(self, m3: float, u_m3: float | None = None) -> str:
        """A volume in words, no finer than its doubt: ``212 gal``, ``6.0 gal``."""
        return f"{rounded(self.volume(m3), None if u_m3 is None else self.volume(u_m3))} {self.volume_unit}"

    def length_text(self, m: float) -> str:
        """A length in words: ``42 in``, ``41.5 cm``."""
        return f"{trimmed(self.length(m), 1)} {self.length_unit}"

    def temperature_text(self, c: float) -> str:
        """A temperature in words without the degree sign, which would halve the length of a text message: ``28F``."""
        return f"{round(self.temperature(c)):d}{self.temperature_unit}"


def rounded(value: float, doubt: float | None) -> str:
    """A number written no finer than its doubt allows: to tens, ones or tenths."""
    if doubt is None:
        return f"{value:.0f}" if abs(value) >= 10 else f"{value:.1f}"
    if doubt >= 15:
        return f"{round(value / 10) * 10:.0f}"
    if doubt >= 0.5:
        return f"{value:.0f}"
    return f"{value:.1f}"


def trimmed(value: float, places: int) -> str:
    """A number with at most so many decimals, without trailing zeros."""
    text = f"{value:.{places}f}"
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return "0" if text == "-0" else text


_WIRE_EXTRA: dict[str, Unit] = {
    # SenML names (RFC 8428, table 6, and RFC 8798) that differ from what a household writes.
    "Cel": Unit("degC", "temperature", 1.0),
    "/": Unit("1", "ratio", 1.0),
    "%EL": Unit("%EL", "count", 1.0),  # SenML: 0 to 100
    "%RH": Unit("%RH", "count", 1.0),  # SenML: 0 to 100
    "/100": Unit("%", "ratio", 0.01),
    "/1000": Unit("1", "ratio", 0.001),
    "l": Unit("L", "volume", 0.001),
    "l/s": Unit("m3/s", "flow", 0.001),
    "mm/h": Unit("m/s", "speed", 0.001 / 3600),
    "": Unit("", "count", 1.0),
}


@cache
def wire_unit(name: str) -> Unit:
    """The unit of a stored series by the name it was sent with; a name nobody knows counts as it stands (scale 1)."""
    if name in _WIRE_EXTRA:
        return _WIRE_EXTRA[name]
    for dimension in DIMENSIONS:
        found = UNITS.get(f"{dimension}:{name}")
        if found is not None:
            return found
    return Unit(name, "count", 1.0)
