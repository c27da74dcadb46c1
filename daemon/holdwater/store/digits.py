"""Numbers as whole numbers: value × 10^digits packs into 2 to 4 bytes where a float takes 8.

A number comes back to the last bit, or it is stored as it is with the flag `UNSCALED`.
"""

from __future__ import annotations

UNSCALED = 1
"""Flag of a reading whose value is stored as received, not times 10^digits."""

FEWEST = 3
MOST = 6
_LARGEST = float(2**47)


def digits_for(value: float) -> int:
    """Decimals to keep for a series whose first value this is: enough for it, at least three, at most six."""
    for digits in range(FEWEST, MOST):
        if _whole(value, digits) is not None:
            return digits
    return MOST


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
