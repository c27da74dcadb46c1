"""`[channel.NAME]`: where notices are sent. Every channel says its kind and from which severity on it is used.

A channel `log` and a channel `mqtt` are always there unless the file says otherwise; they cost nothing and use no wire but
the household's own.
"""

from __future__ import annotations

import re
from typing import Annotated, Literal

from pydantic import AfterValidator, Field, field_validator, model_validator

from holdwater.config.channels import HOURS, PLAIN, Channel
from holdwater.config.model import Duration, Model, problem
from holdwater.config.notice import SeverityName
from holdwater.config.outward import http_address, networks


class _Channel(Model):
    """What every channel can say."""

    severity: SeverityName = Field(
        "know", description='least severity it is used for: "know" takes all, "act now" only the worst'
    )
    quiet: str = Field("", description='hours at which only "act now" is sent, local time, such as "22:00-06:30"')
    daily_cap: int = Field(20, description='most messages a day; "act now" is never held back by it', ge=1, le=1000)

    after: Duration = Field(
        0.0, description='used only for what nobody has marked as seen so long after it was told, such as "30 min"'
    )

    @field_validator("after")
    @classmethod
    def _not_for_ever(cls, value: float) -> float:
        if not 0 <= value <= 86_400:
            raise problem(f"{value:g} s", "at most 1 day", 'write after = "30 min"')
        return value

    @field_validator("quiet")
    @classmethod
    def _hours(cls, value: str) -> str:
        if value and HOURS.match(value) is None:
            raise problem(f"'{value}'", 'two times of day, such as "22:00-06:30"', "write HH:MM-HH:MM, 24-hour clock")
        return value

    def build(self) -> Channel:
        """The channel as a plain value."""
        values = {name: getattr(self, name) for name in type(self).model_fields}
        values["after_s"] = values.pop("after")
        return PLAIN[values["kind"]](**values)


class LogChannel(_Channel):
    """One line in the service's log."""

    kind: Literal["log"] = Field("log", description="one line in the service's log")
    daily_cap: int = Field(
        1000,
        description="most messages a day; one in a log or on the house's own broker costs nothing",
        ge=1,
        le=1000,
    )


class MqttChannel(_Channel):
    """A retained message on the household's own broker."""

    kind: Literal["mqtt"] = Field(
        "mqtt", description="a retained message on water/notices/NUMBER of the household's own broker"
    )
    daily_cap: int = Field(
        1000,
        description="most messages a day; one in a log or on the house's own broker costs nothing",
        ge=1,
        le=1000,
    )


class _Reaching(_Channel):
    """A channel that is meant to reach a person."""

    test: Literal["monthly", "off"] = Field(
        "monthly",
        description='"monthly": a test message that has to be marked as seen; unanswered, it is *undelivered*',
    )


class WebhookChannel(_Reaching):
    """JSON by HTTP POST."""

    kind: Literal["webhook"] = Field(description="JSON by HTTP POST")
    url: Annotated[str | None, AfterValidator(http_address)] = Field(
        None, description="address to post to, http or https; use url_file where the address itself is a secret"
    )
    url_file: str | None = Field(None, description="file that holds the address, readable by the service only")
    secret: str | None = Field(None, description="key of the HMAC-SHA256 signature; better in secret_file")
    secret_file: str | None = Field(None, description="file that holds the key of the HMAC-SHA256 signature")
    allow: Annotated[tuple[str, ...], AfterValidator(networks)] = Field(
        (), description="loopback or private addresses or networks it may connect to, such as 192.168.1.7"
    )
    ca_file: str | None = Field(
        None, description="certificate of the authority that signed the other side's; left out: the system's"
    )

    @model_validator(mode="after")
    def _one_address(self) -> WebhookChannel:
        if (self.url is None) == (self.url_file is None):
            found = "neither url nor url_file" if self.url is None else "both url and url_file"
            raise problem(found, "one of the two", "keep url_file if the address is a secret, else url", key="url")
        return self


class SmtpChannel(_Reaching):
    """Mail."""

    kind: Literal["smtp"] = Field(description="mail")
    host: str = Field(description="mail server to hand mail to")
    port: int = Field(
        587, description="its port: 587 with STARTTLS, 465 with TLS from the start, 25 plain", ge=1, le=65535
    )
    security: Literal["starttls", "tls", "plain"] = Field(
        "starttls", description='"starttls", "tls", or "plain" (on the house\'s own wire only)'
    )
    username: str | None = Field(None, description="account at the mail server")
    password: str | None = Field(None, description="its password; better in password_file")
    password_file: str | None = Field(None, description="file that holds the password, readable by the service only")
    sheet: bool = Field(False, description="true: the weekly sheet goes here, with the picture of the season")
    sender: str = Field(description="address the mail comes from", min_length=3)
    to: tuple[str, ...] = Field(description="addresses the mail goes to", min_length=1)
    ca_file: str | None = Field(
        None, description="certificate of the authority that signed the server's; left out: the system's"
    )

    @field_validator("sender", "to")
    @classmethod
    def _mailbox(cls, value: str | tuple[str, ...]) -> str | tuple[str, ...]:
        for text in (value,) if isinstance(value, str) else value:
            if not re.fullmatch(r"[^@\s<>,;:\"\\]+@[^@\s<>,;:\"\\]+", text):
                raise problem(
                    f"'{text}'",
                    'one mail address, such as "water@example.org"',
                    "write the bare address, without a name before it",
                )
        return value

    @model_validator(mode="after")
    def _no_password_in_the_clear(self) -> SmtpChannel:
        if self.security == "plain" and (self.password or self.password_file):
            raise problem(
                'a password with security = "plain"', "STARTTLS or TLS", 'set security = "starttls"', key="security"
            )
        return self


class ProgramChannel(_Reaching):
    """A command of the household's own: a modem, a radio, a bell."""

    kind: Literal["program"] = Field(description="a command that gets the text on its standard input")
    command: tuple[str, ...] = Field(
        description="program and its arguments, each a text of its own; no shell", min_length=1
    )

    @field_validator("command")
    @classmethod
    def _absolute(cls, value: tuple[str, ...]) -> tuple[str, ...]:
        if not value[0].startswith("/"):
            raise problem(
                f"'{value[0]}'",
                'a program by its whole path, such as "/usr/local/bin/send-text"',
                "write the whole path",
            )
        return value


ChannelConfig = Annotated[
    LogChannel | MqttChannel | WebhookChannel | SmtpChannel | ProgramChannel, Field(discriminator="kind")
]
