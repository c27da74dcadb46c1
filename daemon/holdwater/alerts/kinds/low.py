"""*low*: the water on hand is at or below the reserve; worse when under half of it."""

from __future__ import annotations

from dataclasses import replace

from holdwater.alerts.facts import LevelFact
from holdwater.alerts.kind import Defaults, Kind, Rule, View
from holdwater.alerts.matter import MIN_MS, Judgement, Severity, Timing
from holdwater.alerts.states import below
from holdwater.alerts.telling import Telling

SURE = 4.0  # so many standard uncertainties of one reading under the line are no noise
HALF = 0.5  # under half the reserve it becomes *act now*


def judge(fact: LevelFact, view: View, rule: Rule) -> Judgement | None:
    """At or below the reserve by the best value; back when above it by the margin and twice the noise.

    The best value is the steady one: a reading's noise just under the reserve neither raises it nor keeps beginning it anew.
    """
    on_hand_m3 = fact.trusted_m3 if fact.steady_m3 is None else fact.steady_m3
    tank = view.tank(fact.tank)
    reserve_m3 = rule.raise_at if rule.raise_at is not None else (tank.reserve_m3 if tank else None)
    if on_hand_m3 is None or reserve_m3 is None or reserve_m3 <= 0:
        return None
    clear_m3 = rule.clear_at if rule.clear_at is not None else reserve_m3 * (1 + rule.clear_margin)
    clear_m3 = max(clear_m3, reserve_m3 + 2 * fact.u_noise_m3)
    half_m3 = reserve_m3 * HALF
    half_clear_m3 = half_m3 + max(reserve_m3 * rule.clear_margin, 2 * fact.u_noise_m3)
    clear_of_m3 = SURE * fact.u_noise_m3
    surely = on_hand_m3 <= reserve_m3 - clear_of_m3 and abs(on_hand_m3 - half_m3) >= clear_of_m3
    at_once = replace(rule.timing, raise_after_ms=0) if surely and _is_sparse(fact, view, rule) else None
    return Judgement(
        fact.tank,
        below(on_hand_m3, reserve_m3, clear_m3),
        (("on_hand_m3", on_hand_m3), ("reserve_m3", reserve_m3), ("u_m3", fact.u_m3)),
        (("drinking", "yes"),) if tank and tank.is_drinking else (),
        upper=below(on_hand_m3, half_m3, half_clear_m3),
        timing=at_once,
    )


def _is_sparse(fact: LevelFact, view: View, rule: Rule) -> bool:
    """Whether nothing was heard for as long as readings must agree: a second one would come no sooner than that again."""
    before = view.trusted(fact.tank)
    return before is not None and fact.ts_ms - before[0] >= rule.timing.raise_after_ms > 0


def short(told: Telling) -> str:
    """The text message."""
    now, reserve = told.volume("on_hand_m3"), told.volume("reserve_m3", "exact")
    if told.is_over:
        ending = f"It was low for {told.lasted}. Check the next haul all the same."
        return f"{told.name} tank back above its reserve: {now} now, reserve {reserve}. {ending}"
    if told.severity is Severity.NOW:
        return f"ACT NOW {told.name} tank {now}: under half its reserve of {reserve}. Stop all use that can wait. Haul or fill today."
    return f"{told.name} tank low: {now}, reserve {reserve}. Use less and plan a haul or fill today. Road and fill station open?"


def long(told: Telling) -> str:
    """The longer text."""
    u = told.numbers.get("u_m3", 0.0)
    doubt = told.measure.volume_text(u, None)
    if told.is_over:
        return f"{short(told)} Measured to about {doubt} either way."
    water = (
        " Haul drinking water only from a source for drinking, in a tank made for it."
        if told.words.get("drinking")
        else ""
    )
    return (
        f"{short(told)} At or below the reserve since {told.when()}. Measured to about {doubt} either way. "
        f"A part-full load surges: mind payload, axles, tires and hitch.{water} "
        "This measures amount, not safety."
    )


KIND = Kind(
    name="low",
    title="low",
    severity=Severity.TODAY,
    upper=Severity.NOW,
    defaults=Defaults(clear_margin=0.05, timing=Timing(raise_after_ms=7 * MIN_MS, clear_after_ms=30 * MIN_MS)),
    listens=(LevelFact,),
    judge=judge,
    short=short,
    long=long,
    manual=(
        "The water on hand has been at or below the reserve of its tank for 7 minutes of readings, or in one reading after as "
        "long without one if it is so clearly: act today. "
        "Under half the reserve: act now. It goes when every reading over 30 minutes, two or more, is above the reserve by "
        "5 % or by twice the noise of the sensor, whichever is more. A sensor in doubt holds it back. "
        "What to do: use less, haul or fill, and ask whether road and fill station are open before loading."
    ),
    samples=(
        {
            "numbers": {"on_hand_m3": 0.3066, "reserve_m3": 0.3407, "u_m3": 0.008},
            "cleared": {"on_hand_m3": 0.78, "reserve_m3": 0.3407, "u_m3": 0.012},
            "words": {"drinking": "yes"},
        },
        {
            "numbers": {"on_hand_m3": 0.15, "reserve_m3": 0.3407, "u_m3": 0.008},
            "cleared": {"on_hand_m3": 0.78, "reserve_m3": 0.3407, "u_m3": 0.012},
            "words": {"drinking": "yes"},
            "severity": Severity.NOW,
        },
        {
            "numbers": {"on_hand_m3": 18.15, "reserve_m3": 18.92706, "u_m3": 0.4},
            "cleared": {"on_hand_m3": 22.7, "reserve_m3": 18.92706, "u_m3": 0.4},
            "words": {},
        },
    ),
    dimension="volume",
    held_by=("in-doubt",),
)
