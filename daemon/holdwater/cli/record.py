"""`holdwater record`: what comes in, as a file."""

from __future__ import annotations

from pathlib import Path

import click

from holdwater.cli.options import config_option, folder_of, site_of, store_option
from holdwater.units import parse


@click.command("record")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--for", "duration", default="10 min", show_default=True, help="How long.")
@config_option
@store_option
def command(file: Path, duration: str, config: Path, store: Path | None) -> None:
    """Let the running service write what comes in to FILE (new), as JSON Lines: for a bug report, a test, a replay."""
    from holdwater.control import ask  # noqa: PLC0415

    for_s = parse(duration, "time")
    folder = folder_of(site_of(config), store)
    ask(folder, "record", {"file": str(file.resolve()), "for_s": for_s})
    click.echo(
        f"recording to {file} for {duration}; it holds what your sensor boxes sent: look through it before you give it away"
    )
