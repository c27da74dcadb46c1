"""`holdwater restore`: a copy back in the place of the store."""

from __future__ import annotations

from pathlib import Path

import click

from holdwater.cli.options import config_option, folder_of, site_of, store_option
from holdwater.errors import UsageError


@click.command("restore")
@click.argument("copy", type=click.Path(path_type=Path))
@config_option
@store_option
def command(copy: Path, config: Path, store: Path | None) -> None:
    """Put COPY (a file, or a folder of copies: its newest) in the place of the store. Stop the service first.

    The store that is there is set aside, not thrown away. What sensor boxes still hold comes in again by itself.
    """
    from holdwater.store.backup import copies, restore  # noqa: PLC0415
    from holdwater.store.writer import hold_lock  # noqa: PLC0415

    if copy.is_dir():
        found = copies(copy)
        if not found:
            raise UsageError(
                "no copy in this folder",
                expected="files made by holdwater backup",
                where=str(copy),
                do="name another folder",
            )
        copy = found[0]
    if not copy.exists():
        raise UsageError("no such file", where=str(copy), do="name a copy made by holdwater backup")
    folder = folder_of(site_of(config), store)
    with hold_lock(folder):
        aside = restore(copy, folder)
    click.echo(f"{copy.name} is the store now" + (f"; the one before is kept as {aside.name}" if aside else ""))
