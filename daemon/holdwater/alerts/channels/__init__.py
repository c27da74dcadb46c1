"""Where notices go: one small module a kind of channel; `senders` makes them from the config."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path

from holdwater.alerts.channels.log import LogSender
from holdwater.alerts.channels.mqtt import MqttSender, Publish
from holdwater.alerts.channels.program import ProgramSender
from holdwater.alerts.delivery import DEADLINE_S, Sender
from holdwater.config.channels import Channel, LogChannel, MqttChannel, ProgramChannel, SmtpChannel, WebhookChannel

Read = Callable[[str], str]


def private_file(name: str) -> str:
    """The secret in a file, without the end of its line."""
    return Path(name).read_text("utf-8").rstrip("\r\n")


def senders(
    channels: Mapping[str, Channel],
    publish: Publish,
    *,
    prefix: str = "water",
    read: Read = private_file,
    deadline_s: float = DEADLINE_S,
) -> dict[str, Sender]:
    """One sender for each channel.

    Args:
        channels: settings by name, `log` and `mqtt` among them (`config.channels.with_defaults`).
        publish: publishes on the household's broker and says whether the broker took it.
        prefix: first part of every topic.
        read: gives the secret in a file, such as `lambda name: places.from_file(name).reveal()`.
        deadline_s: longest time for one send, s.
    """
    return {name: _sender(config, publish, prefix, read, deadline_s) for name, config in channels.items()}


def _sender(config: Channel, publish: Publish, prefix: str, read: Read, deadline_s: float) -> Sender:
    if isinstance(config, LogChannel):
        return LogSender()
    if isinstance(config, MqttChannel):
        return MqttSender(publish, prefix)
    if isinstance(config, WebhookChannel):
        from holdwater.alerts.channels.webhook import WebhookSender  # noqa: PLC0415 -- urllib3 weighs 3 MiB, for this channel only

        return WebhookSender.of(config, read, deadline_s)
    if isinstance(config, SmtpChannel):
        from holdwater.alerts.channels.smtp import SmtpSender  # noqa: PLC0415 -- smtplib and email, for this channel only

        return SmtpSender.of(config, read, deadline_s)
    if isinstance(config, ProgramChannel):
        return ProgramSender(config.command, deadline_s)
    raise TypeError(f"no sender for a channel of kind {config.kind}")
