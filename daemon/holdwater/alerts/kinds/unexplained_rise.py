"""*unexplained rise*: a tank for drinking rose though nothing that fills it was noted, so wrong water may be in it."""

from __future__ import annotations

from holdwater.alerts.facts import FlowFact
from holdwater.alerts.kind import Defaults, Kind, Rule, View
from holdwater.alerts.matter import Judgement, Severity, Timing
from holdwater.alerts.states import Verdict
from holdwater.alerts.telling import Telling
from holdwater.units import M3_PER_GAL

LEAST_M3 = 5 * M3_PER_GAL
SURE = 5.0  # and so many standard uncertainties
EXPLAINS = ("load", "well run", "moved", "working on it", "tested")
BY_ITSELF = ("roof", "spring", "mains")  # what fills a tank without anybody writing it down


def judge(fact: FlowFact, view: View, rule: Rule) -> Judgement | None:
    """Beyond for a rise that has ended and that no note explains; back when a note explains it, or the water was tested."""
    tank = view.tank(fact.tank)
    if tank is None or not tank.is_drinking:
        return None
    numbers = (("rose_m3", fact.moved_m3), ("u_m3", fact.u_m3))
    if any(view.noted(kind, fact.tank, fact.ts_ms) for kind in EXPLAINS):
        return Judgement(fact.tank, Verdict.BACK)
    fills = set(tank.filled_by)
    unseen = not fills.isdisjoint(BY_ITSELF) or ("well" in fills and not view.keeps("well run", fact.ts_ms))
    least_m3 = LEAST_M3 if rule.raise_at is None else rule.raise_at
    if not fact.ended or unseen or fact.moved_m3 < max(least_m3, SURE * fact.u_m3):
        return None
    return Judgement(fact.tank, Verdict.BEYOND, numbers)


def short(told: Telling) -> str:
    """The text message."""
    if told.is_over:
        return f"{told.name} tank: the rise is explained now. If the water was in doubt, do not drink it before the test says so."
    return (
        f"ACT NOW {told.name} tank rose {told.volume('rose_m3')}, no load or well fill noted. Wrong water may be in it. "
        "Do not drink or cook with it. Shut the inlet, get it tested."
    )


def long(told: Telling) -> str:
    """The longer text."""
    if told.is_over:
        return short(told)
    return (
        f"{short(told)} If it was a load or the well, write it down (holdwater note) and this ends. Boiling does not take out "
        "chemicals. This measures amount, not safety: a local health department or laboratory says what to test for."
    )


KIND = Kind(
    name="unexplained-rise",
    title="unexplained rise",
    severity=Severity.NOW,
    defaults=Defaults(timing=Timing(raise_after_ms=0, clear_after_ms=0, clear_count=1)),
    listens=(FlowFact,),
    judge=judge,
    short=short,
    long=long,
    manual=(
        "A tank for drinking rose by 5 gal (20 L) or more, surely, and no note of a load, a well fill or water moved explains it. Only for "
        "tanks that nothing fills by itself; for one with a well once *well run* is noted as a habit. It goes when a note explains it "
        "or says *tested*. What to do: do not drink or cook with it, shut the inlet, get it tested."
    ),
    samples=({"subject": "drinking", "severity": Severity.NOW, "numbers": {"rose_m3": 0.0341, "u_m3": 0.003}},),
    dimension="volume",
    held_by=("in-doubt",),
)
