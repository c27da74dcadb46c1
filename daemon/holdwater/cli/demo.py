"""`holdwater demo`: an invented household, live."""

from __future__ import annotations

import logging
from pathlib import Path

import click

from holdwater.demo.play import Ready, Wanted, play, welcome


@click.command("demo")
@click.option("--keep", type=click.Path(path_type=Path, file_okay=False), metavar="DIR", help="Keep the store in DIR.")
@click.option("--port", type=click.IntRange(1, 65535), help="Port of the page. [default: 8080, or a free one]")
@click.option("--broker-port", type=click.IntRange(1, 65535), help="Port of the broker. [default: a free one]")
def command(keep: Path | None, port: int | None, broker_port: int | None) -> None:
    """Play an invented household until Ctrl-C.

    A broker of its own, 120 days of history replayed through the service, then the service with its page and three
    simulated sensor boxes that publish over MQTT. With --keep a later start goes on where this one stopped.
    """
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn  # noqa: PLC0415

    logging.basicConfig(level=logging.WARNING, format="%(levelname)s %(name)s: %(message)s")
    columns = (TextColumn("Replaying 1 July to 28 October"), BarColumn(), TaskProgressColumn(), TimeRemainingColumn())
    with Progress(*columns, transient=True) as bar:
        task = bar.add_task("", total=None, visible=False)

        def progress(done: int, whole: int) -> None:
            bar.update(task, completed=done, total=whole, visible=True)

        def say(ready: Ready) -> None:
            bar.stop()
            click.echo(welcome(ready))

        play(Wanted(keep, port, broker_port), progress, say)
    click.echo("Ended.")
