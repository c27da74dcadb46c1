"""`holdwater status`: the sentence of the day and the notices as the page has them, then a table."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from holdwater.cli.options import config_option, folder_of, site_of, store_option

if TYPE_CHECKING:
    from holdwater.config.site import Site
    from holdwater.snapshot import MeterNow, TankNow
    from holdwater.units import Measure
    from holdwater.web.view import Scene, TankView

WIDTH = 80


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
    from holdwater.snapshot import snapshot_of  # noqa: PLC0415 -- --help is quicker without the page's words
    from holdwater.web.view import Scene  # noqa: PLC0415

    shot = snapshot_of(answer["snapshot"])
    for line in lines(Scene(site, shot, site.measure, int(answer["wall_ms"]))):
        click.echo(line)
    for line in meter_lines(site.measure, shot.meters):
        click.echo(line)
    for line in [*remarks(answer), *mirror_remark(answer, site)]:
        click.echo(line)


def lines(scene: Scene) -> list[str]:
    """The sentence, the notices, the table, and what the newest readings say that does not count yet."""
    from holdwater.snapshot import TankNow  # noqa: PLC0415
    from holdwater.web.view import now_view, waits  # noqa: PLC0415
    from holdwater.web.words import bare, haul_words  # noqa: PLC0415

    view = now_view(scene)
    states = [scene.snapshot.tank(each.name) or TankNow(each.name) for each in view.tanks]
    found = [view.day]
    for notice in view.notices:
        words = f"  [{notice.id}] {notice.severity}: {bare(notice.short)}"
        found += textwrap.wrap(words, WIDTH, subsequent_indent="      ")
    found.append("")
    found.append(
        f"{'tank':16} {'on hand ' + scene.measure.volume_unit:>14} {'+-':>5} {'lasts days':>14} {'room':>6}  read"
    )
    for each, state in zip(view.tanks, states, strict=True):
        found.append(_row(each, state, scene))
    for each, state in zip(view.tanks, states, strict=True):
        told = (
            haul_words(state.haul_by, late=state.haul_late),
            each.doubted,
            waits(state, scene.measure) if each.known else "",
        )
        found += [line for words in told if words for line in _wrapped(f"{each.name}: {words}")]
    return found


def _wrapped(words: str) -> list[str]:
    return textwrap.wrap(words, WIDTH, subsequent_indent="  ")


def _row(view: TankView, state: TankNow, scene: Scene) -> str:
    """One tank in one line."""
    from holdwater.web.words import age, amount, plus_minus  # noqa: PLC0415

    name = view.name[:16]
    if view.stand is None or state.at_ms is None:
        return f"{name:16} {'unknown':>14}       {view.reason}"[:WIDTH]
    room = amount(view.stand.room_m3, state.u_m3, scene.measure)
    doubt = plus_minus(state.u_m3, scene.measure).split()[0]
    read = age(state.at_ms, scene.now_ms)
    return f"{name:16} {view.figure:>14} {doubt:>5} {_lasts(state):>14} {room:>6}  {read}"


def _lasts(state: TankNow) -> str:
    low, mid, high = state.days_low, state.days_mid, state.days_high
    if low is None or mid is None or high is None:
        return "-"
    if low >= 90:
        return "over 90"
    if high <= 0:
        return "0"
    return f"{mid:.0f} ({low:.0f}-{high:.0f})"


def meter_lines(measure: Measure, meters: Iterable[MeterNow]) -> list[str]:
    """What counters counted today: one line each, after an empty one."""
    lines = []
    for each in meters:
        if each.today is None:
            lines.append(f"{each.name}: nothing heard yet")
        elif each.kind == "rain pulses":
            digits = 2 if measure.system == "US" else 1
            lines.append(f"{each.name}: {measure.length(each.today):.{digits}f} {measure.length_unit} of rain today")
        else:
            way = f"into {each.tank}" if each.fills else f"out of {each.tank}"
            lines.append(f"{each.name}: {measure.volume_text(each.today)} {way} today")
    return ["", *lines] if lines else []


def remarks(answer: dict[str, Any]) -> list[str]:
    """What else a person should know: the broker, the clock, sensor boxes that wait."""
    found = ["", *_wrapped(f"broker: {answer['broker'] or 'not connected yet'}")]
    if answer.get("sparing"):
        found += _wrapped(
            "power: the board's battery is low. The page is off and readings are written less often, until it is well again"
        )
    if answer["clock"] != "trusted":
        found += _wrapped(f"clock: not trusted: {answer['clock']}; readings wait for their dates")
    waiting = [node["name"] for node in answer["snapshot"]["nodes"] if node["state"] == "waiting"]
    return found + [f"sensor box {name} waits: holdwater node accept {name}" for name in waiting]


def mirror_remark(answer: dict[str, Any], site: Site) -> list[str]:
    """How far the copy on a time-series server is, where there is one."""
    found = answer.get("mirror")
    if found is None:
        return []
    from holdwater.mirror.standing import sentence  # noqa: PLC0415

    stopped = "" if found["running"] else "; its process is not running, it is started again soon"
    return _wrapped(f"mirror: {sentence(found, site.timezone)}{stopped}")
