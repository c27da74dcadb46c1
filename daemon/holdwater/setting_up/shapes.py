"""The shape of a tank by tape: which measures each shape needs, inside, outside or round the belly; or a dip chart by filling."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from holdwater.setting_up.answers import Sizes, menu, one_of, quantity, yes_no
from holdwater.setting_up.dialog import Dialog, Wrong

SMALLEST_M, LARGEST_M = 0.02, 30.0
THICKEST_M = 0.5
MOST_M3 = 1000.0


@dataclass(frozen=True, slots=True)
class Shape:
    """One shape to choose.

    Attributes:
        words: what it is, for the menu.
        kind: its kind in the config; empty for joined tanks.
        measures: keys of its table with their questions.
        round: whether a tape may go round it.
    """

    words: str
    kind: str = ""
    measures: tuple[tuple[str, str], ...] = ()
    round: bool = False


SHAPES: dict[str, Shape] = {
    "upright": Shape(
        "round, standing", "upright cylinder", (("diameter", "Diameter"), ("height", "Height, floor to rim")), round=True
    ),
    "lying": Shape(
        "round, lying on its side", "horizontal cylinder",
        (("diameter", "Diameter"), ("length", "Length of the straight part")), round=True,
    ),
    "box": Shape("a box or cube", "box", (("length", "Length"), ("width", "Width"), ("height", "Height, floor to rim"))),
    "tapered": Shape(
        "round, wider above than below (stock tank)", "frustum",
        (("bottom_diameter", "Diameter at the floor"), ("top_diameter", "Diameter at the rim"), ("height", "Height, floor to rim")),
    ),
    "trough": Shape(
        "a trough with sloping sides", "trough",
        (("bottom_width", "Width at the floor"), ("top_width", "Width at the rim"), ("height", "Height, floor to rim"),
         ("length", "Length")),
    ),
    "joined": Shape("several alike, joined near the floor, one level"),
    "filling": Shape("anything else: fill it with known loads and dip after each", "filled"),
    "chart": Shape("anything else: there is a dip chart already", "dip chart"),
}  # fmt: skip

WAYS = {
    "inside": "inside to inside",
    "outside": "outside; then the wall is asked for",
    "round": "tape round the outside; then the wall is asked for",
}
HEADS = {
    "flat": "flat ends",
    "hemispherical": "half a ball at each end",
    "2:1 ellipsoidal": "dished, a quarter of the diameter deep",
    "torispherical": "dished, shallower (a dish with a knuckle)",
}


def ask_shape(dialog: Dialog, key: str, kind: str, sizes: Sizes) -> dict[str, Any]:
    """The keys of the tank's table that say its body: `shape`, or `vessel` and `link`."""
    if kind == "joined":
        return _joined(dialog, key, sizes)
    if kind == "filling":
        return {"shape": _filling(dialog, key, sizes)}
    if kind == "chart":
        return {"shape": _chart(dialog, key, sizes)}
    return {"shape": _measured(dialog, key, SHAPES[kind], sizes)}


def _measured(dialog: Dialog, key: str, shape: Shape, sizes: Sizes) -> dict[str, Any]:
    """A shape by its measures."""
    ways = {name: words for name, words in WAYS.items() if shape.round or name != "round"}
    way = dialog.ask(f"{key}.way", f"How do you tape it?\n{menu(ways)}", one_of(ways), default="inside")
    table: dict[str, Any] = {"kind": shape.kind}
    for name, words in shape.measures:
        wanted, question = name, words
        if name == "diameter" and way == "round":
            wanted, question = "circumference", "Length of the tape round the belly"
        most = LARGEST_M * 4 if wanted == "circumference" else LARGEST_M
        least = 0.0 if name.startswith("bottom_") else SMALLEST_M
        read = sizes.length(least, most, "a measure of a tank")
        table[wanted] = dialog.ask(
            f"{key}.{wanted}", f"{question}, {'inside' if way == 'inside' else 'outside'}?", read,
            why='Such as 42, 41 1/2, 5 ft 6 in or 107 cm. Never climb in or lean into a tank: measure from above or outside.',
        ).text  # fmt: skip
    if way != "inside":
        wall = dialog.ask(f"{key}.wall", "How thick is the wall?", sizes.length(0.0, THICKEST_M, "a wall"),
            default="1/4" if sizes.measure.system == "US" else "0.6",
                          why=("A plastic tank has about a quarter inch, a steel one less "
                              "than an eighth: look at the rim or at the manhole."))  # fmt: skip
        table["wall"] = wall.text
    if shape.kind == "horizontal cylinder":
        heads = dialog.ask(f"{key}.heads", f"How do its ends look?\n{menu(HEADS)}", one_of(HEADS), default="flat")
        if heads != "flat":
            table["heads"] = heads
    return table


def _joined(dialog: Dialog, key: str, sizes: Sizes) -> dict[str, Any]:
    """Some alike, side by side, joined in a row."""
    count = dialog.ask(f"{key}.count", "How many are joined?", _count)
    alike = {"box": SHAPES["box"].words, "upright": SHAPES["upright"].words}
    kind = dialog.ask(f"{key}.each", f"What is one of them like?\n{menu(alike)}", one_of(alike), default="box")
    shape = _measured(dialog, key, SHAPES[kind], sizes)
    link = dialog.ask(
        f"{key}.link", "How high above the floor do the joining pipes lie?", sizes.length(0.0, LARGEST_M, "a height"),
        default=f"1 {sizes.measure.length_unit}", why="Below that height each keeps its own water.",
    )  # fmt: skip
    names = [chr(ord("a") + at) for at in range(count)]
    vessels = [{"name": each, "shape": shape} for each in names]
    links = [{"between": [one, other], "height": link.text} for one, other in pairwise(names)]
    return {"vessel": vessels, "link": links}


def _count(text: str) -> int:
    if not text.isdecimal() or not 2 <= int(text) <= 12:
        raise Wrong(f"'{text}'", "a number from 2 to 12", "write how many tanks are joined")
    return int(text)


def _filling(dialog: Dialog, key: str, sizes: Sizes) -> dict[str, Any]:
    """A dip chart by filling the empty tank with known amounts."""
    dialog.tell(
        "Begin with the tank empty. After each amount (a marked bucket, a "
        "metered hose, a weighed load) let it settle and dip it: "
        "a clean stick, straight down to the floor."
    )
    unit_length, unit_volume = sizes.measure.length_unit, sizes.measure.volume_unit
    fillings: list[dict[str, str]] = []
    last_m = 0.0
    while True:
        at = len(fillings) + 1
        added = dialog.ask(
            f"{key}.added.{at}", f"Amount {at} that you put in?", sizes.volume(1e-5, MOST_M3, "an amount")
        )
        depth = dialog.ask(
            f"{key}.depth.{at}", "Depth of the water now?",
            quantity("length", unit_length, last_m + 1e-4, LARGEST_M, what="above the depth before it"),
        )  # fmt: skip
        last_m = depth.si
        fillings.append({"added": added.text, "depth": depth.text})
        if at >= 2 and not dialog.ask(
            f"{key}.filled.{at}",
            "Another amount?",
            yes_no,
            default="yes",
            why="Go on until it runs over; the chart ends at the last.",
        ):
            break
    doubt = dialog.ask(
        f"{key}.u_added",
        "How sure is one amount, give or take?",
        sizes.volume(0.0, MOST_M3),
        default=f"0.1 {unit_volume}" if unit_volume == "gal" else f"0.4 {unit_volume}",
    )
    return {
        "kind": "filled",
        "fillings": fillings,
        "u_added": doubt.text,
        "u_depth": f"{'0.125 in' if unit_length == 'in' else '3 mm'}",
    }


def _chart(dialog: Dialog, key: str, sizes: Sizes) -> dict[str, Any]:
    """A dip chart that there is already, point by point."""
    dialog.tell("Type the chart from the lowest point up; a point at every few inches is enough.")
    points: list[list[str]] = []
    last_m, last_m3 = -1e-4, -1e-9
    while True:
        at = len(points) + 1
        height = dialog.ask(
            f"{key}.height.{at}", f"Point {at}: height above the floor?",
            quantity("length", sizes.measure.length_unit, last_m + 1e-4, LARGEST_M, what="above the point before it"),
        )  # fmt: skip
        held = dialog.ask(
            f"{key}.holds.{at}", "What it holds there?",
            quantity("volume", sizes.measure.volume_unit, last_m3 + 1e-9, MOST_M3, what="more than at the point before it"),
        )  # fmt: skip
        last_m, last_m3 = height.si, held.si
        points.append([height.text, held.text])
        if at >= 2 and not dialog.ask(f"{key}.charted.{at}", "Another point?", yes_no, default="yes"):
            return {"kind": "dip chart", "points": points}
