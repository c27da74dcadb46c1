"""What pydantic finds, said again in words a household understands: key as in the file, found, expected, fix."""

from __future__ import annotations

import json
import types
from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime, time
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo

from holdwater.config.names import listed, nearest
from holdwater.config.redact import is_secret
from holdwater.config.syntax import dotted
from holdwater.errors import Problem
from holdwater.units import UnitError

MAX_SHOWN = 60  # characters of a value that are shown
NAMES_SHOWN = 14  # known names that are listed


def shown(value: Any) -> str:
    """A value as the file would have it, cut where it is long."""
    text = _toml(value)
    return text if len(text) <= MAX_SHOWN else text[: MAX_SHOWN - 1] + "…"


def _toml(value: Any) -> str:
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False)
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{key} = {_toml(each)}" for key, each in value.items()) + " }" if value else "{ }"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_toml(each) for each in value) + "]"
    if isinstance(value, date | datetime | time):
        return value.isoformat()
    return str(value)


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
    merged: dict[str, Problem] = {}
    for details in error.errors(include_url=False):
        found = _problem(dict(details), tuple(models), prefix, data)
        first = merged.get(found.key)
        merged[found.key] = found if first is None else _join(first, found)
    return list(merged.values())


def _join(one: Problem, other: Problem) -> Problem:
    """One problem from two of the same key: the alternatives of a setting that may be written in several ways."""
    if one == other or other.expected in one.expected:
        return one
    return Problem(one.key, one.found, f"{one.expected}; or {other.expected}", one.fix)


def _problem(
    details: dict[str, Any], models: tuple[type[BaseModel], ...], prefix: tuple[object, ...], data: Any
) -> Problem:
    loc = tuple(details["loc"])
    kind = str(details["type"])
    path, value = _in_file(loc, data, missing=kind == "missing")
    holders = _models_at(models, loc[:-1] if kind in {"missing", "extra_forbidden"} else loc)
    field = _field_at(models, loc)
    context = details.get("ctx") or {}
    if kind == "holdwater":
        extra = tuple(part for part in str(context.get("key", "")).split(".") if part)
        return Problem(dotted(prefix + path + extra), context["found"], context["expected"], context["fix"])
    key = dotted(prefix + path)
    if kind == "extra_forbidden":
        return _unknown(key, str(loc[-1]), value, holders)
    if kind == "missing":
        return Problem(key, "nothing; it must be given", _meaning(field), _example_fix(loc[-1], field))
    hidden = any(isinstance(part, str) and is_secret(part) for part in path)
    found = "a value that is not shown" if hidden else shown(value)
    if kind == "value_error" and isinstance(context.get("error"), UnitError):
        unit_error = context["error"]
        return Problem(key, unit_error.found, unit_error.expected, unit_error.fix)
    expected, fix = _expected(kind, context, value, details)
    return Problem(key, found, expected or _meaning(field), fix or _example_fix(loc[-1] if loc else prefix[-1], field))


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


def field_names(model: type[BaseModel]) -> list[str]:
    """The names of a model's settings as the file has them."""
    return [key_of(name, field) for name, field in model.model_fields.items()]


def key_of(name: str, field: FieldInfo) -> str:
    """The name of a field as the file has it (`from` for `from_`)."""
    alias = field.validation_alias or field.alias
    return alias if isinstance(alias, str) else name


def models_in(annotation: Any) -> list[type[BaseModel]]:
    """The models that an annotation speaks of, through lists, unions and Annotated."""
    if isinstance(annotation, type) and not get_args(annotation):
        return [annotation] if issubclass(annotation, BaseModel) else []
    if get_origin(annotation) is Annotated:
        return models_in(get_args(annotation)[0])
    return [model for part in get_args(annotation) for model in models_in(part)]


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


def tags_of(model: type[BaseModel]) -> list[str]:
    """The words by which a model is chosen among alternatives: the values of its Literal fields."""
    return [str(tag) for field in model.model_fields.values() for tag in literals_in(field.annotation)]


def literals_in(annotation: Any) -> list[Any]:
    """The values that an annotation lists."""
    if get_origin(annotation) is Literal:
        return list(get_args(annotation))
    if get_origin(annotation) in (Union, types.UnionType, Annotated):
        return [value for part in get_args(annotation) for value in literals_in(part)]
    return []


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
    return text[:1].lower() + text[1:]


def example_of(field: FieldInfo | None) -> str:
    """An example of a field's value as the file would have it; empty when there is none."""
    if field is None:
        return ""
    if field.examples:
        return _toml(field.examples[0])
    listed_values = literals_in(field.annotation)
    return _toml(listed_values[0]) if listed_values else ""


def _example_fix(key: object, field: FieldInfo | None) -> str:
    example = example_of(field)
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


def _expected(kind: str, context: dict[str, Any], value: Any, details: dict[str, Any]) -> tuple[str, str]:
    """What was expected and the fix; empty texts where the field's own description says it better."""
    if kind in _BOUNDS:
        words, name = _BOUNDS[kind]
        return f"{words} {context[name]}", "correct the number"
    if kind in {"literal_error", "enum", "union_tag_invalid"}:
        return _choice(context, value)
    if kind == "union_tag_not_found":
        name = str(context.get("discriminator", "kind")).strip("'")
        return f"a table that says its {name}", f'add {name} = "…"'
    if kind in {"too_short", "string_too_short"}:
        return f"at least {context['min_length']} {_things(kind, context['min_length'])}", ""
    if kind in {"too_long", "string_too_long"}:
        return f"at most {context['max_length']} {_things(kind, context['max_length'])}", "shorten it"
    if kind == "value_error":
        return str(context.get("error", details["msg"])), ""
    if kind == "missing_keyword_only_argument":  # pragma: no cover - only for call validation, which we do not use
        return "", ""
    return next((words for start, words in _TYPES.items() if kind.split("_", maxsplit=1)[0] == start), ("", ""))


def _things(kind: str, count: int) -> str:
    one = "character" if kind.startswith("string") else "entry"
    return one if count == 1 else {"character": "characters", "entry": "entries"}[one]
