"""`holdwater sheet`: the week on one page."""

from __future__ import annotations

from pathlib import Path

import click

from holdwater.cli.options import config_option, folder_of, site_of, store_option


@click.command("sheet")
@config_option
@store_option
def command(config: Path, store: Path | None) -> None:
    """Print the week on one page: on hand, used, came in, what was warned and what came of it, what was done last.

    It asks the running service for what is on hand now and reads the store for the rest. The same goes by mail each week to a
    channel with sheet = true; [sheet] says when.
    """
    from holdwater.control import ask  # noqa: PLC0415 -- --help is quicker without all this
    from holdwater.sheet import sheet_text  # noqa: PLC0415
    from holdwater.sheet_week import read_week  # noqa: PLC0415
    from holdwater.snapshot import snapshot_of  # noqa: PLC0415
    from holdwater.store.reader import open_reader  # noqa: PLC0415
    from holdwater.web.view import Scene  # noqa: PLC0415

    site = site_of(config)
    folder = folder_of(site, store)
    answer = ask(folder, "status")
    scene = Scene(site, snapshot_of(answer["snapshot"]), site.measure, int(answer["wall_ms"]))
    with open_reader(folder) as reader:
        click.echo(sheet_text(scene, read_week(site, reader, scene.now_ms)), nl=False)
