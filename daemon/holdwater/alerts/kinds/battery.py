"""*battery*: a sensor box or the board runs low on power."""

from __future__ import annotations

from holdwater.alerts import system
from holdwater.alerts.facts import SystemFact
from holdwater.alerts.kind import Defaults, Kind
from holdwater.alerts.matter import MIN_MS, Severity, Timing
from holdwater.alerts.telling import Telling, cut

FROST_C = 0.0


def short(told: Telling) -> str:
    """The text message."""
    name = cut(told.subject, 24)
    if told.is_over:
        return f"Battery of {name} is charged again after {told.lasted}. Check that nothing shades its panel."
    volts, air_c = told.numbers.get("volts"), told.numbers.get("air_c")
    level = "" if volts is None else f" at {volts:.1f} V"
    if air_c is not None and air_c <= FROST_C:
        air = told.measure.temperature_text(air_c)
        return f"Battery of {name} low{level} and {air}. Do not charge a lithium iron phosphate one below freezing. Warm it indoors first."
    return f"Battery of {name} low{level} since {told.when()}. Clean snow and dust off its panel, look at plugs, or charge it today."


def long(told: Telling) -> str:
    """The longer text."""
    if told.is_over:
        return short(told)
    return (
        f"{short(told)} Lithium iron phosphate is not charged below freezing; a flat lead battery freezes and splits. "
        "A box without power is silent, and a low tank is not noticed then."
    )


KIND = Kind(
    name="battery",
    title="battery",
    severity=Severity.TODAY,
    defaults=Defaults(timing=Timing(raise_after_ms=30 * MIN_MS, clear_after_ms=120 * MIN_MS)),
    listens=(SystemFact,),
    judge=system.judge,
    short=short,
    long=long,
    manual=(
        "The battery of a sensor box or of the board has been low for 30 minutes. Below freezing it is told in a line of its own. It goes "
        "when the battery has been up for two hours. What to do: clean the panel, look at plugs, charge it; not a lithium iron phosphate "
        "one below 32F (0C)."
    ),
    samples=(
        {"subject": "garden", "numbers": {"volts": 3.21, "air_c": 8.0}},
        {"subject": "garden", "numbers": {"volts": 12.1, "air_c": -6.0}},
    ),
    lived=True,
)
