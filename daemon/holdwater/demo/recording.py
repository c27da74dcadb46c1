"""The season as a recording: JSON Lines that `holdwater replay` reads, every ten minutes, the last three days each
minute.

What people wrote down in that time stands in it as notes. The same seed gives the same bytes. As a program it writes the
recording to its standard output: `python -m holdwater.demo.recording > season.jsonl`.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path

from holdwater.demo.boxes import Box, boxes
from holdwater.demo.files import node_core
from holdwater.demo.times import Stand
from holdwater.demo.water import END_MS, SEED, Season, Truth
from holdwater.demo.weather import FIRST_DAY, MINUTE_MS, midnight_ms

EVERY_MINUTES = 10
DAY_MS = 86_400_000
MINUTELY_FROM_MS = END_MS - 3 * DAY_MS
# The garden box measures each minute while its level falls fast: the valve that was left open.
FAST_MS = tuple(midnight_ms(date(2026, 7, 22)) + minute * MINUTE_MS for minute in (18 * 60 + 36, 19 * 60 + 10))
UNDER_WAY_MS = 1500  # from measuring to the daemon
FIRST_RUN = {"drinking": 1_181_190_331, "garden": 402_653_189, "cabin": 1_767_263_190}


@dataclass(slots=True)
class Line:
    """One line of the recording and when it is."""

    at_ms: int
    text: str


def _at(day: date, hour: float) -> int:
    return midnight_ms(day) + round(hour * 60) * MINUTE_MS


NOTES: tuple[tuple[date, float, dict[str, str]], ...] = (
    (date(2026, 7, 22), 19.05, {"kind": "other", "tank": "garden", "text": "Valve was left open. Shut 6:59pm."}),
    (date(2026, 8, 12), 8.0, {"kind": "other", "tank": "cabin", "text": "Wet ground: the drain fitting drips."}),
    (date(2026, 8, 12), 20.1, {"kind": "mended", "tank": "cabin", "text": "New washer in the drain fitting."}),
    (date(2026, 8, 28), 9.5, {"kind": "screen cleaned", "tank": "garden", "text": "Packed with leaves."}),
    (date(2026, 10, 10), 9.75, {"kind": "load", "tank": "drinking", "volume": "125 gal"}),
    (
        date(2026, 10, 13),
        17.0,
        {"kind": "drained", "exposure": "garden-spigot", "text": "And its hose; the well line too."},
    ),
    (date(2026, 10, 14), 16.5, {"kind": "drained", "exposure": "cabin-spigot"}),
    (date(2026, 10, 20), 10.0, {"kind": "opened", "text": "Well line, for the fill on Wednesday."}),
)
"""What the household wrote down: day, hour, note."""


def notes() -> list[tuple[int, dict[str, str]]]:
    """The notes of the season by time."""
    return [(_at(day, hour), body) for day, hour, body in NOTES]


class Sender:
    """Numbers the packs of one box, as its node would; a silence ends a run."""

    def __init__(self, box: Box) -> None:
        self.box = box
        self.run = FIRST_RUN[box.name]
        self.seq = 0
        self._pack = node_core().pack
        self._entry = node_core().ring.Entry

    def line(self, truth: Truth) -> Line | None:
        """The recorded message of one sample; None while the box is silent."""
        readings = self.box.readings(truth)
        if readings is None:
            if self.seq:
                self.run, self.seq = self.run + 1, 0
            return None
        self.seq += 1
        at_ms = truth.at_ms + self.box.phase_s * 1000
        entry = self._entry(0, self.run, self.seq, 0, at_ms, self._pack.body(readings))
        base_ms = at_ms if self.box.clock else -UNDER_WAY_MS
        payload = self._pack.senml(self.box.name, base_ms, entry, max(1, self.seq - 1)).decode()
        topic = f"water/node/{self.box.name}/readings"
        body = {"at": at_text(at_ms + UNDER_WAY_MS), "topic": topic, "payload": payload}
        return Line(at_ms + UNDER_WAY_MS, json.dumps(body, separators=(",", ":")))


def at_text(at_ms: int) -> str:
    """RFC 3339 in UTC with milliseconds."""
    return f"{datetime.fromtimestamp(at_ms // 1000, UTC):%Y-%m-%dT%H:%M:%S}.{at_ms % 1000:03d}Z"


def due(box: Box, at_ms: int) -> bool:
    """Whether a box measures at that minute."""
    if at_ms >= MINUTELY_FROM_MS or (box.name == "garden" and FAST_MS[0] <= at_ms < FAST_MS[1]):
        return True
    return at_ms // MINUTE_MS % EVERY_MINUTES == 0


def expected_lines() -> int:
    """About how many lines the recording has, for a progress bar."""
    minutes = (END_MS - midnight_ms(FIRST_DAY)) // MINUTE_MS
    last = 3 * 1440
    return 3 * ((minutes - last) // EVERY_MINUTES + last)


def lines(
    seed: int = SEED, season: Season | None = None, ended: Callable[[Truth], None] | None = None
) -> Iterator[Line]:
    """The recording, line by line, in order of time.

    Args:
        seed: of the season.
        season: a season already made, to save its second of planning.
        ended: called with the truth at the end of the recording, from which the live part goes on.
    """
    senders = [Sender(each) for each in boxes(seed)]
    waiting = notes()
    for truth in (season or Season(seed)).minutes():
        while waiting and waiting[0][0] <= truth.at_ms:
            at_ms, body = waiting.pop(0)
            yield Line(at_ms, json.dumps({"at": at_text(at_ms), "event": "note", **body}, separators=(",", ":")))
        if truth.at_ms >= END_MS:
            if ended is not None:
                ended(truth)
            return
        for sender in senders:
            line = sender.line(truth) if due(sender.box, truth.at_ms) else None
            if line is not None:
                yield line


def main() -> None:
    """Write the recording to standard output; with --stand FILE, the truth at its end into a file."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--stand", type=Path, help="file for the true state at the end of the recording")
    given = parser.parse_args()

    def ended(truth: Truth) -> None:
        if given.stand is not None:
            Stand(END_MS, truth).write(given.stand)

    with contextlib.suppress(BrokenPipeError):
        for line in lines(ended=ended):
            sys.stdout.write(line.text + "\n")
        sys.stdout.flush()


if __name__ == "__main__":
    main()
