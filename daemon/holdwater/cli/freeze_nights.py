"""`holdwater freeze nights`: what was told of past nights beside what came."""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

import click

from holdwater.cli.options import config_option, folder_of, site_of, store_option
from holdwater.config.site import Site
from holdwater.errors import StoreError
from holdwater.freeze.past import AFTERNOON, EVENING, PastNight, Said, marks, past_nights, season_of, tally
from holdwater.store.rows import DAY_MS
from holdwater.units import Measure

SEASON_MS = 370 * DAY_MS
ISSUES = {AFTERNOON: "at 15:00", EVENING: "2 h after sunset"}
_ROW = "{:11s} {:>16s} {:>16s} {:>6s}  {:8s} {}"


@click.command(name="nights")
@config_option
@store_option
@click.option("--days", type=click.IntRange(1, 370), default=30, show_default=True, help="How many nights back.")
@click.option("--json", "as_json", is_flag=True, help="One JSON record a night, a line each, instead of the table.")
def command(config: Path, store: Path | None, days: int, *, as_json: bool) -> None:
    """Show past nights: what was told of each, and what came.

    Words are kept as told and never rewritten. A warning was real when the night came below the limit of something
    that it called for; that is reckoned from the air, not seen at the thing.
    """
    from holdwater.store.reader import open_reader  # noqa: PLC0415 -- slow to import

    site = site_of(config)
    folder = folder_of(site, store)
    with open_reader(folder) as reader:
        now_ms = reader.newest_ms()
        if now_ms is None:
            raise StoreError("there is no reading yet", where=str(folder), do="ask again once readings have come in")
        nights = past_nights(reader.forecasts(now_ms - SEASON_MS, now_ms + 1))
    if as_json:
        for each in nights[-days:]:
            click.echo(json.dumps(night_json(each, site), allow_nan=False))
        return
    click.echo("\n".join(lines_of(nights, days, site)))


def lines_of(nights: Sequence[PastNight], days: int, site: Site) -> list[str]:
    """The nights as lines of at most 80 columns, and how good the season's words were."""
    if not nights:
        return [
            "No night was told yet. The first word is due at 15:00, once there is an outside air series and a place."
        ]
    measure = site.measure
    lines = [
        "Lowest air of each night: told as 50 % (10 % to 90 %), and what came.",
        "",
        _ROW.format("night of", *ISSUES.values(), "came", "warned", "below limit of").rstrip(),
    ]
    lines += [_line(each, measure) for each in nights[-days:]]
    season = season_of(nights, site.latitude or 0.0)
    lines += ["", f"This winter: {tally(season).words()}"]
    for issue, when in ISSUES.items():
        found = marks(season, issue)
        if found is not None:
            size = measure.temperature(found.mae_c) - measure.temperature(0.0)
            lines.append(
                f"Told {when}: {found.nights} nights, off by {size:.1f}{measure.temperature_unit}, "
                f"{found.covers:.0%} in the band (80% meant)."
            )
    return lines


def _line(each: PastNight, measure: Measure) -> str:
    came = "-" if each.lowest_c is None else measure.temperature_text(each.lowest_c)
    words = [_said(each.said.get(issue), measure) for issue in ISSUES]
    day = f"{each.day:%a} {each.day.day} {each.day:%b}"
    texts = [
        _ROW.format(day, *words, came, "yes" if each.called else "-", below)
        for below in (", ".join(each.below) or "-", f"{len(each.below)} spots")
    ]
    return texts[len(texts[0]) > 80]


def _said(said: Said | None, measure: Measure) -> str:
    if said is None:
        return "-"
    middle, low, high = (round(measure.temperature(each)) for each in (said.p50_c, said.p10_c, said.p90_c))
    return f"{middle} ({low} to {high})"


def night_json(each: PastNight, site: Site) -> dict[str, object]:
    """A night as a JSON record: degC, chances 0 to 1, RFC 3339; null where nothing is known."""
    return {
        "night": each.day.isoformat(),
        "told": {
            issue: {
                "issued": datetime.fromtimestamp(said.issued_ms / 1000, UTC).astimezone(site.timezone).isoformat(),
                "p10_c": said.p10_c,
                "p50_c": said.p50_c,
                "p90_c": said.p90_c,
                "chance_below_0c": said.chance_below_0c,
                "came_c": each.came.get(issue),
            }
            for issue, said in each.said.items()
        },
        "came_c": each.lowest_c,
        "warned": list(each.called),
        "below": list(each.below),
    }
