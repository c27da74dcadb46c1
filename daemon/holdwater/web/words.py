"""Times, ages and amounts as the household reads them. Pure."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

from holdwater.alerts.telling import DAYS, MONTHS
from holdwater.units import Measure, rounded

COVER = 2.0
"""Standard uncertainties behind a ±: right about 19 times in 20 for a normal distribution (JCGM 100:2008, 6.3.3)."""


def local(ms: int, zone: ZoneInfo) -> datetime:
    """An instant on the household's clock."""
    return datetime.fromtimestamp(ms / 1000, UTC).astimezone(zone)


def clock(ms: int, zone: ZoneInfo, measure: Measure) -> str:
    """Time of day: `2:10 am` or `02:10`."""
    at = local(ms, zone)
    if measure.system == "metric":
        return f"{at:%H:%M}"
    return f"{at.hour % 12 or 12}:{at:%M} {'am' if at.hour < 12 else 'pm'}"


def day(ms: int, zone: ZoneInfo) -> str:
    """A day with its weekday: `Wed 28 Oct`."""
    at = local(ms, zone)
    return f"{at:%a} {at.day} {at:%b}"


def moment(ms: int, zone: ZoneInfo, measure: Measure) -> str:
    """Day and time of day."""
    return f"{day(ms, zone)} {clock(ms, zone, measure)}"


def long_day(ms: int, zone: ZoneInfo) -> str:
    """`Wednesday 9 December`."""
    at = local(ms, zone)
    return f"{at:%A} {at.day} {at:%B}"


def age(ms: int, now_ms: int) -> str:
    """How long ago, no finer than needed: `just now`, `40 s ago`, `2 min ago`, `3 h ago`, `2 days ago`."""
    seconds = (now_ms - ms) / 1000
    if seconds < -60:
        return "stamped ahead of the clock"
    if seconds < 10:
        return "just now"
    for limit, size, unit in ((60, 10, "s"), (5400, 60, "min"), (129_600, 3600, "h")):
        if seconds < limit:
            count = int(seconds // size)
            return f"{count * 10 if unit == 's' else count} {unit} ago"
    return f"{round(seconds / 86400)} days ago"


def plus_minus(u_m3: float, measure: Measure) -> str:
    """The figure behind ±, from a standard uncertainty: never written as nothing."""
    value = measure.volume(COVER * u_m3)
    if value >= 10:
        return f"{value:.0f}"
    return f"{max(value, 0.1):.1f}" if value < 1 else f"{value:.0f}"


def amount(m3: float, u_m3: float, measure: Measure) -> str:
    """A volume without its unit, no finer than its doubt."""
    return rounded(measure.volume(m3), measure.volume(u_m3))


def change(now_m3: float, before_m3: float, u_noise_m3: float, measure: Measure) -> str:
    """What changed since yesterday. The scale part of the doubt cancels in a difference, the noise counts twice."""
    doubt = u_noise_m3 * 2**0.5
    moved = now_m3 - before_m3
    text = rounded(measure.volume(abs(moved)), measure.volume(doubt))
    if abs(moved) < COVER * doubt or float(text) == 0:
        return "about the same as yesterday"
    return f"{text} {measure.volume_unit} {'more than' if moved > 0 else 'used since'} yesterday"


YEAR_DAYS = 365
"""Beyond this the days are no promise: told as more than a year."""


def lasts(low: float | None, mid: float | None, high: float | None) -> str:
    """Days above reserve with their range; empty when not known."""
    if mid is None:
        return ""
    if mid <= 0:
        return "at or below its reserve"
    if mid > YEAR_DAYS:
        return "lasts more than a year" + (
            f" ({low:.0f} days at worst)" if low is not None and 1 <= low <= YEAR_DAYS else ""
        )
    if mid < 1:
        return "lasts less than a day" + (f" ({high:.0f} at best)" if high is not None and high >= 1 else "")
    head = f"lasts about {mid:.0f} {'day' if round(mid) == 1 else 'days'}"
    if low is None or high is None or _days(low) == _days(high):
        return head
    return f"{head} ({_days(low)} to {_days(high)})"


def haul_words(by: str, *, late: bool) -> str:
    """By which day to haul, from an ISO 8601 date: ``haul by Sat 3 Oct``; empty when there is none."""
    if not by:
        return ""
    at = date.fromisoformat(by)
    return (
        "haul now: the day to be safe is past"
        if late
        else f"haul by {DAYS[at.weekday()]} {at.day} {MONTHS[at.month - 1]}"
    )


def _days(days: float) -> str:
    if days > YEAR_DAYS:
        return "over a year"
    return f"{days:.0f}" if days >= 1 else "less than 1"


SHOUT = "ACT NOW "
"""How the short form of a message begins where nothing else can show its severity."""


def bare(short: str) -> str:
    """The short form of a notice without the severity before it: the page says that itself."""
    return short.removeprefix(SHOUT)


def first_sentence(text: str) -> str:
    """Up to the first full stop or question mark that ends a sentence."""
    return re.split(r"(?<=[.?])\s", text, maxsplit=1)[0]


def listed(names: list[str]) -> str:
    """`a`, `a and b`, `a, b and c`."""
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
