"""`holdwater clock`: the owner's word on the time of a board without a clock battery."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import click

from holdwater.cli.options import config_option, folder_of, site_of, store_option


@click.command("clock")
@click.option("--right", is_flag=True, help="Say that the time shown is right: from now on it is trusted.")
@config_option
@store_option
def command(right: bool, config: Path, store: Path | None) -> None:
    """Show the time the service goes by and whether it trusts it; with --right, give your word for it.

    A board without a clock battery wakes in the past. Its readings wait, in order, until a time server, a clock chip, a time
    message or you say what time it is; then they all get their dates. To set the time: sudo date -s "2026-10-10 16:20".
    """
    from holdwater.control import ask  # noqa: PLC0415

    site = site_of(config)
    folder = folder_of(site, store)
    if right:
        ask(folder, "time", {"source": "owner"})
    answer = ask(folder, "status")
    when = datetime.now(site.timezone)
    words = "trusted" if answer["clock"] == "trusted" else f"not trusted: {answer['clock']}"
    click.echo(f"{when:%a %d %b %Y %H:%M:%S} {when.tzname()}: {words}")
