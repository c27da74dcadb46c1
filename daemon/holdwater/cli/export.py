"""`holdwater export`: the store as tables."""

from __future__ import annotations

import csv
import json
import sys
from collections.abc import Iterable, Iterator
from contextlib import ExitStack
from datetime import datetime
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

import click

from holdwater.cli.options import config_option, folder_of, site_of, span_ms, span_options, store_option
from holdwater.errors import OutsideError, UsageError

if TYPE_CHECKING:
    from holdwater.config.site import Site
    from holdwater.store.reader import Reader

FAR_MS = 1 << 62
"""After every note."""

SPANS = {"reading": 0, "hour": 3_600_000, "day": 86_400_000}


@click.command("export")
@click.argument("what", type=click.Choice(["readings", "levels", "days", "meters", "notices", "notes"]))
@config_option
@store_option
@click.option("--tank", "tanks", multiple=True, help="Only this tank (may be given again).")
@click.option("--series", "names", multiple=True, help="Only this series, node:quantity (may be given again).")
@click.option(
    "--span",
    type=click.Choice(list(SPANS)),
    default="hour",
    show_default=True,
    help="Levels and meters: one row a reading, hour or local day.",
)
@span_options
@click.option("--format", "form", type=click.Choice(["csv", "jsonl"]), default="csv", show_default=True)
@click.option("--out", type=click.Path(path_type=Path), help="File to write, instead of standard output.")
def command(
    what: str, config: Path, store: Path | None, form: str, out: Path | None, since: str | None, until: str | None, days: int | None,
    **chosen: Any,
) -> None:  # fmt: skip
    """Write readings, levels, days, meters, notices or notes as CSV or JSON Lines.

    Times are RFC 3339 in the site's time zone. Levels carry depth, gallons on hand (litres for a metric site), ± (standard
    uncertainty), its parts that do and do not cancel between rows, and quality; a level that nobody can trust is empty, never zero.
    Meters are what flow meters and counting rain gauges counted; a count that started again is told, and what is certain counts.
    Days are the water book: opening + in - out = closing + unexplained, for each tank and local day.
    """
    from holdwater.balance.days import day_bounds_ms, day_of  # noqa: PLC0415
    from holdwater.store.reader import open_reader  # noqa: PLC0415

    site = site_of(config)
    for tank in chosen["tanks"]:
        if tank not in site.tanks:
            raise UsageError(f"no tank {tank!r}", expected=f"one of {', '.join(site.tanks)}", do="choose one of them")
    with ExitStack() as stack:
        reader = stack.enter_context(open_reader(folder_of(site, store)))
        # From the midnight before the oldest reading: the row of its hour and day begins before it.
        # Hand dips are levels too, also where there is no reading at all.
        dips = [at for kind, at, _ in reader.level_notes(FAR_MS) if kind == "dip"]
        times = [each for each in (reader.oldest_ms(), reader.newest_ms(), *dips) if each is not None] or [0]
        oldest = day_bounds_ms(day_of(min(times), site.timezone), site.timezone)[0]
        bounds = (oldest, max(times))
        start, end = span_ms(since, until, days, site.timezone, bounds)
        rows = ROWS[what](site, reader, start, end, chosen)
        written = _write(rows, form, sys.stdout if out is None else stack.enter_context(_made(out)))
    if not written:
        click.echo(f"no {what} from {_time(site, start)} to {_time(site, end)}", err=True)


def _made(path: Path) -> IO[str]:
    try:
        return path.open("w", encoding="utf-8", newline="")
    except OSError as error:
        raise OutsideError(f"cannot be written: {error.strerror}", where=str(path), do="give another path") from None


def _write(rows: Iterable[dict[str, Any]], form: str, file: IO[str]) -> int:
    """Write the rows; how many there were."""
    table: Any = None
    count = 0
    for count, row in enumerate(rows, start=1):  # noqa: B007 -- what the last one leaves is the answer
        if form == "jsonl":
            file.write(json.dumps(row, ensure_ascii=False) + "\n")
            continue
        if table is None:
            table = csv.DictWriter(file, list(row), lineterminator="\n")
            table.writeheader()
        table.writerow({name: json.dumps(value) if isinstance(value, dict) else value for name, value in row.items()})
    return count


def _time(site: Site, ts_ms: int) -> str:
    moment = datetime.fromtimestamp(ts_ms / 1000, site.timezone)
    return moment.isoformat(timespec="milliseconds" if ts_ms % 1000 else "seconds")


def _plain(value: float | None, places: int) -> float | None:
    return None if value is None else round(value, places)


def readings(site: Site, reader: Reader, start: int, end: int, chosen: dict[str, Any]) -> Iterator[dict[str, Any]]:
    """Raw readings as received."""
    names = chosen["names"] or tuple(dict.fromkeys(name for name, _ in reader.series()))
    for name in names:
        for ts, value, unit, flag in reader.received(name, start, end):
            yield {"time": _time(site, ts), "series": name, "value": value, "unit": unit, "flag": flag}


def levels(site: Site, reader: Reader, start: int, end: int, chosen: dict[str, Any]) -> Iterator[dict[str, Any]]:
    """Levels of tanks."""
    from holdwater.levels import level_rows  # noqa: PLC0415
    from holdwater_sensors.quality import words  # noqa: PLC0415

    measure = site.measure
    unit = measure.volume_unit
    for tank in chosen["tanks"] or site.tanks:
        for row in level_rows(site, reader, tank, SPANS[chosen["span"]], start, end):
            known = row.on_hand_m3 is not None and row.depth_m is not None
            noise, scale = measure.volume(row.u_noise_m3), measure.volume(row.u_scale_m3)
            yield {
                "time": _time(site, row.start_ms),
                "tank": tank,
                f"depth_{measure.length_unit}": _plain(measure.length(row.depth_m), 3)
                if row.depth_m is not None
                else None,
                f"volume_{unit}": _plain(measure.volume(site.tanks[tank].volume_m3(row.depth_m)), 3)
                if row.depth_m is not None
                else None,
                f"on_hand_{unit}": _plain(measure.volume(row.on_hand_m3), 3) if row.on_hand_m3 is not None else None,
                f"u_{unit}": _plain((noise**2 + scale**2) ** 0.5, 3) if known else None,
                f"u_noise_{unit}": _plain(noise, 3) if known else None,
                f"u_scale_{unit}": _plain(scale, 3) if known else None,
                "quality": words(row.worst),
                "depth_m": _plain(row.depth_m, 5),
                "on_hand_m3": _plain(row.on_hand_m3, 6),
            }


def days(site: Site, reader: Reader, start: int, end: int, chosen: dict[str, Any]) -> Iterator[dict[str, Any]]:
    """The water book."""
    from holdwater.books import day_rows  # noqa: PLC0415

    for tank in chosen["tanks"] or site.tanks:
        yield from day_rows(site, reader, tank, start, end)


def meters(site: Site, reader: Reader, start: int, end: int, chosen: dict[str, Any]) -> Iterator[dict[str, Any]]:
    """What counters counted, by reading, hour or local day, and in all since the begin."""
    from holdwater.balance.days import day_bounds_ms, day_of  # noqa: PLC0415
    from holdwater.counted import counted, meters_of, totals  # noqa: PLC0415

    span, zone = SPANS[chosen["span"]], site.timezone

    def begins(ts_ms: int) -> int:
        return day_bounds_ms(day_of(ts_ms, zone), zone)[0] if span > 3_600_000 else ts_ms - ts_ms % max(span, 1)

    for each in meters_of(site):
        if (chosen["tanks"] and each.tank not in chosen["tanks"]) or (
            chosen["names"] and each.series not in chosen["names"]
        ):
            continue
        is_rain = each.kind == "rain pulses"
        unit, convert = (
            (site.measure.length_unit, site.measure.length)
            if is_rain
            else (site.measure.volume_unit, site.measure.volume)
        )
        for row in totals(counted(each, reader, start, end), begins):
            yield {
                "time": _time(site, row.start_ms), "sensor": each.name, "tank": each.tank,
                "flows": "rain" if is_rain else "in" if each.fills else "out", "amount": _plain(convert(row.amount), 4),
                "u": _plain(convert(row.u), 4), "in_all": _plain(convert(row.in_all), 4), "unit": unit, "resets": row.resets,
                "doubtful": row.doubtful,
            }  # fmt: skip


def notices(site: Site, reader: Reader, start: int, end: int, chosen: dict[str, Any]) -> Iterator[dict[str, Any]]:
    """Notices, step by step, as they were told."""
    for row in reader.notices(start, end):
        if not chosen["tanks"] or row.subject in chosen["tanks"]:
            yield {
                "time": _time(site, row.at_ms), "notice": row.notice, "step": row.n, "kind": row.kind, "subject": row.subject,
                "severity": row.severity, "state": row.state, "short": row.short, "long": row.long,
            }  # fmt: skip


def notes(site: Site, reader: Reader, start: int, end: int, chosen: dict[str, Any]) -> Iterator[dict[str, Any]]:
    """What the household wrote."""
    for row in reader.notes(start, end):
        if not chosen["tanks"] or row.body.get("tank") in chosen["tanks"]:
            yield {"time": _time(site, row.at_ms), "kind": row.kind, "uid": row.uid, "body": row.body}


ROWS = {"readings": readings, "levels": levels, "days": days, "meters": meters, "notices": notices, "notes": notes}
