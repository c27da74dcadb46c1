"""`holdwater clock`: the owner's word on the time of a board without a clock battery."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import click

from holdwater.cli.options import config_option, folder_of, moment_ms, site_of, store_option
from holdwater.errors import OutsideError, UsageError


@click.command("clock")
@click.option("--right", is_flag=True, help="Say that the time shown is right: from now on it is trusted.")
@click.option("--set", "told", help='Say what time it is now, such as "2026-10-10 16:20", on the household\'s clock.')
@click.option("--sure", is_flag=True, help="With --set: yes, also so long after the newest reading.")
@config_option
@store_option
def command(right: bool, told: str | None, sure: bool, config: Path, store: Path | None) -> None:
    """Show the time the service goes by and whether it trusts it; with --right or --set, give your word for it.

    A board without a clock battery wakes in the past. Its readings wait, in order, until a time server, a clock chip, a time
    message, a phone on the page or you say what time it is; then they all get their dates. A clock that is trusted is not moved.
    """
    from holdwater.control import ask  # noqa: PLC0415

    site = site_of(config)
    folder = folder_of(site, store)
    if right and told is not None:
        raise UsageError(
            "--right and --set", expected="one of the two", do='write holdwater clock --set "2026-10-10 16:20"'
        )
    if told is not None:
        body = {"source": "owner", "wall_ms": moment_ms(told, site.timezone), "sure": sure}
        answer = ask(folder, "time", body, refused=False)
        if "error" in answer:
            do = "if that is right, say it again with --sure" if answer.get("ask") == "sure" else ""
            raise OutsideError(str(answer["error"]), where="clock", do=do)
    elif right:
        ask(folder, "time", {"source": "owner"})
    status = ask(folder, "status")
    when = datetime.fromtimestamp(status["wall_ms"] / 1000, UTC).astimezone(site.timezone)
    words = "trusted" if status["clock"] == "trusted" else f"not trusted: {status['clock']}"
    click.echo(f"{when:%a %d %b %Y %H:%M:%S} {when.tzname()}: {words}")
