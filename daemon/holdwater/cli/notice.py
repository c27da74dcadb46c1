"""`holdwater notice`: what is wrong now, that it was seen, and whether a notice would arrive."""

from __future__ import annotations

import os
import sys
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from holdwater.cli.options import DEFAULT, ENVIRONMENT, config_option, folder_of, site_of, store_option
from holdwater.errors import UsageError

if TYPE_CHECKING:
    from holdwater.config.site import Site


@click.group("notice", invoke_without_command=True)
@click.option("--test", "test", is_flag=True, help="The same as: holdwater notice test")
@click.pass_context
def command(ctx: click.Context, *, test: bool) -> None:
    """Notices: list them, say that you have seen one, keep one quiet, read all texts, test the channels."""
    if ctx.invoked_subcommand is None:
        config = Path(os.environ.get(ENVIRONMENT, DEFAULT))
        if test:
            ctx.invoke(try_, channels=(), config=config)
        else:
            ctx.invoke(list_, config=config, store=None)


@command.command("list")
@config_option
@store_option
def list_(config: Path, store: Path | None) -> None:
    """List the notices that are on, the most urgent first."""
    from holdwater.control import ask  # noqa: PLC0415

    site = site_of(config)
    notices: list[dict[str, Any]] = ask(folder_of(site, store), "status")["snapshot"]["notices"]
    if not notices:
        click.echo("no notice is on")
    for each in notices:
        since = datetime.fromtimestamp(each["since_ms"] / 1000, site.timezone).strftime("%a %d %b %H:%M")
        marks = [each["severity"], f"since {since}"]
        marks += ["easing"] if each["state"] == "easing" else []
        marks += ["seen"] if each["seen"] else []
        if each["quiet_until_ms"] is not None:
            until = datetime.fromtimestamp(each["quiet_until_ms"] / 1000, site.timezone).strftime("%a %d %b %H:%M")
            marks.append(f"quiet until {until}")
        click.echo(f"[{each['id']}] {', '.join(marks)}\n    {each['long']}")


@command.command("seen")
@click.argument("number", type=int)
@config_option
@store_option
def seen(number: int, config: Path, store: Path | None) -> None:
    """Say that you have seen notice NUMBER: it is not told again, unless it becomes worse."""
    from holdwater.control import ask  # noqa: PLC0415

    answer = ask(folder_of(site_of(config), store), "seen", {"notice": number})
    if answer.get("changed", True):
        click.echo(f"notice {number}: seen")
    else:
        click.echo(f"notice {number} is not on, or was seen before; holdwater notice list shows those that are on")


@command.command("quiet")
@click.argument("number", type=int)
@click.option(
    "--for", "for_", default="8 h", show_default=True, help='How long, such as "8 h"; at most 7 days; "0 h" ends it.'
)
@config_option
@store_option
def quiet(number: int, for_: str, config: Path, store: Path | None) -> None:
    """Keep notice NUMBER quiet for a while. A worse stage of it is told all the same."""
    from holdwater.control import ask  # noqa: PLC0415

    ask(folder_of(site_of(config), store), "quiet", {"notice": number, "for": for_})
    click.echo(f"notice {number}: quiet for {for_}, at most 7 days")


@command.command("past")
@click.option("--days", type=click.IntRange(1, 3660), default=60, show_default=True, help="How far back.")
@config_option
@store_option
def past(days: int, config: Path, store: Path | None) -> None:
    """List what was told in the last DAYS days, whom it reached, who saw it, and what came of it; the newest first.

    It reads the store beside a running service; the days count back from the newest reading.
    """
    from holdwater.outcomes import outcomes  # noqa: PLC0415
    from holdwater.store.reader import open_reader  # noqa: PLC0415
    from holdwater.store.rows import DAY_MS  # noqa: PLC0415
    from holdwater.web.history import note_words  # noqa: PLC0415

    site = site_of(config)

    def when(ms: int) -> str:
        return datetime.fromtimestamp(ms / 1000, site.timezone).strftime("%a %d %b %H:%M")

    with open_reader(folder_of(site, store)) as reader:
        since_ms = (reader.newest_ms() or 0) - days * DAY_MS
        lives = reader.lives(since_ms)
        notes = reader.notes(min((life.since_ms for life in lives), default=since_ms), 1 << 62)
    found = sorted(outcomes(lives, notes), key=lambda each: -each.raised_ms)
    if not found:
        click.echo(f"nothing was told in the last {days} days")
    for each in found:
        seen = "nobody marked it as seen" if each.seen_ms is None else f"seen {when(each.seen_ms)}"
        reach = [f"told by {', '.join(each.told)}"] if each.told else []
        reach += [f"not by {', '.join(each.untold)}"] if each.untold else []
        click.echo(
            f"[{each.id}] {each.title}, {each.subject}: {each.severity}, {when(each.raised_ms)}, {seen}\n    {each.text}"
        )
        for line in (*reach, *(f"noted {when(note.at_ms)}: {note_words(note, site.measure)}" for note in each.notes)):
            click.echo(f"    {line}")
        click.echo(f"    over after {each.lasted}: {each.ended}" if each.ended else "    still on")


@command.command("texts")
@click.argument("kinds", nargs=-1)
@click.option("--metric", is_flag=True, help="In litres and degrees Celsius.")
def texts(kinds: tuple[str, ...], *, metric: bool) -> None:
    """Print every text of every kind of notice (or of KINDS only), with when it comes and what to do."""
    from zoneinfo import ZoneInfo  # noqa: PLC0415

    from holdwater.alerts.kinds import KINDS  # noqa: PLC0415
    from holdwater.alerts.texts import texts as texts_of  # noqa: PLC0415
    from holdwater.units import Measure  # noqa: PLC0415

    for name in kinds:
        if name not in KINDS:
            raise UsageError(
                f"no kind of notice '{name}'", expected=f"one of {', '.join(KINDS)}", do="write one of these"
            )
    measure = Measure("metric" if metric else "US")
    for name in kinds or KINDS:
        kind = KINDS[name]
        click.echo(
            f"{name} ({kind.severity.value}{f', then {kind.upper.value}' if kind.upper else ''})\n  {kind.manual}"
        )
        told: set[str] = set()
        for text in texts_of(kind, measure, ZoneInfo("America/Denver")):
            if text.short not in told:
                told.add(text.short)
                click.echo(f"  {text.phase.value}: {text.short}\n      {text.long}")


@command.command("test")
@click.argument("channels", nargs=-1)
@config_option
def try_(channels: tuple[str, ...], config: Path) -> None:
    """Send a test message through every channel of the config (or through CHANNELS only) and say what became of it.

    Where the config has a heartbeat, it is tried too, under the name heartbeat. Exit code 1 when a channel did not take it.
    "Taken" means that the other side has it, not that somebody has read it.
    """
    from holdwater.channel_test import attempt  # noqa: PLC0415
    from holdwater.config.channels import with_defaults  # noqa: PLC0415

    site = site_of(config)
    known = with_defaults(site.channels)
    names = [*known, *([HEARTBEAT] if site.heartbeat else [])]
    for name in channels:
        if name not in names:
            raise UsageError(
                f"no channel '{name}'", expected=f"one of {', '.join(names)}", do="look at [channel.NAME] of the config"
            )
    failed = bool(site.heartbeat) and HEARTBEAT in (channels or (HEARTBEAT,)) and not _alive(site)
    wanted = [name for name in known if name in channels or not channels]
    for name, why in (attempt(site, wanted) if wanted else {}).items():
        failed = failed or bool(why)
        click.echo(f"{name} ({known[name].kind}): {f'NOT taken: {why}' if why else 'taken'}")
    if failed:
        sys.exit(1)


HEARTBEAT = "heartbeat"


def _alive(site: Site) -> bool:
    from holdwater.alerts.outcome import Accepted  # noqa: PLC0415
    from holdwater.heartbeat import sender_of  # noqa: PLC0415

    if site.heartbeat is None:
        return True
    outcome = sender_of(site.heartbeat)()
    words = "taken" if isinstance(outcome, Accepted) else f"NOT taken: {outcome.words}"
    click.echo(f"{HEARTBEAT} ({site.heartbeat.method}): {words}")
    return isinstance(outcome, Accepted)
