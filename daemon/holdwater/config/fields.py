"""What the models of the config say of themselves: names, kinds of value, examples. For errors and the manual."""

from __future__ import annotations

import json
import types
from collections.abc import Mapping
from datetime import date, datetime, time
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from holdwater.config import model as quantities
from holdwater.config.redact import is_secret
from holdwater.units import DIMENSIONS, EXAMPLES

MAX_SHOWN = 60  # characters of a value that are shown


def shown(value: Any) -> str:
    """A value as the file would have it, cut where it is long; what may be a secret in it is not shown."""
    text = _toml(value)
    return text if len(text) <= MAX_SHOWN else text[: MAX_SHOWN - 1] + "…"


def _toml(value: Any) -> str:
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False)
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, Mapping):
        rows = [f"{key} = {'…' if is_secret(str(key)) else _toml(each)}" for key, each in value.items()]
        return "{ " + ", ".join(rows) + " }" if rows else "{ }"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_toml(each) for each in value) + "]"
    if isinstance(value, date | datetime | time):
        return value.isoformat()
    return str(value)


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


def example_of(field: FieldInfo) -> str:
    """An example of a field's value as the file would have it; empty when there is none."""
    if field.examples:
        return _toml(field.examples[0])
    dimension = dimension_of(field)
    if dimension:
        return _toml(EXAMPLES[dimension])
    listed_values = literals_in(field.annotation)
    return _toml(listed_values[0]) if listed_values else ""


def dimension_of(field: FieldInfo) -> str | None:
    """The kind of quantity a field holds: length, volume, …; None when it is none."""
    readers = [*field.metadata, *_metadata(field.annotation)]
    return next((name for name, reader in _readers().items() if any(each is reader for each in readers)), None)


def _readers() -> dict[str, Any]:
    """The validator of each kind of quantity, by its name."""
    names = {name: "".join(word.capitalize() for word in name.split()) for name in DIMENSIONS}
    names["time"] = "Duration"
    types_of = {name: getattr(quantities, word, None) for name, word in names.items()}
    return {name: get_args(each)[1] for name, each in types_of.items() if each is not None}


def _metadata(annotation: Any) -> list[Any]:
    """All that Annotated says anywhere in an annotation."""
    own = list(get_args(annotation)[1:]) if get_origin(annotation) is Annotated else []
    inner = get_args(annotation)[:1] if own else get_args(annotation)
    return own + [each for part in inner for each in _metadata(part)]


def type_words(field: FieldInfo) -> str:
    """What a field holds, in words: a length, one of …, a list of texts."""
    dimension = dimension_of(field)
    words = f"{dimension} with its unit" if dimension else _words(field.annotation)
    return f"list: {words}" if dimension and _is_list(field.annotation) else words


def _is_list(annotation: Any) -> bool:
    if get_origin(annotation) in (list, tuple):
        return True
    return any(_is_list(part) for part in get_args(annotation) if get_origin(annotation) is not Literal)


_PLAIN_TYPES: dict[Any, str] = {
    str: "text",
    int: "whole number",
    float: "number",
    bool: "true or false",
    datetime: "date and time",
    date: "date",
}


def _words(annotation: Any) -> str:
    origin = get_origin(annotation)
    if origin is Literal:
        return "one of " + ", ".join(_toml(value) for value in get_args(annotation))
    if origin is Annotated:
        return _words(get_args(annotation)[0])
    if origin in (Union, types.UnionType):
        parts = [_words(part) for part in get_args(annotation) if part is not type(None)]
        return " or ".join(dict.fromkeys(parts))
    if origin in (list, tuple, set, frozenset):
        return "list: " + _words(get_args(annotation)[0]) if get_args(annotation) else "list"
    if origin in (dict, Mapping) or models_in(annotation):
        return "table"
    return _PLAIN_TYPES.get(annotation, "value")
