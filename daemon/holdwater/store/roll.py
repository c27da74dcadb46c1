"""Hourly and daily roll-ups: a pure function of the raw rows of their span, so any order of arrival ends in the same figures."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from holdwater.store.digits import unpack


@dataclass(frozen=True, slots=True)
class Roll:
    """Lowest, mean and highest value of a span in the unit received, how many, and a checksum of the raw rows."""

    lo: float
    mean: float
    hi: float
    n: int
    crc: int


def checksum(rows: Iterable[tuple[int, float, int]], crc: int = 0) -> int:
    """CRC-32 over (ts, stored value, flag), after `crc`: SQLite's own checks miss single flipped bits, this does not."""
    for ts, value, flag in rows:
        crc = zlib.crc32(struct.pack("<qdi", ts, value, flag), crc)
    return crc


def roll(rows: Sequence[tuple[int, float, int]], digits: int) -> Roll | None:
    """Roll up rows of one series in time order.

    Args:
        rows: (ts ms, stored value, flag).
        digits: decimals of the series.

    Returns:
        The roll-up, or None where there is no row.
    """
    if not rows:
        return None
    values = [unpack(value, digits, flag) for _, value, flag in rows]
    return Roll(min(values), sum(values) / len(values), max(values), len(values), checksum(rows))
