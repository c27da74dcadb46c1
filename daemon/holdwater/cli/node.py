"""`holdwater node`: sensor boxes."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import click

from holdwater.cli.options import config_option, folder_of, site_of, store_option


@click.group("node")
def command() -> None:
    """Sensor boxes. Those that the config names are accepted; another one that speaks waits until it is accepted here."""


@command.command("list")
@config_option
@store_option
def list_(config: Path, store: Path | None) -> None:
    """List sensor boxes that were heard."""
    from holdwater.store.reader import open_reader  # noqa: PLC0415

    site = site_of(config)
    with open_reader(folder_of(site, store)) as reader:
        rows = reader.nodes()
    if not rows:
        click.echo("no sensor box was heard yet: check its power, its name, its password and the broker's address")
    for name, state, heard_ms in rows:
        when = (
            "never" if heard_ms is None else f"{datetime.fromtimestamp(heard_ms / 1000, site.timezone):%a %d %b %H:%M}"
        )
        click.echo(f"{name:32}  {state:9}  last heard {when}")


@command.command("accept")
@click.argument("name")
@config_option
@store_option
def accept(name: str, config: Path, store: Path | None) -> None:
    """Accept a waiting sensor box NAME: from now on its readings are stored."""
    _ask(config, store, "accept", name)


@command.command("retire")
@click.argument("name")
@config_option
@store_option
def retire(name: str, config: Path, store: Path | None) -> None:
    """Stop listening to a sensor box NAME; what it sent stays."""
    _ask(config, store, "retire", name)


def _ask(config: Path, store: Path | None, what: str, name: str) -> None:
    from holdwater.control import ask  # noqa: PLC0415

    answer = ask(folder_of(site_of(config), store), what, {"node": name})
    click.echo(f"{answer['node']}: {answer['state']}")
