"""`holdwater note`: what the household did or saw."""

from __future__ import annotations

from pathlib import Path

import click

from holdwater.cli.options import config_option, folder_of, site_of, store_option


@click.command("note")
@click.argument("kind")
@click.option("--tank", help="Which tank.")
@click.option(
    "--exposure", help="Which thing that can freeze, for drained, covered and opened: NAME of [exposure.NAME]."
)
@click.option("--volume", help='How much, such as "125 gal".')
@click.option("--depth", help='What the dip stick showed, such as "21 in".')
@click.option("--doubt", help='How far that dip may be off, such as "1 in"; half an inch when left out.')
@click.option("--vessel", help="Which of joined vessels was dipped; the depth then counts from its own floor.")
@click.option("--for", "lasts", help='How long it holds (watering, away, …), such as "2 h".')
@click.option("--at", help="When, RFC 3339 with offset; now when left out.")
@click.option("--link", type=int, help="Number of the link, for link shut and link open.")
@click.option("--text", help="In your own words.")
@config_option
@store_option
def command(kind: str, config: Path, store: Path | None, lasts: str | None, **given: str | int | None) -> None:
    """Write down a KIND of note: load, well run, moved, dip, watering, working on it, away, home, guests, screen cleaned,
    drained, covered, opened, dosed, tested, link shut, link open, mended, other.

    Example: holdwater note load --tank drinking --volume "125 gal"

    What was drained or covered stays so until a note says that it is opened: holdwater note drained --exposure garden-spigot
    """
    from holdwater.control import ask  # noqa: PLC0415

    body: dict[str, object] = {name: value for name, value in given.items() if value is not None}
    if lasts is not None:
        body["for"] = lasts
    answer = ask(folder_of(site_of(config), store), "note", {"kind": kind, **body})
    click.echo(f"noted ({answer['uid']})")
