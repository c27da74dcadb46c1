"""Numbers as whole numbers: value × 10^digits packs into 2 to 4 bytes where a float takes 8.

A number comes back to the last bit, or it is stored as it is with the flag `UNSCALED`.
"""

from __future__ import annotations

UNSCALED = 1
"""Flag of a reading whose value is stored as received, not times 10^digits."""

DIGITS = {"m": 4, "Pa": 1, "Cel": 2, "V": 3, "A": 6, "%RH": 1, "/": 4, "count": 0, "s": 6}
OTHERWISE = 3
_LARGEST = float(2**47)


def digits_for(unit: str) -> int:
    """Decimals of a series by its unit: what sensors of that quantity send. Never by the first value, or order of arrival would show."""
    return DIGITS.get(unit, OTHERWISE)


def pack(value: float, digits: int) -> tuple[float, int]:
    """The number to store and its flag."""
    whole = _whole(value, digits)
    return (value, UNSCALED) if whole is None else (float(whole), 0)


def unpack(stored: float, digits: int, flag: int) -> float:
    """The number as it was received."""
    return stored if flag & UNSCALED else stored / 10**digits


def _whole(value: float, digits: int) -> int | None:
    power = 10**digits
    scaled = value * power
    if not -_LARGEST < scaled < _LARGEST:
        return None
    whole = round(scaled)
    return whole if whole / power == value else None
