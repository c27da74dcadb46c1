"""What can freeze: spigots, pipes, tanks, sensors; how they stand and what keeps them."""

from __future__ import annotations

from typing import Any

from holdwater.setting_up.answers import Sizes, menu, name, one_of, yes_no
from holdwater.setting_up.dialog import Dialog

KINDS = {
    "spigot": "a tap outside",
    "pipe": "a pipe above the ground or in the cold",
    "tank": "a whole tank: ice on its water",
    "sensor": "a pressure sensor or its port",
    "screen": "a leaf screen or a first-flush",
    "none": "nothing more",
}
SKIES = {"open": "under the open sky", "part": "at a wall or under eaves", "roof": "under a roof"}
DRAIN = (
    "Drained and open is the surest. Heat tape must be listed for the pipe, on a GFCI "
    "outlet, never overlapped; house voltage is for a licensed person."
)


def ask_cold(dialog: Dialog, tanks: list[str], sizes: Sizes, *, air: bool) -> dict[str, dict[str, Any]]:
    """The tables [exposure.NAME]."""
    dialog.tell(f"\nWhat can freeze? List every spot that matters; only listed spots are watched. {DRAIN}")
    if not air:
        dialog.tell("No box measures the outside air: there will be no freeze warning until one does.")
    found: dict[str, dict[str, Any]] = {}
    while True:
        key = f"cold.{len(found) + 1}"
        kind = dialog.ask(
            f"{key}.kind",
            f"What can freeze{' besides' if found else ''}?\n{menu(KINDS)}",
            one_of(KINDS),
            default="none",
        )
        if kind == "none":
            return found
        called, table = _ask_one(dialog, key, kind, tanks, sizes, list(found))
        found[called] = table


def _ask_one(
    dialog: Dialog, key: str, kind: str, tanks: list[str], sizes: Sizes, taken: list[str]
) -> tuple[str, dict[str, Any]]:
    table: dict[str, Any] = {"kind": kind}
    offer = ""
    if kind == "tank":
        table["tank"] = dialog.ask(f"{key}.tank", f"Which one? {', '.join(tanks)}.", one_of(tanks), default=tanks[0])
        offer = f"{table['tank']}-tank"
    called = dialog.ask(
        f"{key}.name",
        "What do you call it, in one word?",
        name(taken),
        default=offer,
        why="Such as garden-spigot. The notice names it.",
    )
    us = sizes.measure.system == "US"
    if kind in ("spigot", "pipe"):
        bore = dialog.ask(
            f"{key}.bore", "Inside diameter?", sizes.length(0.002, 0.3, "a pipe"), default="1/2 in" if us else "13 mm"
        )
        table["bore"] = bore.text
    if kind == "pipe":
        length = dialog.ask(
            f"{key}.length",
            "How much of it lies in the cold?",
            sizes.length(0.01, 500.0, "a length"),
            default="10 ft" if us else "3 m",
        )
        table["length"] = length.text
        if dialog.ask(
            f"{key}.foam",
            "Has it a sleeve of foam?",
            yes_no,
            default="no",
            why="An ordinary half-inch sleeve counts as R 3.",
        ):
            table["insulation"] = "3 R"
    table["sky"] = dialog.ask(
        f"{key}.sky", f"Where does it stand?\n{menu(SKIES)}", one_of(SKIES), default="part",
        why="On a clear night what sees the sky grows colder than the air.",
    )  # fmt: skip
    return called, table
