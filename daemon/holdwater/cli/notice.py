"""`holdwater notice`: what is wrong now, that it was seen, and whether a notice would arrive."""

from __future__ import annotations

import os
import sys
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from holdwater.cli.options import DEFAULT, ENVIRONMENT, config_option, folder_of, site_of, store_option
from holdwater.errors import UsageError

if TYPE_CHECKING:
    from holdwater.alerts.outbox import Parcel
    from holdwater.config.site import Site


@click.group("notice", invoke_without_command=True)
@click.option("--test", "test", is_flag=True, help="The same as: holdwater notice test")
@click.pass_context
def command(ctx: click.Context, *, test: bool) -> None:
    """Notices: list them, say that you have seen one, keep one quiet, read all texts, test the channels."""
    if ctx.invoked_subcommand is None:
        config = Path(os.environ.get(ENVIRONMENT, DEFAULT))
        if test:
            ctx.invoke(try_, channels=(), config=config)
        else:
            ctx.invoke(list_, config=config, store=None)


@command.command("list")
@config_option
@store_option
def list_(config: Path, store: Path | None) -> None:
    """List the notices that are on, the most urgent first."""
    from holdwater.control import ask  # noqa: PLC0415

    site = site_of(config)
    notices: list[dict[str, Any]] = ask(folder_of(site, store), "status")["snapshot"]["notices"]
    if not notices:
        click.echo("no notice is on")
    for each in notices:
        since = datetime.fromtimestamp(each["since_ms"] / 1000, site.timezone).strftime("%a %d %b %H:%M")
        marks = [each["severity"], f"since {since}"]
        marks += ["easing"] if each["state"] == "easing" else []
        marks += ["seen"] if each["seen"] else []
        if each["quiet_until_ms"] is not None:
            until = datetime.fromtimestamp(each["quiet_until_ms"] / 1000, site.timezone).strftime("%a %d %b %H:%M")
            marks.append(f"quiet until {until}")
        click.echo(f"[{each['id']}] {', '.join(marks)}\n    {each['long']}")


@command.command("seen")
@click.argument("number", type=int)
@config_option
@store_option
def seen(number: int, config: Path, store: Path | None) -> None:
    """Say that you have seen notice NUMBER: it is not told again, unless it becomes worse."""
    from holdwater.control import ask  # noqa: PLC0415

    answer = ask(folder_of(site_of(config), store), "seen", {"notice": number})
    if answer.get("changed", True):
        click.echo(f"notice {number}: seen")
    else:
        click.echo(f"notice {number} is not on, or was seen before; holdwater notice list shows those that are on")


@command.command("quiet")
@click.argument("number", type=int)
@click.option(
    "--for", "for_", default="8 h", show_default=True, help='How long, such as "8 h"; at most 7 days; "0 h" ends it.'
)
@config_option
@store_option
def quiet(number: int, for_: str, config: Path, store: Path | None) -> None:
    """Keep notice NUMBER quiet for a while. A worse stage of it is told all the same."""
    from holdwater.control import ask  # noqa: PLC0415

    ask(folder_of(site_of(config), store), "quiet", {"notice": number, "for": for_})
    click.echo(f"notice {number}: quiet for {for_}, at most 7 days")


@command.command("texts")
@click.argument("kinds", nargs=-1)
@click.option("--metric", is_flag=True, help="In litres and degrees Celsius.")
def texts(kinds: tuple[str, ...], *, metric: bool) -> None:
    """Print every text of every kind of notice (or of KINDS only), with when it comes and what to do."""
    from zoneinfo import ZoneInfo  # noqa: PLC0415

    from holdwater.alerts.kinds import KINDS  # noqa: PLC0415
    from holdwater.alerts.texts import texts as texts_of  # noqa: PLC0415
    from holdwater.units import Measure  # noqa: PLC0415

    for name in kinds:
        if name not in KINDS:
            raise UsageError(
                f"no kind of notice '{name}'", expected=f"one of {', '.join(KINDS)}", do="write one of these"
            )
    measure = Measure("metric" if metric else "US")
    for name in kinds or KINDS:
        kind = KINDS[name]
        click.echo(
            f"{name} ({kind.severity.value}{f', then {kind.upper.value}' if kind.upper else ''})\n  {kind.manual}"
        )
        told: set[str] = set()
        for text in texts_of(kind, measure, ZoneInfo("America/Denver")):
            if text.short not in told:
                told.add(text.short)
                click.echo(f"  {text.phase.value}: {text.short}\n      {text.long}")


@command.command("test")
@click.argument("channels", nargs=-1)
@config_option
def try_(channels: tuple[str, ...], config: Path) -> None:
    """Send a test message through every channel of the config (or through CHANNELS only) and say what became of it.

    Where the config has a heartbeat, it is tried too, under the name heartbeat. Exit code 1 when a channel did not take it.
    "Taken" means that the other side has it, not that somebody has read it.
    """
    from holdwater.alerts.channels import senders  # noqa: PLC0415
    from holdwater.alerts.outcome import Accepted  # noqa: PLC0415
    from holdwater.config.channels import with_defaults  # noqa: PLC0415

    site = site_of(config)
    known = with_defaults(site.channels)
    names = [*known, *([HEARTBEAT] if site.heartbeat else [])]
    for name in channels:
        if name not in names:
            raise UsageError(
                f"no channel '{name}'", expected=f"one of {', '.join(names)}", do="look at [channel.NAME] of the config"
            )
    wanted = {name: config for name, config in known.items() if name in channels or not channels}
    failed = bool(site.heartbeat) and HEARTBEAT in (channels or (HEARTBEAT,)) and not _alive(site)
    for name, sender in senders(wanted, _publisher(site), prefix=site.broker.prefix).items():
        outcome = sender.send(_message(name, site))
        taken = isinstance(outcome, Accepted)
        failed = failed or not taken
        click.echo(f"{name} ({wanted[name].kind}): {'taken' if taken else f'NOT taken: {outcome.words}'}")  # type: ignore[union-attr]
    if failed:
        sys.exit(1)


HEARTBEAT = "heartbeat"


def _alive(site: Site) -> bool:
    from holdwater.alerts.outcome import Accepted  # noqa: PLC0415
    from holdwater.heartbeat import sender_of  # noqa: PLC0415

    if site.heartbeat is None:
        return True
    outcome = sender_of(site.heartbeat)()
    words = "taken" if isinstance(outcome, Accepted) else f"NOT taken: {outcome.words}"
    click.echo(f"{HEARTBEAT} ({site.heartbeat.method}): {words}")
    return isinstance(outcome, Accepted)


def _message(channel: str, site: Site) -> Parcel:
    import json  # noqa: PLC0415
    import time  # noqa: PLC0415

    from holdwater.alerts.matter import Severity  # noqa: PLC0415
    from holdwater.alerts.outbox import Parcel  # noqa: PLC0415
    from holdwater.alerts.telling import plain  # noqa: PLC0415

    at_ms = time.time_ns() // 1_000_000
    key = f"test-{at_ms}-{channel}"
    short = "TEST from holdwater: nothing is wrong. If you read this, this way of reaching you works."
    row = {
        "site": plain(site.name),
        "notice": "test",
        "step": 1,
        "phase": "test",
        "kind": "test",
        "severity": "know",
        "state": "clear",
        "at_ms": at_ms,
    }
    body = {**row, "short": short, "long": short, "key": key}
    return Parcel(key, channel, (key,), (), Severity.KNOW, short, short, json.dumps(body), (body,))


def _publisher(site: Site) -> Any:
    """Publishes on the site's broker by a connection of its own."""

    def publish(topic: str, text: str, retain: bool) -> bool:
        from paho.mqtt import publish as once  # noqa: PLC0415

        broker = site.broker
        auth: Any = None
        if broker.username is not None:
            auth = {"username": broker.username, "password": broker.password.reveal() if broker.password else ""}
        tls: Any = {"ca_certs": str(broker.tls.ca_file) if broker.tls.ca_file else None} if broker.tls else None
        try:
            once.single(
                topic,
                text,
                qos=1,
                retain=retain,
                hostname=broker.host,
                port=broker.port,
                client_id="",
                keepalive=10,
                auth=auth,
                tls=tls,
            )
        except (OSError, ValueError):
            return False
        except Exception as error:  # noqa: BLE001  paho raises a bare MQTTException for a refused connection
            click.echo(f"  broker: {error}", err=True)
            return False
        return True

    return publish
