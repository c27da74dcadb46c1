"""Air readings from a table of text: columns `time` (RFC 3339 with offset), `air_c`, and if known `dew_c` or
`rh_pct`."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime
from math import isfinite, nan

from holdwater.errors import UsageError
from holdwater.freeze.air import Air
from holdwater.freeze.humidity import dew_point_c

TIME, AIR, DEW, RH = "time", "air_c", "dew_c", "rh_pct"
COLUMNS = (
    "columns time (RFC 3339 with offset, 2026-01-31T06:00:00-07:00), "
    "air_c (degC), and if known dew_c (degC) or rh_pct (0 to 100)"
)
MISSING = frozenset({"", "nan", "na", "n/a", "null", "none", "-"})
RANGES = {
    AIR: (-90.0, 60.0),
    DEW: (-100.0, 60.0),
    RH: (0.0, 110.0),
}  # the coldest and hottest air on record are -89.2 and 56.7 degC (WMO)


@dataclass(frozen=True, slots=True)
class Row:
    """A row with its place, for the words of an error."""

    line: int
    file: str
    cells: dict[str, str]

    def wrong(self, found: str, expected: str, do: str) -> UsageError:
        """The error that says what is wrong with this row."""
        return UsageError(found, expected=expected, where=f"{self.file}, line {self.line}", do=do)


def read_air(lines: Iterable[str], file: str) -> list[Air]:
    """The readings of a table, in the order of its rows.

    Args:
        lines: lines of comma-separated text, the first with the names of the columns.
        file: its name, for errors.

    Raises:
        UsageError: a column is missing, or a row cannot be read; says which row, what was found and what was expected.
    """
    return [reading for row in _rows(lines, file) for reading in _reading(row)]


def _rows(lines: Iterable[str], file: str) -> Iterator[Row]:
    reader = csv.reader(lines)
    try:
        head = next(reader, None)
        if head is None:
            raise UsageError(
                "the file is empty",
                expected=COLUMNS,
                where=file,
                do="give a file with a line of column names and rows of readings",
            )
        names = [name.strip().lstrip("\ufeff").lower() for name in head]
        _check(names, file)
        for cells in reader:
            if any(cell.strip() for cell in cells):
                yield Row(reader.line_num, file, {name: cell.strip() for name, cell in zip(names, cells, strict=False)})
    except csv.Error as error:
        raise UsageError(
            f"not comma-separated text: {error}",
            expected=COLUMNS,
            where=f"{file}, line {reader.line_num}",
            do="save it as CSV",
        ) from None


def _check(names: list[str], file: str) -> None:
    missing = [name for name in (TIME, AIR) if name not in names]
    double = sorted({name for name in names if name in (TIME, AIR, DEW, RH) and names.count(name) > 1})
    if missing:
        raise UsageError(
            f"no column {' and no column '.join(missing)}; the first line names {', '.join(names) or 'nothing'}",
            expected=COLUMNS,
            where=f"{file}, line 1",
            do="name the columns in the first line, separated by commas",
        )
    if double:
        raise UsageError(
            f"column {double[0]} twice", expected="each column once", where=f"{file}, line 1", do="take one of them out"
        )


def _reading(row: Row) -> list[Air]:
    """The reading of a row: one, or none when the air temperature is missing."""
    at_ms = _time(row)
    air_c = _number(row, AIR)
    dew_c = _number(row, DEW)
    rh = _number(row, RH) / 100
    if not isfinite(air_c):
        return []
    return [Air(at_ms, air_c, dew_c if isfinite(dew_c) else dew_point_c(air_c, rh))]


def _time(row: Row) -> int:
    text = row.cells.get(TIME, "")
    expected = "a time as RFC 3339 with its offset, 2026-01-31T06:00:00-07:00"
    try:
        at = datetime.fromisoformat(text.upper())
    except ValueError:
        raise row.wrong(f"time '{text}' cannot be read", expected, "write the time of each row so") from None
    if at.tzinfo is None:
        raise row.wrong(
            f"time '{text}' has no offset from UTC",
            expected,
            "add the offset of the clock that wrote it, -07:00, or Z for UTC",
        )
    return round(at.timestamp() * 1000)


def _number(row: Row, name: str) -> float:
    """The number in a column; not a number when it is missing."""
    text = row.cells.get(name, "")
    if text.lower() in MISSING:
        return nan
    low, high = RANGES[name]
    expected = f"a number from {low:g} to {high:g}, or nothing where it is missing"
    try:
        value = float(text)
    except ValueError:
        raise row.wrong(
            f"{name} '{text}' is not a number", expected, "write the bare number, with a decimal point"
        ) from None
    if not low <= value <= high:
        raise row.wrong(
            f"{name} {text} is out of range",
            expected,
            "leave the cell empty where the reading is missing, and check the unit",
        )
    return value
