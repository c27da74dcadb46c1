"""Settings that may be written in more than one kind of unit, and moments from which a setting counts."""

from __future__ import annotations

from datetime import date, datetime, time, tzinfo
from typing import Annotated, Any

from pydantic import BeforeValidator

from holdwater.config.model import problem
from holdwater.units import Dimension, UnitError, parse

Quantity = tuple[str, float]  # dimension, SI value


def either(*dimensions: Dimension) -> BeforeValidator:
    """Reads a quantity that may be of one of several dimensions; keeps which."""

    words = " or ".join(dimensions)

    def read(value: Any) -> Quantity:
        if not isinstance(value, str):
            raise problem(f"{value!r}", f"a {words} as text with its unit", 'write it in quotes, like "0.5 in"')
        for dimension in dimensions[1:]:
            try:
                return dimension, parse(value, dimension)
            except UnitError:
                continue
        try:
            return dimensions[0], parse(value, dimensions[0])
        except UnitError as error:
            raise problem(error.found, f"a {words}", error.fix) from None

    return BeforeValidator(read)


def _moment(value: Any) -> datetime | date:
    if isinstance(value, datetime):
        found: datetime | date = value
    elif isinstance(value, date):
        return value
    else:
        try:
            text = str(value).strip()
            found = date.fromisoformat(text) if len(text) == 10 else datetime.fromisoformat(text)
        except ValueError:
            raise problem(
                f"'{value}'", "a date, or a date and time with offset", "write 2026-07-01T08:00:00-06:00"
            ) from None
    if isinstance(found, datetime) and found.tzinfo is None:
        raise problem(
            f"'{value}' has no offset from UTC", "a time such as 2026-07-01T08:00:00-06:00", "add Z or the offset"
        )
    return found


def _pair(value: Any) -> Any:
    return value if isinstance(value, list | tuple) else [value]


Moment = Annotated[datetime | date, BeforeValidator(_moment)]
Accuracy = Annotated[Quantity, either("length", "pressure", "ratio", "mass")]
End = Annotated[Quantity, either("pressure", "length")]
Ends = Annotated[list[End], BeforeValidator(_pair)]
Amount = Annotated[Quantity, either("volume", "length")]
PressureOrRatio = Annotated[Quantity, either("pressure", "ratio")]


def moment_ms(moment: datetime | date | None, zone: tzinfo) -> int | None:
    """A moment as ms UTC; a date alone is the midnight with which it begins in the zone."""
    if moment is None:
        return None
    if not isinstance(moment, datetime):
        moment = datetime.combine(moment, time(), zone)
    return round(moment.timestamp() * 1000)
