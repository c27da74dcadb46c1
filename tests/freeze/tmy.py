"""TMY3 files of PyPI pvlib as one hourly year from 1 July to 30 June, for the scores of the night minimum.

A typical year joins months of different years, so only month, day and hour count; hour 24:00 is the next midnight.
The year starts on 1 July, so that a whole winter is in one piece. TMY3 time is local standard time all year
(NREL/TP-581-43156, table 3-2).
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from datetime import datetime, timedelta, timezone
from pathlib import Path

import pvlib

DATA = Path(pvlib.__file__).parent / "data"
FIRST_YEAR = 2001  # 2001-07-01 to 2002-06-30 holds no 29 February, like a typical year


@dataclass(frozen=True, slots=True)
class Station:
    """A TMY3 file and where it stands."""

    file: str
    latitude: float
    longitude: float
    zone: str


GREENSBORO = Station("723170TYA.CSV", 36.100, -79.950, "America/New_York")
SAND_POINT = Station("703165TY.csv", 55.317, -160.517, "America/Anchorage")


def rows(station: Station) -> list[tuple[datetime, float, float]]:
    """Time, air temperature and dew point (degC) of each hour, 1 July 01:00 to 1 July 00:00 a year later."""
    with (DATA / station.file).open(newline="") as file:
        head = next(csv.reader(file))
        zone = timezone(timedelta(hours=float(head[3])))
        table = [
            (
                moment(row["Date (MM/DD/YYYY)"], row["Time (HH:MM)"], zone),
                float(row["Dry-bulb (C)"]),
                float(row["Dew-point (C)"]),
            )
            for row in csv.DictReader(file)
        ]
    return sorted(table)


def moment(date: str, clock: str, zone: timezone) -> datetime:
    """The time of a row in the year that runs from July to June."""
    month, day, _ = (int(part) for part in date.split("/"))
    start = datetime(FIRST_YEAR if month >= 7 else FIRST_YEAR + 1, month, day, tzinfo=zone)
    return start + timedelta(hours=int(clock.split(":", maxsplit=1)[0]))


def text(station: Station, *, humidity: bool = True) -> str:
    """The year as the CSV that `holdwater freeze score` reads."""
    lines = ["time,air_c,dew_c" if humidity else "time,air_c"]
    for at, air_c, dew_c in rows(station):
        lines.append(f"{at.isoformat()},{air_c},{dew_c}" if humidity else f"{at.isoformat()},{air_c}")
    return "\n".join(lines) + "\n"
