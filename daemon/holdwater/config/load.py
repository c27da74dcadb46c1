"""From a file to a `Site`: every problem of the file at once, or the site."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import UTC
from pathlib import Path
from typing import Any

from holdwater.config.across import across
from holdwater.config.backup import BackupConfig
from holdwater.config.channels import Channel
from holdwater.config.credentials import broker_password, mirror_token, with_paths
from holdwater.config.general import BrokerConfig, SiteConfig, StoreConfig, WeatherConfig, derived_client_id
from holdwater.config.mirror import MirrorConfig
from holdwater.config.mirrors import MirrorSettings
from holdwater.config.notices import NoticeSettings
from holdwater.config.outward import HeartbeatConfig
from holdwater.config.outwards import HeartbeatSettings
from holdwater.config.parts import Parts, read_parts
from holdwater.config.redact import sha_of, without_secrets
from holdwater.config.secrets import Places
from holdwater.config.site import BackupSettings, BrokerSettings, Site, Transfer
from holdwater.config.syntax import parse_toml
from holdwater.config.warn import warnings
from holdwater.errors import ConfigError, OutsideError, Problem
from holdwater.tanks.tank import Tank
from holdwater_sensors.instrument import Instrument
from holdwater_sensors.water import STANDARD_GRAVITY, gravity

MAX_CONFIG_BYTES = 1 << 20  # a config of a household is some kB; more is the wrong file


@dataclass(frozen=True, slots=True)
class Named:
    """What a further check may look at: right notices, and all names of tanks and channels that the file gives.

    Attributes:
        notices: the notices that could be read.
        tanks: names of all tanks of the file, right or wrong.
        channels: the channels that could be read, and the names of the others.
    """

    notices: NoticeSettings
    tanks: tuple[str, ...]
    channels: Mapping[str, Any]


Further = Callable[[Named], Iterable[Problem]]


def load(path: Path, environ: Mapping[str, str], further: Further | None = None) -> Site:
    """The site of a config file.

    Args:
        path: the file.
        environ: the environment, for secrets.
        further: finds further problems, such as in the notices; `holdwater.sitefile` gives it.

    Raises:
        ConfigError: the file is wrong; holds every problem.
        OutsideError: the file cannot be read.
    """
    return loads(read_text(path), str(path), environ, further)


def read_text(path: Path) -> str:
    """The text of a config file.

    Raises:
        OutsideError: there is no such file, it is a folder, or it may not be read.
        ConfigError: it is not text in UTF-8, or too large to be a config.
    """
    expected, do = "a config file in TOML", "start from one of sample_configs/ and check it with: holdwater check FILE"
    try:
        # without O_NONBLOCK a pipe would keep us waiting for its other end
        with os.fdopen(os.open(path, os.O_RDONLY | os.O_NONBLOCK), "rb") as file:
            data = file.read(MAX_CONFIG_BYTES + 1)
    except FileNotFoundError:
        raise OutsideError("there is no such file", expected=expected, where=str(path), do=do) from None
    except IsADirectoryError:
        raise OutsideError("this is a folder", expected=expected, where=str(path), do="name the file in it") from None
    except PermissionError:
        do = f'let this user read it: ls -l "{path}" shows whose it is'
        raise OutsideError("this file may not be read", expected=expected, where=str(path), do=do) from None
    except (OSError, ValueError) as error:
        raise OutsideError(
            f"cannot be read: {error}", expected=expected, where=str(path), do="check the path"
        ) from None
    if len(data) > MAX_CONFIG_BYTES:
        raise ConfigError(str(path), [Problem("file", "more than 1 MB", expected, "name the right file")])
    return _decoded(data, str(path))


def _decoded(data: bytes, path: str) -> str:
    try:
        return data.decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        found = f"byte 0x{data[error.start]:02x} at place {error.start + 1} is not UTF-8"
        fix = "save the file as UTF-8 text in your editor"
        raise ConfigError(path, [Problem(f"line {line}", found, "text in UTF-8", fix)]) from None


def loads(text: str, path: str, environ: Mapping[str, str], further: Further | None = None) -> Site:
    """The site of a config text.

    Args:
        text: the TOML text.
        path: where it is from, for messages and relative paths.
        environ: the environment, for secrets.
        further: finds further problems; see `load`.

    Raises:
        ConfigError: the text is wrong; holds every problem.
    """
    data, problems = parse_toml(text)
    if problems:
        raise ConfigError(path, problems)
    parts = read_parts(text, data)
    places = Places(Path(path).absolute().parent, environ)
    if further is not None:
        channels = dict.fromkeys(parts.named("channel")) | parts.many["channel"]
        parts.problems += further(Named(_notices(parts), tuple(parts.named("tank")), channels))
    site = _built(parts, places)
    if parts.problems or site is None:
        raise ConfigError(path, in_file_order(parts.problems, text))
    return site


def _built(parts: Parts, places: Places) -> Site | None:
    """The site, as far as its parts are right; problems found on the way are added to `parts`."""
    site: SiteConfig | None = parts.one.get("site")
    broker, store, page = _broker(parts, places), parts.one["store"], parts.one["page"]
    weather = parts.one["weather"] or WeatherConfig()
    channels, mirror = _channels(parts, places), _mirror(parts, places)
    heartbeat, backup = _heartbeat(parts, places), _backup(parts, places)
    tanks = {name: entry.build(name) for name, entry in parts.many["tank"].items()}
    instruments = {name: _placed(each, tanks) for name, each in _instruments(parts, site, weather.air).items()}
    parts.problems += across(parts, tanks, instruments)
    text = _kept_text(parts)
    if parts.problems or site is None:
        return None
    built = Site(
        name=site.name,
        timezone=site.zone(),
        latitude=site.latitude,
        longitude=site.longitude,
        elevation_m=site.elevation,
        measure=site.measure(),
        tanks=tanks,
        instruments=instruments,
        routes=tuple(entry.build(name) for name, entry in parts.many["route"].items()),
        transfers=tuple(Transfer(name, each.source, each.target) for name, each in parts.many["transfer"].items()),
        air_series=weather.air,
        humidity_series=weather.humidity,
        rain_series=weather.rain or _rain_gauge(instruments),
        barometer_series=weather.barometer,
        broker=broker,
        store=store.build(places.folder),
        page=page.build(),
        notices=_notices(parts),
        channels=channels,
        exposures={name: entry.build(name) for name, entry in parts.many["exposure"].items()},
        mirror=mirror,
        backup=backup,
        state=parts.one["state"].build(),
        heartbeat=heartbeat,
        power=None if parts.one["power"] is None else parts.one["power"].build(),
        sheet=parts.one["sheet"].build(),
        text=text,
        sha=sha_of(text),
    )
    return replace(built, warnings=warnings(built, parts.data))


def _broker(parts: Parts, places: Places) -> BrokerSettings:
    """The broker's settings; its defaults where the section is wrong."""
    broker: BrokerConfig | None = parts.one["broker"]
    if broker is None:
        return BrokerSettings()
    password, found = broker_password(broker, places)
    parts.problems += found
    if broker.tls is not None:
        parts.problems += with_paths(broker.tls, ("broker", "tls"), places)[1]
    site: SiteConfig | None = parts.one.get("site")
    store: StoreConfig | None = parts.one["store"]
    folder = store.build(places.folder).folder if store else places.folder
    return broker.build(password, places, derived_client_id(site.name if site else "", folder))


def _mirror(parts: Parts, places: Places) -> MirrorSettings | None:
    """The mirror's settings; None without the section, or where it is wrong."""
    mirror: MirrorConfig | None = parts.one["mirror"]
    if mirror is None:
        return None
    token, found = mirror_token(mirror, places)
    parts.problems += found
    if mirror.ca_file is not None and not places.path_of(mirror.ca_file).is_file():
        path = places.path_of(mirror.ca_file)
        parts.problems.append(
            Problem("mirror.ca_file", f"there is no file {path}", "a file with a certificate (PEM)", "correct the path")
        )
    site: SiteConfig | None = parts.one.get("site")
    return mirror.build(token, places, site.name if site else "")


def _backup(parts: Parts, places: Places) -> BackupSettings | None:
    """Where the store is copied to; None without the section, or where it is wrong."""
    backup: BackupConfig | None = parts.one["backup"]
    store: StoreConfig | None = parts.one["store"]
    if backup is None or store is None:
        return None
    settings, found = backup.build(places, store.build(places.folder).folder)
    parts.problems += found
    return settings


def _instruments(parts: Parts, site: SiteConfig | None, air: str | None) -> dict[str, Instrument]:
    """The instruments of the sensors that are right; at a standard place where [site] is wrong."""
    zone = UTC if site is None else site.zone()
    elevation_m = 0.0 if site is None else site.elevation
    latitude = None if site is None else site.latitude
    local_gravity = STANDARD_GRAVITY if latitude is None else gravity(latitude, elevation_m)
    return {
        name: entry.build(name, air, local_gravity, elevation_m, zone) for name, entry in parts.many["sensor"].items()
    }


def _rain_gauge(instruments: Mapping[str, Instrument]) -> str | None:
    """The series of the one rain gauge that counts, where [weather] names none."""
    found = [each.series for each in instruments.values() if each.kind == "rain pulses"]
    return found[0] if len(found) == 1 else None


def _placed(instrument: Instrument, tanks: Mapping[str, Tank]) -> Instrument:
    """The instrument on its vessel."""
    tank = tanks.get(instrument.tank)
    known = [] if tank is None else [each for each in tank.vessels if each.name == instrument.vessel]
    return instrument.on(known[0].shape) if known else instrument


def _notices(parts: Parts) -> NoticeSettings:
    return NoticeSettings({name: entry.build() for name, entry in parts.many["notice"].items()})


def _channels(parts: Parts, places: Places) -> dict[str, Channel]:
    """The channels with their files as absolute paths."""
    channels: dict[str, Channel] = {}
    for name, channel in parts.many["channel"].items():
        entry, found = with_paths(channel, ("channel", name), places)
        channels[name] = entry.build()
        parts.problems += found
    return channels


def _heartbeat(parts: Parts, places: Places) -> HeartbeatSettings | None:
    """The heartbeat's settings with its files as absolute paths; None without the section, or where it is wrong."""
    heartbeat: HeartbeatConfig | None = parts.one["heartbeat"]
    if heartbeat is None:
        return None
    entry, found = with_paths(heartbeat, ("heartbeat",), places)
    parts.problems += found
    return entry.build()


def _kept_text(parts: Parts) -> str:
    """The file's text as the store may keep it; empty, with a problem, where a secret cannot be taken out."""
    try:
        return without_secrets(parts.text, parts.data)
    except ValueError:
        fix = "put it in a file: password_file = …"
        parts.problems.append(Problem("file", "a secret that cannot be taken out of the text", "secrets in files", fix))
        return ""


def in_file_order(problems: Iterable[Problem], text: str) -> list[Problem]:
    """Problems in the order in which their sections stand in the file; what has no place comes first."""
    lines = text.split("\n")

    def place(problem: Problem) -> int:
        parts = problem.key.split(".")
        for end in range(len(parts), 0, -1):
            head = ".".join(parts[:end])
            for number, line in enumerate(lines):
                if line.strip().startswith((f"[{head}]", f"[[{head.split('[')[0]}]]")):
                    return number
        return -1

    return sorted(problems, key=place)
