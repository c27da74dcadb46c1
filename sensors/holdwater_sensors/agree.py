"""Two sensors on one tank: whether they agree within their doubt, and which of them is the likelier liar."""

from __future__ import annotations

import math
from dataclasses import dataclass

from holdwater_sensors.bounds import FloatSwitch
from holdwater_sensors.instrument import Depth
from holdwater_sensors.water import expansion

COVERAGE = 3.0  # standard uncertainties; two honest sensors pass it once in 400 comparisons


@dataclass(frozen=True, slots=True)
class Comparison:
    """Two depths of one water.

    Attributes:
        difference_m: first minus second, m.
        u_m: standard uncertainty of the difference, m.
        agrees: within `COVERAGE` standard uncertainties.
    """

    difference_m: float
    u_m: float
    agrees: bool


def compare(first: Depth, second: Depth, expansion_m: float = 0.0) -> Comparison | None:
    """Compares two depths of one water at one time.

    Args:
        first: depth by one sensor.
        second: depth by the other.
        expansion_m: what only one of them can see of the water's warming since both were set alike, m
            (`unseen_expansion`); counts as doubt, uniform.

    Returns:
        None when one of them has no depth.
    """
    if first.depth_m is None or second.depth_m is None:
        return None
    difference_m = first.depth_m - second.depth_m
    u_m = math.sqrt(first.u_m**2 + second.u_m**2 + expansion_m**2 / 3)
    return Comparison(difference_m, u_m, abs(difference_m) <= COVERAGE * u_m)


def unseen_expansion(depth_m: float, set_c: float, now_c: float) -> float:
    """Rise of the surface in a straight-walled tank that a pressure sensor with a fixed density does not see, m.

    Args:
        depth_m: depth of the water, m.
        set_c: water temperature for which its density holds, degC.
        now_c: water temperature now, degC. From 5 to 30 degC: 0.434 % of the depth.
    """
    return depth_m * expansion(set_c, now_c)


@dataclass(frozen=True, slots=True)
class Third:
    """Facts that may tell which of two sensors lies; None where there is none.

    Attributes:
        dip: a hand dip of about the same time.
        dip_against: whether each of the two contradicted a hand dip at the time of the dip; for a dip of a while ago.
        float_switch: a float switch of the tank.
        float_value: what it says.
        overflow_m: height of the overflow lip; the water cannot stand more than an inch above it, m.
        running_over: water is seen or known to run over: it stands at the lip.
        first_rate_m_s: how fast the first sensor's depth changed when they came apart, m/s.
        second_rate_m_s: how fast the second's did.
        most_rate_m_s: fastest that the tank can fill or empty, m/s.
    """

    dip: Depth | None = None
    float_switch: FloatSwitch | None = None
    float_value: float | None = None
    overflow_m: float | None = None
    running_over: bool = False
    first_rate_m_s: float | None = None
    second_rate_m_s: float | None = None
    most_rate_m_s: float | None = None
    dip_against: tuple[bool, bool] | None = None


OVER_LIP_M = 0.0254


@dataclass(frozen=True, slots=True)
class Liar:
    """Who lies, 1 or 2, and by which fact; 0 when the facts do not tell or contradict each other."""

    which: int
    by: str


def likelier_liar(first: Depth, second: Depth, third: Third) -> Liar:
    """Which of two sensors that disagree is the likelier liar.

    Each fact votes against a sensor that it contradicts when it does not contradict the other. Only facts that all
    point one way name a liar; physics (rate, overflow) and things seen (dip, float) count alike.
    """
    dip = third.dip_against or (_against_dip(first, third), _against_dip(second, third))
    votes = [
        ("the hand dip", *dip),
        ("the float switch", _against_float(first, third), _against_float(second, third)),
        ("the overflow", _against_overflow(first, third), _against_overflow(second, third)),
        (
            "how fast the tank can change",
            _too_fast(third.first_rate_m_s, third),
            _too_fast(third.second_rate_m_s, third),
        ),
    ]
    named = [(1 if one else 2, by) for by, one, two in votes if one != two]
    if not named or len({which for which, _ in named}) > 1:
        return Liar(0, "")
    return Liar(named[0][0], " and ".join(by for _, by in named))


def _against_dip(found: Depth, third: Third) -> bool:
    if third.dip is None:
        return False
    comparison = compare(found, third.dip)
    return comparison is not None and not comparison.agrees


def _against_float(found: Depth, third: Third) -> bool:
    if third.float_switch is None or third.float_value is None or found.depth_m is None:
        return False
    return third.float_switch.contradicts(third.float_value, found.depth_m, found.u_m)


def _against_overflow(found: Depth, third: Third) -> bool:
    if third.overflow_m is None or found.depth_m is None:
        return False
    above_m = found.depth_m - third.overflow_m
    return above_m > OVER_LIP_M + 2 * found.u_m or (third.running_over and above_m < -2 * found.u_m)


def _too_fast(rate_m_s: float | None, third: Third) -> bool:
    return rate_m_s is not None and third.most_rate_m_s is not None and abs(rate_m_s) > 1.5 * third.most_rate_m_s


@dataclass(frozen=True, slots=True)
class Quarrel:
    """Since when two sensors have disagreed without a break; a fold over comparisons in order of time.

    Attributes:
        since_ms: first comparison of the run that did not agree; None while they agree.
        latest_ms: latest comparison.
    """

    since_ms: int | None = None
    latest_ms: int = 0

    def then(self, ts_ms: int, comparison: Comparison) -> Quarrel:
        """After one more comparison."""
        if comparison.agrees:
            return Quarrel(None, ts_ms)
        return Quarrel(ts_ms if self.since_ms is None else self.since_ms, ts_ms)

    def lasting(self, limit_ms: int) -> bool:
        """Whether they have disagreed for at least that long."""
        return self.since_ms is not None and self.latest_ms - self.since_ms >= limit_ms
