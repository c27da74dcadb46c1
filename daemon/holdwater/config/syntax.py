"""TOML in, tables out; a syntax error is shown with its line, in words a household understands."""

from __future__ import annotations

import re
import tomllib
from typing import Any

from holdwater.config.redact import is_secret
from holdwater.errors import Problem

MAX_SYNTAX_PROBLEMS = 20  # more than a person repairs in one go
MAX_DEPTH = 24  # levels; a vessel's shape with its heads needs eight
_PLACE = re.compile(r"^(?P<what>.*) \(at (?:line (?P<line>\d+), column (?P<column>\d+)|end of document)\)$", re.DOTALL)
_SETTING = re.compile(r"^\s*(?P<key>[A-Za-z0-9_\-.\"']+)\s*=\s*(?P<value>[^\[{\"'#]*?)\s*(#.*)?$")
_BEGUN = re.compile(r"^\s*(?P<key>[A-Za-z0-9_\-.\"']+)\s*=")
_DATE = re.compile(r"\d{4}-\d{1,2}-\d{1,2}")
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")

# What tomllib says (Python 3.11 to 3.14) -> what was expected, what to do.
_MEANINGS: tuple[tuple[str, str, str], ...] = (
    ("Cannot overwrite", "each setting once", "remove one of the two"),
    ("Cannot declare", "each section name once", "give one of the two another name, or join them"),
    ("Duplicate inline table key", "each setting once", "remove one of the two"),
    ("Cannot mutate immutable", "a section written in one place", "add the setting inside the { } or use a [section]"),
    ("Cannot redefine", "a section written in one place", "join the two"),
    ("Expected '=' after a key", "a setting as key = value", "write key = value; section names stand in [ ]"),
    ("Expected ']' at the end", "a section name in [ ]", "close the bracket ]"),
    ("Expected ']]' at the end", "a section name in [[ ]]", "close the brackets ]]"),
    ("Unclosed array", "a list in [ ]", "close the bracket ] and put commas between the values"),
    ("Unclosed inline table", "settings in { } with commas between", "close the brace } on the same line"),
    ("Unterminated string", "text in quotes", 'close the quotes "'),
    ("Illegal character '\\n'", "text in quotes, ended on its line", 'close the quotes "'),
    ("Unescaped '\\'", "a text without a lone backslash", "write \\\\ for one backslash, or use single quotes"),
    ("Invalid statement", "a setting as key = value, or a section in [ ]", "write key = value, one a line"),
    ("Invalid initial character for a key", "a key of letters, digits, - and _", "write key = value, one a line"),
    ("Invalid date or datetime", "a date such as 2026-10-01", "correct the date"),
    ("Illegal character", "ordinary characters", "remove the control character"),
    ("Expected newline or end of document", "one key = value a line", 'put text and quantities in quotes: "45 in"'),
    ("Invalid value", "a value: text in quotes, a number, true or false", 'put text in quotes: "45 in"'),
)


def parse_toml(text: str) -> tuple[dict[str, Any], tuple[Problem, ...]]:
    """The tables of a TOML text, or its syntax problems.

    A plain `key = value` line that does not parse is left out and the reading goes on: several are found at once.

    Args:
        text: the file's text.

    Returns:
        The tables and no problem, or an empty table and the problems.
    """
    problems: list[Problem] = []
    lines = text.split("\n")
    last_line = 0
    while len(problems) < MAX_SYNTAX_PROBLEMS:
        try:
            data = tomllib.loads("\n".join(lines))
        except tomllib.TOMLDecodeError as error:
            line, column, what = _place(error, lines)
            if line <= last_line:  # what we left out caused it
                break
            problems.append(_syntax_problem(what, line, column, lines[line - 1]))
            if not _SETTING.match(lines[line - 1]):
                break
            lines[line - 1], last_line = "", line
        except RecursionError:
            return {}, (_TOO_DEEP,)
        else:
            if problems:
                return {}, tuple(problems)
            return ({}, (_TOO_DEEP,)) if _is_deep(data) else (data, ())
    return {}, tuple(problems)


_TOO_DEEP = Problem("file", "brackets nested too deep", "at most a few levels", "check the brackets")


def _is_deep(data: dict[str, Any]) -> bool:
    """Whether tables and lists are nested deeper than any setting; deeper ones would exhaust whoever walks them."""
    layer: list[Any] = [data]
    for _ in range(MAX_DEPTH):
        layer = [
            each
            for value in layer
            if isinstance(value, dict | list)
            for each in (value.values() if isinstance(value, dict) else value)
        ]
    return any(isinstance(value, dict | list) for value in layer)


def _place(error: tomllib.TOMLDecodeError, lines: list[str]) -> tuple[int, int, str]:
    """Line, column (both from 1) and what is wrong."""
    match = _PLACE.match(str(error))
    what = match["what"] if match else str(error)
    if match is None or match["line"] is None:
        last = max((n for n, line in enumerate(lines, 1) if line.strip()), default=1)
        return last, len(lines[last - 1]) + 1, what
    line, column = int(match["line"]), int(match["column"])
    if line > 1 and column == 1 and what.startswith("Illegal character '\\n'"):  # pragma: no cover - older tomllib only
        line, column = line - 1, len(lines[line - 2]) + 1
    return min(line, len(lines)), column, what


def _syntax_problem(what: str, line: int, column: int, shown: str) -> Problem:
    where = f"line {line}, column {column}"
    setting = _SETTING.match(shown)
    shown = shown.rstrip("\r")
    begun = _BEGUN.match(shown)
    if begun and is_secret(begun["key"].strip("\"' ").rsplit(".", 1)[-1]):
        shown, setting = f"{begun['key']} = (not shown)", None
    found = f"{_plain(what)}\n              {shown.expandtabs(1)[:160]}\n              {' ' * min(column - 1, 159)}^"
    expected, fix = next(
        ((e, f) for start, e, f in _MEANINGS if what.startswith(start)), ("valid TOML", "correct this line")
    )
    if setting and _DATE.match(setting["value"]):
        return Problem(
            where, found, "a date such as 2026-10-01, or a time such as 2026-10-01T08:00:00Z", "correct the date"
        )
    if setting and _needs_quotes(setting["value"]) and not what.startswith(("Cannot", "Duplicate")):
        fix = f'put quotes around the value: {setting["key"]} = "{setting["value"]}"'
        expected = "a text or a quantity stands in quotes"
    return Problem(where, found, expected, fix)


def _needs_quotes(value: str) -> bool:
    """Whether a value that does not parse would be right in quotes: `3 in`, `yes`, `water.home`."""
    return bool(value) and '"' not in value and "'" not in value


_PLAIN: tuple[tuple[str, str], ...] = (
    ("Cannot overwrite a value", "the setting is there twice"),
    ("Expected newline or end of document after a statement", "something follows the value that does not belong there"),
    ("Invalid value", "the value cannot be read"),
    ("Invalid statement", "the line does not begin with a key"),
    ("Invalid initial character for a key part", "the line does not begin with a key"),
    ("Expected '=' after a key in a key/value pair", "there is no = after the key"),
    ("Unterminated string", "quotes are opened and not closed"),
    ("Illegal character '\\n'", "quotes are opened and not closed"),
)


def _plain(what: str) -> str:
    """What tomllib says, without its jargon."""
    twice = re.match(r"Cannot declare \((.*)\) twice", what)
    if twice:
        names = ".".join(part for part in re.findall(r"'([^']*)'", twice[1]))
        return f"two sections are called [{names}]"
    double = re.match(r"Duplicate inline table key '(.*)'", what)
    if double:
        return f"'{double[1]}' is there twice"
    plain = next((words for start, words in _PLAIN if what.startswith(start)), "")
    return plain or what[:1].lower() + what[1:]


def quoted_key(part: object) -> str:
    """One part of a key as the file would have it: quoted if it is not a bare key."""
    text = str(part)
    return text if _BARE_KEY.fullmatch(text) else f'"{text}"'


def dotted(parts: tuple[object, ...]) -> str:
    """A key as the file would have it: `tank.garden.vessel[2].shape`; list places count from 1."""
    key = ""
    for part in parts:
        if isinstance(part, int):
            key += f"[{part + 1}]"
        else:
            key += f".{quoted_key(part)}" if key else quoted_key(part)
    return key
