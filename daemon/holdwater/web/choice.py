"""What the reader chose: units and light by cookie, range, last day and tanks by address. The unknown is refused or ignored."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from typing import cast
from urllib.parse import urlencode, urlsplit

from starlette.requests import Request

from holdwater.errors import UsageError
from holdwater.units import Measure, System

UNITS = ("US", "metric")
LIGHTS = ("day", "night", "device")
RANGES = ((7, "week"), (30, "month"), (120, "season"), (365, "year"))
DAYS_DEFAULT = 120
DAYS_MOST = 3660
YEARS = (1990, 2200)
PATHS = ("/", "/season", "/season/table", "/notices", "/note", "/tonight")


@dataclass(frozen=True, slots=True)
class Span:
    """Range and tanks of a season; `to` is its last local day, None for today."""

    days: int
    tanks: tuple[str, ...]
    one: str
    to: date | None = None

    def query(self, days: int | None = None, tank: str | None = None, to: date | None = None) -> str:
        """The same as an address, with another range, tank or last day."""
        pairs = {"days": str(days or self.days)}
        name = self.one if tank is None else tank
        last = to or self.to
        if name:
            pairs["tank"] = name
        if last is not None:
            pairs["to"] = last.isoformat()
        return urlencode(pairs)

    def beside(self, last: date, today: date) -> tuple[tuple[str, date], ...]:
        """The spans before and after one that ends on a day, as (word, last day); none after today."""
        before, after = last - timedelta(days=self.days), min(last + timedelta(days=self.days), today)
        return (("earlier", before), *((("later", after),) if last < today else ()))


def measure_of(request: Request, default: Measure) -> Measure:
    """The units this reader chose, else the site's."""
    chosen = request.cookies.get("units")
    return Measure(cast("System", chosen)) if chosen in UNITS else default


def light_of(request: Request) -> str:
    """day, night or device."""
    chosen = request.cookies.get("light", "device")
    return chosen if chosen in LIGHTS else "device"


def span_of(query: Mapping[str, str], names: tuple[str, ...]) -> Span:
    """Range and tanks out of an address.

    Raises:
        UsageError: days is no whole number in range, or there is no such tank.
    """
    text = query.get("days", str(DAYS_DEFAULT))
    if not (text.isascii() and text.isdigit() and len(text) <= 4 and 1 <= int(text) <= DAYS_MOST):
        raise UsageError(
            f"days is {text[:40]!r}",
            expected=f"a whole number from 1 to {DAYS_MOST}",
            do="choose one of the ranges above the picture",
        )
    one = query.get("tank", "")
    if one and one not in names:
        raise UsageError(
            f"no tank is called {one[:40]!r}",
            expected=f"one of {', '.join(names)}",
            do="choose one of the tanks above the picture",
        )
    return Span(int(text), (one,) if one else names, one, _last_day(query.get("to", "")))


def _last_day(text: str) -> date | None:
    if not text:
        return None
    try:
        day = date.fromisoformat(text if len(text) == len("2026-10-28") else "")
    except ValueError:
        day = date.min
    if not YEARS[0] <= day.year <= YEARS[1]:
        raise UsageError(
            f"to is {text[:40]!r}",
            expected=f"a day like 2026-10-28, {YEARS[0]} to {YEARS[1]}",
            do="choose earlier or later above the picture",
        )
    return day


def way_back(text: str) -> str:
    """Where a switch leads back to: only to pages of our own."""
    parts = urlsplit(text if text.isprintable() and "\\" not in text else "")
    if parts.scheme or parts.netloc or parts.path not in PATHS:
        return "/"
    return parts.path + (f"?{parts.query}" if parts.query else "")
