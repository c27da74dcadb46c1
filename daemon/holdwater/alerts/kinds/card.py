"""*card*: the place where things are kept is full, read-only or failing."""

from __future__ import annotations

from holdwater.alerts import system
from holdwater.alerts.facts import SystemFact
from holdwater.alerts.kind import Defaults, Kind
from holdwater.alerts.matter import MIN_MS, Severity, Timing
from holdwater.alerts.telling import Telling, cut


def short(told: Telling) -> str:
    """The text message."""
    if told.is_over:
        return f"The memory card takes readings again after {told.lasted}. Copy a backup off it today: what failed once fails again."
    why = cut(told.words.get("words", "cannot be written"), 40)
    return f"Memory card trouble since {told.when()}: {why}. New readings may be lost. Copy the backup off it and replace the card."


def long(told: Telling) -> str:
    """The longer text."""
    if told.is_over:
        return short(told)
    return f"{short(told)} Shut the service down before pulling the card. Sensor boxes with receipts keep what was not stored."


KIND = Kind(
    name="card",
    title="card",
    severity=Severity.TODAY,
    defaults=Defaults(timing=Timing(raise_after_ms=0, clear_after_ms=10 * MIN_MS, clear_count=2)),
    listens=(SystemFact,),
    judge=system.judge,
    short=short,
    long=long,
    manual=(
        "The store could not be written, is nearly full, or a check found damage. It goes when writing has worked for 10 minutes. "
        "What to do: copy the backup off the card, make room or replace the card."
    ),
    samples=({"subject": "store", "words": {"words": "the disk is full"}}, {"subject": "store"}),
    lived=True,
)
