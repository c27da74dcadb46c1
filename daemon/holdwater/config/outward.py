"""[state], [heartbeat] and [sheet]: what the service says unasked."""

from __future__ import annotations

import ipaddress
import re
from typing import Annotated, Literal, Self
from urllib.parse import urlsplit

from pydantic import AfterValidator, Field, model_validator

from holdwater.config.model import Duration, Model, problem
from holdwater.config.outwards import HeartbeatSettings, SheetSettings, StateSettings

DAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")


def http_address(value: str | None) -> str | None:
    """An http or https address, else a problem that does not show it: it may be a secret."""
    if value is None:
        return value
    try:
        parts = urlsplit(value)
        good = parts.scheme in ("http", "https") and bool(parts.hostname)
        _ = parts.port
    except ValueError:
        good = False
    if not good:
        raise problem(
            "not an http or https address",
            'such as "https://example.org/water"',
            "write the whole address, with http:// or https://",
        )
    return value


def networks(value: tuple[str, ...]) -> tuple[str, ...]:
    """Addresses or networks as numbers, else a problem."""
    for text in value:
        try:
            ipaddress.ip_network(text, strict=False)
        except ValueError:
            raise problem(
                f"'{text}'",
                'an address or network, such as "192.168.1.7"',
                "write the address as numbers, not a name",
            ) from None
    return value


class StateConfig(Model):
    """[state]: what is on hand, and a lamp, as messages on the household's own broker."""

    on: bool = Field(
        default=True, description="false: nothing is published but notices, receipts and the service's own state"
    )
    every: Duration = Field(
        default=600.0,
        description="longest time between two messages of one tank; a change is told at once",
        examples=["10 min"],
    )

    @model_validator(mode="after")
    def _in_range(self) -> Self:
        if not 60 <= self.every <= 86_400:
            raise problem(f"{self.every:g} s", "1 min to 1 day", 'write every = "10 min"', "every")
        return self

    def build(self) -> StateSettings:
        """The settings."""
        return StateSettings(self.on, self.every)


class HeartbeatConfig(Model):
    """[heartbeat]: a sign of life to an address that calls somebody when it stays away."""

    url: Annotated[str | None, AfterValidator(http_address)] = Field(
        default=None, description="address to ask, http or https; use url_file where the address itself is a secret"
    )
    url_file: str | None = Field(default=None, description="file that holds the address, readable by the service only")
    every: Duration = Field(default=3600.0, description="time between two signs of life", examples=["1 h"])
    method: Literal["GET", "POST"] = Field(default="GET", description='"GET" or "POST", as the other side wants it')
    allow: Annotated[tuple[str, ...], AfterValidator(networks)] = Field(
        default=(), description="loopback or private addresses or networks it may connect to, such as 192.168.1.7"
    )
    ca_file: str | None = Field(
        default=None, description="certificate of the authority that signed the other side's; left out: the system's"
    )

    @model_validator(mode="after")
    def _whole(self) -> Self:
        if (self.url is None) == (self.url_file is None):
            found = "neither url nor url_file" if self.url is None else "both url and url_file"
            raise problem(found, "one of the two", "keep url_file if the address is a secret, else url", key="url")
        if not 60 <= self.every <= 7 * 86_400:
            raise problem(f"{self.every:g} s", "1 min to 7 days", 'write every = "1 h"', "every")
        return self

    def build(self) -> HeartbeatSettings:
        """The settings."""
        return HeartbeatSettings(self.url, self.url_file, self.every, self.method, self.allow, self.ca_file)


def _day(value: str) -> str:
    if value.capitalize() not in DAYS:
        raise problem(f"'{value}'", f"one of {', '.join(DAYS)}", 'write day = "Sunday"')
    return value.capitalize()


def _minute(value: str) -> str:
    if not re.fullmatch(r"([01]\d|2[0-3]):[0-5]\d", value):
        raise problem(f"'{value}'", 'a time of day, such as "08:00"', "write HH:MM, 24-hour clock")
    return value


class SheetConfig(Model):
    """[sheet]: when the weekly sheet goes to the channels with `sheet = true`."""

    day: Annotated[str, AfterValidator(_day)] = Field(
        default="Sunday", description="day of the week", examples=["Sunday"]
    )
    at: Annotated[str, AfterValidator(_minute)] = Field(default="08:00", description="time of day", examples=["08:00"])

    def build(self) -> SheetSettings:
        """The settings."""
        hours, _, minutes = self.at.partition(":")
        return SheetSettings(DAYS.index(self.day), int(hours) * 60 + int(minutes))
