"""*thaw watch*: after a freeze night the air is above the thaw; splits show now, and losses are watched more closely."""

from __future__ import annotations

from holdwater.alerts.kind import Defaults, Kind
from holdwater.alerts.matter import Severity, Timing
from holdwater.alerts.system import judge
from holdwater.alerts.telling import Telling


def short(told: Telling) -> str:
    """The text message."""
    if told.is_over:
        return "Thaw watch over, 24 h after the thaw. Losses are watched as usual again. Look at every valve before water is let in."
    until = told.when(int(told.numbers.get("until_ms", told.at_ms)))
    air = told.temperature("air_c")
    return (
        f"Thaw: air {air}. Splits show now. Look at every valve and pipe today. I watch closer for loss until {until}."
    )


def long(told: Telling) -> str:
    """The longer text."""
    if told.is_over:
        return f"{short(told)} No message is no proof that nothing split."
    spots = told.words.get("spots")
    below = f" The night was below the limit of {spots}." if spots else ""
    return (
        f"{short(told)}{below} While the watch is on, a third of the usual loss calls. If water runs where it should not, shut it at the "
        "tank, then look for the split. Do not step near wet wiring. Never thaw a pipe with a flame."
    )


KIND = Kind(
    name="thaw-watch",
    title="thaw watch",
    severity=Severity.TODAY,
    defaults=Defaults(timing=Timing(raise_after_ms=0, clear_after_ms=0, raise_count=1, clear_count=1)),
    listens=(),
    judge=judge,
    short=short,
    long=long,
    manual=(
        "After a night below the limit of something listed that held water, from the first hour above 34F (1.1C) on: for 24 hours "
        "*valve open* calls at a third of what it lets pass otherwise. A further freeze night begins it anew, in the same notice. It goes "
        "after 24 hours above the thaw line. What to do: look at every valve and pipe."
    ),
    samples=(
        {
            "subject": "air",
            "numbers": {"air_c": 2.4, "until_ms": 1_790_690_000_000.0, "coldest_c": -8.3},
            "words": {"spots": "garden-spigot and cabin-tank"},
            "cleared": {},
        },
    ),
)
