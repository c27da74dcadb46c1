"""*old water*: water for drinking stands longer in its tank than stored water should."""

from __future__ import annotations

from holdwater.alerts.facts import SystemFact
from holdwater.alerts.kind import Defaults, Kind, Rule, View
from holdwater.alerts.matter import MIN_MS, Judgement, Severity, Timing
from holdwater.alerts.states import above
from holdwater.alerts.telling import Telling, span_text
from holdwater.alerts.water import water_of

DAY_S = 86400.0
OLD_S = 180 * DAY_S  # stored water is changed every six months: common practice, no source
FRESH_S = 150 * DAY_S


def judge(fact: SystemFact, view: View, rule: Rule) -> Judgement | None:  # noqa: ARG001  every kind is asked the same way
    """At or above the raise line by how long the water in the tank lasts at the present use."""
    turnover_s = fact.numbers.get("turnover_s")
    if turnover_s is None or rule.raise_at is None or rule.clear_at is None:
        return None
    return Judgement(
        fact.subject,
        above(turnover_s, rule.raise_at, rule.clear_at),
        tuple(fact.numbers.items()),
        tuple(fact.named.items()),
    )


def _months(told: Telling) -> str:
    turnover_s = told.numbers.get("turnover_s")
    if turnover_s is None:
        return "long"
    days = turnover_s / DAY_S
    return "over a year" if days > 365 else f"about {days / 30.4:.0f} months" if days >= 61 else span_text(turnover_s)


def short(told: Telling) -> str:
    """The text message."""
    if told.is_over:
        return f"{water_of(told)} is turned over again: at the present use it stays {_months(told)}. Keep using it."
    return f"{water_of(told)} stands {_months(told)} at the present use. Use it up and refill, or test it, before you rely on it."


def long(told: Telling) -> str:
    """The longer text."""
    if told.is_over:
        return short(told)
    return (
        f"{short(told)} A residual of chlorine is long gone by then. If you treat it: plain unscented bleach only, never mixed with "
        "anything, test after 30 minutes. This measures amount, not safety; local codes and the health department decide."
    )


KIND = Kind(
    name="old-water",
    title="old water",
    severity=Severity.KNOW,
    defaults=Defaults(
        raise_at=OLD_S, clear_at=FRESH_S, timing=Timing(raise_after_ms=3 * 24 * 60 * MIN_MS, clear_after_ms=24 * 60 * MIN_MS, raise_count=3)
    ),
    listens=(SystemFact,),
    judge=judge,
    short=short,
    long=long,
    manual=(
        "For three days the water in a tank for drinking would have lasted over six months at the present use, so it stands that long: "
        "common practice is to change stored water every six months. It goes when it is turned over in five. "
        "What to do: use it up and refill, or test and treat it."
    ),
    samples=(
        {
            "numbers": {"turnover_s": 230 * DAY_S}, "cleared": {"turnover_s": 120 * DAY_S}, "words": {"drinking": "yes"},
        },
        {"subject": "cellar", "numbers": {"turnover_s": 900 * DAY_S}, "cleared": {"turnover_s": 40 * DAY_S}, "words": {"drinking": "yes"}},
    ),
    dimension="time",
    rises=True,
    held_by=("in-doubt",),
)  # fmt: skip
