"""*clock*: the board does not know what time it is."""

from __future__ import annotations

from holdwater.alerts import system
from holdwater.alerts.facts import SystemFact
from holdwater.alerts.kind import Defaults, Kind
from holdwater.alerts.matter import MIN_MS, Severity, Timing
from holdwater.alerts.telling import Telling, cut


def short(told: Telling) -> str:
    """The text message."""
    if told.is_over:
        return "The clock is right again. Readings that waited for it are in their place now. Look at the page once."
    why = cut(told.words.get("words", ""), 50)
    cause = f": {why}" if why else ""
    return (
        f"The board does not know the time{cause}. Open its page on a phone and let it take the time. Forecasts wait."
    )


def long(told: Telling) -> str:
    """The longer text."""
    if told.is_over:
        return short(told)
    return (
        f"{short(told)} Readings are kept in order meanwhile and get their time later. There are no freeze forecasts, no water book "
        "and no quiet hours without the time."
    )


KIND = Kind(
    name="clock",
    title="clock",
    severity=Severity.TODAY,
    defaults=Defaults(timing=Timing(raise_after_ms=15 * MIN_MS, clear_after_ms=0, clear_count=1)),
    listens=(SystemFact,),
    judge=system.judge,
    short=short,
    long=long,
    manual=(
        "For 15 minutes the board has not known the time: no time server, no clock chip, or a step of more than a day without a second "
        "source. It goes when the time is trusted. What to do: open the page on a phone, which offers its time."
    ),
    samples=({"subject": "clock", "words": {"words": "no time since the power came back"}}, {"subject": "clock"}),
    lived=True,
)
