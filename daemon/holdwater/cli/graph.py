"""`holdwater graph`: the season as a picture in a file."""

from __future__ import annotations

import os
from pathlib import Path
from typing import cast

import click

from holdwater.errors import OutsideError, StoreError, UsageError
from holdwater.units import Measure, System


@click.command(name="graph")
@click.option("--config", "config", type=click.Path(path_type=Path), required=True, help="The site's config file.")
@click.option(
    "--tank", "tanks", multiple=True, metavar="NAME", help="Only this tank; may be given again. Without it: all."
)
@click.option(
    "--days", type=click.IntRange(1, 3660), default=120, show_default=True, help="Local days up to the newest reading."
)
@click.option("--units", type=click.Choice(["US", "metric"]), help="Instead of the site's own.")
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    default=Path("season.svg"),
    show_default=True,
    help="File to write; - for standard output.",
)
def command(config: Path, tanks: tuple[str, ...], days: int, units: str | None, out: Path) -> None:
    """Draw the season of a site into an SVG file.

    Level of each tank with its doubt, reserve, rain, frost nights, and what was written and told, explained in a list
    under the picture. It reads the store beside a running service and changes nothing.
    """
    from holdwater.sitefile import open_site  # noqa: PLC0415 — slow to import; `--help` needs none of it
    from holdwater.store.reader import open_reader  # noqa: PLC0415
    from holdwater.web.saved import saved_season  # noqa: PLC0415

    site = open_site(config, os.environ)
    for name in tanks:
        if name not in site.tanks:
            raise UsageError(
                f"no tank is called {name!r}",
                expected=f"one of {', '.join(site.tanks)}",
                where="--tank",
                do="name one of these",
            )
    measure = Measure(cast("System", units)) if units else site.measure
    with open_reader(site.store.folder) as reader:
        newest = reader.newest_ms()
        if newest is None:
            raise StoreError(
                "there is no reading yet", where=str(site.store.folder), do="draw again once readings have come in"
            )
        picture = saved_season(site, reader, measure, tanks or tuple(site.tanks), days=days, now_ms=newest)
    _write(picture, out)


def _write(picture: str, out: Path) -> None:
    if str(out) == "-":
        click.echo(picture, nl=False)
        return
    try:
        out.write_text(picture, encoding="utf-8")
    except OSError as error:
        raise OutsideError(
            f"cannot write: {error.strerror or error}", where=str(out), do="choose another file with --out"
        ) from None
    click.echo(f"{out}")
