"""Where the invented household's water goes: draws, the well, a hauled load, roof catch, and what went wrong.

Pure and seeded. `Season` steps through the time minute by minute; amounts are gallons, as the household would say.
"""

from __future__ import annotations

from array import array
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from random import Random

from holdwater.demo.tanks import BODIES, FULL_GAL
from holdwater.demo.weather import FIRST_DAY, LAST_DAY, MINUTE_MS, RAIN, Sky, local, midnight_ms

NAMES = ("drinking", "garden", "cabin")
START_GAL = {"drinking": 230.0, "garden": 640.0, "cabin": 170.0}
END_GAL = {"drinking": 70.0, "garden": 169.0, "cabin": 101.0}
DAY_MINUTES = 1440
HOUR_MS = 3_600_000
SEED = 48  # of sixty tried, one whose storms overflow the tanks by what the plan says (59 and 15 gal)
END_HOUR = 18  # the recorded season ends at six in the evening of the last day; from then on it is live
END_MS = midnight_ms(LAST_DAY) + END_HOUR * HOUR_MS
LAST_INDEX = (LAST_DAY - FIRST_DAY).days
GAL_PER_FT2_IN = 0.6234 * 0.85  # a square foot under an inch of rain, and the share that a metal roof gives
FIRST_LOST_IN = 0.03  # wets roof and leader
SCREEN = {date(2026, 8, 24): 97 / 161.2, date(2026, 8, 27): 115 / 239.7}  # leaves in the garden tank's leader
MEAN_USE = {"drinking": 11.0, "garden": 13.0, "cabin": 5.0}
SD_USE = {"drinking": 2.5, "garden": 4.0, "cabin": 1.5}
WATERING = ((date(2026, 9, 14), 22.0), (date(2026, 10, 12), 5.0))  # until that day, gal a day
WATERING_STOPS_IN = 0.20
PULL = 0.5  # share of the deviation from the mean that the next day makes good, so that the planned balance holds
HOURS = (0, 0, 0, 0, 0, 1, 5, 8, 6, 3, 3, 4, 7, 5, 3, 3, 4, 6, 8, 6, 4, 3, 2, 1)  # weight of each hour for draws
DRAWS = {"drinking": (26, 1), "garden": (5, 4), "cabin": (11, 1)}  # draws a day, minutes each


@dataclass(frozen=True, slots=True)
class Flow:
    """Water in (above zero) or out of one tank at an even rate."""

    tank: str
    kind: str
    day: date
    hour: float
    minutes: int
    gal: float


def flows() -> list[Flow]:
    """What happened on known days: the well, the load, the valve, the leak."""
    found = []
    day = FIRST_DAY
    while day <= LAST_DAY:
        gal = _well(day)
        if gal:
            found.append(Flow("drinking", "well", day, 9.0, round(gal / 0.7), gal))
        day += timedelta(days=1)
    found.append(Flow("drinking", "load", date(2026, 10, 10), 9.25, 26, 125.0))
    found.append(Flow("garden", "valve", date(2026, 7, 22), 18 + 40 / 60, 19, -126.0))
    found.append(
        Flow("cabin", "leak", date(2026, 8, 9), 0.0, 92 * 60, -28.0)
    )  # mended at eight in the evening of the 12th
    return found


def _well(day: date) -> float:
    if day.weekday() != 2 or day in (date(2026, 10, 14), date(2026, 10, 28)):  # line drained; pump off
        return 0.0
    if day <= date(2026, 9, 9):
        return 77.0
    return 32.0 if day <= date(2026, 10, 7) else 60.0


def watering(day: date) -> float:
    """Gallons for the garden on a day; none when it rains enough."""
    if RAIN.get(day, (0.0, 0, 0))[0] >= WATERING_STOPS_IN:
        return 0.0
    return next((gal for until, gal in WATERING if day <= until), 0.0)


def daily_use(tank: str, seed: int, correction_gal: float = 0.0) -> list[float]:
    """Use of each day of the season: mean, noise and a pull back to the mean; the last days settle the account.

    Args:
        tank: name.
        seed: of the noise.
        correction_gal: added to the season's total, spread over the twenty days before the last week.
    """
    chance = Random(f"{seed} use {tank}")  # noqa: S311
    mean, off, found = MEAN_USE[tank], 0.0, []
    for index in range(LAST_INDEX + 1):
        if index >= LAST_INDEX - 2:
            use = mean - (off if index == LAST_INDEX - 2 else 0.0)
        else:
            use = max(0.3 * mean, mean + chance.gauss(0, SD_USE[tank]) - PULL * off)
        off += use - mean
        found.append(use + (correction_gal / 20 if LAST_INDEX - 27 <= index < LAST_INDEX - 7 else 0.0))
    return found


@dataclass(frozen=True, slots=True)
class Truth:
    """The true state at one minute: gallons on hand, degC, inches of rain so far; ice as a share of the cabin's water."""

    at_ms: int
    on_hand: dict[str, float]
    air_c: float
    headspace_c: float
    rain_in: float
    water_c: float
    ice: float


class Season:
    """The household's water from the first minute on, without an end.

    Args:
        seed: of use and weather.
        balanced: settle use so that the season ends with the planned levels, which takes a second; a season that is
            gone on with after its recorded part needs none of that.
    """

    def __init__(self, seed: int = SEED, *, balanced: bool = True) -> None:
        self.seed = seed
        self.sky = Sky(seed)
        self._flows = flows()
        self._screen = 1.0
        self.overflowed = dict.fromkeys(NAMES, 0.0)
        self.caught = dict.fromkeys(NAMES, 0.0)
        self.used = dict.fromkeys(NAMES, 0.0)
        self._use = {name: daily_use(name, seed) for name in NAMES}
        for name in NAMES if balanced else ():
            missed = self._levels_only(name) - END_GAL[name]
            self._use[name] = daily_use(name, seed, missed)

    def minutes(self, after: Truth | None = None) -> Iterator[Truth]:
        """The truth at each minute.

        Args:
            after: the truth at one minute, to go on from; None begins with the start of the first day.
        """
        day = FIRST_DAY
        on_hand, rain_in, cold = dict(START_GAL), 0.0, Cold(self.sky.air_c(midnight_ms(FIRST_DAY)))
        if after is not None:
            day = local(after.at_ms).date()
            on_hand, rain_in, cold = dict(after.on_hand), after.rain_in, Cold(after.water_c, after.ice)
        while True:
            for truth in self._day(day, on_hand, rain_in, cold, None if after is None else after.at_ms):
                yield truth
                rain_in = truth.rain_in
            day += timedelta(days=1)
            after = None

    def _day(
        self, day: date, on_hand: dict[str, float], rain_in: float, cold: Cold, after_ms: int | None
    ) -> Iterator[Truth]:
        """The minutes of a day, or those after a time of it; changes `on_hand` and `cold` as it goes."""
        start_ms, end_ms = midnight_ms(day), midnight_ms(day + timedelta(days=1))
        moves = {name: self.moves(name, day) for name in NAMES}
        self._screen = SCREEN.get(day, 1.0)
        begin_ms = start_ms if after_ms is None else after_ms
        rained_in = self.sky.rain_in(start_ms, begin_ms)
        plain = end_ms - start_ms == 24 * HOUR_MS  # else the clocks change on this day
        for at_ms in range(begin_ms, end_ms, MINUTE_MS):
            air_c, headspace_c = self.sky.airs_at(day, (at_ms - start_ms) / HOUR_MS) if plain else self.sky.airs(at_ms)
            if at_ms != after_ms:
                cold.minute(air_c)
                yield Truth(at_ms, dict(on_hand), air_c, headspace_c, rain_in, cold.water_c, cold.ice)
            fell_in = self.sky.rain_in(at_ms, at_ms + MINUTE_MS) if day in RAIN else 0.0
            run_off = _run_off(rained_in, fell_in)
            for name in NAMES:
                on_hand[name] = self._after(name, on_hand[name], moves[name][(at_ms - start_ms) // MINUTE_MS], run_off)
            rain_in += fell_in
            rained_in += fell_in

    def moves(self, tank: str, day: date) -> array[float]:
        """Gallons in (above zero) or out of a tank in each minute of a day, without the roof."""
        index = (day - FIRST_DAY).days
        minutes = array("d", bytes(8 * (DAY_MINUTES + 60)))  # a day in autumn has 25 hours
        chance = Random(f"{self.seed} draws {tank} {day}")  # noqa: S311
        use = self._use[tank][index] if index <= LAST_INDEX else chance.gauss(MEAN_USE[tank], SD_USE[tank])
        hours = HOURS[:END_HOUR] if index == LAST_INDEX else HOURS
        _spread(minutes, chance, hours, -max(use, 0.0), DRAWS[tank])
        if index == LAST_INDEX:  # supper: from the recorded into the live part
            _supper(minutes, chance, MEAN_USE[tank] / 4)
        if tank == "garden":
            _even(minutes, 6 * 60 + 30, 60, -watering(day))
        for flow in self._flows:
            if flow.tank == tank:
                begins = round((flow.day - day).days * DAY_MINUTES + flow.hour * 60)
                _even(minutes, begins, flow.minutes, flow.gal)
        return minutes

    def _after(self, name: str, on_hand: float, moved: float, run_off: float) -> float:
        """Gallons on hand after a minute; what is above the lip runs away."""
        level, full = on_hand + moved, FULL_GAL[name]
        if run_off:
            caught = BODIES[name].roof_ft2 * run_off * (self._screen if name == "garden" else 1.0)
            self.caught[name] += caught
            level += caught
        if moved < 0:
            self.used[name] -= moved
        if level > full:
            self.overflowed[name] += level - full
            return full
        return level if level > 0 else 0.0

    def _levels_only(self, name: str) -> float:
        """Gallons on hand at the end of the recorded season, as the plan stands."""
        level, day = START_GAL[name], FIRST_DAY
        while day <= LAST_DAY:
            start_ms, rained_in = midnight_ms(day), 0.0
            self._screen = SCREEN.get(day, 1.0)
            last = END_HOUR * 60 if day == LAST_DAY else DAY_MINUTES
            for minute, moved in enumerate(self.moves(name, day)[:last]):
                fell_in = 0.0
                if day in RAIN:
                    fell_in = self.sky.rain_in(start_ms + minute * MINUTE_MS, start_ms + (minute + 1) * MINUTE_MS)
                level = self._after(name, level, moved, _run_off(rained_in, fell_in))
                rained_in += fell_in
            day += timedelta(days=1)
        self.overflowed[name] = self.caught[name] = self.used[name] = 0.0
        return level


class Cold:
    """Water of the cabin tank: follows the air with a lag, stays at the freezing point while ice forms or melts.

    A lumped body: lag 44 h for some 100 gal in a board lean-to (invented, chosen to give 2 % of ice). Latent
    heat of water 333.6 kJ/kg, specific heat 4.19 kJ/(kg K): 79.6 K for the whole tank.
    """

    LAG_MINUTES = 44 * 60
    LATENT_K = 79.6

    def __init__(self, water_c: float, ice: float = 0.0) -> None:
        self.water_c = water_c
        self.ice = ice

    def minute(self, air_c: float) -> None:
        """Let a minute pass."""
        change_k = (air_c - self.water_c) / self.LAG_MINUTES
        if self.water_c > 0 or (change_k > 0 and self.ice == 0):
            self.water_c = max(self.water_c + change_k, 0.0)
            return
        self.ice = max(self.ice - change_k / self.LATENT_K, 0.0)


def _run_off(rained_in: float, falls_in: float) -> float:
    """Gallons from a square foot of roof in a minute in which so much falls, after what the day brought before."""
    wet_in = max(rained_in + falls_in - FIRST_LOST_IN, 0.0) - max(rained_in - FIRST_LOST_IN, 0.0)
    return GAL_PER_FT2_IN * wet_in


def _even(minutes: array[float], begins: int, lasts: int, gal: float) -> None:
    """Add a flow of an even rate; the part of it that falls on this day."""
    for minute in range(max(begins, 0), min(begins + lasts, DAY_MINUTES)):
        minutes[minute] += gal / lasts


def _spread(minutes: array[float], chance: Random, hours: tuple[int, ...], gal: float, draws: tuple[int, int]) -> None:
    """Spread a day's use over draws of uneven size at likely hours."""
    count, lasts = draws
    sizes = [chance.uniform(0.4, 1.6) for _ in range(count)]
    for size in sizes:
        hour = chance.choices(range(len(hours)), hours)[0]
        begins = min(hour * 60 + chance.randrange(60), len(hours) * 60 - lasts)
        _even(minutes, begins, lasts, gal * size / sum(sizes))


def _supper(minutes: array[float], chance: Random, gal: float) -> None:
    """Cooking and dishes in the half hour after the end of the record, so that a new page shows water moving."""
    for _ in range(8):
        minutes[END_HOUR * 60 + chance.randrange(30)] -= gal / 8
