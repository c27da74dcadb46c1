"""Somebody tells the time, by the page or the command line: what is taken, and what is refused in words."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime, tzinfo
from typing import Any

from holdwater.clock import AGREE_MS, BUILD_MS, DAY_MS, Clock, Trusted
from holdwater.trust import ClockTrust

FAR_MS = 60 * DAY_MS
"""A time so far past the newest reading is asked for once more: one wrong year, and the record would seem to be old."""

SOURCES = ("owner", "phone")
LAST_MS = 4_102_444_800_000  # 2100-01-01T00:00:00Z


def take_time(trust: ClockTrust, clock: Clock, newest_ms: int, zone: tzinfo, body: Mapping[str, Any]) -> dict[str, Any]:
    """Take a told time, or refuse it.

    Args:
        trust: who judges the clock.
        clock: the service's clocks.
        newest_ms: time of the newest accepted reading, ms UTC; below 0 before the first.
        zone: time zone of the household, for the words.
        body: `source` (owner or phone), `wall_ms` (left out: the time shown is confirmed), `sure` to confirm a far time.

    Returns:
        ``{"ok": True, "clock": "trusted" or why not, "wall_ms": …}``, or ``{"error": …}``; with ``"ask": "sure"`` when
        the same again with `sure` would be taken.
    """
    source, wall_ms = body.get("source", "owner"), body.get("wall_ms")
    if source not in SOURCES:
        return {"error": f"the time comes from {source!r}; expected one of: {', '.join(SOURCES)}"}
    if wall_ms is not None:
        if isinstance(wall_ms, bool) or not isinstance(wall_ms, int):
            return {"error": f"the time told is {wall_ms!r}; expected whole milliseconds since 1970 (UTC)"}
        refusal = _refusal(trust, clock, newest_ms, zone, (wall_ms, bool(body.get("sure"))))
        if refusal:
            return refusal
    found = trust.tell(str(source), clock.wall_ms() if wall_ms is None else wall_ms)
    return {"ok": True, "clock": "trusted" if isinstance(found, Trusted) else found.reason, "wall_ms": clock.wall_ms()}


def _refusal(
    trust: ClockTrust, clock: Clock, newest_ms: int, zone: tzinfo, told: tuple[int, bool]
) -> dict[str, Any] | None:
    wall_ms, sure = told
    if not BUILD_MS <= wall_ms < LAST_MS:
        when = "before this program was made" if wall_ms < BUILD_MS else "in another century"
        return {"error": f"that would be {_day(wall_ms, zone)}, {when}; put the clock that says so right first"}
    now = trust.answer()
    if isinstance(now, Trusted) and abs(wall_ms - clock.wall_ms()) > AGREE_MS:
        return {
            "error": f"the clock is trusted already (by: {', '.join(now.sources)}), so a told time does not move it; if it is wrong, "
            'set the clock of this machine itself: sudo date -s "2026-10-10 16:20"'
        }
    if newest_ms >= 0 and wall_ms < newest_ms - DAY_MS:
        return {
            "error": f"that would be {_day(wall_ms, zone)}, but the newest reading is from {_day(newest_ms, zone)}; "
            "look at the date of the clock that says so"
        }
    if newest_ms >= 0 and wall_ms > newest_ms + FAR_MS and not sure:
        days = (wall_ms - newest_ms) // DAY_MS
        return {
            "error": f"that would be {_day(wall_ms, zone)}, {days} days after the newest reading of {_day(newest_ms, zone)}",
            "ask": "sure",
        }
    return None


def _day(ms: int, zone: tzinfo) -> str:
    try:
        at = datetime.fromtimestamp(ms / 1000, UTC).astimezone(zone)
    except (OverflowError, ValueError, OSError):
        return "a time that no calendar has"
    return f"{at:%a} {at.day} {at:%b} {at.year}"
