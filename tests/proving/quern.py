"""Seasons of the demo's household with other seeds, and with things planted in them."""

from __future__ import annotations

from array import array
from datetime import timedelta
from random import Random

from holdwater.demo import boxes as demo_boxes
from holdwater.demo.boxes import DIAPHRAGM_IN, GAIN, ZERO_PA
from holdwater.demo.files import sample_config
from holdwater.demo.tanks import BODIES, M_PER_IN, Heights
from holdwater.demo.water import FULL_GAL, NAMES, START_GAL, Flow, Season, Truth, flows
from holdwater.demo.weather import FIRST_DAY, midnight_ms
from proving.world import DAY_MINUTES, MINUTE_MS, Box, Course, Fault, World, planted

M3_PER_GAL = 0.003785411784
ROOM_GAL = {"garden": 110.0, "drinking": 70.0, "cabin": 60.0}
RESERVE_GAL = 90.0
COLUMN_PA_PER_M = 999.2 * 9.794  # the household's water near 14 degC


def quern(seed: int, days: int, *, first: int = 0, wrong: bool = True) -> World:
    """The household.

    Args:
        seed: of weather, use, noise and what is planted; other seeds than the demo's.
        days: of the season.
        first: day of the demo's season on which it begins.
        wrong: plant things; without, the demo's own valve, leak and clogged screen are left out too.
    """
    chance = Random(f"{seed} quern")
    faults = planted(chance, ["garden", "drinking", "cabin"], days, {k: v * M3_PER_GAL for k, v in ROOM_GAL.items()})
    # The drinking tank is spared valves once its well is turned down, or it would run dry.
    faults = [f for f in faults if not (f.kind == "valve" and f.tank == "drinking" and f.start > 85 * DAY_MINUTES)]
    season = Season(seed)
    season._flows = [f for f in flows() if f.kind not in ("valve", "leak")]
    notes: list[tuple[int, dict[str, object]]] = []
    for fault in faults if wrong else ():
        if fault.kind == "valve":
            season._flows += _valve(fault, first, notes)
    for flow in season._flows:
        if flow.kind == "load":
            at = ((flow.day - FIRST_DAY).days - first) * DAY_MINUTES + round(flow.hour * 60) - 5
            notes.append((at, {"kind": "load", "tank": flow.tank, "volume": f"{flow.gal:.0f} gal"}))
    world = _world(season, seed, days, first, faults if wrong else [])
    world.notes = [(at, body) for at, body in notes if 0 <= at < world.minutes]
    return world


def _valve(fault: Fault, first: int, notes: list[tuple[int, dict[str, object]]]) -> list[Flow]:
    """What runs out through a valve, and the load that brings it back the next day."""
    gal = fault.rate_m3 * (fault.end - fault.start) / M3_PER_GAL
    day = FIRST_DAY + timedelta(days=first + fault.start // DAY_MINUTES)
    out = Flow(fault.tank, "valve", day, fault.start % DAY_MINUTES / 60, fault.end - fault.start, -gal)
    return [out, Flow(fault.tank, "load", day + timedelta(days=1), 9.5, 30, gal)]


def _world(season: Season, seed: int, days: int, first: int, faults: list[Fault]) -> World:
    start_ms = midnight_ms(FIRST_DAY + timedelta(days=first))
    minutes = days * DAY_MINUTES
    truths: list[Truth] = []
    courses = {
        name: Course(*(array("d") for _ in range(4)), FULL_GAL[name] * M3_PER_GAL, _reserve(name), _series(name))
        for name in NAMES
    }
    air = array("d")
    before: dict[str, tuple[float, float]] = {}
    shown = {"drinking": _drinking_shown()}
    for truth in season.minutes(_begin(season, start_ms) if first else None):
        for name, course in courses.items():
            _step(course, name, truth.on_hand[name], season, before, shown)
        if len(air) == minutes:
            break
        air.append(truth.air_c)
        truths.append(truth)
    boxes = [_box(each, truths, start_ms) for each in demo_boxes.boxes(seed)]
    world = World(
        "quern", seed, sample_config().read_text(), start_ms, minutes, courses, air, boxes, faults, [], (33 - 32) / 1.8
    )
    by_minute(world, Random(f"{seed} minutes"))
    return world


def _reserve(name: str) -> float | None:
    return RESERVE_GAL * M3_PER_GAL if name == "drinking" else None


def _series(name: str) -> str:
    return {"drinking": "drinking:pressure", "garden": "garden:gap", "cabin": "cabin:gap"}[name]


def _begin(season: Season, start_ms: int) -> Truth:
    """A minute before the season begins, half way between plenty and reserve."""
    at_ms = start_ms - MINUTE_MS
    return Truth(at_ms, {**START_GAL, "drinking": 120.0, "garden": 400.0}, season.sky.air_c(at_ms), 15.0, 0.0, 9.0, 0.0)


def _step(course: Course, name: str, gal: float, season: Season, before: dict, shown: dict) -> None:  # type: ignore[type-arg]
    """One more minute: what went and came since the minute before."""
    used = season.used[name]
    on_hand = gal * M3_PER_GAL
    if name in before:
        last, used_before = before[name]
        use = (used - used_before) * M3_PER_GAL
        course.used.append(use)
        course.came.append(max(0.0, on_hand - last + use))
    before[name] = on_hand, used
    course.on_hand.append(on_hand)
    course.shown.append(shown[name](gal) * M3_PER_GAL if name in shown else on_hand)


def _drinking_shown():  # type: ignore[no-untyped-def]
    """Gallons that the drinking sensor's gain and zero make of the truth, without noise."""
    heights, body = Heights(BODIES["drinking"]), BODIES["drinking"]

    def shown(gal: float) -> float:
        head_m = heights.metres(gal) - DIAPHRAGM_IN * M_PER_IN
        height_m = (GAIN * COLUMN_PA_PER_M * head_m + ZERO_PA) / COLUMN_PA_PER_M + DIAPHRAGM_IN * M_PER_IN
        return max(0.0, body.volume(height_m / M_PER_IN) - body.dead_gal)

    return shown


def _box(box: demo_boxes.Box, truths: list[Truth], start_ms: int) -> Box:
    measure, chance = box.measure, box.chance
    return Box(box.name, box.name, lambda minute: measure(truths[minute], chance), box.phase_s, box.clock)


def by_minute(world: World, chance: Random) -> None:
    """When boxes measure each minute: around what is planted, around the reserve, and on some ordinary days."""
    for box in world.boxes:
        spans = [(f.start - 40, f.end + 60) for f in world.faults if f.tank == box.tank and f.kind == "valve"]
        spans += [
            (f.start - 120, f.end + 60)
            for f in world.faults
            if f.tank == box.tank and f.kind == "stuck" and chance.random() < 0.5
        ]
        for _ in range(max(1, world.minutes // DAY_MINUTES // 30)):
            day = chance.randrange(world.minutes // DAY_MINUTES) * DAY_MINUTES
            spans.append((day, day + DAY_MINUTES))
        spans += [(at - 360, at + 240) for at in crossings(world.courses[box.tank])]
        box.by_minute = spans


def crossings(course: Course) -> list[int]:
    """Minutes at which what the sensor shows, noise apart, falls to the reserve; again after it stood 5 % above."""
    if course.reserve_m3 is None:
        return []
    found, armed = [], True
    for minute, m3 in enumerate(course.shown):
        if armed and m3 <= course.reserve_m3:
            found.append(minute)
            armed = False
        elif m3 >= course.reserve_m3 * 1.05:
            armed = True
    return found
