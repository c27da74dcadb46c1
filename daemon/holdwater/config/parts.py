"""A config file section by section: what is right in it, and everything that is wrong."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from holdwater.config.sections import read_many, read_one, sections, unknown_section
from holdwater.errors import Problem


@dataclass
class Parts:
    """What is right in a file so far, and everything that is wrong.

    Attributes:
        text: the file's text.
        data: the tables as read.
        one: models of the sections that come once, by section.
        many: models of the named entries, by section, then name.
        problems: everything wrong.
    """

    text: str
    data: dict[str, Any]
    one: dict[str, Any] = field(default_factory=dict)
    many: dict[str, dict[str, Any]] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)

    def named(self, section: str) -> list[str]:
        """Every name that the file gives in a section, right or wrong."""
        table = self.data.get(section)
        return list(table) if isinstance(table, dict) else []


def read_parts(text: str, data: dict[str, Any]) -> Parts:
    """Every section by itself, so that a wrong one hides nothing in the others."""
    parts = Parts(text, data)
    known = sections()
    parts.problems += [unknown_section(name, table) for name, table in data.items() if name not in known]
    for name, section in known.items():
        if section.form == "many":
            parts.many[name], found = read_many(section, data.get(name, {}))
        elif name == "site" and name not in data:
            found = [_NO_SITE]
        elif section.optional and name not in data:
            parts.one[name], found = None, []
        else:
            parts.one[name], found = read_one(section, data.get(name, {}))
        parts.problems += found
    return parts


_NO_SITE = Problem(
    "site",
    "no section [site]",
    "the name and the time zone of the household",
    'add: [site], and below it name = "…" and timezone = "America/Denver"',
)
