"""*undelivered*: a channel has not taken notices for a while, so they may not reach anybody."""

from __future__ import annotations

from holdwater.alerts import system
from holdwater.alerts.facts import SystemFact
from holdwater.alerts.kind import Defaults, Kind
from holdwater.alerts.matter import MIN_MS, Severity, Timing
from holdwater.alerts.telling import Telling, cut

UNANSWERED = "nobody answered its monthly test"


def short(told: Telling) -> str:
    """The text message."""
    name = cut(told.subject, 20)
    if told.is_over:
        return f"Channel {name} works again after {told.lasted}. Read what came by it: what had gathered went out as one message."
    if told.words.get("words") == UNANSWERED:
        return f"Nobody answered the monthly test of {name} for a week: it may reach nobody. Look whether it came, then mark it as seen."
    why = cut(told.words.get("words", "it does not answer"), 60)
    return f"Notices do not get out by {name} since {told.when()}: {why}. Look at the page until it works."


def long(told: Telling) -> str:
    """The longer text."""
    if told.is_over:
        return short(told)
    if told.words.get("words") == UNANSWERED:
        return f"{short(told)} Notices go out by it all the same. Test it with: holdwater notice test {cut(told.subject, 40)}"
    test = f"holdwater notice test {cut(told.subject, 40)}"
    return f"{short(told)} They are kept and tried again at least every 10 minutes. Test it with: {test}"


KIND = Kind(
    name="undelivered",
    title="undelivered",
    severity=Severity.TODAY,
    defaults=Defaults(timing=Timing(raise_after_ms=60 * MIN_MS, clear_after_ms=0, clear_count=1)),
    listens=(SystemFact,),
    judge=system.judge,
    short=short,
    long=long,
    manual=(
        "A channel has taken nothing for an hour though something waits for it, or nobody answered its monthly test for a week. It is "
        "told through the other channels and on the page, and goes when a message was taken or the test is marked as seen. "
        "What to do: look at network, address and password, then `holdwater notice test`."
    ),
    samples=(
        {"subject": "phone", "words": {"words": "the name of the other side cannot be resolved"}},
        {"subject": "phone", "words": {"words": UNANSWERED}},
        {"subject": "phone"},
    ),
    lived=True,
)
