"""The whole first hour, in order; its outcome is the config file."""

from __future__ import annotations

import os
from dataclasses import dataclass
from datetime import date
from functools import partial
from pathlib import Path
from typing import Any

from holdwater.channel_test import attempt
from holdwater.config.site import Site
from holdwater.errors import ConfigError, HoldwaterError
from holdwater.setting_up import trials
from holdwater.setting_up.answers import Sizes, yes_no
from holdwater.setting_up.boxes import PASSWORDS
from holdwater.setting_up.broker import ask_broker, ask_page, ask_weather, enrol_boxes
from holdwater.setting_up.cold import ask_cold
from holdwater.setting_up.dialog import Dialog, Wrong
from holdwater.setting_up.hearing import Ear
from holdwater.setting_up.place import ask_place
from holdwater.setting_up.sensors import Mounted, ask_sensors
from holdwater.setting_up.tanks import Answered, ask_tanks
from holdwater.setting_up.telling import ask_channels
from holdwater.setting_up.writing import toml
from holdwater.sitefile import site_of
from holdwater.units import Measure, trimmed

LATER = "later: holdwater setup {what} {name}"


@dataclass(frozen=True, slots=True)
class Where:
    """Where the interview's files are.

    Attributes:
        config: the config file to write.
        store: folder of the store.
        passwords: the broker's password file.
    """

    config: Path
    store: str = "/var/lib/holdwater"
    passwords: Path = PASSWORDS


def interview(dialog: Dialog, where: Where) -> tuple[str, Site]:
    """Ask everything; the text of the config file, and the site that it is."""
    site = ask_place(dialog)
    sizes = Sizes(Measure(site["units"]))
    tanks = ask_tanks(dialog, sizes)
    mounted = ask_sensors(dialog, tanks, sizes)
    folder = where.config.absolute().parent
    tables: dict[str, Any] = {
        "site": site,
        "broker": ask_broker(dialog, folder),
        "store": {"folder": where.store},
        "tank": {each.name: each.table for each in tanks},
        "sensor": {each.name: each.table for each in mounted},
    }
    boxes = enrol_boxes(dialog, mounted, tables["broker"], folder, where.passwords)
    _ask_trials(dialog, tables, where, mounted, sizes)
    tables["weather"] = ask_weather(dialog, boxes)
    tables["exposure"] = ask_cold(dialog, [each.name for each in tanks], sizes, air="air" in tables["weather"])
    tables["channel"] = ask_channels(dialog, folder, lambda name, table: _attempt(tables, where, name, table))
    tables["page"] = ask_page(dialog)
    return _finish(dialog, tables, where, tanks)


def text_of(tables: dict[str, Any]) -> str:
    """The config file of these tables."""
    return toml(tables, (f"{tables['site']['name']}: made by holdwater setup on {date.today().isoformat()}."))  # noqa: DTZ011 -- the owner's own day


def read_back(tables: dict[str, Any], where: Where) -> Site:
    """The site that these tables are.

    Raises:
        ConfigError: they are not right.
    """
    return site_of(text_of(tables), str(where.config), os.environ)


def _attempt(tables: dict[str, Any], where: Where, name: str, table: dict[str, Any]) -> str:
    """Send a real message by a channel; why it was not taken, or nothing."""
    try:
        site = read_back({**tables, "channel": {name: table}}, where)
    except HoldwaterError as error:
        return error.words()
    return attempt(site, [name])[name]


def _finish(dialog: Dialog, tables: dict[str, Any], where: Where, tanks: list[Answered]) -> tuple[str, Site]:
    """Read the config back; what is wrong with it as a whole sends the person back."""
    try:
        site = read_back(tables, where)
    except ConfigError as error:
        dialog.tell("\n" + error.words())
        dialog.ask("finish.wrong", "This does not fit together. Go back to what it names.", _only_back)
        raise
    old = f" What is there now is kept as {where.config.name}.before." if where.config.exists() else ""
    dialog.tell(
        f"\nThat is all. {len(tanks)} tank{'s' if len(tanks) > 1 else ''}, {len(tables['sensor'])} with a sensor."
    )
    dialog.ask(
        "finish.write",
        f"Write {where.config}?{old}",
        _only_yes,
        default="yes",
        why="back changes an answer; leave keeps them for later.",
    )
    return text_of(tables), site


def _only_back(text: str) -> str:
    raise Wrong(f"'{text}'", "back, or leave", "write back, as often as needed")


def _only_yes(text: str) -> bool:
    if not yes_no(text):
        raise Wrong("no", "yes, back or leave", "back changes an answer; leave keeps what you answered for later")
    return True


# -- at the tank --------------------------------------------------------------------------------------------------------------


def _ask_trials(dialog: Dialog, tables: dict[str, Any], where: Where, mounted: list[Mounted], sizes: Sizes) -> None:
    """Walk test, tape beside sensor, tap test; each now or later."""
    walked: set[str] = set()
    for each in mounted:
        if each.box not in walked:
            walked.add(each.box)
            question = (
                f"\nWalk test of {each.box}, before you drill: does the broker "
                "run, and is the box on?  yes: now. no: later."
            )
            if dialog.ask(
                f"walk.{each.box}",
                question,
                yes_no,
                default="yes",
                why="Twenty packs from the place where it will hang: how many came, how strong.",
            ):
                dialog.tell(dialog.once(f"walk.{each.box}.done", partial(_walk, dialog, tables, where, each.box)))
        if dialog.ask(
            f"tape.{each.name}",
            f"Is the sensor of {each.table['tank']} mounted, and can you tape the water now?",
            yes_no,
            default="no",
        ):
            _tape(dialog, tables, where, each, sizes)


def _walk(dialog: Dialog, tables: dict[str, Any], where: Where, box: str) -> str:
    try:
        with Ear(read_back(tables, where)) as ear:
            return _until_ctrl_c(lambda: trials.walk(ear, box, dialog.say).words(box), "walk", box)
    except HoldwaterError as error:
        return f"{error.words()}\n{LATER.format(what='walk', name=box)}"


def _until_ctrl_c(act: Any, what: str, name: str) -> str:
    try:
        return str(act())
    except KeyboardInterrupt:
        return LATER.format(what=what, name=name)


def _tape(dialog: Dialog, tables: dict[str, Any], where: Where, each: Mounted, sizes: Sizes) -> None:
    """The tape beside the sensor; the height of the mount may be corrected by it."""
    key = f"tape.{each.name}"
    tape = dialog.ask(
        f"{key}.depth",
        "What does the tape or a clean stick say: how deep is the water?",
        sizes.length(0.0, 30.0, "a depth"),
    )
    found = dialog.once(f"{key}.level", lambda: _hear(dialog, tables, where, each))
    depth, _, rest = found.partition(" ")
    if depth == "none":
        dialog.tell(rest)
        return
    level = trials.Level(float(depth), float(rest))
    dialog.tell(trials.tape_words(tape.si, level, each.instrument, sizes.measure))
    off_m = tape.si - float(depth)
    if abs(off_m) > 0.003 and dialog.ask(
        f"{key}.correct", ("Take the tape's word and move the height in the config by "
            f"{sizes.measure.length(off_m):+.1f} {sizes.measure.length_unit}?"), yes_no, default="no",
        why="yes when you taped the water twice and trust that more than the mount's measure.",
    ):  # fmt: skip
        height_m = getattr(each.instrument.physics, "height_m", 0.0) + off_m
        each.table["height"] = f"{trimmed(sizes.measure.length(height_m), 2)} {sizes.measure.length_unit}"


def _hear(dialog: Dialog, tables: dict[str, Any], where: Where, each: Mounted) -> str:
    """The next level as "depth u" in m, or "none" and the reason."""
    later = "none " + LATER.format(what="tape", name=str(each.table["tank"]))
    try:
        with Ear(read_back(tables, where)) as ear:
            level = trials.hear_level(ear, each.instrument, dialog.say)
    except HoldwaterError as error:
        return f"none {error.words()}"
    except KeyboardInterrupt:
        return later
    if level is None:
        return later
    return (
        f"none The sensor gives no depth: {level.reason}"
        if level.depth_m is None
        else f"{level.depth_m:.6f} {level.u_m:.6f}"
    )
