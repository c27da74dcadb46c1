"""The monthly test of each channel that reaches people: when one is due, and when it stayed unanswered. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING

from holdwater.alerts.kinds.undelivered import UNANSWERED
from holdwater.alerts.telling import local
from holdwater.store.rows import DAY_MS

if TYPE_CHECKING:
    from holdwater.config.site import Site
    from holdwater.reception import Moment
    from holdwater.snapshot import NoticeNow

MONTH_MS = 30 * DAY_MS
ANSWER_MS = 7 * DAY_MS
FROM_HOUR, TO_HOUR = 10, 18
"""A test wakes nobody."""

JOB = "test:"
Fact = tuple[str, str, bool, str]


class Drill:
    """The tests of a site's channels.

    Args:
        site: channels and time zone.
        marks: when each channel was tested last (ms, as text), by job.
    """

    def __init__(self, site: Site, marks: Mapping[str, str]) -> None:
        self._zone = site.timezone
        self._names = tuple(name for name, channel in site.channels.items() if channel.test == "monthly")
        self._last = {name: int(marks[JOB + name]) for name in self._names if marks.get(JOB + name, "").isdigit()}
        self._news: dict[str, str] = {}

    def marks(self) -> dict[str, str]:
        """What is to be kept in the store since it was asked last, by job."""
        news, self._news = self._news, {}
        return news

    def facts(self, now: Moment, active: Iterable[NoticeNow]) -> list[Fact]:
        """What the rules are told at a tick: (kind, subject, well, words).

        Args:
            now: both clocks; while the wall clock is not trusted no test begins.
            active: the notices that are on.
        """
        on = {notice.subject: notice for notice in active if notice.kind == "test"}
        found: list[Fact] = []
        for name, notice in on.items():
            answered = notice.seen or name not in self._names
            found.append(("test", name, answered, ""))
            if not answered and now.trusted and now.wall_ms - notice.since_ms >= ANSWER_MS:
                found.append(("undelivered", name, False, UNANSWERED))
            if name in self._names and notice.since_ms > self._last.get(name, 0):
                self._keep(name, notice.since_ms)
        if now.trusted:
            found += [
                ("test", name, False, "") for name in self._names if name not in on and self._due(name, now.wall_ms)
            ]
        return found

    def _due(self, name: str, now_ms: int) -> bool:
        last_ms = self._last.get(name)
        if last_ms is None or last_ms > now_ms + DAY_MS:  # never before, or by a clock that was wrong: a month from now
            self._keep(name, now_ms)
            return False
        return now_ms - last_ms >= MONTH_MS and FROM_HOUR <= local(now_ms, self._zone).hour < TO_HOUR

    def _keep(self, name: str, at_ms: int) -> None:
        self._last[name] = at_ms
        self._news[JOB + name] = str(at_ms)
