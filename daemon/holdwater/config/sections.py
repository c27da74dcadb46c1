"""Which sections a config has and what may stand in each."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any, Literal

from pydantic import BaseModel, TypeAdapter, ValidationError

from holdwater.config.backup import BackupConfig
from holdwater.config.channel import ChannelConfig
from holdwater.config.explain import problems_of
from holdwater.config.exposure import ExposureConfig
from holdwater.config.fields import models_in, shown
from holdwater.config.general import BrokerConfig, PageConfig, SiteConfig, StoreConfig, WeatherConfig
from holdwater.config.mirror import MirrorConfig
from holdwater.config.names import NAME, hint
from holdwater.config.notice import NoticeConfig
from holdwater.config.outward import HeartbeatConfig, SheetConfig, StateConfig
from holdwater.config.power import PowerConfig
from holdwater.config.redact import is_secret
from holdwater.config.route import RouteConfig
from holdwater.config.sensor import SensorConfig
from holdwater.config.syntax import dotted
from holdwater.config.tank import TankConfig, TransferConfig
from holdwater.errors import Problem


@dataclass(frozen=True, slots=True)
class Section:
    """One section of the file.

    Attributes:
        name: its name in the file.
        form: "one" is `[broker]`; "many" is `[tank.NAME]`.
        type: model, or union of models, of one entry.
        meaning: what it is for, in a sentence.
        optional: a section that comes once and may be left out for good: no default stands for it.
    """

    name: str
    form: Literal["one", "many"]
    type: Any
    meaning: str
    optional: bool = False

    @property
    def models(self) -> list[type[BaseModel]]:
        """The models an entry may be."""
        return models_in(self.type)


@cache
def sections() -> dict[str, Section]:
    """All sections by name, in the order of the manual."""
    rows = (
        Section("site", "one", SiteConfig, "The household. Required."),
        Section("broker", "one", BrokerConfig, "The MQTT broker that readings come from."),
        Section("store", "one", StoreConfig, "Where readings are kept."),
        Section(
            "backup",
            "one",
            BackupConfig,
            "Where the service puts a checked copy of the store by itself; none when left out.",
            optional=True,
        ),
        Section("page", "one", PageConfig, "The page that the household opens in a browser."),
        Section(
            "power",
            "one",
            PowerConfig,
            "The board's own battery, and when the service spares it; none when left out.",
            optional=True,
        ),
        Section("weather", "one", WeatherConfig, "Which series tell the weather outside."),
        Section("tank", "many", TankConfig, "One body of water: a tank, or vessels joined into one."),
        Section("transfer", "many", TransferConfig, "Water that may be moved from one tank to another."),
        Section("sensor", "many", SensorConfig, "One sensor of a tank, where and how it is mounted."),
        Section("route", "many", RouteConfig, "A device that does not speak our format: from its topic to a series."),
        Section("exposure", "many", ExposureConfig, "One thing that can freeze: spigot, pipe, tank, screen, sensor."),
        Section(
            "notice",
            "many",
            NoticeConfig,
            "One kind of notice; none is needed, defaults hold. `holdwater check` says every kind.",
        ),
        Section("channel", "many", ChannelConfig, "Where notices are sent."),
        Section("state", "one", StateConfig, "What is on hand, and a lamp, as messages on the household's own broker."),
        Section(
            "heartbeat",
            "one",
            HeartbeatConfig,
            "A sign of life to an address that calls somebody when it stays away; none when left out.",
            optional=True,
        ),
        Section("sheet", "one", SheetConfig, "When the weekly sheet goes to the channels with `sheet = true`."),
        Section(
            "mirror",
            "one",
            MirrorConfig,
            "A time-series server that gets a copy of readings and levels; none when left out.",
            optional=True,
        ),
    )
    return {row.name: row for row in rows}


def read_one(section: Section, data: Any) -> tuple[Any, list[Problem]]:
    """A section that stands once, such as [broker], as a model; or its problems."""
    return _read(section, TypeAdapter(section.type), data, (section.name,))


def _read(section: Section, adapter: TypeAdapter[Any], data: Any, at: tuple[object, ...]) -> tuple[Any, list[Problem]]:
    """One table of the file as a model, or its problems; `at`: where it stands in the file."""
    if not isinstance(data, dict):
        return None, [_not_a_table(section, data, at)]
    try:
        return adapter.validate_python(data), []
    except ValidationError as error:
        return None, problems_of(error, section.models, at, data)
    except (ArithmeticError, AttributeError, LookupError, TypeError) as fault:
        return None, [_our_fault(fault, at)]


def _our_fault(fault: Exception, at: tuple[object, ...]) -> Problem:
    """A check of ours that failed on values it had not thought of: still said at its place, never a traceback."""
    found = f"settings that we fail to check ({type(fault).__name__}: {fault})"
    fix = "compare it with sample_configs/; if all looks right the fault is ours: report it with this section"
    return Problem(dotted(at), found, f"a section like one of sample_configs/ with [{at[0]}]", fix)


def _not_a_table(section: Section, data: Any, at: tuple[object, ...]) -> Problem:
    key = dotted(at)
    if section.form == "one":
        return Problem(key, shown(data), f"a section [{section.name}]", f"write [{section.name}] on a line of its own")
    if len(at) > 1:
        line = f"{at[-1]} = {'…' if is_secret(str(at[-1])) else shown(data)}"
        fix = f"give it a name: [{section.name}.NAME], and below it {line}"
        return Problem(key, f"{line} outside of a named section", f"[{section.name}.NAME]", fix)
    return Problem(
        key, shown(data), f"sections [{section.name}.NAME]", f"write [{section.name}.NAME] on a line of its own"
    )


def read_many(section: Section, data: Any) -> tuple[dict[str, Any], list[Problem]]:
    """All entries `[section.NAME]` that are right, by name, and the problems of the others."""
    if not isinstance(data, dict):
        return {}, [_not_a_table(section, data, (section.name,))]
    good: dict[str, Any] = {}
    problems: list[Problem] = []
    adapter = TypeAdapter(section.type)
    for name, table in data.items():
        at = (section.name, name)
        if isinstance(table, dict) and not NAME.fullmatch(name):
            problems.append(_bad_name(name, at))
        entry, found = _read(section, adapter, table, at)
        problems += found
        if not found:
            good[name] = entry
    return good, problems


def _bad_name(name: str, at: tuple[object, ...]) -> Problem:
    allowed = "letters, digits, - and _, at most 32, beginning with a letter or digit"
    slug = "".join(sign if sign.isascii() and (sign.isalnum() or sign in "-_") else "-" for sign in name).strip("-_")[
        :32
    ]
    return Problem(
        dotted(at),
        f'the name "{name}"',
        f"a name of {allowed}",
        f"rename it, for instance to {slug}" if slug else "rename it",
    )


def unknown_section(name: str, data: Any) -> Problem:
    """A section, or a setting above all sections, that does not exist."""
    if isinstance(data, dict) or (isinstance(data, list) and data and isinstance(data[0], dict)):
        fix = hint(name, sections(), "remove the section, or look the name up in docs/settings.md")
        return Problem(dotted((name,)), f"unknown section [{name}]", "one of: " + ", ".join(sections()), fix)
    owners = [
        section.name
        for section in sections().values()
        if section.form == "one" and any(name in model.model_fields for model in section.models)
    ]
    fix = (
        f"move the line below [{owners[0]}]"
        if owners
        else hint(name, sections(), "move it below the section it belongs to, or remove it")
    )
    return Problem(
        dotted((name,)),
        f"the setting {name} = {'…' if is_secret(name) else shown(data)} stands above every section",
        "settings below a section such as [site]",
        fix,
    )
