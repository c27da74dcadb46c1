"""Every text of every kind, for the manual, the command line and the test that reads them all."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
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
        for phase in (Phase.RAISE, Phase.REPEAT, Phase.CLEAR):
            told = Telling(
                subject=str(sample.get("subject", "drinking")),
                phase=phase,
                severity=sample.get("severity", kind.severity),
                since_ms=AT_MS - LASTED_MS,
                at_ms=AT_MS,
                numbers=sample.get("cleared" if phase is Phase.CLEAR and "cleared" in sample else "numbers", {}),
                words=sample.get("words", {}),
                measure=measure,
                zone=zone,
            )
            yield Text(kind.name, number, phase, told.severity, kind.short(told), kind.long(told))
