"""Sends the weekly sheet by mail to each channel that asks, with the picture of the season: at least once, never in a hurry."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Mapping
from queue import SimpleQueue
from typing import TYPE_CHECKING, Any

from holdwater.alerts.channels import private_file
from holdwater.alerts.channels.smtp import SmtpSender
from holdwater.alerts.outcome import Accepted, Outcome, Refused
from holdwater.config.channels import SmtpChannel
from holdwater.sheet import occasion, sheet_text, sheet_title
from holdwater.web.view import Scene

if TYPE_CHECKING:
    from holdwater.config.site import Site
    from holdwater.snapshot import Snapshot
    from holdwater.store.reader import Reader

log = logging.getLogger(__name__)

DEADLINE_S = 60.0
"""A picture of a season is some 100 kB: over a slow link it takes longer than a notice."""

AGAIN_S = 600.0
SEASON_DAYS = 120
JOB = "sheet:"


class SheetPost:
    """The sheets of a site that are due.

    Args:
        site: channels and when.
        looks: gives the latest snapshot and the wall clock, and opens the store for reading.
        marks: which sheet each channel got last, by job.
        keep: keeps such a mark in the store; called from the thread that sends.
    """

    def __init__(
        self,
        site: Site,
        looks: tuple[Callable[[], Snapshot], Callable[[], int], Callable[[], Reader]],
        marks: Mapping[str, str],
        keep: Callable[[str, str], object],
    ) -> None:
        self._site = site
        self._snapshot, self._now_ms, self._reader = looks
        self._marks = dict(marks)
        self._keep = keep
        self._senders = {
            name: SmtpSender.of(channel, private_file, DEADLINE_S)
            for name, channel in site.channels.items()
            if isinstance(channel, SmtpChannel) and channel.sheet
        }
        self._not_before_s: dict[str, float] = {}
        self._back: SimpleQueue[tuple[str, str, Outcome]] = SimpleQueue()
        self._busy = False

    def tick(self, mono_s: float) -> None:
        """Send what is due, in a thread of its own; returns at once. Nothing while the clock is not trusted."""
        while not self._back.empty():
            self._settle(self._back.get(), mono_s)
        if self._busy or not self._snapshot().clock_trusted:
            return
        mark, _ = occasion(self._site.sheet, self._site.timezone, self._now_ms())
        for name in self._senders:
            last = self._marks.get(JOB + name)
            if last is None:  # the first start: the next one is the first
                self._marks[JOB + name] = mark
                self._start(lambda job=JOB + name: self._keep(job, mark))  # type: ignore[misc]
            elif last != mark and mono_s >= self._not_before_s.get(name, -1e9):
                self._busy = True
                self._start(lambda name=name: self._back.put((name, mark, self._send(name, mark))))  # type: ignore[misc]
                return

    def _start(self, work: Callable[[], Any]) -> None:
        threading.Thread(target=work, name="sheet", daemon=True).start()

    def _send(self, name: str, mark: str) -> Outcome:
        try:
            outcome = self._senders[name].hand(self._letter(name, mark))
            if _is_settled(outcome):
                self._keep(JOB + name, mark)
        except Exception:
            log.exception("the weekly sheet could not be made")
            return Refused(False, "a fault in holdwater itself; see the log")
        return outcome

    def _letter(self, name: str, mark: str) -> Any:
        from holdwater.sheet_week import read_week  # noqa: PLC0415 -- once a week
        from holdwater.web.saved import saved_season  # noqa: PLC0415

        site, now_ms = self._site, self._now_ms()
        scene = Scene(site, self._snapshot(), site.measure, now_ms)
        with self._reader() as reader:
            text = sheet_text(scene, read_week(site, reader, now_ms))
            picture = saved_season(site, reader, site.measure, tuple(site.tanks), days=SEASON_DAYS, now_ms=now_ms)
        letter = self._senders[name].letter(f"{site.name}:{JOB}{name}:{mark}", sheet_title(scene), text)
        letter.add_attachment(picture.encode(), maintype="image", subtype="svg+xml", filename="season.svg")
        return letter

    def _settle(self, came: tuple[str, str, Outcome], mono_s: float) -> None:
        name, mark, outcome = came
        self._busy = False
        if _is_settled(outcome):
            self._marks[JOB + name] = mark
            self._not_before_s.pop(name, None)
        if isinstance(outcome, Accepted):
            log.info("the weekly sheet went out by %s", name)
            return
        if name not in self._not_before_s:  # said once
            log.warning("the weekly sheet does not get out by %s: %s", name, outcome.words)
        if not _is_settled(outcome):
            self._not_before_s[name] = mono_s + AGAIN_S


def _is_settled(outcome: Outcome) -> bool:
    """Taken, or refused for good: the same letter again would only plague those whose address is right."""
    return isinstance(outcome, Accepted) or (isinstance(outcome, Refused) and outcome.final)
