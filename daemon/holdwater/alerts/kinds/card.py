"""*card*: the place where things are kept is full, read-only or failing, or its second copy is not made."""

from __future__ import annotations

from holdwater.alerts import system
from holdwater.alerts.facts import SystemFact
from holdwater.alerts.kind import Defaults, Kind
from holdwater.alerts.matter import MIN_MS, Severity, Timing
from holdwater.alerts.telling import Telling, cut

BACKUP = "backup"
"""The subject when the store is well, and its second copy is not made."""


def short(told: Telling) -> str:
    """The text message."""
    if told.subject == BACKUP:
        return _backup(told)
    if told.is_over:
        return f"The memory card takes readings again after {told.lasted}. Copy a backup off it today: what failed once fails again."
    why = cut(told.words.get("words", "cannot be written"), 40)
    return f"Memory card trouble since {told.when()}: {why}. New readings may be lost. Copy the backup off it and replace the card."


def _backup(told: Telling) -> str:
    if told.is_over:
        return f"Backups are made again after {told.lasted}. A checked copy of all readings is in its folder."
    why = cut(told.words.get("words", "it cannot be written"), 42)
    return f"No backup since {told.when()}: {why}. New readings are on one card only. Check the stick: is it in, not full, not locked?"


def long(told: Telling) -> str:
    """The longer text."""
    if told.subject == BACKUP:
        again = (
            ""
            if told.is_over
            else " It is tried again every 10 minutes, or each hour; holdwater doctor says when the last one was made."
        )
        return short(told) + again
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
        "Under the name backup: the copy that [backup] asks for is not made; put the stick in, make room on it, unlock it. "
        "What to do: copy the backup off the card, make room or replace the card."
    ),
    samples=(
        {"subject": "store", "words": {"words": "the disk is full"}},
        {"subject": "store"},
        {"subject": "backup", "words": {"words": "not another disk: the stick is not mounted"}},
    ),
    lived=True,
)
