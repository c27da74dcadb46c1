"""docs/settings.md, written from the models: every setting with its kind of value, example, default and meaning."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from pydantic import BaseModel
from pydantic.fields import FieldInfo
from pydantic_core import PydanticUndefined

from holdwater.config.fields import dimension_of, example_of, key_of, literals_in, models_in, shown, type_words
from holdwater.config.sections import Section, sections

HEAD = """# Settings

Every setting of the config file, made from the models that check it (`python -m holdwater.config.reference`). The
file is [TOML](https://toml.io/en/v1.0.0). Quantities are text with a unit, in quotes: `"45 in"`, `"200 gal"`, `"2.5
psi"`, `"-3 degC"`; US and metric units may be mixed. Heights are above the lowest inside floor. `holdwater check
FILE` says the file in words, or everything that is wrong with it. Whole sites to start from:
[sample_configs](../sample_configs/README.md).

Changes to a running site: a correction of the shape of a tank (shape, vessel, link, outlet, overflow, geometry,
mount, table, roof) applies to the past; a sensor, a calibration or a route counts in the time that its `from` and
`until` state; all else counts from now on. `holdwater check FILE --against OLD` says which is which.
"""


def settings_markdown() -> str:
    """The whole text of docs/settings.md."""
    parts = [HEAD]
    for section in sections().values():
        parts += _section(section)
    return "\n".join(parts).rstrip() + "\n"


def _section(section: Section) -> Iterator[str]:
    name = "KIND" if section.name == "notice" else "NAME"
    header = section.name if section.form == "one" else f"{section.name}.{name}"
    yield f"## `[{header}]`\n"
    yield f"{section.meaning}\n"
    done: list[type[BaseModel]] = []
    for model in section.models:
        title = _variant(model) if len(section.models) > 1 else ""
        yield from _model(model, header, title, done)


def _model(model: type[BaseModel], header: str, title: str, done: list[type[BaseModel]]) -> Iterator[str]:
    """The table of one model, then those of the models inside it, each once."""
    done.append(model)
    if title:
        yield f"### `[{header}]` {title}\n"
    yield "| setting | value | default | meaning |\n| --- | --- | --- | --- |"
    inner: list[tuple[str, FieldInfo, type[BaseModel]]] = []
    for name, field in model.model_fields.items():
        key = key_of(name, field)
        yield _row(key, field)
        inner += [(key, field, each) for each in models_in(field.annotation) if each not in done]
    yield ""
    for key, field, each in inner:
        if each not in done:
            yield from _model(each, _inner_header(header, key, field), _variant(each) or _purpose(each), done)


def _inner_header(header: str, key: str, field: FieldInfo) -> str:
    words = str(field.annotation)
    return f"{header}.{key}.NAME" if words.startswith("dict[") else f"{header}.{key}"


def _variant(model: type[BaseModel]) -> str:
    """The kind that chooses this model among alternatives, as a title."""
    field = model.model_fields.get("kind")
    values = literals_in(field.annotation) if field is not None else []
    return " or ".join(f'kind = "{value}"' for value in values) if 0 < len(values) <= 2 else ""


def _purpose(model: type[BaseModel]) -> str:
    words = (model.__doc__ or "").split("\n", 1)[0].rstrip(".")
    return f"- {words[:1].lower()}{words[1:]}" if words else ""


def _row(key: str, field: FieldInfo) -> str:
    value = type_words(field)
    example = example_of(field)
    if example and not value.startswith(("one of", "list: one of")):
        value += f", such as `{example}`"
    meaning = (field.description or "").rstrip(".")
    meaning = meaning[:1].upper() + meaning[1:]
    return f"| `{key}` | {_cell(value)} | {_cell(default_words(field))} | {_cell(meaning)}. |"


def default_words(field: FieldInfo) -> str:
    """What holds when the setting is left out."""
    if field.is_required():
        return "must be given"
    default: Any = field.get_default(call_default_factory=True, validated_data={})
    if default is None or default == "" or default in ([], (), {}) or default is PydanticUndefined:
        return "–"
    dimension = dimension_of(field)
    if dimension is not None:
        values = default if isinstance(default, list | tuple) else [default]
        return ", ".join(f"`{si_words(value, dimension)}`" for value in values)
    return f"`{shown(default)}`"


def si_words(value: Any, dimension: str) -> str:
    """A default as the file would have it, in a unit that people use for it."""
    if isinstance(value, str):
        return value
    unit, scale = _SI_UNITS.get(dimension, ("", 1.0))
    if dimension == "time":
        unit, scale = next(((u, s) for u, s in _TIMES if value >= 2 * s and value % s == 0), ("s", 1.0))
    return f"{float(f'{value / scale:.6g}'):g} {unit}".strip()


_TIMES = (("days", 86400.0), ("h", 3600.0), ("min", 60.0))
_SI_UNITS = {
    "length": ("m", 1.0),
    "area": ("m2", 1.0),
    "volume": ("m3", 1.0),
    "flow": ("m3/s", 1.0),
    "pressure": ("kPa", 1000.0),
    "temperature": ("degC", 1.0),
    "temperature difference": ("degC", 1.0),
    "ratio": ("%", 0.01),
    "angle": ("rad", 1.0),
    "voltage": ("V", 1.0),
    "current": ("A", 1.0),
    "mass": ("kg", 1.0),
    "insulation": ("m2K/W", 1.0),
    "speed": ("m/s", 1.0),
    "money": ("$", 1.0),
}


def _cell(text: str) -> str:
    """A text that may stand in a cell of a table."""
    return text.replace("|", "\\|").replace("\n", " ")


if __name__ == "__main__":
    print(settings_markdown(), end="")  # noqa: T201 - this is the command that writes the manual
