"""*freezing*: the outside air is at or below freezing now."""

from __future__ import annotations

from holdwater.alerts.facts import AirFact
from holdwater.alerts.kind import Defaults, Kind, Rule, View
from holdwater.alerts.matter import MIN_MS, Judgement, Severity, Timing
from holdwater.alerts.states import below
from holdwater.alerts.telling import Telling

THAW_C = 10.0 / 9.0  # 34 degF: a split shows when the ice in it has melted
NEAR_C = 0.27  # above it the air reads 33F or 0C and more: a household may have set its line there


FORETOLD = "frost told"


def judge(fact: AirFact, view: View, rule: Rule) -> Judgement | None:
    """At or below the raise line by the outside air; nothing new while *freeze tonight* speaks of the same cold."""
    if fact.air_c is None or rule.raise_at is None or rule.clear_at is None or view.noted(FORETOLD, "air", fact.ts_ms):
        return None
    return Judgement("air", below(fact.air_c, rule.raise_at, rule.clear_at), (("air_c", fact.air_c),))


def short(told: Telling) -> str:
    """The text message."""
    air = told.temperature("air_c")
    if told.is_over:
        line = told.measure.temperature_text(THAW_C)
        return (
            f"Air back to {air} after {told.lasted}. Not the all-clear: splits show at thaw. "
            f"Look at every valve and pipe, once above {line}."
        )
    word = "Near freezing" if told.numbers.get("air_c", 0.0) > NEAR_C else "Freezing"
    return (
        f"{word}: air {air} since {told.when()}. Unhook hoses, drain what is not drained, open cabinet doors. "
        "Only listed spots are watched."
    )


def long(told: Telling) -> str:
    """The longer text."""
    if told.is_over:
        return f"{short(told)} Ice in a pipe holds a split shut until it melts; watch the levels for a loss over the next day."
    return (
        f"{short(told)} Water in thin pipes and spigots freezes first. Heat tape must be listed for the pipe, on a GFCI outlet, "
        "never overlapped. Never thaw a pipe with a flame. Never lean into or climb into a tank to break ice."
    )


KIND = Kind(
    name="freezing",
    title="freezing",
    severity=Severity.TODAY,
    defaults=Defaults(
        raise_at=0.0,
        clear_at=THAW_C,
        timing=Timing(raise_after_ms=10 * MIN_MS, clear_after_ms=60 * MIN_MS),
    ),
    listens=(AirFact,),
    judge=judge,
    short=short,
    long=long,
    manual=(
        "The outside air has been at or below 32F (0C) for 10 minutes of readings. It goes when every reading over an hour is "
        "above 34F (1.1C); that is not the all-clear, because a split shows when the ice in it melts. "
        "What to do: unhook hoses, drain spigots, look at every valve at the thaw."
    ),
    samples=(
        {"subject": "air", "numbers": {"air_c": -0.4}, "cleared": {"air_c": 2.2}},
        {"subject": "air", "numbers": {"air_c": -31.6}, "cleared": {"air_c": 1.2}},
    ),
    dimension="temperature",
)
