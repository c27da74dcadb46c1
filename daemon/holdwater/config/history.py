"""What changed between two configs, in words, and from when each change counts.

Rule: a correction of geometry applies to the past, for the tank was always so and was only measured wrongly; a mount,
a route or a calibration counts in the time it states (`from`, `until`); all else counts from now on. What was told to
people is never rewritten.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date
from typing import Any, Literal

from holdwater.config.fields import shown
from holdwater.config.syntax import dotted

Applies = Literal["past", "stated", "now"]
Key = tuple[str | int, ...]
ABSENT = object()

# Keys of [tank.NAME] that describe its body. `reserve`, `floor`, `use`, `filled_by` say what is wanted of it.
GEOMETRY = frozenset(
    {"shape", "vessel", "link", "outlet", "outlet_vessel", "overflow", "geometry", "mount", "table", "roof"}
)
STATED = frozenset({"sensor", "route"})
NAMED = frozenset({"tank", "sensor", "route", "transfer", "exposure", "notice", "channel"})


@dataclass(frozen=True, slots=True)
class Change:
    """One change between two configs.

    Attributes:
        key: dotted key of what changed.
        subject: tank, sensor or section that the household reads.
        applies: "past" (all that is stored), "stated" (the time its `from` and `until` say) or "now" (from now on).
        words: the change as a sentence.
    """

    key: str
    subject: str
    applies: Applies
    words: str


def compare(old: str, new: str) -> tuple[Change, ...]:
    """Every change between two config texts, in the order of the new one.

    Args:
        old: a config text that parses, as the store keeps it.
        new: another.

    Raises:
        tomllib.TOMLDecodeError: one of them is no TOML.
    """
    before, after = tomllib.loads(old), tomllib.loads(new)
    return tuple(_changes(before, after))


def redoes(changes: Iterable[Change]) -> tuple[str, ...]:
    """Names of the tanks, sensors and routes whose past has to be computed again."""
    return tuple(dict.fromkeys(change.subject for change in changes if change.applies != "now"))


def _changes(before: dict[str, Any], after: dict[str, Any]) -> Iterator[Change]:
    for section in [*after, *(name for name in before if name not in after)]:
        old, new = before.get(section, {}), after.get(section, {})
        if section not in NAMED or not isinstance(old, dict) or not isinstance(new, dict):
            for key, one, other in differences(old, new):
                yield _setting((section, *key), section, one, other, "now")
            continue
        for name in [*new, *(name for name in old if name not in new)]:
            yield from _entry(section, name, old.get(name, ABSENT), new.get(name, ABSENT))


def _entry(section: str, name: str, old: Any, new: Any) -> Iterator[Change]:
    if old is ABSENT or new is ABSENT:
        yield _came_or_went(section, name, new if old is ABSENT else old, came=old is ABSENT)
        return
    span = _span(new)
    for key, one, other in differences(old, new):
        applies = _applies(section, key)
        change = _setting(
            (section, name, *key), name if section in {"tank", *STATED} else f"{section} {name}", one, other, applies
        )
        since = span if not (key and key[0] == "calibration") else _calibration_span(new, key, span)
        yield Change(change.key, name, applies, f"{change.words}: {_when(applies, since)}")


def _applies(section: str, key: Key) -> Applies:
    if section == "tank":
        return "past" if key and key[0] in GEOMETRY else "now"
    return "stated" if section in STATED else "now"


def _when(applies: Applies, span: str) -> str:
    if applies == "past":
        return "applies to the past"
    return f"applies {span}" if applies == "stated" else "applies from now on"


def _span(entry: Any) -> str:
    """When an entry counts, by its `from` and `until`."""
    since, until = (_date(entry.get(name)) for name in ("from", "until")) if isinstance(entry, dict) else ("", "")
    if since and until:
        return f"from {since} until {until}"
    if since or until:
        return f"from {since} on" if since else f"until {until}"
    return "to all its readings (it states no from)"


def _calibration_span(entry: Any, key: Key, otherwise: str) -> str:
    rows = entry.get("calibration") if isinstance(entry, dict) else None
    if (
        isinstance(rows, list)
        and len(key) > 1
        and isinstance(key[1], int)
        and key[1] < len(rows)
        and isinstance(rows[key[1]], dict)
    ):
        since = _date(rows[key[1]].get("from"))
        return f"from {since} on" if since else otherwise
    return otherwise


def _date(value: Any) -> str:
    return value.isoformat() if isinstance(value, date) else "" if value is None else str(value)


def _came_or_went(section: str, name: str, entry: Any, *, came: bool) -> Change:
    key, words = f"{section}.{name}", f"{section} {name} {'added' if came else 'removed'}"
    if section == "tank":
        after = (
            "counts from its first reading on"
            if came
            else "its past stays as it was computed; it is not computed again"
        )
        return Change(key, name, "past" if came else "now", f"{words}: {after}")
    if section in STATED:
        if came:
            return Change(key, name, "stated", f"{words}: applies {_span(entry)}")
        advice = f"what it measured cannot be computed again; better keep [{section}.{name}] and give it until = …"
        return Change(key, name, "now", f"{words}: {advice}")
    return Change(key, name, "now", f"{words}: applies from now on")


def _setting(key: Key, subject: str, old: Any, new: Any, applies: Applies) -> Change:
    path = _path(key[1:] if subject == key[0] else key[2:])
    if old is ABSENT:
        words = f"{subject}: {path} {_plain(new)} added"
    elif new is ABSENT:
        words = f"{subject}: {path} {_plain(old)} removed"
    else:
        words = f"{subject}: {path} {_plain(old)} -> {_plain(new)}"
    if key[0] not in NAMED:
        words += ": applies from now on"
    return Change(dotted(key), subject, applies, words)


def _plain(value: Any) -> str:
    """A value without the quotes of the file where it is a plain text."""
    return value if isinstance(value, str) else shown(value)


def _path(key: Key) -> str:
    """A key in words: `shape.diameter` is the household's diameter; list places count from 1."""
    parts = [part for part in key if part != "shape"] or list(key)
    text = ""
    for part in parts:
        text += f" {part + 1}" if isinstance(part, int) else f"{'.' if text else ''}{part}"
    return text


def differences(old: Any, new: Any, key: Key = ()) -> Iterator[tuple[Key, Any, Any]]:
    """Every setting that differs between two tables: key, old value, new value; `ABSENT` where there is none."""
    if isinstance(old, dict) and isinstance(new, dict):
        for name in [*new, *(name for name in old if name not in new)]:
            yield from differences(old.get(name, ABSENT), new.get(name, ABSENT), (*key, name))
    elif isinstance(old, list) and isinstance(new, list) and any(isinstance(each, dict) for each in [*old, *new]):
        for place in range(max(len(old), len(new))):
            one = old[place] if place < len(old) else ABSENT
            other = new[place] if place < len(new) else ABSENT
            yield from differences(one, other, (*key, place))
    elif old is ABSENT or new is ABSENT or old != new:
        yield key, old, new
