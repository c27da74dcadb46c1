"""What the rules are told: values that come in, each stamped with the time it stands for."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from holdwater_sensors.quality import OK, Grade, Reason, grade_of, reason_of

# Suspect for a reason that widens the doubt but does not make the level wrong: rules may go by it.
MILD = frozenset({Reason.NO_AIR, Reason.NO_BAROMETER, Reason.EXTRAPOLATED, Reason.ABOVE_OVERFLOW})


@dataclass(frozen=True, slots=True)
class LevelFact:
    """One reading of a tank; `on_hand_m3` is None when it cannot be known.

    `steady_m3` is the median of it and of the trusted readings of the minutes before it: one reading's noise is not in it.
    """

    tank: str
    ts_ms: int
    on_hand_m3: float | None
    u_noise_m3: float
    u_scale_m3: float
    quality: int
    steady_m3: float | None = None

    @property
    def u_m3(self) -> float:
        """Combined standard uncertainty of the volume, m3."""
        return float((self.u_noise_m3**2 + self.u_scale_m3**2) ** 0.5)

    @property
    def trusted_m3(self) -> float | None:
        """On hand, if a rule may go by it."""
        if self.on_hand_m3 is None or self.quality == OK:  # the usual case first: this is asked once a kind and reading
            return self.on_hand_m3
        grade = grade_of(self.quality)
        if grade is Grade.OK or (grade is Grade.SUSPECT and reason_of(self.quality) in MILD):
            return self.on_hand_m3
        return None


@dataclass(frozen=True, slots=True)
class FlowFact:
    """What a tank's water is doing at one reading: the move that goes on, if any; zeros when it stands still.

    Attributes:
        tank: name of the tank.
        ts_ms: time of the reading, ms UTC.
        on_hand_m3: on hand now.
        moved_m3: moved since the move began, negative for a fall.
        u_m3: standard uncertainty of it.
        rate_m3_s: rate of it, negative for a fall.
        for_s: how long it has gone on, s.
        usual_m3: largest usual draw at this hour; None when not known.
        ended: the move is over and certain; else it goes on.
    """

    tank: str
    ts_ms: int
    on_hand_m3: float
    moved_m3: float = 0.0
    u_m3: float = 0.0
    rate_m3_s: float = 0.0
    for_s: float = 0.0
    usual_m3: float | None = None
    ended: bool = False


@dataclass(frozen=True, slots=True)
class AirFact:
    """One reading of the outside air; `air_c` is None when it is rejected."""

    ts_ms: int
    air_c: float | None


@dataclass(frozen=True, slots=True)
class SilenceFact:
    """How long a series has been silent: `for_s` of `limit_s` seconds; `heard` when something has just come."""

    series: str
    tank: str
    ts_ms: int
    last_ms: int | None
    for_s: float
    limit_s: float
    heard: bool


@dataclass(frozen=True, slots=True)
class SystemFact:
    """A fact about the service itself or a figure worked out elsewhere, already judged.

    Attributes:
        kind: name of the kind it is for.
        subject: what it is about.
        ts_ms: time it stands for.
        verdict: a `Verdict` by name.
        words: reason, for the text.
        numbers: figures for the text, SI.
        upper: verdict for the worse stage.
        edition: what there is to say (see `Judgement`).
        named: further words for the text, by name.
    """

    kind: str
    subject: str
    ts_ms: int
    verdict: str
    words: str = ""
    numbers: Mapping[str, float] = field(default_factory=dict)
    upper: str = "unknown"
    edition: str = ""
    named: Mapping[str, str] = field(default_factory=dict)


Fact = LevelFact | FlowFact | AirFact | SilenceFact | SystemFact


@dataclass(frozen=True, slots=True)
class Moment:
    """Both clocks at once: the wall clock only labels, the monotonic clock measures.

    Attributes:
        wall_ms: wall clock, ms UTC.
        mono_s: monotonic clock, s, from any origin.
        clock_trusted: the wall clock is known to be right.
    """

    wall_ms: int
    mono_s: float
    clock_trusted: bool = True
