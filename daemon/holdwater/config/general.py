"""The sections [site], [broker], [store], [page] and [weather]: models as written, and the settings they become."""

from __future__ import annotations

import hashlib
import ipaddress
import re
from pathlib import Path
from typing import Annotated, Literal, Self
from zoneinfo import ZoneInfo, available_timezones

from pydantic import AfterValidator, Field, model_validator

from holdwater.config.model import Duration, Length, Model, problem
from holdwater.config.names import Series, nearest, topic_problem
from holdwater.config.secrets import Places, Secret
from holdwater.config.site import BrokerSettings, PageSettings, StoreSettings, TlsSettings
from holdwater.units import Measure

_HOST = re.compile(
    r"(?=.{1,253}$)[A-Za-z0-9_]([A-Za-z0-9_-]{0,61}[A-Za-z0-9_])?(\.[A-Za-z0-9_]([A-Za-z0-9_-]{0,61}[A-Za-z0-9_])?)*\.?"
)
MAX_CLIENT_ID = 64  # OASIS MQTT 3.1.1, 3.1.3.1 promises only 23; every broker in use takes 64


def zone(name: str) -> ZoneInfo:
    """The time zone of that name, else a problem with the nearest one."""
    try:
        return ZoneInfo(name)
    except (KeyError, ValueError, OSError):  # unknown; not a key at all; a folder of the zone tree
        near = nearest_zone(name)
        fix = (
            f'did you mean "{near}"?'
            if near
            else 'write it like "America/Denver"; the names are those of the IANA time zone database'
        )
        raise problem(f'"{name}" is no time zone', 'a time zone such as "America/Denver"', fix) from None


def nearest_zone(name: str) -> str | None:
    """The time zone most like a mistyped one: by its whole name, else by its city."""
    zones = sorted(
        each for each in available_timezones() if "/" in each and not each.startswith(("posix/", "right/", "Etc/"))
    )
    wanted = name.strip().replace(" ", "_")
    cities = {each.rsplit("/", 1)[1]: each for each in reversed(zones)}
    city = nearest(wanted, cities) if "/" not in wanted else None
    return cities[city] if city else nearest(wanted, zones)


def _check_zone(name: str) -> str:
    zone(name)
    return name


def _check_host(host: str) -> str:
    try:
        ipaddress.ip_address(host)
    except ValueError:
        if not _HOST.fullmatch(host):
            raise problem(
                f'"{host}"',
                "a host name or an address, without http:// and without port",
                'write it like "127.0.0.1" or "broker.home"',
            ) from None
    return host


def _check_prefix(prefix: str) -> str:
    wrong = topic_problem(prefix)
    if wrong:
        raise problem(f'"{prefix}": {wrong}', 'the first part of a topic, such as "water"', 'write prefix = "water"')
    return prefix


Host = Annotated[str, AfterValidator(_check_host)]


class SiteConfig(Model):
    """[site]: the household."""

    name: str = Field(description="What you call the place.", min_length=1, max_length=80, examples=["Quern Bench"])
    timezone: Annotated[str, AfterValidator(_check_zone)] = Field(
        description="Time zone of the IANA database; a day of the water book runs from midnight to midnight there.",
        examples=["America/Denver"],
    )
    latitude: float | None = Field(
        default=None, ge=-90, le=90, description="Degrees north, for sunrise, frost and gravity.", examples=[37.6]
    )
    longitude: float | None = Field(
        default=None, ge=-180, le=180, description="Degrees east; west is negative.", examples=[-105.0]
    )
    elevation: Length = Field(
        default=0.0, description="Height above the sea, for air pressure and gravity.", examples=["6700 ft"]
    )
    units: Literal["US", "metric"] = Field(
        default="US", description="What people read: gallons and inches, or litres and centimetres."
    )

    @model_validator(mode="after")
    def _place_is_whole(self) -> Self:
        if (self.latitude is None) != (self.longitude is None):
            given, missing = ("latitude", "longitude") if self.longitude is None else ("longitude", "latitude")
            raise problem(
                f"{given} without {missing}", "both or neither", f"add {missing} = …, or remove {given}", missing
            )
        if not -500 <= self.elevation <= 9000:
            raise problem(
                f"{self.elevation:.0f} m above the sea",
                "-500 m to 9000 m",
                "check the number and its unit",
                "elevation",
            )
        return self

    def zone(self) -> ZoneInfo:
        """The time zone."""
        return ZoneInfo(self.timezone)

    def measure(self) -> Measure:
        """The units people read."""
        return Measure(self.units)


class TlsConfig(Model):
    """The `tls` of [broker]."""

    ca_file: str | None = Field(
        default=None,
        description="Certificate of the authority that signed the broker's; the system's own when left out.",
    )
    cert_file: str | None = Field(default=None, description="Our certificate, if the broker asks for one.")
    key_file: str | None = Field(default=None, description="The key of our certificate.")

    @model_validator(mode="after")
    def _key_and_certificate(self) -> Self:
        if (self.cert_file is None) != (self.key_file is None):
            given, missing = ("cert_file", "key_file") if self.key_file is None else ("key_file", "cert_file")
            raise problem(f"{given} without {missing}", "both or neither", f"add {missing}", missing)
        return self


class BrokerConfig(Model):
    """[broker]: where readings come from."""

    host: Host = Field(default="127.0.0.1", description="Name or address of the MQTT broker.")
    port: int | None = Field(
        default=None, ge=1, le=65535, description="Its port; 1883, or 8883 with tls.", examples=[1883]
    )
    username: str | None = Field(default=None, min_length=1, description="Who we are to the broker.")
    password: str | None = Field(default=None, description="Its password, in the open; better use password_file.")
    password_file: str | None = Field(default=None, description="File with the password, readable by its owner only.")
    password_env: str | None = Field(default=None, description="Environment variable with the password.")
    prefix: Annotated[str, AfterValidator(_check_prefix)] = Field(
        default="water", description="First part of every topic of ours."
    )
    client_id: str | None = Field(
        default=None, min_length=1, max_length=MAX_CLIENT_ID,
        description="Name of our session at the broker, made from site and store folder when left out. "
        "Two services must never share one.",
    )  # fmt: skip
    keepalive: Duration = Field(
        default=60.0, description="Time between two signs of life to the broker.", examples=["60 s"]
    )
    version: Literal["auto", "5", "3.1.1"] = Field(
        default="auto",
        description="Version of MQTT; auto tries 5 and takes 3.1.1 when the broker refuses 5 in so many words.",
    )
    tls: TlsConfig | None = Field(
        default=None, description="Encrypts the connection; { } takes the system's certificates."
    )

    @model_validator(mode="after")
    def _one_password(self) -> Self:
        given = [name for name in ("password", "password_file", "password_env") if getattr(self, name) is not None]
        if len(given) > 1:
            raise problem(" and ".join(given), "one of them", f"keep {given[-1]}, remove the other", given[0])
        if given and self.username is None:
            raise problem(f"{given[0]} without username", "both or neither", "add username = …", "username")
        if not 5 <= self.keepalive <= 3600:
            raise problem(f"{self.keepalive:g} s", "5 s to 1 h", 'write keepalive = "60 s"', "keepalive")
        return self

    def secret(self, places: Places) -> Secret | None:
        """The password, wherever it is.

        Raises:
            SecretError: it cannot be had.
        """
        if self.password_file is not None:
            return places.from_file(self.password_file)
        if self.password_env is not None:
            return places.from_environ(self.password_env)
        return None if self.password is None else Secret(self.password)

    def build(self, password: Secret | None, places: Places, derived_id: str) -> BrokerSettings:
        """The settings.

        Args:
            password: the secret, already found.
            places: for relative paths.
            derived_id: session name to take when none is given.
        """
        return BrokerSettings(
            host=self.host,
            port=self.port or (1883 if self.tls is None else 8883),
            username=self.username,
            password=password,
            prefix=self.prefix,
            client_id=self.client_id or derived_id,
            keepalive_s=round(self.keepalive),
            version=self.version,
            tls=None if self.tls is None else _tls(self.tls, places),
        )


def _tls(tls: TlsConfig, places: Places) -> TlsSettings:
    ca, cert, key = (
        None if name is None else places.path_of(name) for name in (tls.ca_file, tls.cert_file, tls.key_file)
    )
    return TlsSettings(ca, cert, key)


def derived_client_id(site: str, folder: Path) -> str:
    """A session name that stays the same over restarts and differs between two services of one broker."""
    slug = re.sub(r"[^a-z0-9]+", "-", site.casefold()).strip("-")[:24] or "site"
    mark = hashlib.sha256(f"{site}|{folder}".encode()).hexdigest()[:6]
    return f"holdwater-{slug}-{mark}"


class StoreConfig(Model):
    """[store]: where things are kept."""

    folder: str = Field(
        default="/var/lib/holdwater",
        min_length=1,
        description="Folder of the store; beside the config if the path is relative.",
    )
    commit_every: Duration = Field(
        default=60.0,
        description="Longest wait before readings are written: longer spares the card, shorter answers sooner.",
        examples=["60 s"],
    )
    keep_raw: Duration = Field(
        default=400 * 86400.0,
        description="How long raw readings are kept; hourly and daily figures stay for ever.",
        examples=["400 days"],
    )

    @model_validator(mode="after")
    def _in_range(self) -> Self:
        if not 0 < self.commit_every <= 600:
            raise problem(
                f"{self.commit_every:g} s",
                "more than 0 s, at most 10 min",
                'write commit_every = "60 s"',
                "commit_every",
            )
        if self.keep_raw < 7 * 86400:
            raise problem(
                f"{self.keep_raw / 86400:g} days", "at least 7 days", 'write keep_raw = "400 days"', "keep_raw"
            )
        return self

    def build(self, folder: Path) -> StoreSettings:
        """The settings; `folder` is where the config is."""
        return StoreSettings(folder / Path(self.folder).expanduser(), self.commit_every, self.keep_raw)


def _listen(text: str) -> str:
    split_listen(text)
    return text


def split_listen(text: str) -> tuple[str, int] | None:
    """Host and port of `listen`; None when it is "off"."""
    if text == "off":
        return None
    host, colon, port = text.rpartition(":")
    host = host[1:-1] if host.startswith("[") and host.endswith("]") else host
    expected, fix = (
        'an address and a port, or "off"',
        'write listen = "127.0.0.1:8080", or "0.0.0.0:8080" for the whole home network',
    )
    if not colon or not re.fullmatch(r"[0-9]{1,5}", port) or not host:
        raise problem(f'"{text}"', expected, fix)
    if not 1 <= int(port) <= 65535:
        raise problem(f"port {port}", "a port from 1 to 65535", fix)
    _check_host(host)
    return host, int(port)


class PageConfig(Model):
    """[page]: where the page is served."""

    listen: Annotated[str, AfterValidator(_listen)] = Field(
        default="127.0.0.1:8080",
        description='Address and port; "0.0.0.0:8080" for the whole home network; "off" for no page.',
        examples=["0.0.0.0:8080"],
    )
    hosts: tuple[Host, ...] = Field(
        default=(),
        description="Further names under which the page is opened; others are refused.",
        examples=[["water.home"]],
    )

    def build(self) -> PageSettings:
        """The settings."""
        at = split_listen(self.listen)
        return PageSettings(on=False, hosts=self.hosts) if at is None else PageSettings(True, at[0], at[1], self.hosts)


class WeatherConfig(Model):
    """[weather]: which series tell the weather outside."""

    air: Series | None = Field(
        default=None,
        description="Series of the outside air temperature; without it there is no freeze warning.",
        examples=["garden:air"],
    )
    humidity: Series | None = Field(
        default=None,
        description="Series of the outside relative humidity, at the same place as the air: it makes the freeze warning surer.",
        examples=["garden:rh"],
    )
    rain: Series | None = Field(
        default=None,
        description="Series of the rain gauge: the depth fallen since its reading before, as a length; "
        "or tips, with a sensor of kind rain pulses.",
        examples=["garden:rain"],
    )
    barometer: Series | None = Field(
        default=None,
        description="Series of the barometer, for absolute pressure sensors.",
        examples=["garden:barometer"],
    )
