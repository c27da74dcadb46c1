"""The demo's clock: the season has its own dates, so the clock of the demo stands beside the machine's at a fixed distance."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from pathlib import Path

from holdwater.clock import SystemClock
from holdwater.demo.water import Truth


class DemoClock(SystemClock):
    """The machine's clock with the wall clock moved; monotonic time as it is.

    Args:
        offset_ms: demo time minus machine time.
    """

    def __init__(self, offset_ms: int) -> None:
        super().__init__()
        self.offset_ms = offset_ms

    def wall_ms(self) -> int:
        """Demo time, ms UTC."""
        return super().wall_ms() + self.offset_ms


@dataclass(frozen=True, slots=True)
class Stand:
    """Where the live part stands: kept beside the store, so that a later start goes on from there.

    Attributes:
        now_ms: demo time up to which it was played.
        truth: the truth at the last whole minute before it.
    """

    now_ms: int
    truth: Truth

    def write(self, path: Path) -> None:
        """Write it whole or not at all."""
        draft = path.with_suffix(".part")
        draft.write_text(json.dumps({"now_ms": self.now_ms, "truth": asdict(self.truth)}), encoding="utf-8")
        draft.replace(path)


def read_stand(path: Path) -> Stand | None:
    """The stand in a file; None when there is none or it is damaged."""
    try:
        body = json.loads(path.read_text(encoding="utf-8"))
        return Stand(int(body["now_ms"]), Truth(**body["truth"]))
    except (OSError, ValueError, TypeError, KeyError):
        return None
