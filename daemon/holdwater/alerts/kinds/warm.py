"""*warm*: the water of a tank has been warm enough for germs to grow that harm when breathed as mist."""

from __future__ import annotations

from holdwater.alerts.facts import SystemFact
from holdwater.alerts.kind import Defaults, Kind, Rule, View
from holdwater.alerts.matter import MIN_MS, Judgement, Severity, Timing
from holdwater.alerts.states import above
from holdwater.alerts.telling import Telling

WARM_C, COOL_C = (
    25.0,
    23.0,
)  # Legionella grows best at 77 to 113 degF (US CDC, toolkit for water management; from memory)
HOURS = 60 * MIN_MS


def judge(fact: SystemFact, view: View, rule: Rule) -> Judgement | None:  # noqa: ARG001  every kind is asked the same way
    """At or above the raise line by the water's own temperature."""
    water_c = fact.numbers.get("water_c")
    if water_c is None or rule.raise_at is None or rule.clear_at is None:
        return None
    return Judgement(fact.subject, above(water_c, rule.raise_at, rule.clear_at), (("water_c", water_c),))


def short(told: Telling) -> str:
    """The text message."""
    water = told.temperature("water_c")
    if told.is_over:
        return f"{told.name} tank has cooled to {water}. Flush the pipes and hoses that stood warm before you spray."
    return (
        f"{told.name} tank: water {water}. Germs that harm when breathed as mist can grow. Do not breathe spray; "
        "let hoses run out first."
    )


def long(told: Telling) -> str:
    """The longer text."""
    if told.is_over:
        return short(told)
    return (
        f"{short(told)} Shade the tank and use its water, so that it does not stand. Old and sick people are hurt most. A chlorine "
        "residual fades sooner in warm water: test it. This measures amount and temperature, not safety; the health department says what "
        "to test for."
    )


KIND = Kind(
    name="warm",
    title="warm",
    severity=Severity.KNOW,
    defaults=Defaults(
        raise_at=WARM_C, clear_at=COOL_C, timing=Timing(raise_after_ms=6 * HOURS, clear_after_ms=24 * HOURS, raise_count=3)
    ),
    listens=(SystemFact,),
    judge=judge,
    short=short,
    long=long,
    manual=(
        "The water of a tank that has a water temperature has been at 77F (25C) or warmer for 6 hours: germs that harm when breathed "
        "as mist grow in warm standing water. It goes after a day below 73F (23C). What to do: shade the tank, use and flush, stay out "
        "of spray."
    ),
    samples=(
        {"subject": "garden", "numbers": {"water_c": 26.4}, "cleared": {"water_c": 22.1}},
        {"subject": "drinking", "numbers": {"water_c": 31.0}, "cleared": {"water_c": 22.8}},
    ),
    dimension="temperature",
    rises=True,
)  # fmt: skip
