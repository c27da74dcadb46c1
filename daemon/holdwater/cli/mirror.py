"""`holdwater mirror`: the copy on a time-series server, in the foreground; what it lacks; whether it is whole."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from holdwater.cli.options import config_option, folder_of, moment_ms, site_of, store_option
from holdwater.errors import OutsideError, UsageError

if TYPE_CHECKING:
    from holdwater.config.mirrors import MirrorSettings
    from holdwater.config.site import Site


@click.command("mirror")
@config_option
@store_option
@click.option("--once", is_flag=True, help="Send what waits and end; exit code 3 when the server does not take it.")
@click.option("--resend-from", "since", metavar="DATE", help="Send everything from this date on again, then as --once.")
@click.option(
    "--gaps", is_flag=True, help="Say what waits, what the server refused and why, and what was lost; send nothing."
)
@click.option(
    "--verify", is_flag=True, help="Count readings by day, here and on the server; exit code 1 when they differ."
)
@click.option("--days", type=click.IntRange(1, 36500), default=None, help="With --verify: only the last so many days.")
def command(
    config: Path, store: Path | None, *, once: bool, since: str | None, gaps: bool, verify: bool, days: int | None
) -> None:
    """Copy readings and levels to the server that [mirror] names, until Ctrl-C.

    A running service does this by itself. Everything is sent with the time it was measured; sending it again changes nothing on a
    server that keeps one value for a time.
    """
    if sum((once, bool(since), gaps, verify)) > 1:
        raise UsageError(
            "two things at once", expected="one of --once, --resend-from, --gaps, --verify", do="ask for one of them"
        )
    site = site_of(config)
    if site.mirror is None:
        raise UsageError(
            "this site has no mirror", expected="a section [mirror] with url and bucket", where=str(config),
            do="add it: docs/mirror.md shows how",
        )  # fmt: skip
    folder = folder_of(site, store)
    if gaps:
        _gaps(site, folder)
    elif verify:
        _verify(site, site.mirror, folder, days)
    elif since is not None:
        _resend(site, site.mirror, folder, since)
    else:
        _send(site, site.mirror, folder, once=once)


def _send(site: Site, settings: MirrorSettings, folder: Path, *, once: bool) -> None:
    """The mirror in this process; with `once` it ends when nothing waits or nothing can be sent."""
    from holdwater.logs import set_up  # noqa: PLC0415
    from holdwater.mirror.leave import Leave  # noqa: PLC0415
    from holdwater.mirror.run import Mirror  # noqa: PLC0415

    set_up("error" if once else "info")
    leave = Leave()
    try:
        with Mirror(site, settings, folder, leave.wait) as mirror:
            if not once:
                mirror.run()
                return
            while mirror.turn() == 0.0 and not leave.now:
                pass
            refused = f"; {mirror.refused:,} were not taken: holdwater mirror --gaps" if mirror.refused else ""
            waiting = f"; {mirror.waiting:,} wait" if mirror.why else ""
            click.echo(f"{mirror.sent:,} readings and levels sent{waiting}{refused}")
            if mirror.why:
                raise OutsideError(
                    f"the server: {mirror.why}", where=settings.url, do="what waits is kept; try again later"
                )
    finally:
        leave.close()


def _resend(site: Site, settings: MirrorSettings, folder: Path, since: str) -> None:
    from holdwater.mirror.marks import Marks  # noqa: PLC0415
    from holdwater.mirror.run import busy  # noqa: PLC0415

    start = moment_ms(since, site.timezone)
    with Marks.open(folder) as marks:
        count = marks.forget(start - start % 3_600_000)
    click.echo(f"{count:,} readings and levels from {since} on are sent again")
    if busy(folder):
        click.echo(f"the running service does it with its next look, within {settings.every_s:g} s")
        return
    _send(site, settings, folder, once=True)


def _gaps(site: Site, folder: Path) -> None:
    """What is here and not there, day by day; what was refused, series by series."""
    from holdwater.mirror.gaps import refusal_words, waiting_days  # noqa: PLC0415
    from holdwater.mirror.standing import sentence, standing  # noqa: PLC0415

    found = standing(folder)
    click.echo(f"mirror: {sentence(found.plain(), site.timezone)}")
    for day, count in waiting_days(site, folder):
        click.echo(f"{day:%a %Y-%m-%d}  {count:>9,} wait")
    for line in refusal_words(folder, site.timezone):
        click.echo(line)


def _verify(site: Site, settings: MirrorSettings, folder: Path, days: int | None) -> None:
    from holdwater.mirror.server import Server  # noqa: PLC0415
    from holdwater.mirror.source import Source  # noqa: PLC0415
    from holdwater.mirror.verify import compare, counter  # noqa: PLC0415

    with Source(folder) as source:
        newest = source.newest_ms()
        bounds = source.bounds()
        if bounds is None:
            click.echo("no readings here yet")
            return
        start = bounds[0] if days is None else max(bounds[0], newest - (days - 1) * 86_400_000)
        server = Server(settings)
        click.echo(f"{'day':14} {'here':>10} {'there':>10}")
        wrong = []
        for each in compare(source, counter(server, settings), site.timezone, start, newest):
            words = (
                "" if each.here == each.there else ("  lacks some" if each.there < each.here else "  more than here")
            )
            click.echo(f"{each.day:%a %Y-%m-%d} {each.here:>10,} {each.there:>10,}{words}")
            if words:
                wrong.append(each)
        server.close()
    today = datetime.fromtimestamp(newest / 1000, site.timezone).date()
    lacking = [each.day for each in wrong if each.there < each.here]
    if not wrong:
        click.echo("every day is whole")
        return
    if lacking == [today]:
        click.echo("today's newest readings are on their way: look again in a minute or two")
    elif lacking:
        click.echo(f"next: holdwater mirror --resend-from {lacking[0]}")
    if any(each.there > each.here for each in wrong):
        click.echo("more there than here: two sites of one name, or a server that keeps doubles (see docs/mirror.md)")
    raise SystemExit(1)
