"""The config file as text: tables in the order of the manual, a comment over each section, quantities as they were answered."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from typing import Any

HEADS = {
    "site": "The household.",
    "broker": "The MQTT broker that the sensor boxes publish to.",
    "store": "Where readings are kept.",
    "page": "The page that the household opens in a browser.",
    "weather": "Which series tell the weather outside: sensor box, colon, quantity.",
    "tank": "Tanks. All heights are above the lowest inside floor.",
    "sensor": "Sensors: which tank, which series, where mounted.",
    "exposure": "What can freeze.",
    "channel": "Who is told, and how.",
}
MANY = ("tank", "sensor", "exposure", "channel")


def toml(tables: Mapping[str, Any], head: str) -> str:
    """A config as TOML.

    Args:
        tables: sections by name; those of `MANY` hold entries by name.
        head: first line, as a comment.
    """
    lines = [
        f"# {head}",
        "# Every setting: docs/settings.md. After a change: holdwater check, then start the service anew.",
    ]
    for section, words in HEADS.items():
        if not tables.get(section):
            continue
        lines += ["", f"# {words}"]
        if section in MANY:
            for name, table in tables[section].items():
                lines += [*_table(f"{section}.{name}", table), ""]
            lines.pop()
        else:
            lines += _table(section, tables[section])
    return "\n".join(lines) + "\n"


def _table(name: str, table: Mapping[str, Any]) -> Iterator[str]:
    yield f"[{name}]"
    rows = {key: value for key, value in table.items() if _is_rows(value)}
    for key, value in table.items():
        if key not in rows:
            yield f"{key} = {_value(value)}"
    for key, entries in rows.items():
        for entry in entries:
            yield ""
            yield f"[[{name}.{key}]]"
            yield from (f"{each} = {_value(value)}" for each, value in entry.items())


def _is_rows(value: Any) -> bool:
    return isinstance(value, list | tuple) and bool(value) and all(isinstance(each, Mapping) for each in value)


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False)  # a JSON string of printable text is a basic string of TOML
    if isinstance(value, int | float):
        return repr(value)
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{key} = {_value(each)}" for key, each in value.items()) + " }"
    return "[" + ", ".join(_value(each) for each in value) + "]"
