"""`holdwater freeze`: what the air will do tonight and what can freeze by it, and how often such a word was right."""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import UTC, datetime
from difflib import get_close_matches
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo, available_timezones

import click

from holdwater.cli import freeze_nights
from holdwater.cli.options import config_option, folder_of, moment_ms, site_of, store_option
from holdwater.errors import OutsideError, StoreError, UsageError
from holdwater.freeze.air import AirSeries, air_series
from holdwater.freeze.evening import AFTERNOON_HOUR, Issue
from holdwater.freeze.score import FREEZING_C, OURS, WARN_CHANCE, NightRecord, Score, cold_months, scores, season, walk
from holdwater.freeze.sun import HOUR_MS, Place
from holdwater.freeze.table import read_air

LATEST_ISSUE_H = 16
_COLUMNS = "{:13s}{:>8s}{:>8s}{:>11s}{:>8s}{:>12s}{:>8s}{:>8s}"
MONTH_NAMES = (
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
)


@click.group(name="freeze")
def command() -> None:
    """Frost: tonight's lowest air, what can freeze, past nights, and how often the word was right."""


command.add_command(freeze_nights.command)


@command.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--latitude", type=click.FloatRange(-90, 90), required=True, help="Degrees north, south negative.")
@click.option("--longitude", type=click.FloatRange(-180, 180), required=True, help="Degrees east, west negative.")
@click.option("--timezone", required=True, help="Zone of the local clock, such as America/Denver.")
@click.option(
    "--issue",
    default="2",
    show_default=True,
    help=f"When the word is given: hours after sunset, 0 to {LATEST_ISSUE_H}, or 'afternoon' for {AFTERNOON_HOUR}:00.",
)
@click.option(
    "--months",
    default=None,
    help="Months that are scored, such as 10-4 (the default; 4-10 south of the equator).",
)
@click.option(
    "--json", "as_json", is_flag=True, help="One JSON record a scored night, a line each, instead of the table."
)
def score(
    file: Path, latitude: float, longitude: float, timezone: str, issue: str, months: str | None, as_json: bool
) -> None:
    """Score the night minimum on an hourly table of the air.

    FILE is CSV with the columns time (RFC 3339 with offset), air_c (degC), and if known dew_c (degC) or rh_pct (%).
    Each night is forecast from the rows up to the time of issue only, by a model that learned from the nights
    before. What is forecast is the lowest hourly air temperature from the time of issue to two hours after sunrise.
    """
    place = Place(latitude, longitude, zone_of(timezone))
    when = issue_of(issue)
    span = cold_months(latitude) if months is None else months_of(months)
    series = read_series(file)
    records = season(walk(series, place, when), span)
    if as_json:
        for record in records:
            click.echo(json.dumps(record_json(record, place.zone), allow_nan=False))
        return
    click.echo("\n".join(table(records, place, when, span, step_of(series))))


@command.command()
@config_option
@store_option
@click.option("--at", default=None, help="As of this time (RFC 3339 with offset) instead of the newest reading.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object instead of text.")
@click.option("--svg", "svg", type=click.Path(path_type=Path), default=None, help="Draw it into this file as well.")
def tonight(config: Path, store: Path | None, at: str | None, *, as_json: bool, svg: Path | None) -> None:
    """Say what the air will do tonight and what can freeze by it.

    It reads the store beside a running service and changes nothing. The lowest air is learned from the site's own
    nights; before there are enough of them it rests on other places. Only the exposures of the config are watched;
    no word is no proof.
    """
    # slow to import, and `score` needs none of it
    from holdwater.cli import freeze_words as say  # noqa: PLC0415
    from holdwater.look import Look, tonight_of  # noqa: PLC0415
    from holdwater.store.reader import open_reader  # noqa: PLC0415

    site = site_of(config)
    say.check_place(site, config)
    folder = folder_of(site, store)
    with open_reader(folder) as reader:
        now_ms = moment_ms(at, site.timezone) if at is not None else reader.newest_ms()
        if now_ms is None:
            raise StoreError("there is no reading yet", where=str(folder), do="ask again once readings have come in")
        told = tonight_of(site, reader, now_ms)
        outside = Look(reader, now_ms).air(site.air_series, span_ms=say.DRAWN_MS)
    if svg is not None:
        say.draw(told, outside, site, svg)
    if as_json:
        click.echo(json.dumps(say.tonight_json(told, site.timezone), ensure_ascii=False, allow_nan=False, indent=2))
    else:
        click.echo("\n".join(say.tonight_lines(told, site.measure, site.timezone)))


def zone_of(name: str) -> ZoneInfo:
    """The zone of that name.

    Raises:
        UsageError: there is no such zone; says the nearest name.
    """
    if name in available_timezones():
        return ZoneInfo(name)
    near = get_close_matches(name, available_timezones(), n=1)
    raise UsageError(
        f"no timezone '{name}'",
        expected="a name of the IANA time zone database, such as America/Denver",
        where="--timezone",
        do=f"did you mean {near[0]}?" if near else "look the name up by the nearest large city",
    )


def issue_of(text: str) -> Issue:
    """The time of issue that an option names."""
    if text.strip().lower() == "afternoon":
        return Issue("afternoon")
    if text.strip().isdecimal() and int(text) <= LATEST_ISSUE_H:
        return Issue("evening", int(text))
    raise UsageError(
        f"no time of issue '{text}'",
        expected=f"whole hours after sunset, 0 to {LATEST_ISSUE_H}, or afternoon",
        where="--issue",
        do="write --issue 2",
    )


def months_of(text: str) -> tuple[int, ...]:
    """The months from the first to the last of a span, over the turn of the year if need be."""
    parts = [part.strip() for part in text.split("-")]
    if len(parts) not in (1, 2) or not all(part.isdecimal() and 1 <= int(part) <= 12 for part in parts):
        raise UsageError(
            f"no months '{text}'",
            expected="numbers of the first and the last month, 10-4",
            where="--months",
            do="write --months 10-4",
        )
    first, last = int(parts[0]), int(parts[-1])
    return tuple((first - 1 + step) % 12 + 1 for step in range((last - first) % 12 + 1))


def read_series(file: Path) -> AirSeries:
    """The readings in a file.

    Raises:
        OutsideError: it cannot be opened.
        UsageError: it holds no such table, or no reading.
    """
    try:
        with file.open(encoding="utf-8-sig", newline="") as lines:
            series = air_series(read_air(lines, str(file)))
    except OSError as error:
        raise OutsideError(
            f"cannot read it: {error.strerror}", expected="a CSV file of the air", where=str(file), do="check the name"
        ) from None
    except UnicodeDecodeError:
        raise UsageError(
            "not text in UTF-8", expected="a CSV file of the air", where=str(file), do="save it as CSV in UTF-8"
        ) from None
    if not series.times:
        raise UsageError(
            "no row has an air temperature",
            expected="rows with a time and air_c",
            where=str(file),
            do="check the column air_c",
        )
    return series


def record_json(record: NightRecord, zone: ZoneInfo) -> dict[str, object]:
    """A night as a JSON record: temperatures in degC, null where there is none."""
    ours = record.told.get(OURS)
    levels = {
        f"p{round(100 * level)}_c": None if ours is None else round(ours.spread.quantile(level), 3)
        for level in (0.1, 0.5, 0.9)
    }
    return {
        "night": record.day.isoformat(),
        "issued": datetime.fromtimestamp(record.issued_ms / 1000, UTC).astimezone(zone).isoformat(),
        **levels,
        "chance_below_0c": None if ours is None else round(ours.spread.chance_below(FREEZING_C), 4),
        "came_c": record.came_c,
        "humidity": record.humid,
        "why": record.why,
    }


def table(
    records: Sequence[NightRecord], place: Place, when: Issue, months: Sequence[int], step_h: float = 1.0
) -> list[str]:
    """The scores as lines of at most 80 columns.

    Args:
        records: nights that are scored.
        place: where.
        when: time of issue.
        months: which months.
        step_h: hours from one row of the file to the next.
    """
    told = (
        "at 15:00"
        if when.kind == "afternoon"
        else f"at the first whole hour {when.after_sunset_h} h after sunset or later"
    )
    lines = [
        f"Night minimum at {place.latitude:g}, {place.longitude:g} ({place.zone.key}), on line,",
        f"issued {told}, {_span(months)}.",
    ]
    figures = scores(records)
    if not figures:
        return [*lines, f"No night can be scored: {_why(records)}", *_apart(step_h)]
    freezing = figures[0].hits + figures[0].misses
    humid = sum(record.humid for record in records)
    lines += [
        f"{figures[0].nights} of {len(records)} nights scored, {freezing} below 0 C; humidity known in {humid}.",
        "",
    ]
    lines += [_COLUMNS.format("", "", "", "80 % band", "band", "freezing", "false", "Brier")]
    lines += [
        _COLUMNS.format("", "MAE C", "bias C", "holds", "wide C", f"hit p>={WARN_CHANCE:g}", "alarms", "score"),
        "",
    ]
    return lines + [_line(each) for each in figures]


def step_of(series: AirSeries) -> float:
    """Hours from one reading to the next, at the median; 1 for fewer than three readings."""
    steps = sorted(after - before for before, after in pairwise(series.times))
    return steps[len(steps) // 2] / HOUR_MS if len(steps) > 1 else 1.0


def _apart(step_h: float) -> list[str]:
    """What to do about rows that are too far apart."""
    if step_h <= 1.5:
        return []
    return [f"Its rows are {step_h:.0f} h apart: the lowest of a night may lie between them. Give hourly rows."]


def _span(months: Sequence[int]) -> str:
    first, last = MONTH_NAMES[months[0] - 1], MONTH_NAMES[months[-1] - 1]
    return first if len(months) == 1 else f"{first} to {last}"


def _why(records: Sequence[NightRecord]) -> str:
    """Why no night counts, by the commonest reason."""
    reasons = [record.why for record in records if record.why]
    if not records:
        return "the file holds no night of these months."
    if not reasons:
        return "the yardsticks need nights before."
    commonest = max(sorted(set(reasons)), key=reasons.count)
    return f"{commonest} in {reasons.count(commonest)} of {len(records)} nights."


def _line(figures: Score) -> str:
    hits = "-" if figures.hit_share is None else f"{figures.hit_share:.0%}"
    alarms = "-" if figures.false_alarm_ratio is None else f"{figures.false_alarm_ratio:.2f}"
    return _COLUMNS.format(
        figures.name,
        f"{figures.mae_c:.2f}",
        f"{figures.bias_c:+.2f}",
        f"{figures.covers:.0%}",
        f"{figures.width_c:.2f}",
        hits,
        alarms,
        f"{figures.brier:.3f}",
    )
