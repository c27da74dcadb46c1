"""Counted pulses of a flow meter or a rain gauge: from a count that may start again to an amount."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Step:
    """What one reading of a counter adds.

    Attributes:
        amount: m3 (flow) or m (rain) since the reading before; never negative.
        u: standard uncertainty of the amount.
        reset: the counter had started again, so the amount is the least that can have passed.
        doubtful: more than the meter can pass in that time.
    """

    amount: float
    u: float
    reset: bool = False
    doubtful: bool = False


@dataclass(frozen=True, slots=True)
class Pulses:
    """A counter of pulses.

    Attributes:
        per_pulse: m3 or m of one pulse.
        modulus: the count at which it starts again from zero, such as 65536; 0 when it never does.
        most_per_s: most pulses a second that the meter can give; 0 when not stated.
        accuracy_share: limit of error as a share of the amount; 2 % by default (common practice, no source).
    """

    per_pulse: float
    modulus: int = 0
    most_per_s: float = 0.0
    accuracy_share: float = 0.02

    def step(self, before: float, now: float, seconds: float) -> Step:
        """The amount between two readings of the count.

        Args:
            before: count at the earlier reading.
            now: count at the later reading.
            seconds: time between them, s.

        A smaller count is a roll-over when the modulus explains it within what the meter can pass, else a restart from
        zero: then `now` pulses are certain, those between the earlier reading and the restart are lost.
        """
        pulses, reset = now - before, False
        if pulses < 0:
            rolled = pulses + self.modulus
            possible = self.most_per_s * seconds if self.most_per_s else self.modulus / 2
            if self.modulus and 0 <= rolled <= possible:
                pulses = rolled
            else:
                pulses, reset = max(now, 0.0), True
        amount = pulses * self.per_pulse
        # one pulse may have been just ahead or just behind at either end: triangular, +-1 pulse
        u = math.hypot(self.per_pulse / math.sqrt(6), amount * self.accuracy_share / math.sqrt(3))
        return Step(amount, u, reset, self.most_per_s > 0 and seconds > 0 and pulses > self.most_per_s * seconds + 1)
