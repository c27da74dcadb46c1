"""What one kind of notice is made of. Each kind is one small module in `kinds/`; adding one touches nothing else."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Protocol

from holdwater.alerts.matter import Judgement, Severity, Timing
from holdwater.alerts.telling import Telling
from holdwater.freeze.done import Done
from holdwater.tanks.tank import Tank
from holdwater.units import Dimension


@dataclass(frozen=True, slots=True)
class Defaults:
    """How a kind behaves when the config says nothing.

    Attributes:
        raise_at: line at which it is raised, SI; None where the kind has no line of its own.
        clear_at: line at which it is cleared, SI.
        clear_margin: how far above the raise line it is cleared, as a share of it.
        timing: durations and counts.
    """

    raise_at: float | None = None
    clear_at: float | None = None
    clear_margin: float = 0.0
    timing: Timing = field(default_factory=Timing)


@dataclass(frozen=True, slots=True)
class Rule:
    """A kind's settings for one subject: defaults, with what the config says over them."""

    off: bool
    severity: Severity
    raise_at: float | None
    clear_at: float | None
    clear_margin: float
    timing: Timing
    channels: tuple[str, ...] | None = None


class View(Protocol):
    """What a kind may look at besides the fact: nothing that changes by being looked at."""

    def tank(self, name: str) -> Tank | None:
        """The tank of that name."""

    def trusted(self, tank: str) -> tuple[int, float, float] | None:
        """Time (ms), on hand and its standard uncertainty (m3) of the newest trusted reading of a tank."""

    def noted(self, kind: str, subject: str, at_ms: int) -> bool:
        """Whether a note of that kind holds for the subject at a reading time."""

    def keeps(self, kind: str, at_ms: int) -> bool:
        """Whether the household has written a note of that kind in the last two months."""

    def shut(self, tank: str) -> bool:
        """Whether a note has shut a link of a tank, and none has opened it since."""

    def done(self, at_ms: int) -> Mapping[str, Done]:
        """What that can freeze is drained or covered at a time, by its name in the config."""


Judge = Callable[[Any, View, Rule], Judgement | None]
Text = Callable[[Telling], str]


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of notice.

    Attributes:
        name: as in the config and the store: ``in-doubt``.
        title: as the household reads it: ``in doubt``.
        severity: of its first stage.
        upper: of its second, worse stage; None when it has one stage.
        defaults: lines and durations.
        listens: classes of facts it is judged by.
        judge: from a fact to a verdict; None when the fact does not concern it.
        short: text of at most 160 plain characters.
        long: longer text.
        manual: what the manual says of it: when it comes, when it goes, what to do.
        samples: cases for the manual and the test of all texts: `subject`, `severity`, `numbers` and `words` as in a
            `Telling`; `cleared`, the numbers at its end where they are others; `updated` and `updated_words`, those of an
            update where the kind has editions (see `Judgement`).
        dimension: in which its lines are written in the config; None when it has none.
        held_by: kinds that make it doubtful: while one of them is on, it is held back.
        said_by: kinds that say the same and more: while one of them is on, it is neither told nor shown.
        rises: it is raised by too much, not by too little: clear_at lies below raise_at.
        lived: its durations run on the time the service has lived, not on reading time.
        addressed: it goes to the channel that is its subject, whatever that takes otherwise, and to no other.
    """

    name: str
    title: str
    severity: Severity
    defaults: Defaults
    listens: tuple[type, ...]
    judge: Judge
    short: Text
    long: Text
    manual: str
    samples: tuple[Mapping[str, Any], ...]
    upper: Severity | None = None
    dimension: Dimension | None = None
    held_by: tuple[str, ...] = ()
    said_by: tuple[str, ...] = ()
    rises: bool = False
    lived: bool = False
    addressed: bool = False
