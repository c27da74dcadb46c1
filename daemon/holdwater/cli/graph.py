"""`holdwater graph`: the season as a picture in a file."""

from __future__ import annotations

from pathlib import Path
from typing import cast

import click

from holdwater.cli.options import config_option, folder_of, site_of, store_option
from holdwater.errors import OutsideError, StoreError, UsageError


@click.command("graph")
@config_option
@store_option
@click.option("--tank", "tanks", multiple=True, metavar="NAME", help="Only this tank (may be given again).")
@click.option(
    "--days", type=click.IntRange(1, 3660), default=120, show_default=True, help="Local days up to the newest reading."
)
@click.option("--units", type=click.Choice(["US", "metric"]), help="Instead of the site's own.")
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    default=Path("season.svg"),
    show_default=True,
    help="File; - for standard output.",
)
def command(config: Path, store: Path | None, tanks: tuple[str, ...], days: int, units: str | None, out: Path) -> None:
    """Draw the season of a site into an SVG file.

    Level of each tank with its doubt and reserve, rain, frost nights, and what was written and told, explained in a list
    under the picture. It is legible in black and white. It reads the store beside a running service and changes nothing.
    """
    from holdwater.store.reader import open_reader  # noqa: PLC0415 -- `--help` needs none of these
    from holdwater.units import Measure, System  # noqa: PLC0415
    from holdwater.web.saved import saved_season  # noqa: PLC0415

    site = site_of(config)
    for name in tanks:
        if name not in site.tanks:
            expected = f"one of {', '.join(site.tanks)}"
            raise UsageError(f"no tank is called {name!r}", expected=expected, where="--tank", do="name one of these")
    measure = Measure(cast("System", units)) if units else site.measure
    folder = folder_of(site, store)
    with open_reader(folder) as reader:
        newest = reader.newest_ms()
        if newest is None:
            raise StoreError("there is no reading yet", where=str(folder), do="draw again once readings have come in")
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
