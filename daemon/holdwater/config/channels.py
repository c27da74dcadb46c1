"""Where notices are sent, as the running service sees it: plain values, made by the models of `config.channel`."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field

HOURS = re.compile(r"^([01]\d|2[0-3]):([0-5]\d)-([01]\d|2[0-3]):([0-5]\d)$")


@dataclass(frozen=True, slots=True, kw_only=True)
class Channel:
    """What every channel has; the settings are those of its model.

    Attributes:
        kind: log, mqtt, webhook, smtp or program.
        severity: least severity it is used for.
        quiet: hours at which only "act now" is sent, local time; empty for none.
        daily_cap: most messages a day.
        after_s: used only for what nobody has marked as seen so long after it was told, s; 0 for at once.
        test: monthly or off: whether a test message has to be heard and answered.
        sheet: whether the weekly sheet goes to it.
    """

    kind: str
    severity: str = "know"
    quiet: str = ""
    daily_cap: int = 20
    after_s: float = 0.0
    test: str = "off"
    sheet: bool = False

    @property
    def quiet_minutes(self) -> tuple[int, int] | None:
        """First and last minute of the local day of its quiet hours; None when it has none."""
        match = HOURS.match(self.quiet)
        if match is None:
            return None
        from_h, from_min, to_h, to_min = (int(part) for part in match.groups())
        return from_h * 60 + from_min, to_h * 60 + to_min


@dataclass(frozen=True, slots=True, kw_only=True)
class LogChannel(Channel):
    """One line in the service's log."""

    kind: str = "log"
    daily_cap: int = 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class MqttChannel(Channel):
    """A retained message on the household's own broker."""

    kind: str = "mqtt"
    daily_cap: int = 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class WebhookChannel(Channel):
    """JSON by HTTP POST; what may be a secret does not show in its repr."""

    kind: str = "webhook"
    url: str | None = field(default=None, repr=False)
    url_file: str | None = None
    secret: str | None = field(default=None, repr=False)
    secret_file: str | None = None
    allow: tuple[str, ...] = ()
    ca_file: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SmtpChannel(Channel):
    """Mail; the password does not show in its repr."""

    kind: str = "smtp"
    host: str
    port: int = 587
    security: str = "starttls"
    username: str | None = None
    password: str | None = field(default=None, repr=False)
    password_file: str | None = None
    sender: str
    to: tuple[str, ...]
    ca_file: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ProgramChannel(Channel):
    """A command of the household's own."""

    kind: str = "program"
    command: tuple[str, ...]


PLAIN: dict[str, type[Channel]] = {
    "log": LogChannel,
    "mqtt": MqttChannel,
    "webhook": WebhookChannel,
    "smtp": SmtpChannel,
    "program": ProgramChannel,
}
"""The class of each kind."""


def with_defaults(channels: Mapping[str, Channel]) -> dict[str, Channel]:
    """The channels of the file, and `log` and `mqtt` where the file does not name them."""
    return {"log": LogChannel(), "mqtt": MqttChannel(), **channels}
