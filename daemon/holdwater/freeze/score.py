"""How often the word was right: every night forecast on line, beside what came and beside the yardsticks.

Nothing looks ahead: a night is learned only when it was over at the time of the next forecast.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from holdwater.freeze import night as nights
from holdwater.freeze.air import AirSeries
from holdwater.freeze.evening import Evening, Issue, evening, lowest_c
from holdwater.freeze.rivals import NAMES, Told, rivals
from holdwater.freeze.sun import HOUR_MS, Place, local_date, night

OURS = "holdwater"
WARN_CHANCE = 0.3
FREEZING_C = 0.0
NORTH = (10, 11, 12, 1, 2, 3, 4)
SOUTH = (4, 5, 6, 7, 8, 9, 10)
NO_AIR = "no air temperature at the time of issue"
NOT_KNOWN = "too many hours are missing"
NO_NIGHT = "sunrise + 2 h is before the time of issue"


@dataclass(frozen=True, slots=True)
class NightRecord:
    """One night as it was told, and what came.

    Attributes:
        day: local date of the evening.
        issued_ms: time of the forecast.
        told: by name of the forecaster, what it said.
        humid: whether the dew point was used.
        came_c: lowest hourly air from issue to sunrise + 2 h; None where not known.
        why: why there is no forecast or nothing came; empty when there are both.
    """

    day: date
    issued_ms: int
    told: dict[str, Told]
    humid: bool
    came_c: float | None
    why: str = ""


@dataclass(frozen=True, slots=True)
class Score:
    """The figures of one forecaster over the nights that all forecasters told.

    Attributes:
        name: forecaster.
        nights: how many.
        mae_c: mean size of the error of the figure (of ours: the 50 % figure).
        bias_c: mean of what came less the figure.
        covers: share of nights between the 10 % and the 90 % figure.
        width_c: mean width of that band.
        hits: nights below 0 degC with a warning (chance at or above `WARN_CHANCE`).
        misses: nights below 0 degC without.
        false_alarms: warnings with no such night.
        brier: mean square of (chance of below 0 degC - what came), 0 best (Brier 1950).
    """

    name: str
    nights: int
    mae_c: float
    bias_c: float
    covers: float
    width_c: float
    hits: int
    misses: int
    false_alarms: int
    brier: float

    @property
    def hit_share(self) -> float | None:
        """Share of the freezing nights that were warned of; None without such nights."""
        return _share(self.hits, self.hits + self.misses)

    @property
    def false_alarm_ratio(self) -> float | None:
        """Share of the warnings that were false; None without warnings."""
        return _share(self.false_alarms, self.hits + self.false_alarms)


def _share(part: int, whole: int) -> float | None:
    return part / whole if whole else None


def cold_months(latitude: float) -> tuple[int, ...]:
    """The months that are scored: October to April, and April to October south of the equator."""
    return NORTH if latitude >= 0 else SOUTH


def walk(series: AirSeries, place: Place, issue: Issue) -> Iterator[NightRecord]:
    """Every night of a series, forecast from what was known at issue, in order.

    Args:
        series: readings of the air, at least hourly where there is to be a forecast.
        place: where.
        issue: when the forecast is made.
    """
    if not series.times:
        return
    model, yardsticks = nights.fresh(), rivals()
    pending: list[tuple[Evening, dict[str, Told], float]] = []
    day, last = local_date(series.times[0], place.zone), local_date(series.times[-1], place.zone)
    while day <= last:
        tonight = night(day, place)
        issued_ms = issue.at_ms(tonight, place)
        while pending and pending[0][0].end_ms <= issued_ms:
            seen, told, came_c = pending.pop(0)
            model = nights.learn(model, seen, came_c)
            yardsticks.learn(seen, told, came_c)
        known = evening(series, issued_ms, tonight)
        if known is not None:
            others = yardsticks.tell(known)
            came = _came(series, known)
            yield _record(day, known, nights.forecast(model, known), others, came)
            if came is not None:
                pending.append((known, others, came))
        elif series.times[0] <= issued_ms <= series.times[-1]:
            over = issued_ms > tonight.sunrise_ms + 2 * HOUR_MS
            yield NightRecord(day, issued_ms, {}, False, None, NO_NIGHT if over else NO_AIR)
        day += timedelta(days=1)


def _came(series: AirSeries, known: Evening) -> float | None:
    """What came; None when it is not known or the series ends before the night does."""
    if series.times[-1] <= known.end_ms - HOUR_MS:
        return None
    return lowest_c(series, known.issued_ms, known.end_ms)


def _record(
    day: date, known: Evening, ours: nights.NightForecast, others: dict[str, Told], came_c: float | None
) -> NightRecord:
    return NightRecord(
        day,
        known.issued_ms,
        {OURS: Told(ours.p50_c, ours.spread), **others},
        ours.humid,
        came_c,
        "" if came_c is not None else NOT_KNOWN,
    )


def season(records: Iterable[NightRecord], months: Sequence[int]) -> list[NightRecord]:
    """The records whose evening lies in one of the months."""
    return [record for record in records if record.day.month in months]


def scores(records: Sequence[NightRecord]) -> list[Score]:
    """The figures of each forecaster, ours first.

    They are compared over the same nights: those of which it is known what came and all of them told something. A
    yardstick that was silent in most nights (there is no line through evenings that are all alike) is left out.
    """
    known = [record for record in records if record.came_c is not None and OURS in record.told]
    names = [name for name in (OURS, *NAMES) if 2 * sum(name in record.told for record in known) > len(known)]
    full = [record for record in known if all(name in record.told for name in names)]
    pairs = {
        name: [(record.told[name], record.came_c) for record in full if record.came_c is not None] for name in names
    }
    return [_score(name, pairs[name]) for name in names if pairs[name]]


def _score(name: str, pairs: Sequence[tuple[Told, float]]) -> Score:
    def mean(figure: Callable[[Told, float], float]) -> float:
        return sum(figure(told, came_c) for told, came_c in pairs) / len(pairs)

    warned = [(told.spread.chance_below(FREEZING_C) >= WARN_CHANCE, came_c < FREEZING_C) for told, came_c in pairs]
    return Score(
        name,
        len(pairs),
        mean(lambda told, came_c: abs(came_c - told.middle_c)),
        mean(lambda told, came_c: came_c - told.middle_c),
        mean(lambda told, came_c: told.spread.quantile(0.1) <= came_c <= told.spread.quantile(0.9)),
        mean(lambda told, _: told.spread.quantile(0.9) - told.spread.quantile(0.1)),
        warned.count((True, True)),
        warned.count((False, True)),
        warned.count((True, False)),
        mean(lambda told, came_c: (told.spread.chance_below(FREEZING_C) - (came_c < FREEZING_C)) ** 2),
    )
