"""*test*: a message through one channel that has to be heard and answered, so that silence there is found before it matters."""

from __future__ import annotations

from holdwater.alerts import system
from holdwater.alerts.facts import SystemFact
from holdwater.alerts.kind import Defaults, Kind
from holdwater.alerts.matter import Severity, Timing
from holdwater.alerts.telling import Telling, cut


def short(told: Telling) -> str:
    """The text message."""
    name = cut(told.subject, 20)
    if told.is_over:
        return f"The test of {name} was answered after {told.lasted}: this way reaches you. Nothing to do; wait for the next in a month."
    return f"TEST of {name}: nothing is wrong. Open the page and mark this as seen within 7 days, so that we know it reached you."


def long(told: Telling) -> str:
    """The longer text."""
    if told.is_over:
        return short(told)
    return f"{short(told)} On the board: holdwater notice list, then notice seen with its number. Unanswered, other ways tell it."


KIND = Kind(
    name="test",
    title="test",
    severity=Severity.KNOW,
    defaults=Defaults(timing=Timing(raise_after_ms=0, clear_after_ms=0, clear_count=1)),
    listens=(SystemFact,),
    judge=system.judge,
    short=short,
    long=long,
    manual=(
        'Once a month, in daylight, each channel that reaches people gets a test message; `test = "off"` of a channel ends that. It goes '
        "when it is marked as seen; unanswered for 7 days the channel is *undelivered*. What to do: mark it as seen, on the page or with "
        "`holdwater notice seen`."
    ),
    samples=({"subject": "phone"},),
    lived=True,
    addressed=True,
)
