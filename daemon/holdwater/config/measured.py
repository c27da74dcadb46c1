"""Settings that may be written in more than one kind of unit, and moments from which a setting counts."""

from __future__ import annotations

from datetime import date, datetime, time, tzinfo
from typing import Annotated, Any, overload

from pydantic import BeforeValidator

from holdwater.config.model import problem
from holdwater.units import Dimension, UnitError, parse

Quantity = tuple[str, float]  # dimension, SI value
_KNOWN: tuple[Dimension, ...] = ("length", "pressure", "ratio", "mass", "volume")  # no unit name is in two of them


def either(*dimensions: Dimension) -> BeforeValidator:
    """Checks a quantity that may be of one of several dimensions; it stays as text, to be read by `read`."""
    words = " or ".join(dimensions)

    def check(value: Any) -> str:
        if not isinstance(value, str):
            raise problem(f"{value!r}", f"a {words} as text with its unit", 'write it in quotes, like "0.5 in"')
        errors = []
        for dimension in dimensions:
            try:
                parse(value, dimension)
            except UnitError as error:
                errors.append(error)
            else:
                return value
        raise problem(errors[0].found, f"a {words}", errors[0].fix)

    return BeforeValidator(check)


@overload
def read(text: str) -> Quantity: ...
@overload
def read(text: None) -> None: ...
def read(text: str | None) -> Quantity | None:
    """Dimension and SI value of a quantity whose unit tells its dimension.

    Raises:
        UnitError: a number without unit, or a unit of none of the dimensions that are read here.
    """
    if text is None:
        return None
    for dimension in _KNOWN[1:]:
        try:
            return dimension, parse(text, dimension)
        except UnitError:
            continue
    return _KNOWN[0], parse(text, _KNOWN[0])


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
Accuracy = Annotated[str, either("length", "pressure", "ratio", "mass")]
End = Annotated[str, either("pressure", "length")]
Ends = Annotated[list[End], BeforeValidator(_pair)]
Amount = Annotated[str, either("volume", "length")]
PressureOrRatio = Annotated[str, either("pressure", "ratio")]


def moment_ms(moment: datetime | date | None, zone: tzinfo) -> int | None:
    """A moment as ms UTC; a date alone is the midnight with which it begins in the zone."""
    if moment is None:
        return None
    if not isinstance(moment, datetime):
        moment = datetime.combine(moment, time(), zone)
    return round(moment.timestamp() * 1000)
