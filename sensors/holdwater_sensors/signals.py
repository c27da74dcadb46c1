"""Electrical signals of transmitters: current loop and ratiometric voltage, from the signal to the share of the range.

A share of 0 is the low end of the transmitter's range, 1 the high end.
"""

from __future__ import annotations

from dataclasses import dataclass

from holdwater_sensors.quality import OK, Grade, Reason, code


@dataclass(frozen=True, slots=True)
class CurrentLoop:
    """A 4-20 mA transmitter, judged by NAMUR NE 43.

    NE 43: measuring information from 3.8 to 20.5 mA; failure information at 3.6 mA and below, 21 mA and above. What
    lies between (3.6 to 3.8, 20.5 to 21) is neither: suspect. A loop at 0 mA is open.
    """

    def share(self, current_a: float, supply_v: float | None) -> tuple[float, int]:  # noqa: ARG002 - one form for all signals
        """Share of the range and quality of a current in A."""
        share = (current_a - 0.004) / 0.016
        if current_a <= 0.0036 or current_a >= 0.021:
            return share, code(Grade.REJECTED, Reason.LOOP)
        if current_a < 0.0038 or current_a > 0.0205:
            return share, code(Grade.SUSPECT, Reason.LOOP)
        return share, OK


@dataclass(frozen=True, slots=True)
class Ratiometric:
    """A transmitter whose output is a share of its supply, usually 10 to 90 % (0.5 to 4.5 V of 5 V).

    Attributes:
        low: share of the supply at the low end of the range.
        high: share of the supply at the high end.
        nominal_v: supply when it is not measured, V.
        supply_measured: a series of the supply exists; a missing value is then worth a doubt.
    """

    low: float = 0.1
    high: float = 0.9
    nominal_v: float = 5.0
    supply_measured: bool = False

    def share(self, signal_v: float, supply_v: float | None) -> tuple[float, int]:
        """Share of the range and quality of a voltage in V.

        Args:
            signal_v: output of the transmitter, V.
            supply_v: its supply as measured, V; None when not known.

        The output is in fault outside 5 to 95 % of the supply (0.25 to 4.75 V of 5 V), the supply in doubt when more
        than 10 % off its nominal value (both common practice, no source).
        """
        quality = OK
        if supply_v is None:
            supply_v = self.nominal_v
            quality = code(Grade.SUSPECT, Reason.SUPPLY) if self.supply_measured else OK
        elif supply_v <= 0:
            return 0.0, code(Grade.REJECTED, Reason.SUPPLY)
        elif abs(supply_v / self.nominal_v - 1) > 0.1:
            quality = code(Grade.SUSPECT, Reason.SUPPLY)
        of_supply = signal_v / supply_v
        share = (of_supply - self.low) / (self.high - self.low)
        margin = self.low / 2
        if not margin <= of_supply <= self.high + margin:
            return share, code(Grade.REJECTED, Reason.OUT_OF_RANGE)
        return share, quality


@dataclass(frozen=True, slots=True)
class Voltage:
    """A transmitter with a fixed voltage span, such as 0 to 10 V.

    Attributes:
        low_v: voltage at the low end of the range.
        high_v: voltage at the high end.
    """

    low_v: float
    high_v: float

    def share(self, signal_v: float, supply_v: float | None) -> tuple[float, int]:  # noqa: ARG002 - one form for all signals
        """Share of the range and quality of a voltage in V; more than 5 % outside the span is a fault."""
        share = (signal_v - self.low_v) / (self.high_v - self.low_v)
        return share, OK if -0.05 <= share <= 1.05 else code(Grade.REJECTED, Reason.OUT_OF_RANGE)


Signal = CurrentLoop | Ratiometric | Voltage
