"""Whether the battery of a sensor box or of the board is low, by its voltage. Pure.

The kind is told by the voltage: one lithium cell or a few dry cells below 5.5 V, a 12 V battery from 9 V to 16 V. A lead battery at
rest stands at 12.1 V with 40 % left and at 11.9 V with 20 % (an inverter maker's manual); the other lines are common practice, no source.
"""

from __future__ import annotations

from holdwater.alerts.states import Verdict

QUANTITY = "battery"
"""Name of the quantity, in V, that a sensor box sends for its battery."""

LINES: tuple[tuple[float, float, float, float], ...] = (
    # from, below; low at or under, well at or over (V)
    (2.0, 5.5, 3.3, 3.5),
    (9.0, 16.0, 11.9, 12.3),
    (18.0, 32.0, 23.8, 24.6),
)


def verdict(volts: float) -> Verdict:
    """Whether a battery at that voltage is low, well, between, or of a kind that is not known."""
    for least, below, low, well in LINES:
        if least <= volts < below:
            return Verdict.BEYOND if volts <= low else Verdict.BACK if volts >= well else Verdict.BETWEEN
    return Verdict.UNKNOWN
