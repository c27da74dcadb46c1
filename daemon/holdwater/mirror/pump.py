"""From points to requests: batches, what was taken, what the server does not take, how fast."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

from holdwater.mirror.look import Entry
from holdwater.mirror.marks import Marks, Moved, Refusal
from holdwater.mirror.outcome import Accepted, Later, Outcome, Rejected

MOST_UNTAKEN = 20
"""Refusals without one line taken: then it is not the lines, and none of them is given up."""

NO_NUMBER = "no ordinary number"
Untaken = tuple[Sequence[Entry], str]


class Stopped(Exception):  # noqa: N818 -- an outcome, not a fault
    """No more can be sent for now; `why` says it."""

    def __init__(self, why: Later) -> None:
        self.why = why
        super().__init__(why.words)


class Pump:
    """Sends entries in batches and moves their marks once they are taken. One for each turn.

    Args:
        marks: moved on only after the server took what they stand for.
        write: one request.
        pause: waits so many seconds; called between requests to keep the rate.
        batch: most lines in one request.
        rate: most lines a second.
    """

    def __init__(
        self, marks: Marks, write: Callable[[bytes], Outcome], pause: Callable[[float], object], batch: int, rate: int
    ) -> None:
        self._marks = marks
        self._write = write
        self._pause = pause
        self.batch = batch
        self._rate = rate
        self._waiting: list[Entry] = []
        self._untaken: list[Untaken] = []
        self._took: set[bytes] = set()
        self.sent = 0
        self.refused = 0

    def add(self, entries: Iterable[Entry]) -> None:
        """Take entries; a full batch is sent at once.

        Raises:
            Stopped: the server takes nothing for now.
        """
        for entry in entries:
            self._waiting.append(entry)
            if len(self._waiting) >= self.batch:
                self.flush()

    def flush(self) -> None:
        """Send what is left.

        Raises:
            Stopped: the server takes nothing for now.
        """
        batch, self._waiting = self._waiting, []
        if batch:
            self._post(batch)
            self._pause(len(batch) / self._rate)

    def end(self) -> None:
        """Send what is left, at the end of a turn.

        Raises:
            Stopped: the server takes nothing for now, or refused all that it was sent.
        """
        self.flush()
        if self._untaken:
            raise Stopped(self._nothing())

    def _nothing(self) -> Later:
        return Later(f"it takes none of what it was sent: {self._untaken[-1][1]}", mend=True)

    def _post(self, entries: Sequence[Entry]) -> None:
        lines = [entry.line for entry in entries if entry.line is not None]
        outcome = self._write(b"\n".join(lines)) if lines else Accepted()
        if isinstance(outcome, Later):
            raise Stopped(outcome)
        if isinstance(outcome, Accepted):
            self._taken(entries, bool(lines))
        elif len(lines) == 1 or (isinstance(outcome, Rejected) and outcome.dropped == len(lines)):
            self._refuse(entries, outcome.words)
        else:
            size = len(entries) // 2
            if not isinstance(outcome, Rejected):
                size = self.batch = max(1, min(self.batch, size))  # too large: the next ones are smaller from the start
            for at in range(0, len(entries), size):
                self._post(entries[at : at + size])  # what was stored of it already is stored again: the same point

    def _taken(self, entries: Sequence[Entry], by_server: bool) -> None:
        if by_server:
            self._took |= {_kind(entry) for entry in entries}
            untaken, self._untaken = self._untaken, []
            for before, words in untaken:
                self._refuse(before, words)
        without = [entry for entry in entries if entry.line is None]
        self._marks.advance(_joined(entries), _refusals(without, NO_NUMBER))
        self.sent += len(entries) - len(without)
        self.refused += len(without)

    def _refuse(self, entries: Sequence[Entry], words: str) -> None:
        """Lines that the server does not take are given up only if it takes others of their kind: else it is not the lines."""
        if self._took.issuperset(_kind(entry) for entry in entries if entry.line is not None):
            self._give_up(entries, words)
            return
        self._untaken.append((entries, words))
        if len(self._untaken) >= MOST_UNTAKEN or sum(len(each) for each, _ in self._untaken) > 2 * self.batch:
            raise Stopped(self._nothing())

    def _give_up(self, entries: Sequence[Entry], words: str) -> None:
        self._marks.advance(_joined(entries), _refusals(entries, words))
        self.refused += len(entries)


def _kind(entry: Entry) -> bytes:
    """The measurement of an entry."""
    return (entry.line or b"").partition(b",")[0]


def _joined(entries: Iterable[Entry]) -> list[Moved]:
    """One move for each mark: from what it was before the first to what it is after the last."""
    found: dict[tuple[int, int], Moved] = {}
    for entry in entries:
        hour, series, before, after = entry.moved
        first = found.get((hour, series))
        found[hour, series] = Moved(hour, series, before if first is None else first.before, after)
    return list(found.values())


def _refusals(entries: Iterable[Entry], words: str) -> list[Refusal]:
    found: dict[int, Refusal] = {}
    for entry in entries:
        series, line = entry.moved.series, (entry.line or b"").decode()
        first = found.get(series)
        since, n = (entry.ts_ms, 0) if first is None else (first.from_ms, first.n)
        found[series] = Refusal(series, since, entry.ts_ms, n + 1, words, line)
    return list(found.values())
