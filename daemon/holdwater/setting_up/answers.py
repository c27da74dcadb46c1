"""What may be answered: readers that make a value of a text, or say what is wrong with it."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from holdwater.config.names import NAME, nearest
from holdwater.setting_up.dialog import Wrong
from holdwater.units import EXAMPLES, Dimension, Measure, UnitError, parse, trimmed

YES = ("yes", "y")
NO = ("no", "n")
_MIXED = re.compile(r"^(-?\d+)\s+(\d+)/(\d+)\b(.*)$|^(-?)(\d+)/(\d+)\b(.*)$")
_FEET = re.compile(r"^(\d+(?:\.\d+)?)\s*(?:ft|feet|foot|')\s*(\d+(?:\.\d+)?|\d+\s+\d+/\d+)\s*(?:in|inch|inches|\"|)$")


@dataclass(frozen=True, slots=True)
class Quantity:
    """A quantity as the file will have it, and in SI."""

    text: str
    si: float


def words(least: int = 1, most: int = 80) -> Callable[[str], str]:
    """Any text of so many characters."""

    def read(text: str) -> str:
        if not least <= len(text) <= most or not text.isprintable():
            raise Wrong(
                f"{len(text)} characters" if text else "nothing",
                f"{least} to {most} characters",
                "write it in a few words",
            )
        return text

    return read


def name(taken: Sequence[str] = ()) -> Callable[[str], str]:
    """A name as topics and the config take it, not taken yet."""

    def read(text: str) -> str:
        if not NAME.fullmatch(text):
            slug = re.sub(r"[^A-Za-z0-9_-]+", "-", text).strip("-_")[:32]
            raise Wrong(
                f"'{text}'" if text else "nothing",
                "letters, digits, - and _, at most 32, beginning with a letter or digit",
                f"write {slug}" if slug else "write a short name such as drinking",
            )
        if text in taken:
            raise Wrong(f"'{text}'", "a name that is not taken", f"taken already: {', '.join(taken)}")
        return text

    return read


def yes_no(text: str) -> bool:
    """Yes or no."""
    if text.lower() in YES:
        return True
    if text.lower() in NO:
        return False
    raise Wrong(f"'{text}'" if text else "nothing", "yes or no", "write y or n")


def one_of(choices: Mapping[str, str] | Sequence[str]) -> Callable[[str], str]:
    """One of some words, by its whole, its beginning, or its number in the list."""
    names = list(choices)

    def read(text: str) -> str:
        wanted = text.lower()
        if wanted.isdecimal() and 1 <= int(wanted) <= len(names):
            return names[int(wanted) - 1]
        begun = [each for each in names if wanted and each.lower().startswith(wanted)]
        exact = [each for each in begun if each.lower() == wanted]
        if len(exact or begun) == 1:
            return (exact or begun)[0]
        near = nearest(text, names)
        do = f"did you mean {near}?" if near else f"write its number, 1 to {len(names)}, or its name"
        raise Wrong(f"'{text}'" if text else "nothing", f"one of: {', '.join(names)}", do)

    return read


def some_of(choices: Sequence[str], *, none: bool = False) -> Callable[[str], tuple[str, ...]]:
    """Some of these words, separated by commas or spaces."""
    one = one_of(choices)

    def read(text: str) -> tuple[str, ...]:
        parts = [part for part in re.split(r"[,\s]+", text) if part and part.lower() != "and"]
        if not parts or (none and [part.lower() for part in parts] == ["none"]):
            if none:
                return ()
            raise Wrong("nothing", f"one or more of: {', '.join(choices)}", f"write for instance {choices[0]}")
        return tuple(dict.fromkeys(one(part) for part in parts))

    return read


def menu(choices: Mapping[str, str]) -> str:
    """The choices with their numbers, one a line."""
    width = max(map(len, choices))
    return "\n".join(f"  {at}  {key.ljust(width)}  {text}" for at, (key, text) in enumerate(choices.items(), start=1))


def quantity(
    dimension: Dimension, unit: str, low: float, high: float, *, what: str = "", none: bool = False
) -> Callable[[str], Quantity]:
    """A quantity between two bounds; a plain number is taken in the household's unit.

    Args:
        dimension: of which kind.
        unit: unit of a plain number.
        low: least value allowed, SI.
        high: greatest value allowed, SI.
        what: what it is, for the words when it lies outside.
        none: Enter alone or "none" stands for not given: a quantity with an empty text.
    """

    def read(text: str) -> Quantity:
        if none and text.lower() in ("", "none", "-"):
            return Quantity("", 0.0)
        if not text:
            raise Wrong(
                "nothing", f"{what or 'a number'}, in {unit} or with its unit", f'write it like "{EXAMPLES[dimension]}"'
            )
        given = tidy(text, unit)
        try:
            value = parse(given, dimension)
        except UnitError as error:
            raise Wrong(error.found, error.expected, error.fix) from None
        if not low <= value <= high:
            bounds = f"{_bound(low, dimension, unit)} to {_bound(high, dimension, unit)}"
            raise Wrong(given, f"{what + ', ' if what else ''}{bounds}", "tape it again; check the unit")
        return Quantity(given, value)

    return read


def tidy(text: str, unit: str) -> str:
    """A quantity as the file takes it: fractions as decimals, feet and inches as inches, a unit where there is none."""
    text = " ".join(text.replace("”", '"').replace("’", "'").split())
    feet = _FEET.match(text)
    if feet:
        return f"{trimmed(float(feet[1]) * 12 + _number(feet[2]), 4)} in"
    if text.endswith('"'):
        text = text[:-1] + " in"
    mixed = _MIXED.match(text)
    if mixed:
        rest = (mixed[4] if mixed[1] is not None else mixed[8]).strip()
        number = text[: len(text) - len(mixed[4] if mixed[1] is not None else mixed[8])]
        text = f"{trimmed(_number(number), 5)} {rest}".strip()
    return f"{text} {unit}" if re.fullmatch(r"[+-]?[\d.,_]+", text) else text


def _number(text: str) -> float:
    """A number that may have a fraction: 41 1/2."""
    sign = -1.0 if text.strip().startswith("-") else 1.0
    total = 0.0
    for part in text.replace("-", "").split():
        above, _, below = part.partition("/")
        total += float(above) / (float(below or 1) or 1.0)
    return sign * total


def _bound(value: float, dimension: Dimension, unit: str) -> str:
    size = parse(f"1 {unit}", dimension) - parse(f"0 {unit}", dimension)
    zero = parse(f"0 {unit}", dimension)
    return f"{(value - zero) / size:.4g} {unit}"


@dataclass(frozen=True, slots=True)
class Sizes:
    """Readers of quantities in the household's units."""

    measure: Measure

    def length(self, low_m: float, high_m: float, what: str = "", *, none: bool = False) -> Callable[[str], Quantity]:
        """A length between two bounds, m."""
        return quantity("length", self.measure.length_unit, low_m, high_m, what=what, none=none)

    def volume(self, low_m3: float, high_m3: float, what: str = "", *, none: bool = False) -> Callable[[str], Quantity]:
        """A volume between two bounds, m3."""
        return quantity("volume", self.measure.volume_unit, low_m3, high_m3, what=what, none=none)

    def area(self, low_m2: float, high_m2: float, what: str = "", *, none: bool = False) -> Callable[[str], Quantity]:
        """An area between two bounds, m2."""
        return quantity("area", "ft2" if self.measure.system == "US" else "m2", low_m2, high_m2, what=what, none=none)
