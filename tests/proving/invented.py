"""Other sites, all invented: a frustum in metric units, a big buried cylinder, a small box, joined cubes."""

from __future__ import annotations

import math
from array import array
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime
from random import Random
from zoneinfo import ZoneInfo

from holdwater.demo.boxes import density, device_gap_m
from proving.bodies import Body, boxes, frustum, lying
from proving.quern import by_minute
from proving.world import DAY_MINUTES, Box, Course, Fault, Readings, World, planted

GAL = 0.003785411784
HOURS = (1, 1, 0, 0, 1, 3, 6, 8, 6, 4, 3, 4, 6, 5, 3, 3, 4, 6, 8, 7, 5, 3, 2, 1)


@dataclass(frozen=True, slots=True)
class Plan:
    """One site with one tank.

    Attributes:
        use_m3: mean and standard deviation of a day's use.
        draws: draws a day, and minutes each.
        habit: a large usual draw: every so many days, hour, m3, minutes; none when days is 0.
        load: below this share of full a load of so many m3 comes the next morning; 0 for none.
        well_m3_day: a slow well or spring, m3 a day, at night; 0 for none.
        roof_m2: roof that feeds it.
        sensor: "pressure" or "ultrasonic"; height of diaphragm or face, m; noise and step in its own unit; limit of its
            accuracy (Pa or m).
    """

    name: str
    config: str
    zone: str
    first: date
    body: Callable[[], Body]
    use_m3: tuple[float, float]
    draws: tuple[int, int]
    habit: tuple[int, float, float, int]
    load: tuple[float, float]
    well_m3_day: float
    roof_m2: float
    sensor: tuple[str, float, float, float, float]
    reserve_m3: float | None
    air_c: tuple[float, float, float]  # mean on the first day, change in 120 days, half the daily swing
    gravity: float


FRUSTUM = Plan(
    "frustum",
    """
[site]
name = "Upper meadow"
timezone = "Europe/Vienna"
latitude = 47.2
longitude = 13.9
elevation = "900 m"
units = "metric"
[weather]
air = "meadow:air"
[tank.meadow]
use = "drinking"
shape = { kind = "frustum", bottom_diameter = "120 cm", top_diameter = "150 cm", height = "160 cm" }
outlet = "5 cm"
overflow = "150 cm"
reserve = "400 L"
filled_by = ["load", "spring"]
[sensor.meadow-level]
tank = "meadow"
kind = "pressure"
series = "meadow:pressure"
height = "2 cm"
range = "2 m"
accuracy = "0.5 %"
water = "meadow:water"
""",
    "Europe/Vienna", date(2026, 8, 20), lambda: Body(frustum(1.2, 1.5, 1.6), 1.6, 0.05, 1.5),
    (0.055, 0.015), (20, 1), (7, 9.0, 0.10, 25), (0.35, 1.2), 0.0, 0.0,
    ("pressure", 0.02, 12.0, 10.0, 98.0), 0.4, (15.0, -16.0, 6.0), 9.8045,
)  # fmt: skip
BURIED = Plan(
    "buried",
    """
[site]
name = "Under the yard"
timezone = "America/Boise"
latitude = 43.9
longitude = -116.2
elevation = "2700 ft"
[weather]
air = "yard:air"
rain = "yard:rain"
[tank.yard]
use = ["garden", "washing"]
shape = { kind = "horizontal cylinder", diameter = "96 in", length = "20 ft" }
outlet = "6 in"
overflow = "90 in"
reserve = "1200 gal"
filled_by = ["roof", "well"]
roof = "2000 ft2"
[sensor.yard-level]
tank = "yard"
kind = "ultrasonic"
series = "yard:gap"
height = "110 in"
dead_zone = "10 in"
assumed_speed = "343.2 m/s"
air = "yard:headspace"
accuracy = "1 cm"
""",
    "America/Boise", date(2026, 6, 10), lambda: Body(lying(96 * 0.0254, 240 * 0.0254), 96 * 0.0254, 6 * 0.0254, 90 * 0.0254),
    (0.30, 0.08), (16, 4), (2, 6.5, 30 * GAL, 30), (0.0, 0.0), 0.12, 185.8,
    ("ultrasonic", 110 * 0.0254, 0.002, 0.001, 0.01), 1200 * GAL, (19.0, -4.0, 8.0), 9.803,
)  # fmt: skip
SMALL = Plan(
    "small",
    """
[site]
name = "One room"
timezone = "America/Denver"
latitude = 39.0
longitude = -106.0
elevation = "8200 ft"
[weather]
air = "room:air"
[tank.room]
use = "washing"
shape = { kind = "box", length = "28 in", width = "24 in", height = "36 in" }
outlet = "1 in"
overflow = "34 in"
reserve = "20 gal"
filled_by = ["load"]
[sensor.room-level]
tank = "room"
kind = "pressure"
series = "room:pressure"
height = "0.5 in"
range = "2 psi"
accuracy = "0.5 %"
""",
    "America/Denver", date(2026, 5, 5), lambda: Body(boxes(1, 28 * 0.0254, 24 * 0.0254), 36 * 0.0254, 0.0254, 34 * 0.0254),
    (4.5 * GAL, 1.2 * GAL), (14, 1), (3, 19.0, 6 * GAL, 4), (0.30, 50 * GAL), 0.0, 0.0,
    ("pressure", 0.5 * 0.0254, 15.0, 10.0, 69.0), 20 * GAL, (12.0, 9.0, 9.0), 9.793,
)  # fmt: skip
CUBES = Plan(
    "cubes",
    """
[site]
name = "Four cubes"
timezone = "America/Denver"
latitude = 38.5
longitude = -104.5
elevation = "5600 ft"
[weather]
air = "cubes:air"
rain = "cubes:rain"
[tank.cubes]
use = ["garden", "stock"]
outlet = "2 in"
overflow = "38 in"
reserve = "200 gal"
filled_by = ["roof", "load"]
roof = "900 ft2"
"""
    + "".join(
        f'[[tank.cubes.vessel]]\nname = "{each}"\nshape = {{ kind = "box", length = "45 in", width = "37 in", height = "40 in" }}\n'
        for each in "abcd"
    )
    + "".join(f'[[tank.cubes.link]]\nbetween = ["{a}", "{b}"]\nheight = "1 in"\n' for a, b in ("ab", "bc", "cd"))
    + """
[sensor.cubes-level]
tank = "cubes"
vessel = "a"
kind = "pressure"
series = "cubes:pressure"
height = "0.5 in"
range = "3 psi"
water = "cubes:water"
""",
    "America/Denver", date(2026, 7, 1), lambda: Body(boxes(4, 45 * 0.0254, 37 * 0.0254), 40 * 0.0254, 2 * 0.0254, 38 * 0.0254),
    (28 * GAL, 8 * GAL), (18, 3), (1, 18.5, 20 * GAL, 15), (0.22, 300 * GAL), 0.0, 83.6,
    ("pressure", 0.5 * 0.0254, 14.0, 10.0, 103.0), 200 * GAL, (20.0, -12.0, 8.0), 9.797,
)  # fmt: skip
PLANS = (FRUSTUM, BURIED, SMALL, CUBES)


def invented(plan: Plan, seed: int, days: int, *, wrong: bool = True) -> World:
    """A season of one of these sites; its sensor's fixed errors are drawn within what its config states."""
    chance = Random(f"{seed} {plan.name}")
    body = plan.body()
    body.scale = 1 + chance.gauss(0, 0.01)
    room = {plan.name: max(0.0, min(110 * GAL, 0.45 * body.full_m3))}
    faults = planted(chance, [plan.name], days, room) if wrong else []
    zone, minutes = ZoneInfo(plan.zone), days * DAY_MINUTES
    start_ms = round(datetime.combine(plan.first, datetime.min.time(), zone).astimezone(UTC).timestamp() * 1000)
    node = plan.config.split('series = "')[1].split(":")[0]
    air = _air(plan, Random(f"{seed} air"), minutes)
    course, rain, notes = _course(plan, Random(f"{seed} water"), body, minutes, faults, node)
    sensor = _Sensor(plan, body, course, air, rain, Random(f"{seed} sensor"))
    for m3 in course.on_hand:
        course.shown.append(sensor.shown_m3(m3))
    faults = [Fault(f.kind, node, f.start, f.end, f.rate_m3) for f in faults]
    box = Box(node, node, sensor, chance.randrange(2, 50), seed % 2 == 0)
    world = World(plan.name, seed, plan.config, start_ms, minutes, {node: course}, air, [box], faults, notes)
    by_minute(world, Random(f"{seed} minutes"))
    return world


def _air(plan: Plan, chance: Random, minutes: int) -> array[float]:
    mean, trend, swing = plan.air_c
    days = [chance.gauss(0, 2.5)]
    for _ in range(minutes // DAY_MINUTES + 1):
        days.append(0.7 * days[-1] + chance.gauss(0, 2.0))
    air = array("d")
    for minute in range(minutes):
        day, hour = divmod(minute, DAY_MINUTES)
        share = hour / DAY_MINUTES
        weather = days[day] + (days[day + 1] - days[day]) * share
        air.append(
            mean + trend * minute / (120 * DAY_MINUTES) + weather - swing * math.cos(2 * math.pi * (share - 0.2))
        )
    return air


def _course(
    plan: Plan, chance: Random, body: Body, minutes: int, faults: list[Fault], node: str
) -> tuple[Course, array[float], list[tuple[int, dict[str, object]]]]:
    """The water of the season: on hand before each minute's moves, rain by the minute, and what was written down."""
    days = minutes // DAY_MINUTES
    out, into, rain = (array("d", bytes(8 * minutes)) for _ in range(3))
    for day in range(days):
        _use(plan, chance, out, day)
        if plan.well_m3_day:
            _even(into, day * DAY_MINUTES + 60, 180, plan.well_m3_day)
        if plan.roof_m2 and chance.random() < 0.13:
            _storm(plan, chance, into, rain, day)
    for fault in faults:
        if fault.kind == "valve":
            _even(out, fault.start, fault.end - fault.start, fault.rate_m3 * (fault.end - fault.start))
    course = Course(
        *(array("d") for _ in range(4)), body.full_m3, plan.reserve_m3, plan.config.split('series = "')[1].split('"')[0]
    )
    notes: list[tuple[int, dict[str, object]]] = []
    level, full = 0.7 * body.full_m3, body.full_m3
    for minute in range(minutes):
        at, hour = divmod(minute, DAY_MINUTES)
        if hour == 0 and plan.load[0] and level < plan.load[0] * full and at + 1 < days:
            begin = (at + (chance.random() < 0.4)) * DAY_MINUTES + 600 + chance.randrange(120)
            _even(into, begin, 30, min(plan.load[1], 0.9 * full - level))
            notes.append((begin - 10, {"kind": "load", "tank": node}))
        course.on_hand.append(level)
        used = min(out[minute], level)
        came = min(into[minute], full - level + used)
        course.used.append(used)
        course.came.append(came)
        level += came - used
    return course, rain, notes


def _use(plan: Plan, chance: Random, out: array[float], day: int) -> None:
    total = max(0.2 * plan.use_m3[0], chance.gauss(*plan.use_m3))
    count, lasts = plan.draws
    sizes = [chance.uniform(0.4, 1.6) for _ in range(count)]
    for size in sizes:
        hour = chance.choices(range(24), HOURS)[0]
        _even(out, day * DAY_MINUTES + hour * 60 + chance.randrange(60), lasts, total * size / sum(sizes))
    every, hour_of, m3, minutes = plan.habit
    if every and day % every == 0:
        begin = day * DAY_MINUTES + round(hour_of * 60) + chance.randrange(-20, 21)
        _even(out, begin, minutes, m3 * chance.uniform(0.8, 1.2))


def _storm(plan: Plan, chance: Random, into: array[float], rain: array[float], day: int) -> None:
    depth_m, lasts = 0.008 * chance.expovariate(1.0), chance.randrange(25, 150)
    begin = day * DAY_MINUTES + chance.randrange(12 * 60, 20 * 60)
    _even(rain, begin, lasts, depth_m)
    _even(into, begin + 3, lasts, plan.roof_m2 * 0.85 * max(0.0, depth_m - 0.0008))


def _even(minutes: array[float], begins: int, lasts: int, amount: float) -> None:
    for minute in range(max(0, begins), min(begins + lasts, len(minutes))):
        minutes[minute] += amount / lasts


class _Sensor:
    """A level sensor with fixed errors of its own, noise, and the quirks of its kind."""

    def __init__(
        self, plan: Plan, body: Body, course: Course, air: array[float], rain: array[float], chance: Random
    ) -> None:
        kind, self._height_m, self._noise, self._step, limit = plan.sensor
        self._echo = kind == "ultrasonic"
        self._plan, self._body, self._course, self._air, self._rain, self._chance = (
            plan,
            body,
            course,
            air,
            rain,
            chance,
        )
        self._fixed = chance.uniform(-limit, limit)  # zero of a pressure sensor, Pa; bias of a distance, m
        self._mount_m = chance.gauss(0, 0.003)
        self._rained_m, self._rain_from = 0.0, 0
        self._water_c = self._air[0]

    def shown_m3(self, on_hand_m3: float) -> float:
        """What it makes of the truth, noise apart, by the nominal measures."""
        fixed_m = -self._fixed if self._echo else self._fixed / (999.2 * self._plan.gravity)
        return self._body.shown_m3(self._body.height_m(on_hand_m3) + fixed_m + self._mount_m)

    def __call__(self, minute: int) -> Readings:
        """Readings of a minute."""
        height_m = self._body.height_m(self._course.on_hand[minute])
        air_c, chance = self._air[minute], self._chance
        reads: Readings = [self._gap(height_m, minute)] if self._echo else [self._pressure(height_m, minute)]
        if self._echo:
            reads.append(("headspace", "Cel", round(self._headspace_c(minute) + chance.gauss(0, 0.3), 1)))
        elif "water =" in self._plan.config:
            reads.append(("water", "Cel", round(self._tank_c(minute) + chance.gauss(0, 0.05), 1)))
        reads.append(("air", "Cel", round(air_c + chance.gauss(0, 0.15), 1)))
        if self._plan.roof_m2:
            reads.append(("rain", "m", self._tips_m(minute)))
        return reads

    def _tank_c(self, minute: int) -> float:
        mean = self._plan.air_c[0] + self._plan.air_c[1] * minute / (120 * DAY_MINUTES)
        return max(1.0, mean + 0.15 * (self._air[minute] - mean))

    def _headspace_c(self, minute: int) -> float:
        """Sun on the lid: it swings wider than the air outside."""
        mean = self._plan.air_c[0] + self._plan.air_c[1] * minute / (120 * DAY_MINUTES)
        return mean + 1.25 * (self._air[minute] - mean)

    def _pressure(self, height_m: float, minute: int) -> tuple[str, str, float]:
        head_m = max(0.0, height_m + self._mount_m - self._height_m)
        pa = (
            density(self._tank_c(minute)) * self._plan.gravity * head_m
            + self._fixed
            + self._chance.gauss(0, self._noise)
        )
        return "pressure", "Pa", self._step * round(pa / self._step)

    def _gap(self, height_m: float, minute: int) -> tuple[str, str, float]:
        gap_m = self._height_m - height_m - self._mount_m + self._fixed
        seen_m = device_gap_m(gap_m, self._headspace_c(minute)) + self._chance.gauss(0, self._noise)
        if self._chance.random() < 0.02:
            seen_m = 2 * gap_m if self._chance.random() < 0.5 else self._chance.uniform(0.3, 0.9) * gap_m
        return "gap", "m", round(seen_m, 3)

    def _tips_m(self, minute: int) -> float:
        fallen_m = self._rained_m + sum(self._rain[self._rain_from : minute])
        before = math.floor(self._rained_m / 0.000254 + 1e-6)
        self._rained_m, self._rain_from = fallen_m, minute
        return round((math.floor(fallen_m / 0.000254 + 1e-6) - before) * 0.000254, 6)
