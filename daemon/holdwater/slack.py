"""Work for quiet moments, in slices: roll-ups, what the days teach of the use, a new generation of levels, retention.

Nothing waits for it, and it keeps nothing waiting: a slice is some tens of milliseconds, and a loop that has something else to do
does not ask for one.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import date
from typing import TYPE_CHECKING

from holdwater.store.reader import Reader
from holdwater.store.rows import HOUR_MS
from holdwater.store.upkeep import Ballast, prune

if TYPE_CHECKING:
    from holdwater.books import Learned, Saved
    from holdwater.clock import Clock
    from holdwater.reception import Reception
    from holdwater.rollup import RollUp
    from holdwater.store.writer import Store

SLICE_HOURS = 2
"""Hours rolled up in one slice: about 10 ms each with eight series a minute."""

NOW_HOUR_S = 900.0
"""How often the running hour is rolled up for the graphs; the figures of the moment come from the snapshot. It measures three hours of
readings each time: every five minutes, it was 40 % of what the loop costs at true load."""


class Slack:
    """The work that is left to do on one store.

    Args:
        store: the store, owned by the loop.
        rollup: makes hours, days and levels of its readings.
        learned: what is known of the use of each tank.
        reception: knows the newest reading and which hours changed.
        clock: the loop's.
        keep_raw_ms: how long raw readings are kept, ms.
        noted_ms: time of the newest level that a person wrote down.
        keep: takes what was learned into the next commit.
    """

    def __init__(
        self, store: Store, rollup: RollUp, learned: Learned, reception: Reception, clock: Clock, *, keep_raw_ms: int,
        noted_ms: Callable[[], int], keep: Callable[[Iterable[Saved]], None],
    ) -> None:  # fmt: skip
        self.ballast = Ballast(store.folder)
        self._store = store
        self._rollup = rollup
        self._learned = learned
        self._reception = reception
        self._clock = clock
        self._keep_raw_ms = keep_raw_ms
        self._noted_ms = noted_ms
        self._keep = keep
        self._oldest_ms: int | None = None
        self._now_hour_s = -1e9

    def step(self) -> bool:
        """Do one slice; True when there may be more. Called when nothing else is due."""
        dirty = self._rollup.dirty(self._newest(), SLICE_HOURS)
        if dirty:
            self._roll(dirty)
            return True
        now_s = self._clock.mono_s()
        if now_s - self._now_hour_s >= NOW_HOUR_S:
            self._now_hour_s = now_s
            self._rollup.rebuild(self._rollup.dirty(self._newest() + HOUR_MS, SLICE_HOURS), keep_marks=True)
            self.ballast.make()
            return self._learn_day()
        return self._rollup.generation_step(SLICE_HOURS) or self._prune()

    def settle(self, *, hours: int = 24) -> None:
        """Roll up everything that is dirty, the running hour too, and let go of what is too old."""
        while dirty := self._rollup.dirty(self._newest() + HOUR_MS, hours):
            self._roll(dirty)
        while self._rollup.generation_step(hours):
            pass
        while self._prune():
            pass

    def roll_up_to(self, before_ms: int, *, hours: int) -> None:
        """Roll up whole chunks of dirty hours that ended by `before_ms`."""
        while len(dirty := self._rollup.dirty(before_ms, hours)) == hours:
            self._roll(dirty)

    def learn(self) -> None:
        """Learn all whole days that are due; for a replay, which has no quiet moments."""
        while (due := self._learned.due(self._reception.newest_ms, self._oldest())) is not None:
            self._learn(*due)

    def _newest(self) -> int:
        return max(self._reception.newest_ms, self._noted_ms())

    def _prune(self) -> bool:
        return prune(self._store.connection, self._reception.newest_ms - self._keep_raw_ms) > 0

    def _roll(self, dirty: list[tuple[int, list[int]]]) -> None:
        span = [each for each in dirty if each[0] < dirty[0][0] + 24 * HOUR_MS]
        self._rollup.rebuild(span)
        for hour, ids in span:
            for series in ids:
                self._reception.unmark(series, hour)

    def _learn_day(self) -> bool:
        """Learn one day of one tank; True when there was one."""
        due = self._learned.due(self._reception.newest_ms, self._oldest())
        if due is None:
            return False
        tank, first, _ = due
        self._learn(tank, first, first)
        self._now_hour_s = -1e9
        return True

    def _learn(self, tank: str, first: date, last: date) -> None:
        reader = Reader(self._store.connection, str(self._store.path))
        self._keep(self._learned.fold(reader, tank, first, last))

    def _oldest(self) -> int:
        if self._oldest_ms is None:
            self._oldest_ms = self._store.connection.execute("SELECT min(ts) FROM reading").fetchone()[0]
        return self._reception.newest_ms if self._oldest_ms is None else self._oldest_ms
