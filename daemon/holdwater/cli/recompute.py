"""`holdwater recompute`: levels anew from the raw readings."""

from __future__ import annotations

from pathlib import Path

import click

from holdwater.cli.options import config_option, folder_of, site_of, store_option
from holdwater.errors import OutsideError


@click.command("recompute")
@config_option
@store_option
def command(config: Path, store: Path | None) -> None:
    """Work out all levels anew from the raw readings; a corrected tank or sensor in the config does that by itself.

    The page shows the old levels until the new ones are all there. What was told (notices, notes) is never rewritten, and
    where raw readings are gone the levels stay as they are.
    """
    from holdwater.control import ask  # noqa: PLC0415

    site = site_of(config)
    folder = folder_of(site, store)
    try:
        ask(folder, "recompute")
        click.echo("the running service works it out in its quiet moments")
    except OutsideError:
        from holdwater.replay import recompute  # noqa: PLC0415

        hours = recompute(site, folder)
        click.echo(f"{hours} hours of levels worked out anew")
