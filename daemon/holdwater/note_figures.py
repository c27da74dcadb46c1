"""What a note says: when it was and its figures in SI, or why that cannot be. One rule for form, command and message. Pure.

A figure that cannot be is refused where a person can still mend it: once kept, it would spoil sums for a season.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from holdwater.alerts.notes import MOST_MS
from holdwater.errors import UsageError
from holdwater.units import Dimension, UnitError, parse

if TYPE_CHECKING:
    from holdwater.config.site import Site
    from holdwater.reception import Moment
    from holdwater.tanks.tank import Tank

QUANTITIES: dict[str, tuple[str, Dimension]] = {
    "volume": ("volume_m3", "volume"),
    "depth": ("depth_m", "length"),
    "for": ("for_s", "time"),
    "doubt": ("doubt_m", "length"),
}
"""Keys of a note that hold a quantity as text, the key it is stored under in SI, and its dimension."""

EXAMPLE = {
    ("volume", "US"): "125 gal",
    ("volume", "metric"): "475 L",
    ("depth", "US"): "38.5 in",
    ("depth", "metric"): "98 cm",
    ("for", "US"): "3 h",
    ("for", "metric"): "3 h",
    ("doubt", "US"): "0.5 in",
    ("doubt", "metric"): "1 cm",
}
"""How a figure is typed, by key and units."""

KEY_OF = {"volume_m3": "volume", "depth_m": "depth", "for_s": "for", "until_ms": "for", "doubt_m": "doubt"}
"""Figures that a note may also hold in SI, and the key whose rule they follow."""

ABOUT_THE_NOTE = ("kind", "at", "at_ms", "uid")
"""Keys that are columns of their own, not figures."""

MOST_TEXT = 500
DAY_MS = 86_400_000
EARLIEST_MS = 1_577_836_800_000
"""2020-01-01: no store of holdwater is older."""

LATEST_MS = 4_102_444_800_000
"""2100-01-01: the bound while the clock is not believed, which cannot say what is a day ahead of now."""

LONGEST_S = MOST_MS / 1000
"""Longest time that a note may hold; a household that is away for longer writes it again."""

QUIET_LONGEST_S = 7 * 86_400.0
ROUNDED = 1.05
"""A tank is called by a rounded size: 5 % above what was worked out is still the same tank."""

FILLS = 10.0
"""A well that runs while water is used, or a night of watering, may move more than a tank holds, but not this many times that."""

MOST_DOUBT_M = 0.3048
"""A dip that may be off by more than a foot says nothing."""

AT_ONCE = ("load", "moved")
"""Kinds whose volume goes into a tank, or out of it, at once."""


def when_ms(body: Mapping[str, Any], now: Moment) -> int:
    """When a note was: its `at_ms`, its `at` as RFC 3339 with offset, or now; ms UTC.

    Raises:
        UsageError: no time, before 2020, or more than a day ahead of a clock that is believed. A time near that of a clock
            which is itself wrong is taken: it is what the household writes now.
    """
    at_ms = told_ms(body, now)
    found = f"at_ms {at_ms}" if "at_ms" in body else f"at {body.get('at')!r}"
    latest_ms = now.wall_ms + DAY_MS if now.trusted else LATEST_MS
    if at_ms > latest_ms:
        ahead = f"at most a day ahead of now, {_text(now.wall_ms)}" if now.trusted else "a time before the year 2100"
        raise UsageError(found, expected=ahead, do="correct it, or leave it out for now")
    if at_ms < EARLIEST_MS and abs(at_ms - now.wall_ms) > DAY_MS:
        raise UsageError(found, expected="the year 2020 or later", do="correct it, or leave it out for now")
    return at_ms


def told_ms(body: Mapping[str, Any], now: Moment) -> int:
    """The time in a body: `at_ms`, `at` as RFC 3339 with its offset, or now; ms UTC. Says nothing on whether it can be.

    Raises:
        UsageError: what stands there is no time.
    """
    if "at_ms" in body:
        return whole(body, "at_ms")
    at = body.get("at")
    if at is None:
        return now.wall_ms
    like = "write it like 2026-10-10T16:20:00-06:00"
    try:
        moment = datetime.fromisoformat(str(at))
    except ValueError:
        raise UsageError(f"at {at!r}", expected="date, time and offset (RFC 3339)", do=like) from None
    if moment.tzinfo is None:
        raise UsageError(f"at {at!r} has no offset", expected="date, time and offset (RFC 3339)", do=like)
    return round(moment.timestamp() * 1000)


def whole(body: Mapping[str, Any], key: str) -> int:
    """A whole number of a body, also one written as text.

    Raises:
        UsageError: it is none.
    """
    value = body.get(key)
    if isinstance(value, str) and re.fullmatch(r"\d{1,15}", value):
        return int(value)
    if isinstance(value, bool) or not isinstance(value, int):
        raise UsageError(f"{key} {value!r} is no number", expected="a whole number", do=f"correct {key}")
    return value


@dataclass(frozen=True, slots=True)
class About:
    """What bounds the figures of one note: its kind, its tank if it names one, its time, and the site."""

    kind: str
    tank: Tank | None
    at_ms: int
    site: Site

    @classmethod
    def of(cls, body: Mapping[str, Any], at_ms: int, site: Site) -> About:
        """What bounds the figures of a body; a tank that the site does not have bounds none."""
        return cls(str(body.get("kind", "")), _tank(body, site), at_ms, site)

    def example(self, key: str) -> str:
        """How a figure is written right."""
        return f'write it like "{EXAMPLE[key, self.site.measure.system]}"'


def figures(body: Mapping[str, Any], at_ms: int, site: Site) -> dict[str, Any]:
    """A note's body in SI: quantities from text, the rest as short text or numbers.

    Args:
        body: as it came; its `kind` and `tank` are known ones.
        at_ms: when the note was, ms UTC.
        site: whose tanks bound volumes and depths.

    Raises:
        UsageError: a figure that cannot be read, or cannot be, with what was expected.
    """
    about = About.of(body, at_ms, site)
    kept = dict(figure(key, value, about) for key, value in body.items() if key not in ABOUT_THE_NOTE)
    if about.kind in ("link shut", "link open"):
        _link(kept.get("link"), about.tank)
    return kept


def figure(key: str, value: Any, about: About) -> tuple[str, Any]:
    """One figure of a note: the name it is kept under, and its value in SI.

    Raises:
        UsageError: it cannot be read, or cannot be.
    """
    if key in QUANTITIES:
        name, dimension = QUANTITIES[key]
        number = _parsed(key, value, dimension, about)
    elif key in KEY_OF:
        name, number = key, value
    else:
        return key[:32], _plain(key, value)
    if not _is_number(number):
        raise UsageError(
            f"{key} {value!r} is no ordinary number", expected="a number", do=f"correct {key}, or leave it out"
        )
    _RULES[KEY_OF[name]](number if name != "until_ms" else (number - about.at_ms) / 1000, f"{key} {value!r}", about)
    return name, number


def quiet_s(body: Mapping[str, Any]) -> float:
    """How long a notice is to be kept quiet: `for` as text, `for_s`, or an hour; 0 ends it; s.

    Raises:
        UsageError: no time, below zero, or longer than 7 days.
    """
    value = body.get("for", body.get("for_s", 3600.0))
    seconds: Any = value
    if "for" in body:
        try:
            seconds = parse(str(value), "time")
        except UnitError as error:
            raise UsageError(error.found, expected=error.expected, do=error.fix) from None
    if not _is_number(seconds) or not 0.0 <= seconds <= QUIET_LONGEST_S:
        raise UsageError(f"quiet for {value!r}", expected="from 0 to at most 7 days", do='write it like "8 h"')
    return float(seconds)


def _parsed(key: str, value: Any, dimension: Dimension, about: About) -> float:
    if not isinstance(value, str):
        raise UsageError(
            f"{key} {value!r} has no unit", expected=f"a {dimension} with its unit, as text", do=about.example(key)
        )
    try:
        return parse(value, dimension)
    except UnitError as error:
        raise UsageError(error.found, expected=f"a {dimension} with its unit", do=about.example(key)) from None


def _plain(key: str, value: Any) -> Any:
    """A value that is no quantity, as it is kept."""
    if isinstance(value, str):
        return value[:MOST_TEXT]
    if isinstance(value, float) and not math.isfinite(value):
        raise UsageError(
            f"{key} {value!r} is no ordinary number", expected="a number", do=f"correct {key}, or leave it out"
        )
    if value is None or isinstance(value, int | float):
        return value
    raise UsageError(f"{key} {str(value)[:40]}", expected="a text or a number", do=f"write {key} in words")


def _volume(m3: float, found: str, about: About) -> None:
    if m3 <= 0.0:
        raise UsageError(f"{found} is not more than nothing", expected="how much it was", do=about.example("volume"))
    holder = about.tank or max(about.site.tanks.values(), key=lambda each: each.capacity_m3, default=None)
    at_once = about.kind in AT_ONCE
    if holder is None or m3 <= holder.capacity_m3 * (ROUNDED if at_once else FILLS):
        return
    than = "this tank holds when full" if about.tank else "any tank holds"
    most = f"{about.site.measure.volume_text(holder.capacity_m3)}, what {holder.name} holds"
    times = "" if at_once else "ten times "
    raise UsageError(
        f"{found} is more than {times}{'' if at_once else 'what '}{than}",
        expected=f"at most {times}{most}",
        do="write how much water it was",
    )


def _depth(m: float, found: str, about: About) -> None:
    if m < 0.0:
        raise UsageError(f"{found} is below the floor", expected="0 or more", do="read the stick again")
    holder = about.tank or max(about.site.tanks.values(), key=lambda each: each.height_m, default=None)
    if holder is None or m <= holder.height_m * (1 + 1e-9):
        return
    most = about.site.measure.length_text(holder.height_m)
    raise UsageError(
        f"{found} is higher than {'this tank' if about.tank else 'any tank'}",
        expected=f"at most {most}, the height of {holder.name}",
        do="read the stick again",
    )


def _lasts(seconds: float, found: str, about: About) -> None:
    most = f"at most {LONGEST_S / 86_400:.0f} days"
    if seconds <= 0.0:
        raise UsageError(
            f"{found} is not more than nothing", expected=f"how long it holds, {most}", do=about.example("for")
        )
    if seconds > LONGEST_S:
        raise UsageError(
            f"{found} is longer than {most[8:]}, the longest that a note holds",
            expected=most,
            do="write it again when it is over",
        )


def _doubt(m: float, found: str, about: About) -> None:
    if not 0.0 < m <= MOST_DOUBT_M:
        most = about.site.measure.length_text(MOST_DOUBT_M)
        raise UsageError(
            f"{found} is no doubt of a dip", expected=f"above 0, at most {most}", do=about.example("doubt")
        )


_RULES: Mapping[str, Callable[[float, str, About], None]] = {
    "volume": _volume,
    "depth": _depth,
    "for": _lasts,
    "doubt": _doubt,
}


def _link(link: Any, tank: Tank | None) -> None:
    if tank is None:
        raise UsageError("a link without its tank", expected="the tank whose vessels it joins", do="name the tank")
    count = len(tank.links)
    if isinstance(link, int) and not isinstance(link, bool) and 0 <= link < count:
        return
    known = f"a number from 0 to {count - 1}, counted as in the config" if count > 1 else "0, its only link"
    expected = known if count else f"another tank: {tank.name} has no links"
    raise UsageError(f"link {link!r} of {tank.name}", expected=expected, do="correct the number, or the tank")


def _tank(body: Mapping[str, Any], site: Site) -> Tank | None:
    name = body.get("tank")
    return site.tanks.get(name) if isinstance(name, str) else None


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _text(at_ms: int) -> str:
    return datetime.fromtimestamp(at_ms / 1000, UTC).strftime("%Y-%m-%dT%H:%MZ")
