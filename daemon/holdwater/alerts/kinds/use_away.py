"""*use while away*: water went although the household said that nobody is there."""

from __future__ import annotations

from holdwater.alerts.facts import FlowFact
from holdwater.alerts.kind import Defaults, Kind, Rule, View
from holdwater.alerts.matter import MIN_MS, Judgement, Severity, Timing
from holdwater.alerts.states import Verdict
from holdwater.alerts.telling import Telling
from holdwater.units import M3_PER_GAL

LEAST_M3 = 2 * M3_PER_GAL
SURE = 5.0  # and so many standard uncertainties


def judge(fact: FlowFact, view: View, rule: Rule) -> Judgement | None:
    """Beyond for a fall while a note *away* holds; back when nothing falls, or somebody is home."""
    if fact.ended:
        return None
    numbers = (("gone_m3", max(0.0, -fact.moved_m3)), ("u_m3", fact.u_m3))
    least_m3 = LEAST_M3 if rule.raise_at is None else rule.raise_at
    falls = -fact.moved_m3 >= max(least_m3, SURE * fact.u_m3)
    if not view.noted("away", fact.tank, fact.ts_ms) or not falls:
        return Judgement(fact.tank, Verdict.BACK, numbers)
    return Judgement(fact.tank, Verdict.BEYOND, numbers)


def short(told: Telling) -> str:
    """The text message."""
    if told.is_over:
        return f"{told.name} tank: no more use while you are away. When back, look for drips and check the valves."
    gone = told.volume("gone_m3")
    return f"{told.name} tank lost {gone} since {told.when()} while you are away. Ask a neighbor to look, or shut its valve if you can."


def long(told: Telling) -> str:
    """The longer text."""
    if told.is_over:
        return short(told)
    return f"{short(told)} If somebody is home again, write it down: holdwater note home."


KIND = Kind(
    name="use-away",
    title="use away",
    severity=Severity.TODAY,
    defaults=Defaults(timing=Timing(raise_after_ms=5 * MIN_MS, clear_after_ms=60 * MIN_MS, raise_count=2)),
    listens=(FlowFact,),
    judge=judge,
    short=short,
    long=long,
    manual=(
        "A tank has lost 2 gal (8 L) or more in one go, and more than the doubt of its readings, while a note *away* holds. It goes after "
        "an hour without use, or when *away* ends. What to do: ask a neighbor to look, shut the valve."
    ),
    samples=({"subject": "cabin", "numbers": {"gone_m3": 0.0212, "u_m3": 0.003}},),
    dimension="volume",
    held_by=("in-doubt",),
)
