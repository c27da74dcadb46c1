"""Rows of the reference tables, and how close a computed value must come to a printed one."""

from __future__ import annotations

import csv
from pathlib import Path

REFERENCE = Path(__file__).parent.parent / "reference"


def rows(name: str) -> list[dict[str, str]]:
    """All rows of a table; those marked unreproduced are no targets and left out."""
    with (REFERENCE / name).open(newline="") as file:
        return [row for row in csv.DictReader(file) if row["origin"] != "unreproduced"]


def half_place(printed: str) -> float:
    """Half a unit in the last printed place, and a hair for rounding."""
    decimals = len(printed.split(".")[1]) if "." in printed else 0
    return 0.5001 * 10.0**-decimals


def celsius(f: float) -> float:
    """Fahrenheit as Celsius."""
    return (f - 32) * 5 / 9
