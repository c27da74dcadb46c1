"""`holdwater replay`: a recording into a store."""

from __future__ import annotations

import gzip
from collections.abc import Iterator
from pathlib import Path
from typing import IO

import click

from holdwater.cli.options import config_option, folder_of, site_of, store_option
from holdwater.errors import UsageError


@click.command("replay")
@click.argument("recording", type=click.Path(path_type=Path))
@config_option
@store_option
@click.option("--digest", is_flag=True, help="Print a checksum of the tables that matter, to compare two stores.")
@click.option("--quiet", is_flag=True, help="No progress bar.")
def command(recording: Path, config: Path, store: Path | None, digest: bool, quiet: bool) -> None:
    """Feed a RECORDING (JSON Lines, also .gz) through the service's loop into a store; no broker is needed, nothing is sent.

    The store's folder is made when it is missing; a recording may be fed twice without harm.
    """
    site = site_of(config)
    folder = folder_of(site, store)
    from holdwater.recording import lines  # noqa: PLC0415 -- after the config was read
    from holdwater.replay import replay  # noqa: PLC0415

    with _open(recording) as file, _Bar(recording, show=not quiet) as bar:
        told = replay(site, lines(bar.watched(file), recording.name), folder, bar.at)
    click.echo(f"{told.events} events in {told.seconds:.1f} s into {folder}")
    for words in told.refused:
        click.echo(f"  not done: {words}", err=True)
    if digest:
        from holdwater.store.reader import open_reader  # noqa: PLC0415

        with open_reader(folder) as reader:
            click.echo(reader.digest())


def _open(path: Path) -> IO[bytes]:
    try:
        return gzip.open(path) if path.suffix == ".gz" else path.open("rb")  # type: ignore[return-value]
    except OSError as error:
        raise UsageError(
            f"cannot be read: {error.strerror}",
            expected="a recording made by holdwater record",
            where=str(path),
            do="check the path",
        ) from None


class _Bar:
    """A progress bar by bytes read, shown on a terminal only."""

    def __init__(self, path: Path, *, show: bool) -> None:
        self._size = path.stat().st_size if path.exists() and path.suffix != ".gz" else 0
        self._show = show and self._size > 0
        self._read = 0
        self._bar = click.progressbar(length=max(1, self._size), label="replaying", hidden=not self._show)

    def __enter__(self) -> _Bar:
        self._bar.__enter__()
        return self

    def __exit__(self, *_: object) -> None:
        self._bar.finish()
        self._bar.render_finish()

    def watched(self, file: IO[bytes]) -> Iterator[bytes]:
        """The lines of the file, counted."""
        for line in file:
            self._read += len(line)
            yield line

    def at(self, _events: int, _ms: int) -> None:
        """Move the bar."""
        self._bar.update(self._read - self._bar.pos)
