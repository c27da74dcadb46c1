"""What a second channel waits for: that nobody has marked a notice as seen for so long. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Protocol, TypeVar

from holdwater.alerts.facts import Moment


class Row(Protocol):
    """What is looked at of a row of the outbox."""

    @property
    def notice(self) -> int:
        """Number of its notice."""
        ...

    @property
    def due(self) -> int:
        """When it was put out, or is tried again, ms UTC."""
        ...

    @property
    def tries(self) -> int:
        """How often it was tried."""
        ...


R = TypeVar("R", bound=Row)


@dataclass(slots=True)
class Later:
    """Notices of one channel that wait for their time.

    Attributes:
        after_s: how long, s; 0 for a channel that is used at once.
        since_s: when each notice began to wait, monotonic, s.
        told: notices of which something went out; there are few, and a restart begins with those that are on.
    """

    after_s: float
    since_s: dict[int, float] = field(default_factory=dict)
    told: set[int] = field(default_factory=set)

    def may_go(self, rows: Iterable[R], now: Moment) -> tuple[R, ...]:
        """The rows whose time has come."""
        if not self.after_s:
            return tuple(rows)
        found = []
        for row in rows:
            if row.notice not in self.since_s:
                self.since_s[row.notice] = self._began(row, now)
            if row.notice in self.told or now.mono_s - self.since_s[row.notice] >= self.after_s:
                found.append(row)
        return tuple(found)

    def _began(self, row: Row, now: Moment) -> float:
        """When a row began to wait: now, or, out of the store, so long ago as a trusted clock says."""
        if row.tries:
            return now.mono_s - self.after_s
        waited_s = (now.wall_ms - row.due) / 1000 if now.clock_trusted else 0.0
        return now.mono_s - min(max(waited_s, 0.0), self.after_s)

    def next_s(self, rows: Iterable[Row], now: Moment) -> float:
        """Monotonic time at which the next of them may go; now when one may."""
        if not self.after_s:
            return now.mono_s
        waits = (self.since_s[row.notice] + self.after_s for row in rows if row.notice not in self.told)
        return max(now.mono_s, min(waits, default=now.mono_s))

    def went(self, notices: Iterable[int]) -> None:
        """Something of these notices went out."""
        if self.after_s:
            self.told.update(notices)

    def spare(self, notice: int, rows: Sequence[R]) -> tuple[R, ...]:
        """Rows that need not go: the notice was seen, or is over, before its time came.

        Whoever was told of a notice is told of its end; whoever was not is spared that too.
        """
        if not self.after_s or notice in self.told:
            return ()
        self.since_s.pop(notice, None)  # a worse stage later waits its whole time again
        return tuple(row for row in rows if row.notice == notice)
