"""Every text of every kind, for the manual, the command line and the test that reads them all."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

from holdwater.alerts.kind import Kind
from holdwater.alerts.matter import Severity
from holdwater.alerts.telling import Phase, Telling
from holdwater.units import Measure

AT_MS = 1_790_604_000_000  # 28 September 2026, 14:00 UTC
LASTED_MS = 3 * 3_600_000


@dataclass(frozen=True, slots=True)
class Text:
    """One text as it would be told: not cut, so that one that is too long is seen."""

    kind: str
    case: int
    phase: Phase
    severity: Severity
    short: str
    long: str


def texts(kind: Kind, measure: Measure, zone: ZoneInfo) -> Iterator[Text]:
    """The texts of a kind: each of its samples raised, told again and cleared."""
    for number, sample in enumerate(kind.samples):
        for phase in _phases(sample):
            told = Telling(
                subject=str(sample.get("subject", "drinking")),
                phase=phase,
                severity=sample.get("severity", kind.severity),
                since_ms=AT_MS - LASTED_MS,
                at_ms=AT_MS,
                numbers=_of(sample, phase, "numbers"),
                words=_of(sample, phase, "words"),
                measure=measure,
                zone=zone,
            )
            yield Text(kind.name, number, phase, told.severity, kind.short(told), kind.long(told))


def _phases(sample: Mapping[str, Any]) -> tuple[Phase, ...]:
    update = (Phase.UPDATE,) if "updated" in sample else ()
    return (Phase.RAISE, Phase.REPEAT, *update, Phase.CLEAR)


def _of(sample: Mapping[str, Any], phase: Phase, what: str) -> Mapping[str, Any]:
    """Figures or words of a sample in a phase: its own where the sample has some for it, else those of the raise."""
    own = {Phase.UPDATE: "updated", Phase.CLEAR: "cleared"}.get(phase, what)
    found: Mapping[str, Any] = sample.get(own if what == "numbers" else f"{own}_{what}", sample.get(what, {}))
    return found
