"""*disagree*: two sensors on one tank, or a sensor and a hand dip, have said different levels for long."""

from __future__ import annotations

from holdwater.alerts import system
from holdwater.alerts.facts import SystemFact
from holdwater.alerts.kind import Defaults, Kind
from holdwater.alerts.matter import Severity, Timing
from holdwater.alerts.telling import SHORT_MAX, Telling, plain


def short(told: Telling) -> str:
    """The text message."""
    if told.is_over:
        return (
            f"{told.name} tank: its sensors agree again after {told.lasted}. Check it once against a clean dip stick."
        )
    head, ending = f"{told.name} tank: two levels disagree. ", " Do not plan on either."
    why = plain(told.words.get("words", ""))
    for text in (f"{head}{why}{ending}", f"{head}{why}"):
        if why and len(text) <= SHORT_MAX:
            return text
    return f"{told.name} tank: two levels disagree since {told.when()}. Dip the tank to tell which is wrong. Do not plan on either."


def long(told: Telling) -> str:
    """The longer text."""
    if told.is_over:
        return short(told)
    why = plain(told.words.get("words", ""))
    whole = "" if not why or why in short(told) else f" {why}"
    return (
        f"{short(told)}{whole} They have been further apart than both doubts allow. Until it is settled, notices about this tank's level "
        "are held back: no message is no proof that it is full. Never lean or climb into a tank to read it."
    )


KIND = Kind(
    name="disagree",
    title="disagree",
    severity=Severity.TODAY,
    defaults=Defaults(timing=Timing(raise_after_ms=0, clear_after_ms=0, clear_count=1)),  # how long is judged with the levels
    listens=(SystemFact,),
    judge=system.judge,
    short=short,
    long=long,
    manual=(
        "Two sensors on one tank, or a sensor and a hand dip, have been further apart for an hour than their doubts allow. Where a third "
        "fact tells which one is wrong, it is named. While it is on, *in doubt* is not told as well. It goes when they agree again. "
        "What to do: dip the tank, then look at the sensor that is wrong."
    ),
    samples=(
        {
            "subject": "drinking",
            "words": {"words": "deep and sight are far apart. Likely wrong: deep, by the hand dip. Look at that sensor."},
        },
        {"subject": "drinking", "words": {"words": "a and b are far apart. Dip the tank to tell which of them is wrong."}},
        {"subject": "garden"},
    ),
)  # fmt: skip
