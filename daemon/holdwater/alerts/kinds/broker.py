"""*broker*: the service has no connection to the broker, so no reading can come in."""

from __future__ import annotations

from holdwater.alerts import system
from holdwater.alerts.facts import SystemFact
from holdwater.alerts.kind import Defaults, Kind
from holdwater.alerts.matter import MIN_MS, Severity, Timing
from holdwater.alerts.telling import Telling, cut


def short(told: Telling) -> str:
    """The text message."""
    if told.is_over:
        return f"Broker back after {told.lasted}. Readings that sensor boxes kept come in now. Look at the page in half an hour."
    why = cut(told.words.get("words", ""), 40)
    cause = f": {why}" if why else ""
    return f"No connection to the broker since {told.when()}{cause}. All levels unknown. Check it runs and the network is up."


def long(told: Telling) -> str:
    """The longer text."""
    if told.is_over:
        return short(told)
    return f"{short(told)} Notices of silent sensor boxes are held back meanwhile, since all of them are. Dip the tanks you depend on."


KIND = Kind(
    name="broker",
    title="broker",
    severity=Severity.TODAY,
    defaults=Defaults(timing=Timing(raise_after_ms=10 * MIN_MS, clear_after_ms=MIN_MS, clear_count=2)),
    listens=(SystemFact,),
    judge=system.judge,
    short=short,
    long=long,
    manual=(
        "The service has had no connection to the broker for 10 minutes. It goes when the connection has held for a minute. "
        "While it is on, *silent* is held back. What to do: see that the broker runs and that name, password and network are right."
    ),
    samples=({"subject": "broker", "words": {"words": "connection refused"}}, {"subject": "broker"}),
    lived=True,
)
