"""`holdwater backup`: a verified second copy of the store."""

from __future__ import annotations

from pathlib import Path

import click

from holdwater.cli.options import config_option, folder_of, site_of, store_option


@click.command("backup")
@click.argument("target", type=click.Path(path_type=Path))
@click.option("--keep", type=click.IntRange(1, 1000), default=7, show_default=True, help="Copies to keep in TARGET.")
@config_option
@store_option
def command(target: Path, keep: int, config: Path, store: Path | None) -> None:
    """Copy the store into the folder TARGET, best on a stick or another disk; the service may run meanwhile.

    The copy is checked before it takes its name: in TARGET there are whole copies only. A card dies without a word: make a
    copy each night (deploy/ has a timer) and look now and then whether it came.
    """
    from holdwater.store.backup import backup  # noqa: PLC0415

    made = backup(folder_of(site_of(config), store), target, keep)
    click.echo(f"{made}: {made.stat().st_size / 1e6:.1f} MB, checked")
