"""`holdwater verify`: is the store what it was when it was written?"""

from __future__ import annotations

import sys
from datetime import datetime
from pathlib import Path

import click

from holdwater.cli.options import config_option, folder_of, site_of, store_option


@click.command("verify")
@click.argument("file", type=click.Path(path_type=Path), required=False)
@config_option
@store_option
def command(file: Path | None, config: Path, store: Path | None) -> None:
    """Check the store, or a copy FILE: the database's own checks, then every hour of raw readings against its checksum.

    Exit code 1 when something is wrong.
    """
    from holdwater.store.backup import verify  # noqa: PLC0415
    from holdwater.store.connect import STORE_NAME  # noqa: PLC0415

    site = site_of(config)
    path = file or folder_of(site, store) / STORE_NAME
    found = verify(path)
    for fault in found.faults:
        click.echo(f"wrong: {fault}", err=True)
    newest = (
        "none"
        if found.newest_ms is None
        else f"{datetime.fromtimestamp(found.newest_ms / 1000, site.timezone):%a %d %b %Y %H:%M}"
    )
    click.echo(f"{path}: {found.readings} readings, newest {newest}; {found.hours} hours compared with their checksums")
    if not found.ok:
        click.echo(
            "next: restore the newest sound copy (holdwater restore), or let the service salvage what can be read",
            err=True,
        )
        sys.exit(1)
    click.echo("sound")
