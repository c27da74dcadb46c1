"""What pydantic finds, said again in words a household understands: key as in the file, found, expected, fix."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo

from holdwater.config.fields import example_of, field_names, key_of, models_in, shown, tags_of, type_words
from holdwater.config.names import listed, nearest
from holdwater.config.redact import is_secret
from holdwater.config.syntax import dotted
from holdwater.errors import Problem
from holdwater.units import UnitError

NAMES_SHOWN = 14  # known names that are listed


def problems_of(
    error: ValidationError, models: Iterable[type[BaseModel]], prefix: tuple[object, ...], data: Any
) -> list[Problem]:
    """Every problem of one section.

    Args:
        error: what validating `data` raised.
        models: the models it may have been.
        prefix: where the section stands in the file (`("tank", "drinking")`).
        data: the section as read.

    Returns:
        One problem a key, in the order found; alternatives of one key are joined.
    """
    models = tuple(models)
    merged: dict[str, Problem] = {}
    for details in _not_mistyped(error, models):
        found = _problem(details, models, prefix, data)
        first = merged.get(found.key)
        merged[found.key] = found if first is None else _join(first, found)
    return list(merged.values())


def _not_mistyped(error: ValidationError, models: tuple[type[BaseModel], ...]) -> list[dict[str, Any]]:
    """All details but those of settings that are missing because they are mistyped: these are said once, as unknown."""
    all_details: list[dict[str, Any]] = [dict(details) for details in error.errors(include_url=False)]
    meant: set[tuple[Any, ...]] = set()
    for details in all_details:
        if details["type"] == "extra_forbidden":
            loc: tuple[Any, ...] = details["loc"]
            table, name = loc[:-1], str(loc[-1])
            names = [each for holder in _models_at(models, table) for each in field_names(holder)]
            meant.add((*table, nearest(name, names)))
    return [each for each in all_details if each["type"] != "missing" or tuple(each["loc"]) not in meant]


def _join(one: Problem, other: Problem) -> Problem:
    """One problem from two of the same key: the alternatives of a setting that may be written in several ways."""
    if one == other or other.expected in one.expected:
        return one
    return Problem(one.key, one.found, f"{one.expected}; or {other.expected}", one.fix)


def _problem(
    details: dict[str, Any], models: tuple[type[BaseModel], ...], prefix: tuple[object, ...], data: Any
) -> Problem:
    """One problem from one of pydantic's details."""
    loc, kind, context = tuple(details["loc"]), str(details["type"]), details.get("ctx") or {}
    if kind == "missing" and isinstance(loc[-1], int):  # one value too few in a list of fixed length
        loc, kind = loc[:-1], "too_few"
    path, value = _in_file(loc, data, missing=kind == "missing")
    key = dotted(prefix + path)
    field = _field_at(models, loc)
    if kind == "holdwater":
        below = tuple(part for part in str(context.get("key", "")).split(".") if part)
        return Problem(dotted(prefix + path + below), context["found"], context["expected"], context["fix"])
    if kind == "extra_forbidden":
        return _unknown(key, str(loc[-1]), value, _models_at(models, loc[:-1]))
    if kind == "missing":
        return Problem(key, "nothing; it must be given", _meaning(field), _example_fix(loc[-1], field))
    if kind == "union_tag_invalid":
        name = str(context["discriminator"]).strip("'")
        return Problem(dotted((*prefix, *path, name)), shown(context["tag"]), *_choice(context, value))
    if isinstance(context.get("error"), UnitError):
        wrong = context["error"]
        return Problem(key, wrong.found, wrong.expected, wrong.fix)
    hidden = any(isinstance(part, str) and is_secret(part) for part in path)
    expected, fix = _expected(kind, context, value)
    fix = fix or _example_fix(path[-1] if path else prefix[-1], field)
    return Problem(key, "a value that is not shown" if hidden else shown(value), expected or _meaning(field), fix)


def _in_file(loc: tuple[Any, ...], data: Any, *, missing: bool) -> tuple[tuple[object, ...], Any]:
    """The part of a pydantic location that stands in the file (tags of alternatives do not), and the value there."""
    path: list[object] = []
    value = data
    for place, part in enumerate(loc):
        if (isinstance(value, Mapping) and part in value) or (
            isinstance(value, Sequence) and not isinstance(value, str) and isinstance(part, int) and part < len(value)
        ):
            value = value[part]
            path.append(part)
        elif missing and place == len(loc) - 1:
            path.append(part)
    return tuple(path), value


def _unknown(key: str, name: str, value: Any, holders: tuple[type[BaseModel], ...]) -> Problem:
    names = [each for holder in holders for each in field_names(holder)]
    names = list(dict.fromkeys(names))
    near = nearest(name, names)
    known = listed(names[:NAMES_SHOWN]) + (", …" if len(names) > NAMES_SHOWN else "")
    fix = f"did you mean '{near}'?" if near else "remove the line, or look the name up in docs/settings.md"
    hidden = is_secret(name)
    found = f"unknown setting '{name}'" + ("" if hidden else f" = {shown(value)}")
    return Problem(key, found, f"one of: {known}" if known else "no such setting here", fix)


def _models_at(models: tuple[type[BaseModel], ...], loc: tuple[Any, ...]) -> tuple[type[BaseModel], ...]:
    """The models that the table at a location may be."""
    for part in loc:
        fields = [
            field
            for model in models
            for name, field in model.model_fields.items()
            if part in (key_of(name, field), name)
        ]
        if fields:
            models = tuple(model for field in fields for model in models_in(field.annotation))
        elif isinstance(part, str):
            models = tuple(model for model in models if part in tags_of(model) or part == model.__name__) or models
    return models


def _field_at(models: tuple[type[BaseModel], ...], loc: tuple[Any, ...]) -> FieldInfo | None:
    """The field at a location; the last part of the location that names one."""
    for end in range(len(loc), 0, -1):
        for model in _models_at(models, loc[: end - 1]):
            for name, field in model.model_fields.items():
                if loc[end - 1] in (key_of(name, field), name):
                    return field
    return None


def _meaning(field: FieldInfo | None) -> str:
    if field is None or not field.description:
        return "a value for this setting"
    text = field.description.rstrip(".")
    return f"{type_words(field)}: {text[:1].lower()}{text[1:]}"


def _example_fix(key: object, field: FieldInfo | None) -> str:
    example = example_of(field) if field else ""
    return f"write {key} = {example}" if example else f"write {key} = …; docs/settings.md explains it"


def _choice(context: dict[str, Any], value: Any) -> tuple[str, str]:
    expected = str(context.get("expected") or context.get("expected_tags") or "")
    names = [part.strip(" '\"") for part in expected.replace(" or ", ", ").split(", ")]
    tag = str(context.get("tag", value))
    near = nearest(tag, names) if isinstance(value, str) or "tag" in context else None
    return "one of: " + ", ".join(
        f'"{name}"' for name in names
    ), f'did you mean "{near}"?' if near else "take one of these"


_BOUNDS = {"greater_than": ("more than", "gt"), "greater_than_equal": ("at least", "ge"),
           "less_than": ("less than", "lt"), "less_than_equal": ("at most", "le")}  # fmt: skip
_TYPES = {
    "string": ("a text in quotes", "put the value in quotes"),
    "int": ("a whole number", "write a number without quotes and decimals"),
    "float": ("a number", "write a number without quotes"),
    "bool": ("true or false", "write true or false, without quotes"),
    "list": ("a list in [ ]", "put the values in [ ], with commas between"),
    "tuple": ("a list in [ ]", "put the values in [ ], with commas between"),
    "set": ("a list in [ ]", "put the values in [ ], with commas between"),
    "dict": ("a table in { }", "write { key = value, … }, or a section of its own"),
    "model": ("a table in { }", "write { key = value, … }, or a section of its own"),
    "finite": ("an ordinary number", "write a number that is neither nan nor inf"),
    "datetime": ("a date and time such as 2026-10-01T08:00:00-06:00", "write year-month-day, T, time, offset from UTC"),
    "date": ("a date such as 2026-10-01", "write year-month-day"),
}


def _expected(kind: str, context: dict[str, Any], value: Any) -> tuple[str, str]:
    """What was expected and the fix; empty texts where the field's own description says it better."""
    if kind in _BOUNDS:
        words, name = _BOUNDS[kind]
        return f"{words} {context[name]:g}", "correct the number"
    if kind in {"literal_error", "enum"}:
        return _choice(context, value)
    if kind == "union_tag_not_found":
        name = str(context.get("discriminator", "kind")).strip("'")
        return f"a table that says its {name}", f'add {name} = "…"'
    if kind in {"list_type", "tuple_type"} and isinstance(value, str):
        return "a list in [ ]", f"put it in brackets: [{shown(value)}]"
    said = _length(kind, context)
    if kind == "value_error":
        said = str(context.get("error", "")), ""
    return said or next((words for start, words in _TYPES.items() if kind.split("_", maxsplit=1)[0] == start), ("", ""))


def _length(kind: str, context: dict[str, Any]) -> tuple[str, str] | None:
    """Too few or too many characters or entries."""
    if kind.endswith("too_short"):
        return f"at least {context['min_length']} {_things(kind, context['min_length'])}", ""
    if kind.endswith("too_long"):
        return f"at most {context['max_length']} {_things(kind, context['max_length'])}", "shorten it"
    return None


def _things(kind: str, count: int) -> str:
    one = "character" if kind.startswith("string") else "entry"
    return one if count == 1 else {"character": "characters", "entry": "entries"}[one]
