"""`holdwater status`: the sentence of the day, then a table."""

from __future__ import annotations

import json
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from holdwater.cli.options import config_option, folder_of, site_of, store_option
from holdwater.units import rounded

if TYPE_CHECKING:
    from holdwater.config.site import Site


@click.command("status")
@config_option
@store_option
@click.option("--json", "as_json", is_flag=True, help="Everything, for machines, in SI.")
def command(config: Path, store: Path | None, as_json: bool) -> None:
    """Say what is on hand now, how long it lasts, and what to do; asks the running service."""
    from holdwater.control import ask  # noqa: PLC0415

    site = site_of(config)
    answer = ask(folder_of(site, store), "status")
    if as_json:
        click.echo(json.dumps(answer, indent=2))
        return
    shot = answer["snapshot"]
    click.echo(sentence(shot))
    for notice in shot["notices"]:
        click.echo(f"  [{notice['id']}] {notice['severity']}: {notice['short']}")
    click.echo("")
    for line in table(site, shot):
        click.echo(line)
    for line in remarks(answer):
        click.echo(line)


def sentence(shot: dict[str, Any]) -> str:
    """The state of the household in one sentence."""
    worst = next((each for each in shot["notices"] if each["state"] in ("active", "easing")), None)
    if worst is not None:
        count = len(shot["notices"])
        return f"{count} {'notice is' if count == 1 else 'notices are'} on."
    if any(tank["on_hand_m3"] is None for tank in shot["tanks"]):
        return "No notice, but not every level is known."
    return "All well."


def table(site: Site, shot: dict[str, Any]) -> list[str]:
    """One line a tank, within 80 columns."""
    measure, unit = site.measure, site.measure.volume_unit
    lines = [f"{'tank':16} {'on hand ' + unit:>14} {'+-':>5} {'lasts days':>14} {'room':>6}  read"]
    for tank in shot["tanks"]:
        name = tank["name"][:16]
        if tank["on_hand_m3"] is None:
            lines.append(f"{name:16} {'unknown':>14}        {tank['reason'][:42]}")
            continue
        u_m3 = (tank["u_noise_m3"] ** 2 + tank["u_scale_m3"] ** 2) ** 0.5
        doubt = measure.volume(2 * u_m3)
        room = max(0.0, site.tanks[tank["name"]].capacity_m3 - tank["total_m3"])
        when = datetime.fromtimestamp(tank["at_ms"] / 1000, site.timezone)
        shown = rounded(measure.volume(tank["on_hand_m3"]), doubt / 2)
        lines.append(
            f"{name:16} {shown:>14} {rounded(doubt, None):>5} {_lasts(tank):>14} {measure.volume(room):6.0f}  {when:%a %H:%M}"
        )
    return lines


def _lasts(tank: dict[str, Any]) -> str:
    low, mid, high = tank["days_low"], tank["days_mid"], tank["days_high"]
    if low is None:
        return "-"
    if low >= 90:
        return "over 90"
    if high <= 0:
        return "0"
    return f"{mid:.0f} ({low:.0f}-{high:.0f})"


def remarks(answer: dict[str, Any]) -> list[str]:
    """What else a person should know: the broker, the clock, sensor boxes that wait."""
    lines = ["", f"broker: {answer['broker'] or 'not connected yet'}"]
    if answer["clock"] != "trusted":
        lines.append(f"clock: not trusted: {answer['clock']}; readings wait for their dates")
    waiting = [node["name"] for node in answer["snapshot"]["nodes"] if node["state"] == "waiting"]
    lines += [f"sensor box {name} waits: holdwater node accept {name}" for name in waiting]
    return lines
