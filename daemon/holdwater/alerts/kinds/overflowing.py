"""*overflowing*: the water stands at the overflow lip, so whatever comes in runs off."""

from __future__ import annotations

from holdwater.alerts.facts import LevelFact
from holdwater.alerts.kind import Defaults, Kind, Rule, View
from holdwater.alerts.matter import MIN_MS, Judgement, Severity, Timing
from holdwater.alerts.states import above
from holdwater.alerts.telling import Telling

SHARE = 0.995  # of full on hand: at the lip within what a level can tell
BACK_SHARE = 0.97


def judge(fact: LevelFact, view: View, rule: Rule) -> Judgement | None:
    """At the lip by the best value; back when clearly below it."""
    on_hand_m3, tank = fact.trusted_m3, view.tank(fact.tank)
    if on_hand_m3 is None or tank is None or tank.full_on_hand_m3 <= 0:
        return None
    full_m3 = tank.full_on_hand_m3 if rule.raise_at is None else rule.raise_at
    back_m3 = min(full_m3 * BACK_SHARE, full_m3 * SHARE - 2 * fact.u_noise_m3)
    numbers = (("on_hand_m3", on_hand_m3), ("u_m3", fact.u_m3))
    return Judgement(fact.tank, above(on_hand_m3, full_m3 * SHARE, back_m3), numbers)


def short(told: Telling) -> str:
    """The text message."""
    if told.is_over:
        now = told.volume("on_hand_m3")
        return (
            f"{told.name} tank is below its overflow again: {now}. Check that the overflow drains away from the tank."
        )
    todo = "Move water to another tank of the same use, or turn off what fills it."
    return f"{told.name} tank is full to the overflow since {told.when()}. {todo}"


def long(told: Telling) -> str:
    """The longer text."""
    if told.is_over:
        return short(told)
    caution = "Never move water of another use into a tank for drinking."
    return f"{short(told)} {caution} Wet ground under a tank can let it lean: look at its base."


KIND = Kind(
    name="overflowing",
    title="overflowing",
    severity=Severity.KNOW,
    defaults=Defaults(timing=Timing(raise_after_ms=30 * MIN_MS, clear_after_ms=60 * MIN_MS, raise_count=2)),
    listens=(LevelFact,),
    judge=judge,
    short=short,
    long=long,
    manual=(
        "Every reading over 30 minutes stood at the overflow lip. It goes when every reading over an hour is 3 % below it. "
        "What to do: turn off what fills it, or move water to another tank of the same use."
    ),
    samples=(
        {
            "subject": "garden",
            "numbers": {"on_hand_m3": 3.32, "u_m3": 0.03},
            "cleared": {"on_hand_m3": 3.1, "u_m3": 0.03},
        },
    ),
    dimension="volume",
    rises=True,
    held_by=("in-doubt",),
)
