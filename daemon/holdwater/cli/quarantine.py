"""`holdwater quarantine`: messages that could not be read."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import click

from holdwater.cli.options import config_option, folder_of, site_of, store_option


@click.group("quarantine")
def command() -> None:
    """Messages that could not be read, kept as they came: the newest thousand, one megabyte at most."""


@command.command("replay")
@config_option
@store_option
def replay(config: Path, store: Path | None) -> None:
    """Read all of them again, as after a route was added: what can be read now is stored with the time at which it came.

    The service must run, with the new config. What still cannot be read stays; asking twice changes nothing more.
    """
    from holdwater.control import ask  # noqa: PLC0415

    answer = ask(folder_of(site_of(config), store), "read again", {})
    click.echo(f"{answer['read']} read and stored, {answer['left']} left; holdwater quarantine list says why")


@command.command("list")
@click.option("--most", type=click.IntRange(1, 1000), default=20, show_default=True)
@config_option
@store_option
def list_(most: int, config: Path, store: Path | None) -> None:
    """List the newest, with the reason."""
    from holdwater.store.reader import open_reader  # noqa: PLC0415

    site = site_of(config)
    with open_reader(folder_of(site, store)) as reader:
        rows = reader.quarantine(most)
    if not rows:
        click.echo("nothing: every message could be read")
    for number, at_ms, topic, payload, reason in rows:
        when = f"{datetime.fromtimestamp(at_ms / 1000, site.timezone):%a %d %b %H:%M:%S}"
        click.echo(f"{number}  {when}  {reason}\n    {topic[:80]!r}  {payload[:100]!r}")
