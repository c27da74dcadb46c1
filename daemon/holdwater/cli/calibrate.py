"""`holdwater calibrate`: a correction of a sensor from what a dip stick, or a load of known size, showed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from statistics import median
from typing import TYPE_CHECKING

import click

from holdwater.cli.options import config_option, folder_of, moment_ms, site_of, span_ms, span_options, store_option
from holdwater.errors import UsageError
from holdwater.units import Measure, UnitError, parse

if TYPE_CHECKING:
    from holdwater.config.site import Site
    from holdwater.store.reader import Reader
    from holdwater_sensors.calibrate import Fit
    from holdwater_sensors.instrument import Instrument

BESIDE_MS = 30 * 60_000  # readings this near a dip stand for it
SETTLE_MS = 10 * 60_000  # water sloshes and a hose runs out for so long around a load
LOOK_MS = 3 * 3_600_000  # temperatures beside the sensor are looked for this far back
LEAST_RISE_M = 0.05  # a smaller rise says too little of the gain


@dataclass(frozen=True, slots=True)
class Pair:
    """What the sensor showed without correction, and what was true, m; `at_ms` None for points given by hand."""

    measured_m: float
    true_m: float
    at_ms: int | None = None


@click.command("calibrate")
@click.option("--sensor", required=True, help="Name of the sensor in the config.")
@click.option("--points", help='Measured=true depths, such as "12.1 in=12.4 in, 40 in=40.9 in".')
@click.option(
    "--by", type=click.Choice(["dips", "loads"]), default="dips", show_default=True, help="Which notes to use."
)
@click.option("--doubt", default="0.3 in", show_default=True, help="Standard uncertainty of one dip.")
@click.option("--valid-from", help="Date or time from which it counts; default: the first point's.")
@click.option("--share", is_flag=True, help="Learn where between lid and water the air of an ultrasonic path is.")
@config_option
@store_option
@span_options
def command(
    sensor: str, points: str | None, by: str, doubt: str, valid_from: str | None, share: bool, config: Path, store: Path | None,
    since: str | None, until: str | None, days: int | None,
) -> None:  # fmt: skip
    """Propose a correction: true depth = gain x measured depth + offset.

    Takes the dips that the household noted (holdwater note dip --tank … --depth …), or loads of known size, or --points.
    One dip gives an offset; two, near empty and near full, give gain and offset; more give their doubt as well.
    Nothing is changed: it prints what the points leave over, and the lines to put into the config. Readings stay as
    received; history is worked out anew with the correction from its date on.

    With --share: an air probe at the lid reads more than the air between sensor and water when the sun is on it. From the
    false moves of the level in quiet hours it tells how far the mean of that air lies between water and probe.

    Never climb in or lean into a tank to dip it.
    """
    site = site_of(config)
    instrument = _instrument(site, sensor)
    dip_u_m = _length(doubt, "--doubt")
    if points is not None:
        pairs: Sequence[Pair] = _given(points)
    else:
        from holdwater.cli.calibrate_share import share_words  # noqa: PLC0415
        from holdwater.store.reader import open_reader  # noqa: PLC0415 -- sqlite only when a store is asked

        with open_reader(folder_of(site, store)) as reader:
            start, end = span_ms(since, until, days, site.timezone, (reader.oldest_ms() or 0, reader.newest_ms() or 0))
            if share:
                click.echo(share_words(reader, site, instrument, start, end))
                return
            pairs = (_dips if by == "dips" else _rises)(reader, site, instrument, start, end)
    fit = _fit(pairs, dip_u_m, rises=points is None and by == "loads")
    start_ms = moment_ms(valid_from, site.timezone) if valid_from else next((p.at_ms for p in pairs if p.at_ms), None)
    click.echo(report(instrument.name, site, pairs, fit, start_ms))


def _instrument(site: Site, name: str) -> Instrument:
    known = [each for each in site.instruments if site.instruments[each].gives_depth]
    if name not in known:
        expected = f"a sensor that measures depth: {', '.join(known) or 'none in this config'}"
        raise UsageError(f"no sensor {name!r} to calibrate", expected=expected, do="correct --sensor")
    return replace(site.instruments[name], corrections=())


def _length(text: str, where: str) -> float:
    try:
        return parse(text.strip(), "length")
    except UnitError as error:
        raise UsageError(error.found, expected=error.expected, where=where, do=error.fix) from None


def _given(text: str) -> list[Pair]:
    pairs = []
    for part in text.split(","):
        measured, sign, true = part.partition("=")
        if not sign:
            raise UsageError(
                f"point {part.strip()!r}", expected="measured=true, each with its unit", where="--points",
                do='write it like "12.1 in=12.4 in, 40 in=40.9 in"',
            )  # fmt: skip
        pairs.append(Pair(_length(measured, "--points"), _length(true, "--points")))
    return pairs


def _depths(reader: Reader, site: Site, instrument: Instrument, start_ms: int, end_ms: int) -> list[float]:
    """Depths without correction over a span, those that can be trusted."""
    from holdwater.gauge import RecordedSurrounds, around, companions  # noqa: PLC0415
    from holdwater.levels import place_of  # noqa: PLC0415
    from holdwater_sensors.quality import Grade, grade_of  # noqa: PLC0415

    place = place_of(site)
    beside = companions([instrument], place)
    looks = RecordedSurrounds(
        {name: [(r.ts_ms, r.value) for r in reader.readings(name, start_ms - LOOK_MS, end_ms)] for name in beside}
    )
    found = [
        instrument.depth(row.value, around(instrument, looks, row.ts_ms, place), row.ts_ms)
        for row in reader.readings(instrument.series, start_ms, end_ms)
    ]
    return [each.depth_m for each in found if each.depth_m is not None and grade_of(each.quality) is not Grade.REJECTED]


def _floor_m(site: Site, instrument: Instrument) -> float:
    """Floor of the sensor's vessel above the lowest floor of its tank: notes count from the latter, sensors from the former."""
    vessels = site.tanks[instrument.tank].vessels
    return next((each.floor_m for each in vessels if each.name == instrument.vessel), 0.0)


def _dips(reader: Reader, site: Site, instrument: Instrument, start_ms: int, end_ms: int) -> list[Pair]:
    pairs = []
    for note in reader.notes(start_ms, end_ms):
        true_m = note.body.get("depth_m")
        if note.kind != "dip" or note.body.get("tank") != instrument.tank or not isinstance(true_m, int | float):
            continue
        vessel = note.body.get("vessel")
        if vessel and vessel != instrument.vessel:
            continue
        beside = _depths(reader, site, instrument, note.at_ms - BESIDE_MS, note.at_ms + BESIDE_MS)
        if beside:
            floor_m = 0.0 if vessel else _floor_m(site, instrument)
            pairs.append(Pair(median(beside), float(true_m) - floor_m, note.at_ms))
    if not pairs:
        raise UsageError(
            f"no dip of tank {instrument.tank!r} with readings within half an hour of it",
            expected="one dip at least; two, near empty and near full, are better",
            do=f'note one: holdwater note dip --tank {instrument.tank} --depth "21 in"; or give --points',
        )
    return pairs


def _rises(reader: Reader, site: Site, instrument: Instrument, start_ms: int, end_ms: int) -> list[Pair]:
    tank, floor_m, pairs = site.tanks[instrument.tank], _floor_m(site, instrument), []
    for note in reader.notes(start_ms, end_ms):
        volume_m3 = note.body.get("volume_m3")
        if note.kind != "load" or note.body.get("tank") != tank.name or not isinstance(volume_m3, int | float):
            continue
        before = _depths(reader, site, instrument, note.at_ms - SETTLE_MS - BESIDE_MS, note.at_ms - SETTLE_MS)
        after = _depths(reader, site, instrument, note.at_ms + SETTLE_MS, note.at_ms + SETTLE_MS + BESIDE_MS)
        if before and after:
            low_m = median(before)
            level_m = low_m + floor_m
            true_m = tank.depth_m(tank.volume_m3(level_m) + float(volume_m3)) - level_m
            if true_m >= LEAST_RISE_M:
                pairs.append(Pair(median(after) - low_m, true_m, note.at_ms))
    if not pairs:
        raise UsageError(
            f"no load into tank {tank.name!r} with readings before and after it, and a rise of 5 cm (2 in) or more",
            expected="loads noted with their volume",
            do=f'note one: holdwater note load --tank {tank.name} --volume "125 gal"; or use --by dips',
        )
    return pairs


def _fit(pairs: Sequence[Pair], dip_u_m: float, *, rises: bool) -> Fit:
    from holdwater_sensors.calibrate import FitError, line, line_through_zero  # noqa: PLC0415

    points = [(pair.measured_m, pair.true_m) for pair in pairs]
    try:
        return line_through_zero(points) if rises else line(points, dip_u_m)
    except FitError as error:
        raise UsageError(
            str(error), expected="points at different depths", do="dip once near empty and once near full"
        ) from None


def report(name: str, site: Site, pairs: Sequence[Pair], fit: Fit, start_ms: int | None) -> str:
    """The proposal in words, with the lines for the config.

    Args:
        name: name of the sensor.
        site: for units and time zone.
        pairs: the points.
        fit: the line through them.
        start_ms: time from which it counts, ms UTC; None: always.
    """
    measure, zone = site.measure, site.timezone
    begin = None if start_ms is None else datetime.fromtimestamp(start_ms / 1000, zone).isoformat(timespec="seconds")
    lines = [f"{name}: {fit.n} point{'s' if fit.n > 1 else ''}, measured without correction ({measure.length_unit})"]
    lines.append(f"{'when':<18}{'measured':>10}{'true':>10}{'corrected':>11}{'left over':>11}")
    for pair, left_m in zip(pairs, fit.residuals, strict=True):
        when = "" if pair.at_ms is None else f"{datetime.fromtimestamp(pair.at_ms / 1000, zone):%Y-%m-%d %H:%M}"
        cells = (pair.measured_m, pair.true_m, pair.true_m - left_m)
        shown = "".join(f"{measure.length(cell):>{10 + (at == 2)}.2f}" for at, cell in enumerate(cells))
        lines.append(f"{when:<18}{shown}{measure.length(left_m):>+11.2f}")
    lines += ["", _in_words(fit, pairs, measure)]
    lines += ["", "To accept it, add to the config (nothing is changed by this command):", ""]
    lines += [f"[[sensor.{name}.calibration]]"]
    lines += [] if begin is None else [f"from = {begin}"]
    lines += [f"gain = {fit.gain:.6g}", f'offset = "{_exact(fit.offset, measure)}"']
    lines += [f"gain_doubt = {fit.u_gain:.3g}"] if fit.u_gain else []
    lines += [f'offset_doubt = "{_exact(fit.u_offset, measure)}"'] if fit.u_offset else []
    lines += [f"correlation = {fit.correlation:.5f}"] if fit.correlation else []
    return "\n".join(lines)


def _exact(m: float, measure: Measure) -> str:
    return f"{measure.length(m):.4g} {measure.length_unit}"


def _in_words(fit: Fit, pairs: Sequence[Pair], measure: Measure) -> str:
    ends = sorted({min(pair.measured_m for pair in pairs), max(pair.measured_m for pair in pairs)})
    doubts = ", ".join(
        f"± {measure.length(fit.predict(end)[1]):.2f} {measure.length_unit} at {measure.length_text(end)}"
        for end in ends
    )
    sign = "+" if fit.offset >= 0 else "-"
    words = f"true = {fit.gain:.4f} x measured {sign} {measure.length(abs(fit.offset)):.2f} {measure.length_unit} ({doubts})"
    if fit.n == 1:
        return words + "\nOne point moves the whole scale; a second one far from it would also show the gain."
    if not 0.9 <= fit.gain <= 1.1:
        return (
            words + "\nA gain this far from 1 is rather a wrong height, range or unit in the config: check those first."
        )
    return words
