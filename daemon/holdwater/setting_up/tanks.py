"""Tanks: what the water is for, the shape by tape, tap and lip; the section drawn, gallons beside the label."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from pydantic import ValidationError

from holdwater.config.explain import problems_of
from holdwater.config.tank import TankConfig
from holdwater.setting_up.answers import Quantity, Sizes, menu, name, one_of, some_of, yes_no
from holdwater.setting_up.dialog import Again, Dialog
from holdwater.setting_up.drawing import draw
from holdwater.setting_up.shapes import SHAPES, ask_shape
from holdwater.tanks.tank import Tank

USES = ("drinking", "washing", "garden", "stock", "fire")
FILLERS = ("roof", "well", "load", "transfer", "spring", "mains")
MOST_M = 30.0
MOST_M3 = 1000.0
LABEL_APART = 0.08
"""A label and the tape may differ so much before it is worth a word: labels count to the rim, or in round numbers."""

SAFE = "Measure from above or outside. Never climb in or lean into a tank."
APART = (
    "Roof water is not for drinking, cooking or teeth unless it is treated "
    "and tested; tanks of different use must not be joined. "
    "This measures amount, not safety."
)


@dataclass(frozen=True, slots=True)
class Answered:
    """A tank as answered: its table for the file, and built."""

    name: str
    table: dict[str, Any]
    tank: Tank


def ask_tanks(dialog: Dialog, sizes: Sizes) -> list[Answered]:
    """The tanks, one after the other, until there is no more."""
    dialog.tell(f"\nNow the tanks, one after the other. {SAFE}")
    tanks: list[Answered] = []
    while True:
        taken = [each.name for each in tanks]
        tanks.append(_ask_tank(dialog, f"tank.{len(tanks) + 1}", sizes, taken))
        if not dialog.ask(f"tank.{len(tanks)}.more", "Is there another tank?", yes_no, default="no"):
            return tanks


def _ask_tank(dialog: Dialog, key: str, sizes: Sizes, taken: list[str]) -> Answered:
    which = "tank" if not taken else "next tank"
    called = dialog.ask(
        f"{key}.name",
        f"\nWhat do you call the {which}, in one word?",
        name(taken),
        why="Such as drinking, garden, cabin.",
    )
    table: dict[str, Any] = {}
    uses = dialog.ask(
        f"{key}.use", f"What is its water for? {', '.join(USES)}; several with commas.", some_of(USES),
        why="Waters of different use never mix: the config refuses to join or pump other water into a drinking tank.",
    )  # fmt: skip
    table["use"] = uses[0] if len(uses) == 1 else list(uses)
    if "drinking" in uses:
        dialog.tell(APART)
    tank = _ask_body(dialog, key, called, sizes, table)
    _ask_wanted(dialog, key, sizes, table, tank)
    return _ask_right(dialog, key, called, sizes, table)


def _ask_body(dialog: Dialog, key: str, called: str, sizes: Sizes, table: dict[str, Any]) -> Tank:
    """Shape, tap and lip."""
    choices = {kind: each.words for kind, each in SHAPES.items()}
    kind = dialog.ask(f"{key}.shape", f"Which shape is it?\n{menu(choices)}", one_of(choices))
    table |= ask_shape(dialog, key, kind, sizes)
    tank = _built(dialog, called, table, f"{key}.shape")
    high = tank.height_m
    lip = dialog.ask(
        f"{key}.overflow", "Height of the overflow lip above the inside floor?", sizes.length(0.01, high, "within the tank"),
        default=sizes.measure.length_text(high),
        why="Capacity ends where water runs away, not at the rim.",
    )  # fmt: skip
    tap = dialog.ask(
        f"{key}.outlet", "Height of the tap (where water is drawn off) above the inside floor?",
        sizes.length(0.0, lip.si * 0.99, "below the overflow lip"), default=f"0 {sizes.measure.length_unit}",
        why="Water below the tap cannot be used and never counts.",
    )  # fmt: skip
    table |= {"outlet": tap.text, "overflow": lip.text}
    return _built(dialog, called, table, f"{key}.shape")


def _ask_wanted(dialog: Dialog, key: str, sizes: Sizes, table: dict[str, Any], tank: Tank) -> None:
    """What should never be gone below, what is kept, what fills it."""
    full = tank.full_on_hand_m3
    unit = sizes.measure.volume_unit
    reserve = dialog.ask(
        f"{key}.reserve", f"Below how many {unit} do you want to be told? Enter alone: none.",
        sizes.volume(0.0, full, "at most what the tank holds", none=True),
        why="The reserve: enough for you to wait for the next load or rain.",
    )  # fmt: skip
    if reserve.text:
        table["reserve"] = reserve.text
    if "fire" in table["use"]:
        kept = dialog.ask(
            f"{key}.floor", (f"How many {unit} are kept for "
                "fire? Enter alone: none."), sizes.volume(0.0, full, "at most what the tank holds", none=True),
            why="Fire water of a household tank is about ten minutes of one hose. Leave when you are told to.",
        )  # fmt: skip
        if kept.text:
            table["floor"] = kept.text
    fillers = dialog.ask(
        f"{key}.filled_by", (f"What fills it? {', '.join(FILLERS)}; several "
            "with commas. Enter alone: not said."), some_of(FILLERS, none=True),
        why="load: hauled in; transfer: pumped from another tank.",
    )  # fmt: skip
    if fillers:
        table["filled_by"] = fillers[0] if len(fillers) == 1 else list(fillers)
    if "roof" in fillers:
        roof = dialog.ask(
            f"{key}.roof", ("How large is the roof that feeds it, as seen "
                "from above? Enter alone: not said."), sizes.area(0.1, 5000.0, none=True),
            why="Length times width of the ground that it covers; the slope does not matter.",
        )  # fmt: skip
        if roof.text:
            table["roof"] = roof.text


def _ask_right(dialog: Dialog, key: str, called: str, sizes: Sizes, table: dict[str, Any]) -> Answered:
    """The section, the gallons beside the label, and whether this is the tank."""
    tank = _built(dialog, called, table, f"{key}.shape")
    unit = sizes.measure.volume_unit
    label = dialog.ask(
        f"{key}.label",
        f"How many {unit} does its label say? Enter alone: no label.",
        sizes.volume(0.001, MOST_M3, none=True),
    )
    dialog.tell("\n" + draw(tank, sizes.measure))
    dialog.tell(f"\n{called}: {tank.describe(sizes.measure)}")
    if label.text:
        dialog.tell(beside_label(tank, label, sizes))
    dialog.tell(f"A dip chart of it later: holdwater tank {called}")
    if not dialog.ask(
        f"{key}.right", "Is that your tank?", yes_no, default="yes", why="no: measure again, from its shape on."
    ):
        raise Again(f"{key}.shape")
    return Answered(called, table, tank)


def beside_label(tank: Tank, label: Quantity, sizes: Sizes) -> str:
    """What the label says beside what the tape says."""
    whole = tank.volume_m3(tank.height_m) if len(tank.vessels) > 1 else tank.shape.volume_m3(tank.height_m)
    unit, show = sizes.measure.volume_unit, sizes.measure.volume
    said = (
        f"Label {show(label.si):.0f} {unit}; by your tape {show(whole):.0f} {unit} "
        f"to the rim, {show(tank.capacity_m3):.0f} to the overflow "
        f"lip, {show(tank.full_on_hand_m3):.0f} above the tap."
    )
    apart = whole / label.si - 1
    if abs(apart) <= LABEL_APART:
        return said
    return (
        f"{said}\nThat is {abs(apart):.0%} {'more' if apart > 0 else 'less'} "
        "than the label: tape it once more before you go on."
    )


def _built(dialog: Dialog, called: str, table: dict[str, Any], again: str) -> Tank:
    """The tank of a table; where its measures do not fit each other, says so and asks from `again` on."""
    try:
        return TankConfig.model_validate(table).build(called)
    except ValidationError as error:
        for each in problems_of(error, [TankConfig], ("tank", called), table):
            dialog.say(f"  {each.key}\n  found:    {each.found}\n  expected: {each.expected}\n  next:     {each.fix}")
        raise Again(again) from None
