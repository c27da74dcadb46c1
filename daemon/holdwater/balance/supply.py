"""How long the water lasts: recent daily use on days without inflow, and days above reserve with a range.

Use of L days has mean L d and variance sd^2 (L + 2 sum (L - j) r^j), days being alike the days before them with lag-1
correlation r. To that come the doubt of the mean, L times over, and the doubt of what is on hand.
A forecast that knows rain and season is the work of `ahead`; this is the figure for today.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from datetime import date
from itertools import pairwise

from holdwater.balance.days import Account
from holdwater.balance.kinds import CAUGHT, LOAD
from holdwater.balance.middle import median

VERSION = 2
WINDOW_DAYS = 28  # how far back a day may lie
RECENT = 14  # newest days without inflow that count
LEAST_DAYS = 5
STALE_DAYS = 7
TRIM = 0.15  # of each end: 2 of 14, so that an open valve and a day of guests change nothing
HORIZON_DAYS = 90.0
PRIOR_R, PRIOR_N = 0.3, 10.0  # fourteen days cannot tell a correlation; leaned on 0.3, own choice
MOST_R = 0.8
FED_DAYS = 14  # what a well brought in the last two weeks tells whether it keeps up
FED_LEAST = 10
INFLOW_M3 = 0.004  # about 1 gal: less is noise, not inflow
QUANTILES = (0.1, 0.5, 0.9)
_Z90 = 1.2815515655446004  # the 90 % quantile of the normal distribution


@dataclass(frozen=True, slots=True)
class Use:
    """Recent daily use.

    Attributes:
        mean_m3: use of a day.
        sd_m3: standard deviation from day to day.
        r: correlation of a day with the day before.
        u_mean_m3: standard uncertainty of the mean.
        days: number of days it rests on.
    """

    mean_m3: float
    sd_m3: float
    r: float = 0.0
    u_mean_m3: float = 0.0
    days: int = 0


@dataclass(frozen=True, slots=True)
class Days:
    """Days until the reserve, or why that is unknown.

    Attributes:
        low: in one of ten futures it is sooner.
        mid: as often sooner as later.
        high: in one of ten futures it is later.
        reason: why unknown, in words; empty when known.

    A figure of `HORIZON_DAYS` means that many or more.
    """

    low: float | None
    mid: float | None
    high: float | None
    reason: str = ""

    def words(self) -> str:
        """In words: ``12 days (9-16)``, ``more than 90 days``, ``unknown: …``."""
        if self.low is None or self.mid is None or self.high is None:
            return f"unknown: {self.reason}"
        if self.low >= HORIZON_DAYS:
            return f"more than {HORIZON_DAYS:.0f} days"
        if self.high <= 0:
            return "0 days: at or under the reserve"
        high = f"{HORIZON_DAYS:.0f}+" if self.high >= HORIZON_DAYS else f"{self.high:.0f}"
        mid = f"more than {HORIZON_DAYS:.0f}" if self.mid >= HORIZON_DAYS else f"{self.mid:.0f}"
        return f"{mid} days ({self.low:.0f}-{high})"


@dataclass(frozen=True, slots=True)
class Unknown:
    """Why recent use is not known, in words."""

    reason: str


@dataclass(frozen=True, slots=True)
class _Day:
    ordinal: int
    gone_m3: float
    dry: bool  # no inflow
    fed_m3: float = 0.0  # what came neither as a load nor off a roof: a well, a spring, the mains


class Supply:
    """Recent daily use of one tank, learned from day accounts."""

    def __init__(self) -> None:
        self._days: dict[int, _Day] = {}

    def add(self, account: Account) -> None:
        """Learn one day, in any order; the same day again replaces it, and a day that is not whole forgets it."""
        ordinal = account.day.toordinal()
        gone_m3 = account.gone_m3
        if gone_m3 is None or not account.is_whole:
            self._days.pop(ordinal, None)
            return
        # Unexplained inflow hides in `gone` as a negative use; such a day says nothing about use.
        dry = account.in_m3 <= INFLOW_M3 and gone_m3 > -max(INFLOW_M3, 3 * account.u_m3)
        fed_m3 = math.fsum(m3 for kind, m3 in account.inflow_m3 if kind not in (LOAD, CAUGHT))
        self._days[ordinal] = _Day(ordinal, max(0.0, gone_m3), dry, fed_m3)
        newest = max(self._days)
        self._days = {each: day for each, day in self._days.items() if each > newest - 2 * WINDOW_DAYS}

    def use(self, today: date) -> Use | Unknown:
        """Recent daily use as of a local day.

        Returns:
            Trimmed mean of the newest 14 days without inflow out of the last 28, with its day-to-day spread; `Unknown`
            for fewer than 5 such days, or when the newest whole day is more than 7 days old.
        """
        now = today.toordinal()
        known = [self._days[each] for each in sorted(self._days) if now - WINDOW_DAYS <= each < now]
        if not known:
            return Unknown("no full day of readings in the last four weeks")
        if now - known[-1].ordinal > STALE_DAYS:
            return Unknown(f"no full day of readings since {date.fromordinal(known[-1].ordinal):%d %b %Y}")
        dry = [day for day in known if day.dry][-RECENT:]
        if len(dry) < LEAST_DAYS:
            count = "1 day" if len(dry) == 1 else f"{len(dry)} days"
            return Unknown(f"only {count} without inflow so far, {LEAST_DAYS} needed to know the use")
        return _use_of(dry)

    def fed_m3(self, today: date) -> float:
        """What filled it by itself (a well, a spring, the mains) a day, over the last two weeks; 0 when too little is known.

        Loads and rain are not counted: neither comes by itself.
        """
        now = today.toordinal()
        known = [day.fed_m3 for each, day in self._days.items() if now - FED_DAYS <= each < now]
        return math.fsum(known) / len(known) if len(known) >= FED_LEAST else 0.0

    def days_above(self, today: date, on_hand_m3: float, reserve_m3: float, u_m3: float = 0.0) -> Days:
        """Days above reserve from now on; see `days_above_reserve`."""
        use = self.use(today)
        if isinstance(use, Unknown):
            return Days(None, None, None, use.reason)
        return days_above_reserve(on_hand_m3 - reserve_m3, use, u_m3)

    def to_bytes(self) -> bytes:
        """The model as bytes, exact to the last bit."""
        rows = [[day.ordinal, day.gone_m3, day.dry, day.fed_m3] for _, day in sorted(self._days.items())]
        return json.dumps([VERSION, rows], separators=(",", ":")).encode()

    @classmethod
    def from_bytes(cls, body: bytes) -> Supply:
        """The model that `to_bytes` described.

        Raises:
            ValueError: another version; fold again from day accounts.
        """
        version, rows = json.loads(body)
        if version != VERSION:
            raise ValueError(f"supply: stored model has version {version}, not {VERSION}; fold again from day accounts")
        made = cls()
        made._days = {ordinal: _Day(ordinal, gone_m3, dry, fed_m3) for ordinal, gone_m3, dry, fed_m3 in rows}
        return made


def _use_of(days: list[_Day]) -> Use:
    values = [day.gone_m3 for day in days]
    ranked = sorted(values)
    cut = int(TRIM * len(ranked))
    kept = ranked[cut : len(ranked) - cut]
    mean_m3 = math.fsum(kept) / len(kept)
    # Far days are pulled in to three robust deviations: one open valve must not widen the range for a fortnight.
    middle = median(values)
    reach = max(3 * 1.4826 * median(abs(value - middle) for value in values), kept[-1] - kept[0])
    pulled = [min(max(value, middle - reach), middle + reach) for value in values]
    centre = math.fsum(pulled) / len(pulled)
    # n - 3, not n - 1: the variance of Student's t, since the spread of so few days is itself uncertain.
    sd_m3 = math.sqrt(math.fsum((value - centre) ** 2 for value in pulled) / max(len(pulled) - 3, 1))
    r = _correlation(days, pulled, centre)
    # The mean rests on the days that trimming left, and neighbouring days say less than independent ones.
    u_mean_m3 = sd_m3 * math.sqrt(variance_factor(len(days), r) / len(kept))
    return Use(mean_m3, sd_m3, r, u_mean_m3, len(days))


def _correlation(days: list[_Day], values: list[float], centre: float) -> float:
    """Correlation of a day with the day before, of neighbouring dates only, leaned on a prior.

    A short record shows too little of it, by about (1 + 3 r)/n (Kendall 1954, from memory); that is added back.
    """
    both = pairwise(zip(days, values, strict=True))
    pairs = [(a - centre, b - centre) for (day, a), (after, b) in both if after.ordinal == day.ordinal + 1]
    spread = math.fsum(a * a + b * b for a, b in pairs) / 2
    n = len(pairs)
    found = math.fsum(a * b for a, b in pairs) / spread if spread > 0 else 0.0
    seen = n * found + 1 + 3 * found if n else 0.0
    return min(MOST_R, max(0.0, (seen + PRIOR_N * PRIOR_R) / (n + PRIOR_N)))


def variance_factor(days: float, r: float) -> float:
    """Variance of the use of `days` days over that of independent days: 1 + 2 sum_{j=1}^{L-1} (1 - j/L) r^j.

    The sum is taken in closed form, 1 + 2 r/(1-r) - 2 r (1 - r^L)/(L (1-r)^2), which holds between whole days too.
    """
    if days <= 1 or r == 0:
        return 1.0
    return 1 + 2 * r / (1 - r) - 2 * r * (1 - math.pow(r, days)) / (days * (1 - r) ** 2)


def use_of_days(days: float, use: Use, z: float, u_m3: float = 0.0) -> float:
    """Use of so many days at a deviate z of the normal distribution (z 1.28: exceeded in one of ten futures), m3."""
    variance = days * use.sd_m3**2 * variance_factor(days, use.r) + (days * use.u_mean_m3) ** 2 + u_m3**2
    return days * use.mean_m3 + z * math.sqrt(variance)


def days_above_reserve(margin_m3: float, use: Use, u_m3: float = 0.0) -> Days:
    """Days until `margin_m3` is used up, at 10, 50 and 90 %.

    Args:
        margin_m3: on hand minus reserve; zero or less gives 0 days.
        use: daily use.
        u_m3: standard uncertainty of what is on hand.

    Returns:
        Figures between 0 and 90 days; 90 means 90 or more.
    """
    if margin_m3 <= 0:
        return Days(0.0, 0.0, 0.0)
    low, mid, high = (_lasts(margin_m3, use, z, u_m3) for z in (_Z90, 0.0, -_Z90))
    return Days(low, max(low, mid), max(low, mid, high))


def _lasts(margin_m3: float, use: Use, z: float, u_m3: float) -> float:
    """First time at which the use at that deviate reaches the margin, by quarter days and then bisection."""
    step, before = 0.25, 0.0
    if use_of_days(0.0, use, z, u_m3) >= margin_m3:
        return 0.0
    while before < HORIZON_DAYS:
        after = before + step
        if use_of_days(after, use, z, u_m3) >= margin_m3:
            for _ in range(40):
                middle = (before + after) / 2
                before, after = (before, middle) if use_of_days(middle, use, z, u_m3) >= margin_m3 else (middle, after)
            return after
        before = after
    return HORIZON_DAYS
