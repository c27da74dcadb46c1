"""Names in the config: tanks, sensors, series, topics; and the nearest known name to a mistyped one."""

from __future__ import annotations

import re
from collections.abc import Iterable
from difflib import get_close_matches
from typing import Annotated

from pydantic import AfterValidator

from holdwater.config.model import problem

NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,31}")
QUANTITY = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.-]{0,31}")
MAX_TOPIC = 200  # characters; MQTT allows 65,535 bytes, a household needs few


def nearest(name: str, known: Iterable[str]) -> str | None:
    """The known name that is most like this one, if any is."""
    names = list(known)
    folded = {each.casefold(): each for each in reversed(names)}
    same = folded.get(name.casefold().strip())
    if same is not None:
        return same
    begun = [each for each in names if len(name) > 2 and each.casefold().startswith(name.casefold().strip())]
    if len(begun) == 1:
        return begun[0]
    close = get_close_matches(name.casefold(), list(folded), n=1, cutoff=0.6)
    return folded[close[0]] if close else None


def hint(name: str, known: Iterable[str], otherwise: str) -> str:
    """What to do about a name that is not known: take the nearest, or else."""
    near = nearest(name, known)
    return f"did you mean '{near}'?" if near else otherwise


def listed(names: Iterable[str]) -> str:
    """Names in a row, or that there are none."""
    return ", ".join(names) or "none yet"


def is_series(name: str) -> bool:
    """Whether a name is `node:quantity`."""
    node, colon, quantity = name.partition(":")
    return bool(colon and NAME.fullmatch(node) and QUANTITY.fullmatch(quantity))


def _series(name: str) -> str:
    if not is_series(name):
        raise problem(f'"{name}"', 'a series as node:quantity, such as "garden:air"', series_fix(name))
    return name


def series_fix(name: str) -> str:
    """What to write instead of a name that is no series."""
    if name.count(":") != 1:
        return 'write the sensor box, one colon, the quantity: "garden:air"'
    return "use letters, digits, - and _ (in the quantity also .), at most 32 on each side, a letter or digit first"


def topic_problem(topic: str) -> str:
    """What is wrong with an MQTT topic to publish under; empty if nothing is (OASIS MQTT 5.0, 4.7)."""
    if not topic:
        return "it is empty"
    if any(sign in topic for sign in "+#"):
        return "it has a wildcard (+ or #)"
    if topic.startswith("$"):
        return "it begins with $, which belongs to the broker"
    if topic.startswith("/") or topic.endswith("/") or "//" in topic:
        return "it has an empty part (a slash too many)"
    if len(topic) > MAX_TOPIC or any(ord(sign) < 32 or ord(sign) == 127 for sign in topic):
        return "it is too long or has control characters"
    return ""


Series = Annotated[str, AfterValidator(_series)]
