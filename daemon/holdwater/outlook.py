"""What lies ahead of each tank: days above its reserve, and by which day to haul. Worked out anew every hour."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from typing import TYPE_CHECKING

from holdwater.ahead.haul import KEEPS_UP, Haul, Stock, Trip, haul_by
from holdwater.alerts.states import Verdict
from holdwater.balance.days import day_of
from holdwater.balance.supply import Days, Unknown, Use, days_above_reserve
from holdwater.store.rows import HOUR_MS

if TYPE_CHECKING:
    from holdwater.alerts.engine import Alerts
    from holdwater.alerts.rows import Change
    from holdwater.books import Learned
    from holdwater.config.site import Site
    from holdwater.gauge import LevelPoint
    from holdwater.tanks.tank import Tank

EVERY_MS = HOUR_MS
"""Days ahead do not move faster; worked out with each reading they would cost more than the reading."""

MOVED_DAYS = 2
"""So many days later at once, and the day of a haul is another one."""

RUNS_IN = 0.01
"""Of the full tank: so much more than at the last look, and water runs in."""

MOVED = 0.03
"""Of the full tank: water that came or went is looked at at once."""

DAY_S = 86400.0
FED, UNFED = 0.9, 0.6  # shares of the use: a well that brings so much keeps up; one that brings less does not
BY_ITSELF = {"roof": "rain", "well": "the well", "spring": "the spring", "mains": "the mains"}


@dataclass(frozen=True, slots=True)
class Ahead:
    """What lies ahead of one tank, as of one reading.

    Attributes:
        at_ms: time of the reading, ms UTC.
        on_hand_m3: on hand by it.
        u_m3: its standard uncertainty.
        use: recent daily use, or why it is not known.
        days: days above the reserve.
        haul: by which day to haul; None where nothing is hauled.
        by_usual: by which day if the wait is the usual one, not the worst.
        fed_share: what a well, a spring or the mains brought over the last two weeks, as a share of the use.
    """

    at_ms: int
    on_hand_m3: float
    u_m3: float
    use: Use | Unknown
    days: Days
    haul: Haul | None
    fed_share: float
    by_usual: date | None = None


class Outlook:
    """Looks ahead for every tank that has a reserve or is hauled to, and tells the rules.

    Args:
        site: tanks and time zone.
        learned: what is known of the use.
        alerts: the rules.
    """

    def __init__(self, site: Site, learned: Learned, alerts: Alerts) -> None:
        self._site = site
        self._learned = learned
        self._alerts = alerts
        self._newest: dict[str, Ahead] = {}
        self._earliest: dict[str, date] = {}
        self._moved: dict[str, str] = {}
        self._waters = waters(site)

    def on_level(self, tank: str, point: LevelPoint) -> list[Change]:
        """Take a level; where it is time to look ahead anew, what the rules make of it."""
        if not self._is_due(tank, point):
            return []
        ahead = self._look(self._site.tanks[tank], point)
        self._mark_move(tank, self._newest.get(tank), ahead)
        self._newest[tank] = ahead
        if isinstance(ahead.use, Unknown):
            return []
        # The haul first: while it is told, *short* says the same with less.
        told = [*self._tell_haul(tank, ahead), *self._tell_short(tank, ahead)]
        return told + (self._tell_old(tank, ahead, point, ahead.use) if self._site.tanks[tank].is_drinking else [])

    def on_reading(self, series: str, ts_ms: int, value_si: float) -> list[Change]:
        """Take any reading; what the rules make of a water temperature."""
        changes: list[Change] = []
        for tank in self._waters.get(series, ()):
            changes += self._alerts.on_fact("warm", tank, Verdict.UNKNOWN, ts_ms, numbers={"water_c": value_si})
        return changes

    def _mark_move(self, tank: str, before: Ahead | None, ahead: Ahead) -> None:
        """Water that came moves the day of the haul, and need not end the notice of it: then the new day is told.

        While it runs in nothing is told yet. A fill lasts over many looks, so the day is held against the earliest since the last move;
        a day that is past moves by itself.
        """
        haul = ahead.haul
        if haul is None or haul.by is None:
            return
        rises = (
            before is not None
            and ahead.on_hand_m3 - before.on_hand_m3 > RUNS_IN * self._site.tanks[tank].full_on_hand_m3
        )
        earliest = self._earliest.get(tank, haul.by)
        if not rises and not haul.late and (haul.by - earliest).days >= MOVED_DAYS:
            self._moved[tank] = haul.by.isoformat()
            earliest = haul.by
        self._earliest[tank] = haul.by if haul.late and not rises else min(earliest, haul.by)

    def haul(self, tank: str, point: LevelPoint) -> Haul | None:
        """By which day to haul, as of about that level; None where nothing is hauled."""
        each = self._site.tanks[tank]
        if each.haul is None or point.on_hand_m3 is None:
            return None
        known = self._newest.get(tank)
        if known is None:
            known = self._newest[tank] = self._look(each, point)
        return known.haul

    def _is_due(self, name: str, point: LevelPoint) -> bool:
        tank, known = self._site.tanks[name], self._newest.get(name)
        if not point.ok or point.on_hand_m3 is None or not (tank.haul or tank.reserve_m3 or tank.is_drinking):
            return False
        if known is None or point.ts_ms // EVERY_MS != known.at_ms // EVERY_MS:
            return True
        return abs(point.on_hand_m3 - known.on_hand_m3) > MOVED * tank.full_on_hand_m3

    def _look(self, tank: Tank, point: LevelPoint) -> Ahead:
        at_ms, on_hand_m3 = point.ts_ms, point.on_hand_m3 or 0.0
        u_m3 = (point.u_noise_m3**2 + point.u_scale_m3**2) ** 0.5
        use, fed_m3, reserve_m3 = (
            self._learned.use(tank.name, at_ms),
            self._learned.fed_m3(tank.name, at_ms),
            tank.reserve_m3 or 0.0,
        )
        if isinstance(use, Unknown):
            days, fed_share = Days(None, None, None, use.reason), 0.0
        else:
            days, fed_share = days_above_reserve(on_hand_m3 - reserve_m3, use, u_m3), fed_m3 / max(use.mean_m3, 1e-9)
        haul, by_usual = None, None
        if tank.haul is not None:
            room_m3 = (
                tank.capacity_m3 - point.total_m3 if point.total_m3 is not None else tank.full_on_hand_m3 - on_hand_m3
            )
            stock = Stock(on_hand_m3, reserve_m3, max(0.0, room_m3), u_m3)
            trip = Trip(tank.haul.load_m3, tank.haul.worst_wait_days)
            haul = haul_by(at_ms, self._site.timezone, stock, use, trip, fed_m3=fed_m3)
            usual = Trip(tank.haul.load_m3, tank.haul.usual_wait_days)
            by_usual = haul_by(at_ms, self._site.timezone, stock, use, usual, fed_m3=fed_m3).by
        return Ahead(at_ms, on_hand_m3, u_m3, use, days, haul, fed_share, by_usual)

    def _tell_short(self, tank: str, ahead: Ahead) -> list[Change]:
        days, hauling = ahead.days, self._site.tanks[tank].haul
        if days.low is None or days.mid is None or days.high is None or isinstance(ahead.use, Unknown):
            return []
        numbers = {
            "low_s": days.low * DAY_S, "mid_s": days.mid * DAY_S, "high_s": days.high * DAY_S, "use_m3": ahead.use.mean_m3,
            "use_u_m3": ahead.use.u_mean_m3, **self._stand(tank, ahead),
        }  # fmt: skip
        if hauling is not None:
            numbers["worst_wait_s"] = hauling.worst_wait_days * DAY_S
        verdict = _given(ahead.fed_share)
        return self._alerts.on_fact("short", tank, verdict, ahead.at_ms, numbers=numbers, named=self._names(tank))

    def _tell_haul(self, tank: str, ahead: Ahead) -> list[Change]:
        haul, hauling = ahead.haul, self._site.tanks[tank].haul
        if haul is None or hauling is None:
            return []
        numbers = {
            "load_m3": hauling.load_m3, "fits_m3": haul.fits_m3, "worst_wait_s": hauling.worst_wait_days * DAY_S,
            "usual_wait_s": hauling.usual_wait_days * DAY_S, **self._stand(tank, ahead),
        }  # fmt: skip
        today = day_of(ahead.at_ms, self._site.timezone)
        if haul.gained_days is not None:
            numbers["gained_s"] = haul.gained_days * DAY_S
        if haul.fits_on is not None:
            numbers["fits_on_ms"] = self._noon_ms(haul.fits_on)
        if haul.by is not None and haul.reserve_on is not None:
            numbers |= {
                "by_ms": self._noon_ms(haul.by), "left_s": (haul.by - today).days * DAY_S, "late": float(haul.late),
                "reserve_on_ms": self._noon_ms(haul.reserve_on),             }  # fmt: skip
            if ahead.by_usual is not None:
                numbers["by_usual_ms"] = self._noon_ms(ahead.by_usual)
        verdict = Verdict.BACK if haul.by is None and haul.reason != KEEPS_UP else _given(ahead.fed_share)
        return self._alerts.on_fact(
            "haul-by", tank, verdict, ahead.at_ms, numbers=numbers, named=self._names(tank), edition=self._moved.get(tank, "")
        )  # fmt: skip

    def _tell_old(self, tank: str, ahead: Ahead, point: LevelPoint, use: Use) -> list[Change]:
        """How long the water in a tank stays there at the present use, dead storage counted."""
        most_s = 10 * 365 * DAY_S
        held_m3 = point.total_m3 if point.total_m3 is not None else ahead.on_hand_m3
        turnover_s = min(most_s, held_m3 / use.mean_m3 * DAY_S) if use.mean_m3 > 0 else most_s
        numbers = {"turnover_s": turnover_s}
        return self._alerts.on_fact(
            "old-water", tank, Verdict.UNKNOWN, ahead.at_ms, numbers=numbers, named=self._names(tank)
        )

    def _stand(self, tank: str, ahead: Ahead) -> dict[str, float]:
        reserve_m3 = self._site.tanks[tank].reserve_m3 or 0.0
        return {"on_hand_m3": ahead.on_hand_m3, "u_m3": ahead.u_m3, "reserve_m3": reserve_m3}

    def _names(self, name: str) -> dict[str, str]:
        tank = self._site.tanks[name]
        fills = " and ".join(words for key, words in BY_ITSELF.items() if key in tank.filled_by)
        return {"drinking": "yes" if tank.is_drinking else "", "fills": fills}

    def _noon_ms(self, day: date) -> float:
        """Noon of a local day: an instant that is surely on it."""
        return datetime(day.year, day.month, day.day, 12, tzinfo=self._site.timezone).timestamp() * 1000


def waters(site: Site) -> dict[str, tuple[str, ...]]:
    """Tanks whose water temperature a series tells, by series."""
    found: dict[str, tuple[str, ...]] = {}
    for each in site.instruments.values():
        if each.water_series is not None and each.tank not in found.get(each.water_series, ()):
            found[each.water_series] = (*found.get(each.water_series, ()), each.tank)
    return found


def _given(fed_share: float) -> Verdict:
    """What a well says before any line is looked at; two shares apart, so that one that just keeps up is not told and untold weekly."""
    if fed_share >= FED:
        return Verdict.BACK
    return Verdict.BETWEEN if fed_share >= UNFED else Verdict.UNKNOWN
