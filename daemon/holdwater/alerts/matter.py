"""One matter in its life, and how one reading moves it. Pure: values in, values out.

Durations run on reading time. A gap counts towards raising (nobody has seen it get better), never towards clearing;
clearing needs a duration and at least two readings. A reading that is not newer than the newest moves nothing.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from enum import StrEnum

from holdwater.alerts.states import EVENT_OF, TABLE, Event, State, Table, Verdict

MIN_MS = 60_000
HOUR_MS = 60 * MIN_MS


class Severity(StrEnum):
    """How soon the household has to act."""

    NOW = "act now"
    TODAY = "act today"
    KNOW = "know"

    @property
    def rank(self) -> int:
        """0 for *know*, 1 for *act today*, 2 for *act now*."""
        return (Severity.KNOW, Severity.TODAY, Severity.NOW).index(self)


@dataclass(frozen=True, slots=True)
class Timing:
    """How long readings must agree before a matter is raised or cleared.

    Attributes:
        raise_after_ms: every reading over at least this time of readings beyond the raise line, ms.
        clear_after_ms: every reading over at least this time back past the clear line, gaps not counted, ms.
        raise_count: at least so many readings to raise.
        clear_count: at least so many readings to clear.
        stale_ms: a longer time between two readings is a gap, ms.
    """

    raise_after_ms: int = 10 * MIN_MS
    clear_after_ms: int = 30 * MIN_MS
    raise_count: int = 1
    clear_count: int = 2
    stale_ms: int = 60 * MIN_MS


@dataclass(frozen=True, slots=True)
class Run:
    """State of a matter and the run of like readings it is in.

    Attributes:
        state: where it stands.
        from_ms: time of the first reading of the run (of watching, or of easing).
        earned_ms: time that counts towards clearing, gaps left out, ms.
        count: readings in the run.
        last_ms: newest reading that moved or confirmed it; None before the first.
    """

    state: State = State.CLEAR
    from_ms: int = 0
    earned_ms: int = 0
    count: int = 0
    last_ms: int | None = None

    @property
    def is_on(self) -> bool:
        """True while the household should know of it."""
        return self.state in (State.ACTIVE, State.EASING)


START = Run()


def advance(run: Run, verdict: Verdict, ts_ms: int, timing: Timing, table: Table = TABLE) -> Run:
    """The run after one more reading.

    Args:
        run: as it stood before.
        verdict: what the reading says.
        ts_ms: time of the reading, ms UTC; one that is not newer than `run.last_ms` moves nothing.
        timing: durations, counts and the length of a gap.
        table: the state table.

    Returns:
        The same object when nothing moved.
    """
    if verdict is Verdict.UNKNOWN or (run.last_ms is not None and ts_ms <= run.last_ms):
        return run
    state = table[run.state, EVENT_OF[verdict]]
    if state is not run.state:
        run = Run(state, from_ms=ts_ms, count=1, last_ms=ts_ms)
    else:
        step_ms = 0 if run.last_ms is None else ts_ms - run.last_ms
        earned_ms = run.earned_ms + (step_ms if step_ms <= timing.stale_ms else 0)
        run = Run(state, run.from_ms, earned_ms, run.count + 1, ts_ms)
    due = _due(run, ts_ms, timing)
    return run if due is None else replace(run, state=table[run.state, due], from_ms=ts_ms, earned_ms=0, count=0)


def _due(run: Run, ts_ms: int, timing: Timing) -> Event | None:
    if run.state is State.WATCHING and run.count >= timing.raise_count and ts_ms - run.from_ms >= timing.raise_after_ms:
        return Event.RAISE_DUE
    if run.state is State.EASING and run.count >= timing.clear_count and run.earned_ms >= timing.clear_after_ms:
        return Event.CLEAR_DUE
    return None


Advance = Callable[[Run, Verdict, int, Timing], Run]
Numbers = tuple[tuple[str, float], ...]
Words = tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Matter:
    """A notice in its life.

    Attributes:
        id: number of the notice; rises, never used again.
        kind: name of its kind.
        subject: tank, series or part it is about.
        run: where it stands.
        upper: where its second, worse stage stands.
        since_ms: reading time at which the present state of affairs began, a label, ms UTC.
        severity: of the stage that is on.
        peak: worst severity in its life: whoever was told of it is told of its end.
        numbers: figures of the newest reading that moved it, in SI, for its text.
        words: reasons and names for its text.
        seen_ms: when the household said *seen*; None before.
        quiet_left_s: seconds for which it stays quiet; 0 when it is not.
        edition: which of its kind's editions was told last; empty where the kind has none.
        held: raised, but held back by a matter that makes it doubtful.
        told: its raising was told to the channels.
        steps: number of steps so far.
        repeats: times its raising was told again.
        repeat_in_s: seconds until it is told again; None when it is not.
        short: text as last told, at most 160 characters.
        long: longer text as last told.
    """

    id: int
    kind: str
    subject: str
    run: Run = START
    upper: Run = START
    since_ms: int = 0
    severity: Severity = Severity.KNOW
    peak: Severity = Severity.KNOW
    numbers: Numbers = ()
    words: Words = ()
    seen_ms: int | None = None
    quiet_left_s: float = 0.0
    edition: str = ""
    held: bool = False
    told: bool = False
    steps: int = 0
    repeats: int = 0
    repeat_in_s: float | None = None
    short: str = ""
    long: str = ""


@dataclass(frozen=True, slots=True)
class Judgement:
    """What a kind makes of one fact.

    Attributes:
        subject: tank, series or part.
        verdict: for the matter itself.
        numbers: figures for its text, SI.
        words: reasons and names for its text.
        upper: verdict for the worse stage.
        timing: other durations than those of the rule, where the fact itself brings them.
        edition: names what there is to say, such as the evening that a forecast was made on. While the notice is on, another
            edition than the one told last is told once, as an update; empty where there is never more to say.
    """

    subject: str
    verdict: Verdict
    numbers: Numbers = ()
    words: Words = ()
    upper: Verdict = Verdict.UNKNOWN
    timing: Timing | None = field(default=None)
    edition: str = ""
