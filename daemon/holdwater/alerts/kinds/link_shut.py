"""*link shut*: a link between joined vessels is shut, or their levels stay apart as if it were."""

from __future__ import annotations

from holdwater.alerts.facts import LevelFact
from holdwater.alerts.kind import Defaults, Kind, Rule, View
from holdwater.alerts.matter import MIN_MS, Judgement, Severity, Timing
from holdwater.alerts.states import Verdict
from holdwater.alerts.telling import Telling
from holdwater_sensors.quality import OK, Reason, reason_of


def judge(fact: LevelFact, view: View, rule: Rule) -> Judgement | None:  # noqa: ARG001  every kind is asked the same way
    """Beyond while a link is shut by note or config, or the vessels stand apart; back when none is and they stand alike."""
    tank = view.tank(fact.tank)
    if tank is None or not tank.links:
        return None
    numbers = () if fact.on_hand_m3 is None else (("on_hand_m3", fact.on_hand_m3), ("u_m3", fact.u_m3))
    if any(link.shut for link in tank.links) or view.shut(fact.tank):
        return Judgement(fact.tank, Verdict.BEYOND, numbers, (("how", "shut"),), upper=Verdict.BACK)
    if fact.quality != OK and reason_of(fact.quality) is Reason.LINK:
        return Judgement(fact.tank, Verdict.BEYOND, numbers, (("how", "apart"),), upper=Verdict.BEYOND)
    verdict = Verdict.BACK if fact.trusted_m3 is not None else Verdict.UNKNOWN
    return Judgement(fact.tank, verdict, numbers, upper=verdict)


def short(told: Telling) -> str:
    """The text message."""
    if told.is_over:
        now = told.volume("on_hand_m3")
        return f"{told.name} tank: its vessels are joined again: {now} on hand. Check that each valve stands right."
    if told.words.get("how") == "apart":
        return (
            f"{told.name} tank: its vessels stand apart though the link is open. Valve shut, pipe clogged or frozen? Look at the link. "
            "Only one side may count."
        )
    return (
        f"{told.name} tank: a link is shut. What it cuts off is not counted: {told.volume('on_hand_m3')} on hand. "
        "Open it, or note: link open."
    )


def long(told: Telling) -> str:
    """The longer text."""
    if told.is_over:
        return short(told)
    return (
        f"{short(told)} Levels that are let together again even out through the link: open it slowly, and see that the lower vessel "
        "cannot overflow. Never join water of another use into water for drinking."
    )


KIND = Kind(
    name="link-shut",
    title="link shut",
    severity=Severity.KNOW,
    upper=Severity.TODAY,
    defaults=Defaults(timing=Timing(raise_after_ms=10 * MIN_MS, clear_after_ms=20 * MIN_MS, raise_count=2)),
    listens=(LevelFact,),
    judge=judge,
    short=short,
    long=long,
    manual=(
        "A link between joined vessels is shut by a note or in the config, or for 10 minutes the levels of two vessels have stayed apart "
        "although the link is open: act today. It is told in place of *in doubt*. It goes when every reading over 20 minutes shows them "
        "joined. What to do: open the link, or look for a clogged or frozen pipe."
    ),
    samples=(
        {"subject": "garden", "numbers": {"on_hand_m3": 1.9, "u_m3": 0.02}, "words": {"how": "shut"}},
        {"subject": "garden", "numbers": {"on_hand_m3": 1.9, "u_m3": 0.02}, "words": {"how": "apart"}, "severity": Severity.TODAY},
    ),
)  # fmt: skip
