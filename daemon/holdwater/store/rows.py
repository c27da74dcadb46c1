"""What the store's reader gives out. Times in ms UTC, values in SI, `worst` a code of `holdwater_sensors.quality`."""

from __future__ import annotations

from dataclasses import dataclass

HOUR_MS = 3_600_000
DAY_MS = 86_400_000


@dataclass(frozen=True, slots=True)
class ReadingRow:
    """One raw reading, as received but in SI."""

    ts_ms: int
    value: float
    flag: int


@dataclass(frozen=True, slots=True)
class RollRow:
    """One hour or local day of a series, in SI."""

    start_ms: int
    lo: float
    mean: float
    hi: float
    n: int
    worst: int


@dataclass(frozen=True, slots=True)
class LevelRow:
    """One hour, local day or reading of a tank; depth and on hand are None where nothing could be trusted."""

    start_ms: int
    depth_m: float | None
    on_hand_m3: float | None
    u_noise_m3: float
    u_scale_m3: float
    worst: int


@dataclass(frozen=True, slots=True)
class NoteRow:
    """What the household wrote: `kind` is load, dip, drained, …; `body` holds its figures in SI."""

    id: int
    uid: str
    at_ms: int
    made_ms: int
    kind: str
    body: dict[str, object]


@dataclass(frozen=True, slots=True)
class NoticeStepRow:
    """One step in the life of a notice, with the words as they were told."""

    notice: int
    n: int
    kind: str
    subject: str
    severity: str
    at_ms: int
    state: str
    short: str
    long: str


@dataclass(frozen=True, slots=True)
class NoticeLife:
    """A notice from its raising on: its steps in order, when it was seen, and what became of it on each channel.

    `told` holds (channel, state): sent, waiting or refused; the worst of its messages counts, waiting before refused before sent.
    """

    id: int
    kind: str
    subject: str
    state: str
    since_ms: int
    seen_ms: int | None
    steps: tuple[NoticeStepRow, ...]
    told: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class ForecastRow:
    """One word as it was told, or what came of it: `kind` and `subject` say of what, `body` is its JSON."""

    kind: str
    subject: str
    issued_ms: int
    target_ms: int
    body: str
