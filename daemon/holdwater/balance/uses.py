"""Falls and rises of one tank, found in noisy readings: each with start, end, volume and its doubt.

The level of a tank at rest is a plateau. Two one-sided cumulative sums (the tabular form of the NIST/SEMATECH
e-Handbook of Statistical Methods, 6.3.2.3) watch for readings that leave it, in units of the noise. The plateau
follows slow drift, so that drift is no use. A move ends where the readings have stood still again. The plateau before
is compared with the one after; scale errors cancel in that difference. One pass, small memory, the same answer
however the readings are batched.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable
from dataclasses import asdict, dataclass, field

from holdwater.balance.points import HOUR_MS, MINUTE_MS, Point

VERSION = 1
SLACK = 1.0  # cumulative sum: deviations below one noise are no evidence
LIMIT = 4.0  # one false start in about 15,000 readings and side (Siegmund's approximation); `LEAST` takes those away
CLIP = 2.6  # no single reading counts for more, so that three must agree: two stray echoes in a row make no use
SPIKE = 6.0  # a jump beyond this many noises waits for the next reading to confirm it
LEAST = 2.0  # a move must exceed this many noises of a single reading
SURE = 4.0  # and this many standard uncertainties of its own
SETTLE_MS = 15 * MINUTE_MS
CONFIRM_MS = 45 * MINUTE_MS
MERGE_MS = 20 * MINUTE_MS
GAP_MS = 30 * MINUTE_MS
FOLLOW_MS = 3 * HOUR_MS  # memory of a plateau: drift slower than this passes as drift
NOISE_MEMORY = 500
LEAST_NOISE_M3 = 1e-5
_GAUSS = math.sqrt(math.pi) / 2  # standard deviation over mean absolute difference of two independent normal readings


@dataclass(frozen=True, slots=True)
class Move:
    """Water that left (a fall) or came (a rise).

    Attributes:
        start_ms: last reading before the move.
        end_ms: first reading after it.
        m3: volume moved: negative for a fall, positive for a rise.
        u_m3: standard uncertainty of it (noise only; the scale part cancels in a difference).
        gap: it happened while nothing was heard, at an unknown time between start and end.
    """

    start_ms: int
    end_ms: int
    m3: float
    u_m3: float
    gap: bool = False

    @property
    def is_fall(self) -> bool:
        """Whether water left."""
        return self.m3 < 0

    @property
    def duration_s(self) -> float:
        """Time from the last reading before to the first after."""
        return (self.end_ms - self.start_ms) / 1000


@dataclass(frozen=True, slots=True)
class Ongoing:
    """A move that has not ended.

    Attributes:
        start_ms: last reading before it.
        last_ms: newest reading.
        until_ms: first reading that may already belong to the level after it; a duration up to here does not count the
            quarter of an hour in which an ended move proves that it has ended.
        m3: moved so far, negative for a fall.
        u_m3: standard uncertainty of it.
        rate_m3_s: recent rate of change, negative for a fall.
        before_m3: level before it.
        u_before_m3: standard uncertainty of that.
        noise_m3: noise of one reading.
    """

    start_ms: int
    last_ms: int
    until_ms: int
    m3: float
    u_m3: float
    rate_m3_s: float
    before_m3: float
    u_before_m3: float
    noise_m3: float


@dataclass(slots=True)
class _State:
    """All that is remembered between readings; plain numbers and lists, so that it can be stored."""

    last_ms: int = 0
    last_m3: float = 0.0
    heard: int = 0  # accepted readings
    step_ms: float = 0.0  # usual interval of the readings
    noise_m3: float = 0.0  # learned mean absolute difference
    u_m3: float = 0.0  # stated noise of the newest reading
    held: list[tuple[int, float]] = field(default_factory=list)  # jumped away, wait to be confirmed
    moving: bool = True
    sign: int = 0  # of the move: 0 while settling after the start or a gap
    gap: bool = False
    start_ms: int = 0
    before_m3: float | None = None
    before_n: float = 0.0
    window: list[tuple[int, float]] = field(default_factory=list)
    mean_m3: float = 0.0
    mean_n: float = 0.0
    since_ms: int = 0
    down: float = 0.0
    up: float = 0.0
    down_ms: int = 0  # first reading of the running sum
    up_ms: int = 0
    quiet_ms: int = 0  # newest reading folded into the plateau
    recent: list[tuple[int, float]] = field(default_factory=list)
    pending: tuple[int, int, float, float, bool] | None = None  # start, end, before, before_n, gap


class Segmenter:
    """Finds the moves of one tank, reading by reading."""

    def __init__(self) -> None:
        self._s = _State()
        self._summed: list[tuple[int, float]] = []  # the window that the running sums belong to
        self._sums: list[float] = []

    def feed(self, point: Point) -> list[Move]:
        """Take one reading; readings that are not ok, not newer or not finite are left out.

        Args:
            point: the reading, in time order.

        Returns:
            Moves that are now certain, oldest first; usually none.
        """
        s = self._s
        if not point.ok or not math.isfinite(point.on_hand_m3) or (s.heard and point.ts_ms <= self.newest_ms):
            return []
        s.u_m3 = point.u_noise_m3
        reading = (point.ts_ms, point.on_hand_m3)
        jumped = bool(s.heard) and abs(reading[1] - s.last_m3) > SPIKE * self._noise()
        while s.held and _jump(s, reading) / _jump(s, s.held[-1]) < 0.5:
            s.held.pop()  # a stray echo: the next reading does not stand by it
        if not s.held and not jumped:
            return self._accept(reading)
        s.held.append(reading)
        # A reading three times as far out as the one before it may itself be stray, and waits on.
        wild = len(s.held) > 1 and _jump(s, reading) / _jump(s, s.held[-2]) > 3.0
        agreed = s.held[:-1] if wild else s.held
        if len(agreed) < self._needed():
            return []
        s.held = s.held[len(agreed) :]
        return [move for each in agreed for move in self._accept(each)]

    def _needed(self) -> int:
        """Readings that must agree on a jump: three, as two echoes may stray; two while the level moves that way."""
        s = self._s
        return 2 if s.moving and (s.held[0][1] - s.last_m3) * s.sign > 0 else 3

    def close(self) -> list[Move]:
        """No more readings come: the moves still open, as far as they are known."""
        s = self._s
        out: list[Move] = []
        if s.moving:
            if s.window and s.before_m3 is not None:
                out = self._settle()
        else:
            self._fold_recent()
        return out + self._emit()

    def ongoing(self) -> Ongoing | None:
        """The move that goes on at the newest reading; None when the tank is at rest or still settling."""
        s = self._s
        if not s.moving or s.sign == 0 or s.before_m3 is None or not s.window:
            return None
        start_ms, before_m3, before_n = s.start_ms, s.before_m3, s.before_n
        if s.pending is not None and self._goes_on(before_m3 - s.pending[2], start_ms - s.pending[1]):
            start_ms, _, before_m3, before_n, _ = s.pending
        tail = s.window[-3:]
        if abs(s.last_m3 - _mean(tail)) > 2 * self._noise():  # so fast that a mean would lag behind
            tail = tail[-1:]
        level = _mean(tail)
        u_m3 = self._noise() * math.sqrt(1 / before_n + 1 / len(tail))
        first_ms, first_m3 = s.window[0] if len(s.window) > 1 else (s.start_ms, s.before_m3)
        rate_m3_s = (s.window[-1][1] - first_m3) / max((s.last_ms - first_ms) / 1000, 1.0)
        moved_m3, noise_m3 = level - before_m3, self._noise()
        u_before_m3 = noise_m3 / math.sqrt(before_n)
        until_ms = s.window[0][0]
        return Ongoing(start_ms, s.last_ms, until_ms, moved_m3, u_m3, rate_m3_s, before_m3, u_before_m3, noise_m3)

    @property
    def newest_ms(self) -> int:
        """Time of the newest reading taken, also one that waits to be confirmed."""
        return self._s.held[-1][0] if self._s.held else self._s.last_ms

    @property
    def settled_ms(self) -> int:
        """Moves that end before this time have all been told."""
        s = self._s
        if s.pending is not None:
            return s.pending[0]
        return s.start_ms if s.moving else s.quiet_ms

    def to_bytes(self) -> bytes:
        """The state as bytes, exact to the last bit."""
        return json.dumps([VERSION, asdict(self._s)], separators=(",", ":")).encode()

    @classmethod
    def from_bytes(cls, body: bytes) -> Segmenter:
        """The segmenter that `to_bytes` described.

        Raises:
            ValueError: another version; refold from raw readings.
        """
        version, fields = json.loads(body)
        if version != VERSION:
            raise ValueError(f"uses: stored state has version {version}, not {VERSION}; fold again from raw readings")
        for name in ("held", "window", "recent"):
            fields[name] = [(ts, value) for ts, value in fields[name]]
        fields["pending"] = None if fields["pending"] is None else tuple(fields["pending"])
        made = cls()
        made._s = _State(**fields)
        return made

    def _noise(self) -> float:
        """Noise of one reading: as stated or as learned, whichever is larger."""
        return max(self._s.u_m3, self._s.noise_m3 * _GAUSS, LEAST_NOISE_M3)

    def _accept(self, reading: tuple[int, float]) -> list[Move]:
        s = self._s
        ts_ms, value = reading
        out: list[Move] = []
        if s.heard:
            silent_ms = ts_ms - s.last_ms
            if s.step_ms and silent_ms > max(GAP_MS, 4 * s.step_ms):
                out = self._break_off()
            else:
                self._learn_noise(value - s.last_m3)
            # Also over a gap, so that a node which begins to report less often is not silent for ever.
            s.step_ms += 0.05 * (min(silent_ms, 2 * s.step_ms) - s.step_ms) if s.step_ms else silent_ms
        else:
            s.start_ms = ts_ms
        s.last_ms, s.last_m3 = ts_ms, value
        s.heard += 1
        return out + (self._move(reading) if s.moving else self._rest(reading))

    def _learn_noise(self, change_m3: float) -> None:
        """Learn the noise from the step to this reading; a real draw counts for three noises at most."""
        s = self._s
        size = min(abs(change_m3), 3 * self._noise())
        s.noise_m3 += (size - s.noise_m3) / min(s.heard, NOISE_MEMORY)

    def _break_off(self) -> list[Move]:
        """A gap begins behind the last reading: close what is open and compare again when readings have settled."""
        s = self._s
        out: list[Move] = []
        if s.moving:
            if s.before_m3 is not None:
                out = self._settle()
            else:  # the record began shortly before: its readings so far are what the next are compared with
                s.mean_m3, s.mean_n = _mean(s.window), float(len(s.window))
        else:
            self._fold_recent()
        out += self._emit()
        self._start(0, s.last_ms, [], gap=True)
        return out

    def _start(self, sign: int, start_ms: int, window: list[tuple[int, float]], *, gap: bool = False) -> None:
        s = self._s
        s.moving, s.sign, s.gap, s.start_ms, s.window = True, sign, gap, start_ms, window
        s.before_m3, s.before_n = (s.mean_m3, max(s.mean_n, 1.0)) if s.heard else (None, 0.0)
        s.recent = []

    def _move(self, reading: tuple[int, float]) -> list[Move]:
        """One reading while the level moves or settles."""
        s = self._s
        s.window.append(reading)
        n = len(s.window)
        if n < 3:
            return []
        half = n // 2
        shift = self._shift(half) / (self._noise() * math.sqrt(1 / half + 1 / (n - half)))
        if s.sign and shift * s.sign > 2.0:
            s.window = s.window[half:]
            return []
        if abs(shift) > SURE and n >= 4:  # the other way, or out of a level that had not settled yet
            return self._turn(s.window[:half], s.window[half:], 1 if shift > 0 else -1)
        if reading[0] - s.window[0][0] >= SETTLE_MS:
            return self._settle()
        return []

    def _shift(self, half: int) -> float:
        """Mean of the window's later part over that of its first `half`. By running sums: a node may send every second, and a window
        lasts a quarter of an hour."""
        window = self._s.window
        if self._summed is not window:
            self._summed, self._sums = window, []
        total = self._sums[-1] if self._sums else 0.0
        for _, value in window[len(self._sums) :]:
            total += value
            self._sums.append(total)
        early = self._sums[half - 1]
        return (total - early) / (len(window) - half) - early / half

    def _turn(self, early: list[tuple[int, float]], late: list[tuple[int, float]], sign: int) -> list[Move]:
        """The level turned: what moved so far ends, a move the other way begins."""
        s = self._s
        s.window = early
        out = self._settle() if s.before_m3 is not None else []
        if s.before_m3 is None:
            s.mean_m3, s.mean_n = _mean(early), float(len(early))
        out += self._emit()
        self._start(sign, early[-1][0], late)
        return out

    def _settle(self) -> list[Move]:
        """The level stands still: the window is the new plateau; the move waits to be measured against it."""
        s = self._s
        out: list[Move] = []
        if s.before_m3 is not None:
            if s.pending is not None and self._goes_on(s.before_m3 - s.pending[2], s.start_ms - s.pending[1]):
                s.pending = (s.pending[0], s.window[0][0], s.pending[2], s.pending[3], s.pending[4])
            else:
                out = self._emit()
                s.pending = (s.start_ms, s.window[0][0], s.before_m3, s.before_n, s.gap)
        s.mean_m3, s.mean_n = _mean(s.window), float(len(s.window))
        s.since_ms, s.quiet_ms = s.window[0][0], s.window[-1][0]
        s.moving, s.window, s.recent, s.down, s.up = False, [], [], 0.0, 0.0
        return out

    def _goes_on(self, moved_m3: float, pause_ms: int) -> bool:
        """Whether this move carries on the one that waits: the same way, after a short pause, no gap between."""
        return not self._s.gap and moved_m3 * self._s.sign > 0 and pause_ms <= MERGE_MS

    def _rest(self, reading: tuple[int, float]) -> list[Move]:
        """One reading while the level stands still."""
        s = self._s
        ts_ms, value = reading
        z = (value - s.mean_m3) / (self._noise() * math.sqrt(1 + 1 / s.mean_n))
        z = max(-CLIP, min(CLIP, z))
        s.down_ms = s.down_ms if s.down > 0 else ts_ms
        s.up_ms = s.up_ms if s.up > 0 else ts_ms
        s.down, s.up = max(0.0, s.down - z - SLACK), max(0.0, s.up + z - SLACK)
        s.recent.append(reading)
        if s.down > LIMIT or s.up > LIMIT:
            return self._leave(-1 if s.down > LIMIT else 1)
        if s.down == 0 and s.up == 0:
            self._fold_recent()
        out: list[Move] = []
        if s.pending is not None and s.quiet_ms - s.since_ms >= CONFIRM_MS:
            out = self._emit()
        return out

    def _leave(self, sign: int) -> list[Move]:
        """Readings left the plateau: a move begins behind the last one that belonged to it."""
        s = self._s
        first_ms = s.down_ms if sign < 0 else s.up_ms
        window = [each for each in s.recent if each[0] >= first_ms]
        s.recent = [each for each in s.recent if each[0] < first_ms]
        self._fold_recent()
        out: list[Move] = []
        if s.pending is not None and s.quiet_ms - s.pending[1] > MERGE_MS:
            out = self._emit()
        self._start(sign, s.quiet_ms, window)
        return out

    def _fold_recent(self) -> None:
        """Fold the waiting readings into the plateau's mean, none of them for more than its share."""
        s = self._s
        most = max(12.0, FOLLOW_MS / max(s.step_ms, 1000.0))
        reach = CLIP * self._noise()
        for ts_ms, value in s.recent:
            s.mean_n = min(s.mean_n + 1, most)
            s.mean_m3 += max(-reach, min(reach, value - s.mean_m3)) / s.mean_n
            s.quiet_ms = ts_ms
        s.recent = []

    def _emit(self) -> list[Move]:
        """Measure the waiting move against the plateau that followed it; one too small to be sure of is none."""
        s = self._s
        if s.pending is None:
            return []
        start_ms, end_ms, before_m3, before_n, gap = s.pending
        s.pending = None
        change = s.mean_m3 - before_m3
        u_m3 = self._noise() * math.sqrt(1 / before_n + 1 / s.mean_n)
        if abs(change) < max(LEAST * self._noise(), SURE * u_m3):
            # Keep the old plateau in mind, so that small draws add up to a use instead of being lost one by one.
            n = before_n + s.mean_n
            s.mean_m3, s.mean_n = (before_m3 * before_n + s.mean_m3 * s.mean_n) / n, n
            return []
        return [Move(start_ms, end_ms, change, u_m3, gap)]


def _mean(window: list[tuple[int, float]]) -> float:
    return sum(value for _, value in window) / len(window)


def _jump(s: _State, reading: tuple[int, float]) -> float:
    """How far a reading stands from the newest accepted one."""
    return reading[1] - s.last_m3


def moves(points: Iterable[Point]) -> list[Move]:
    """All moves in a complete run of readings of one tank, oldest first."""
    segmenter = Segmenter()
    found = [move for point in points for move in segmenter.feed(point)]
    return found + segmenter.close()
