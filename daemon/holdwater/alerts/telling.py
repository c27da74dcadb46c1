"""What a text is made of: figures in SI, in the household's units and words, at most 160 plain characters."""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from enum import StrEnum
from zoneinfo import ZoneInfo

from holdwater.alerts.matter import Severity
from holdwater.units import Measure

SHORT_MAX = 160  # one text message of the GSM 7-bit alphabet (3GPP TS 23.038)
DAY_MS = 86_400_000
HALF_HOUR_MS = 1_800_000
MOST_DAYS = 90  # nobody can tell days ahead beyond that


class Phase(StrEnum):
    """Which step in the life of a notice is told."""

    RAISE = "raise"
    RISE = "rise"  # it became worse
    REPEAT = "repeat"
    UPDATE = "update"  # it still holds, and there is something new to say about it
    CLEAR = "clear"


@dataclass(frozen=True, slots=True)
class Telling:
    """One step to put into words.

    Attributes:
        subject: tank, series or part, as in the config.
        phase: which step.
        severity: how soon to act.
        since_ms: when it began, reading time, ms UTC.
        at_ms: reading time of this step, ms UTC.
        numbers: figures, SI.
        words: reasons and names.
        measure: units of the household.
        zone: its time zone.
    """

    subject: str
    phase: Phase
    severity: Severity
    since_ms: int
    at_ms: int
    numbers: Mapping[str, float] = field(default_factory=dict)
    words: Mapping[str, str] = field(default_factory=dict)
    measure: Measure = field(default_factory=Measure)
    zone: ZoneInfo = field(default_factory=lambda: ZoneInfo("UTC"))

    @property
    def is_over(self) -> bool:
        """True when the matter is gone."""
        return self.phase is Phase.CLEAR

    @property
    def name(self) -> str:
        """The subject with a capital, short enough for any text: ``Drinking``."""
        text = cut(self.subject, 24)
        return text[:1].upper() + text[1:]

    def volume(self, key: str, doubt: str = "u_m3") -> str:
        """A volume no finer than its doubt: ``81 gal``; ``an unknown amount`` when it is not known."""
        value = self.numbers.get(key)
        return "an unknown amount" if value is None else self.measure.volume_text(value, self.numbers.get(doubt))

    def temperature(self, key: str) -> str:
        """A temperature in whole degrees: ``31F``; ``unknown`` when it is not known."""
        value = self.numbers.get(key)
        return "unknown" if value is None else self.measure.temperature_text(value)

    def when(self, ms: int | None = None) -> str:
        """A time as the household says it: ``2:10am`` on the same day, else ``Wed 2:10am``, else ``3 Oct 2:10am``."""
        return clock_text(self.since_ms if ms is None else ms, self.at_ms, self.zone, self.measure)

    def day(self, key: str) -> str:
        """The local day of an instant among the figures: ``Sat 3 Oct``; ``an unknown day`` when it is not known."""
        ms = self.numbers.get(key)
        return "an unknown day" if ms is None else day_text(int(ms), self.zone)

    @property
    def lasted(self) -> str:
        """How long it has lasted: ``6 min``, ``3 h``, ``2 days``."""
        return span_text((self.at_ms - self.since_ms) / 1000)


def local(ms: int, zone: ZoneInfo) -> datetime:
    """The household's local time of a moment."""
    return datetime.fromtimestamp(ms / 1000, UTC).astimezone(zone)


def clock_text(ms: int, now_ms: int, zone: ZoneInfo, measure: Measure) -> str:
    """A time of day, with the weekday or the date when it is another day."""
    then, now = local(ms, zone), local(now_ms, zone)
    if measure.system == "US":
        hour = f"{then.hour % 12 or 12}:{then.minute:02d}{'am' if then.hour < 12 else 'pm'}"
    else:
        hour = f"{then.hour}:{then.minute:02d}"
    if then.date() == now.date():
        return hour
    if 0 <= now_ms - ms < 6 * DAY_MS:
        return f"{DAYS[then.weekday()]} {hour}"
    return f"{then.day} {MONTHS[then.month - 1]} {hour}"


def hour_text(ms: int, zone: ZoneInfo, measure: Measure) -> str:
    """A time of day to the nearest hour: ``6am``, or ``6:00`` in metric units."""
    at = local(ms + HALF_HOUR_MS, zone)
    if measure.system != "US":
        return f"{at.hour}:00"
    return f"{at.hour % 12 or 12}{'am' if at.hour < 12 else 'pm'}"


def day_text(ms: int, zone: ZoneInfo) -> str:
    """A local day with its weekday: ``Sat 3 Oct``."""
    at = local(ms, zone)
    return f"{DAYS[at.weekday()]} {at.day} {MONTHS[at.month - 1]}"


# strftime's names follow the locale of the machine; the household's texts do not.
DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def span_text(seconds: float) -> str:
    """A length of time in one unit: ``40 s``, ``6 min``, ``3 h``, ``2 days``."""
    if seconds < 90:
        return f"{max(0, round(seconds))} s"
    if seconds < 5400:
        return f"{round(seconds / 60)} min"
    if seconds < 2 * 86400:
        return f"{round(seconds / 3600)} h"
    return f"{round(seconds / 86400)} days"


def days_text(*seconds: float) -> str:
    """Days as one says them: ``8 days``, ``1 day``, ``12 h``; of a low, middle and high figure ``5 days (4-7)``."""
    mid = seconds[len(seconds) // 2]
    if mid >= MOST_DAYS * 86400:
        return f"over {MOST_DAYS} days"
    days = round(mid / 86400)
    head = f"{round(mid / 3600)} h" if mid < 86400 else "1 day" if days == 1 else f"{days} days"
    low, high = (round(each / 86400) for each in (seconds[0], seconds[-1]))
    if len(seconds) < 3 or low == high or mid < 86400:
        return head
    return f"{head} ({low}-{high if high < MOST_DAYS else f'{MOST_DAYS}+'})"


def plain(text: str) -> str:
    """The text in printable ASCII: accents dropped, anything else a question mark, white space single."""
    flat = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode()
    words = " ".join("".join(each if each.isprintable() else " " for each in flat).split())
    return words or ("?" if text else "")


def cut(text: str, most: int) -> str:
    """The text in plain ASCII, at most so many characters, cut at a word where one is near."""
    text = plain(text)
    if len(text) <= most:
        return text
    head = text[: most - 2]
    space = head.rfind(" ")
    return f"{head[:space] if space > most * 2 // 3 else head}.."
