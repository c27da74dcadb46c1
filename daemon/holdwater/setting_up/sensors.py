"""The sensor of each tank: its kind, the box that it is in, where it is mounted, what its beam meets."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from pydantic import ValidationError

from holdwater.config.explain import problems_of
from holdwater.config.sensor import SensorConfig
from holdwater.config.sensor_words import warnings
from holdwater.setting_up.answers import Quantity, Sizes, menu, name, one_of, quantity, yes_no
from holdwater.setting_up.boxes import RESERVED
from holdwater.setting_up.dialog import Again, Dialog, Wrong
from holdwater.setting_up.tanks import Answered
from holdwater.tanks.tank import Tank
from holdwater.units import trimmed
from holdwater_sensors.instrument import Instrument

KINDS = {
    "ultrasonic": "looks down at the water from above",
    "pressure": "lies in the water, a cable with a vent tube comes up",
    "none": "no sensor yet",
}
SPEEDS = {
    "itself": "the device allows for the air temperature by itself",
    "20C": "it reckons with one fixed temperature, 20 degC",
    "unknown": "its papers do not say",
}
MOST_M = 30.0
HAIR_M = 1e-6  # what adding inches as metres may be off by
QUANTITIES = {"ultrasonic": "gap", "pressure": "pressure"}
SAYS = {"ultrasonic": "gap, distance down in m", "pressure": "pressure, in Pa"}
SHAVINGS = (
    "Before you drill: walk test first (this interview comes to it). Drill through the lid from above, with the hole over a taped-on "
    "bag or a greased bit, and vacuum. No shavings in drinking water; rinse what is not sure. Parts that touch drinking water must be "
    "made for it."
)


@dataclass(frozen=True, slots=True)
class Mounted:
    """A sensor as answered: its table for the file, built, and the box that it is in."""

    name: str
    box: str
    table: dict[str, Any]
    instrument: Instrument


def ask_sensors(dialog: Dialog, tanks: list[Answered], sizes: Sizes) -> list[Mounted]:
    """One sensor for each tank that has one."""
    mounted: list[Mounted] = []
    for at, answered in enumerate(tanks, start=1):
        key = f"sensor.{at}"
        kind = dialog.ask(
            f"{key}.kind", f"\nWhich sensor is on {answered.name}?\n{menu(KINDS)}", one_of(KINDS), default="ultrasonic",
            why="Other kinds (current loop, ratiometric, float, load cell, pulses) are set in the file: docs/settings.md.",
        )  # fmt: skip
        if kind != "none":
            mounted.append(_ask_sensor(dialog, key, kind, answered, sizes))
    return mounted


def _ask_sensor(dialog: Dialog, key: str, kind: str, answered: Answered, sizes: Sizes) -> Mounted:
    box = dialog.ask(
        f"{key}.box", "What is its sensor box called? That is the name it comes in with.", name(RESERVED), default=answered.name,
        why="One box may carry several sensors. Its name is in its topics and on its card.",
    )  # fmt: skip
    table: dict[str, Any] = {"tank": answered.name, "kind": kind, "series": f"{box}:{QUANTITIES[kind]}"}
    tank = answered.tank
    if len(tank.vessels) > 1:
        names = [each.name for each in tank.vessels]
        on = dialog.ask(
            f"{key}.vessel",
            f"On which of the joined tanks is it? {', '.join(names)}.",
            one_of(names),
            default=tank.tap_vessel,
        )
        table["vessel"] = on
    table |= (
        _looks_down(dialog, key, box, tank, sizes) if kind == "ultrasonic" else _lies_in_it(dialog, key, tank, sizes)
    )
    instrument = _built(dialog, f"{answered.name}-level", table, f"{key}.kind")
    for each in warnings(instrument, tank, sizes.measure):
        dialog.tell(f"Worth a word: {each}")
    dialog.tell(SHAVINGS if tank.is_drinking else SHAVINGS.partition(" No shavings")[0] + ".")
    return Mounted(f"{answered.name}-level", box, table, instrument)


def _looks_down(dialog: Dialog, key: str, box: str, tank: Tank, sizes: Sizes) -> dict[str, Any]:
    """Spacer, dead zone, beam, wall, temperature of an ultrasonic sensor."""
    us = sizes.measure.system == "US"
    dead = dialog.ask(
        f"{key}.dead_zone", ("How close to its face can it not measure "
            "(dead zone, from its papers)?"), sizes.length(0.0, 1.0, "a dead zone"),
        default="10 in" if us else "25 cm",
        why="Echoes from nearer than this are lost: full water must stay farther from the face.",
    )  # fmt: skip
    vessel_top = tank.height_m
    spacer = dialog.ask(
        f"{key}.spacer", (f"How high above the top of the tank ({sizes.measure.length_text(vessel_top)}) "
            "does its face sit, on its spacer? Below the top: with a minus."),
        lambda text: _spacer(text, tank, dead, sizes), why=("A spacer (a riser, a ring of pipe) lifts the face so that full water "
            "stays out of the dead zone. Write 0 for flush with the top."),
    )  # fmt: skip
    face_m = vessel_top + spacer.si
    table: dict[str, Any] = {"height": _length_text(face_m, sizes), "dead_zone": dead.text}
    beam = dialog.ask(
        f"{key}.beam", ("How wide is its beam, the full "
            "angle (from its papers)?"), quantity("angle", "deg", 0.02, 3.0, what="a full angle"), default="60 deg",
        why="Closed waterproof parts have 45 to 75 degrees, parts with a horn 10 to 20.",
    )  # fmt: skip
    wall = dialog.ask(
        f"{key}.wall", "How far is its axis from the nearest wall, pipe or ladder?", sizes.length(0.01, MOST_M, "a distance"),
        why="Where the edge of the beam meets a wall the echo may be the wall's. In the middle is best, away from the inlet.",
    )  # fmt: skip
    table |= {"beam": beam.text, "wall": wall.text}
    speed = dialog.ask(
        f"{key}.speed", f"What does it do about the air temperature?\n{menu(SPEEDS)}", one_of(SPEEDS), default="unknown"
    )
    if speed == "itself":
        table["compensated"] = True
    if speed == "20C":
        table["assumed_air"] = "20 degC"
    if speed != "itself" and dialog.ask(
        f"{key}.air", "Does the same box measure the air temperature beside it (quantity air)?", yes_no, default="yes",
        why="Sound is 0.17 % faster for each degree C: over 2 m of air a day's swing of 20 degrees looks like 7 cm of water.",
    ):  # fmt: skip
        table["air"] = f"{box}:air"
    return table


def _spacer(text: str, tank: Tank, dead: Quantity, sizes: Sizes) -> Quantity:
    """The face above the top; refused where full water would reach into the dead zone."""
    given = sizes.length(-tank.height_m, 2.0, "from the floor to well above the top")(text)
    clear_m = tank.height_m + given.si - tank.overflow_m
    if clear_m < dead.si - HAIR_M:
        show = sizes.measure.length_text
        least_m = dead.si + tank.overflow_m - tank.height_m
        raise Wrong(
            f"face {show(abs(clear_m))} {'above' if clear_m >= 0 else 'below'} the overflow lip",
            f"at least its dead zone, {show(dead.si)}, above it",
            f"a spacer that brings the face {show(least_m)} above the top, or a sensor with a smaller dead zone",
        )
    return given


def _length_text(m: float, sizes: Sizes) -> str:
    """A length in the household's unit, to a hundredth of an inch or a tenth of a millimetre."""
    return f"{trimmed(sizes.measure.length(m), 2)} {sizes.measure.length_unit}"


def _lies_in_it(dialog: Dialog, key: str, tank: Tank, sizes: Sizes) -> dict[str, Any]:
    """Height and range of a pressure sensor."""
    height = dialog.ask(
        f"{key}.height", ("How high above the inside floor "
            "does its opening lie?"), sizes.length(0.0, tank.overflow_m * 0.99, "below the overflow lip"),
        default="1 in" if sizes.measure.system == "US" else "2.5 cm",
        why="Off the floor, out of the silt; on a stand or hung by its cable. Water below it is not seen.",
    )  # fmt: skip
    reach = dialog.ask(
        f"{key}.range", "What is its range (from its label)?", _range, default="5 psi",
        why=("As pressure (5 psi, 35 kPa) or as height of water (3.5 m). Its accuracy is a "
            "share of the range: the smallest that covers the tank is best."),
    )  # fmt: skip
    return {"height": height.text, "range": reach}


def _range(text: str) -> str:
    """A range as pressure or height of water."""
    wrong: Wrong | None = None
    for dimension, unit, low, high in (("pressure", "psi", 1000.0, 3e6), ("length", "m", 0.1, 300.0)):
        try:
            return quantity(dimension, unit, low, high, what="a range")(text).text  # type: ignore[arg-type]
        except Wrong as error:
            wrong = wrong or error
    raise wrong or Wrong(text, "a pressure or a height of water", 'write it like "5 psi" or "3.5 m"')


def _built(dialog: Dialog, called: str, table: dict[str, Any], again: str) -> Instrument:
    """The instrument of a table; where its settings do not fit, says so and asks from `again` on."""
    try:
        return SensorConfig.model_validate(table).build(called)
    except ValidationError as error:
        for each in problems_of(error, [SensorConfig], ("sensor", called), table):
            dialog.say(f"  {each.key}\n  found:    {each.found}\n  expected: {each.expected}\n  next:     {each.fix}")
        raise Again(again) from None
