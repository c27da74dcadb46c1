"""The level of a tank over a stretch of record."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial

from holdwater.gauge.behaviour import Behaviour, window_of
from holdwater.gauge.beside import AROUND_MS, HOUR_MS, Place, Points, RecordedSurrounds, around, companions
from holdwater.gauge.company import Bounds, Company, is_dip, is_float
from holdwater.gauge.dispute import COUNTS_MS
from holdwater.gauge.point import LevelPoint
from holdwater.gauge.record import Measured, Record, Run, measured, noise_before, run_before
from holdwater.gauge.told import NOTHING, Dipped, Told
from holdwater.tanks.tank import Tank
from holdwater_sensors.instrument import Depth, Instrument

MARGIN_MS = HOUR_MS
"""Neighbours on each side that a stretch of history needs, so that its verdicts are final."""


@dataclass(frozen=True, slots=True)
class Mounted:
    """A tank with what its level rests on.

    Attributes:
        tank: the tank.
        instruments: those that measure its level, first one first.
        place: barometer and gravity of the site.
        told: dips, and links shut by notes.
    """

    tank: Tank
    instruments: Sequence[Instrument]
    place: Place
    told: Told = NOTHING

    @property
    def series(self) -> frozenset[str]:
        """All series that its level rests on."""
        return frozenset({each.series for each in self.instruments} | companions(self.instruments, self.place))


def history(
    mounted: Mounted, points: Mapping[str, Points], start_ms: int, end_ms: int, record: Record | None = None
) -> list[LevelPoint]:
    """The level of a tank over a stretch of record: a pure function of readings and notes, whatever order they came in.

    Args:
        mounted: the tank with its instruments and notes.
        points: readings by series in SI, each in time order, from `AROUND_MS` + `MARGIN_MS` before the stretch to `MARGIN_MS`
            after it.
        start_ms: begin of the stretch.
        end_ms: its end, not included.
        record: all readings, for a stretch that begins with a value that stands still or with sensors that quarrel; None: there
            are no earlier ones.
    """
    found, company, first_ms = _levels(mounted, points, start_ms, record)
    if record is not None and first_ms is not None and company.quarrelled_from(first_ms + MARGIN_MS):
        # what told them apart may lie a day back
        before_ms = start_ms - COUNTS_MS - AROUND_MS - MARGIN_MS
        earlier = {name: record.points(name, before_ms, end_ms + MARGIN_MS) for name in mounted.series}
        found, _, _ = _levels(mounted, earlier, start_ms, record)
    return [point for point in found if start_ms <= point.ts_ms < end_ms]


def _levels(
    mounted: Mounted, points: Mapping[str, Points], start_ms: int, record: Record | None
) -> tuple[list[LevelPoint], Company, int | None]:
    """Levels from the first reading given; with the company as it stands at the end, and the time of that reading."""
    looks = RecordedSurrounds(points)
    bounds = Bounds(mounted.instruments, looks)
    gauges = [each for each in mounted.instruments if not is_float(each) and not is_dip(each)]
    company = Company(mounted.tank, gauges, bounds, looks)
    judged: list[tuple[int, int, str, Depth]] = []
    for rank, instrument in enumerate(gauges):
        judged += [
            (ts, rank, instrument.name, bounds.judge(instrument, ts, depth))
            for ts, depth in _depths(
                instrument, mounted.place, points.get(instrument.series, ()), looks, start_ms, record
            )
        ]
    judged.sort(key=lambda each: (each[0], each[1]))
    first_ms = judged[0][0] if judged else None
    dips = _dips(mounted, points, looks, company, start_ms if first_ms is None else min(first_ms, start_ms))
    return _told(mounted, company, judged, dips), company, first_ms


def _told(
    mounted: Mounted, company: Company, judged: Sequence[tuple[int, int, str, Depth]], dips: Sequence[Dipped]
) -> list[LevelPoint]:
    """Depths and dips together, in order of time; a dip after the readings of its instant."""
    found: list[LevelPoint | None] = []
    at, joined = 0, len(mounted.tank.vessels) > 1
    for ts, _, name, depth in judged:
        while at < len(dips) and dips[at].ts_ms < ts:
            found.append(_dip(mounted, company, dips[at]))
            at += 1
        if joined:
            company.shut = mounted.told.shut_at(ts)
        found.append(company.take(name, ts, depth))
    found += [_dip(mounted, company, each) for each in dips[at:]]
    return [each for each in found if each is not None]


def _dip(mounted: Mounted, company: Company, dipped: Dipped) -> LevelPoint | None:
    company.shut = mounted.told.shut_at(dipped.ts_ms)
    return company.dip(dipped)


def _dips(
    mounted: Mounted, points: Mapping[str, Points], looks: RecordedSurrounds, company: Company, first_ms: int
) -> list[Dipped]:
    """Dips that were noted, and dips that came as readings of a series of their own, in order of time."""
    found = [each for each in mounted.told.dips if each.ts_ms >= first_ms - COUNTS_MS]
    for each in mounted.instruments:
        if is_dip(each):
            found += [
                Dipped(ts, company.vessel_of(each), each.depth(value, around(each, looks, ts, mounted.place), ts))
                for ts, value in points.get(each.series, ())
                if each.counts_at(ts)
            ]
    return sorted(found, key=lambda each: each.ts_ms)


def _depths(
    instrument: Instrument, place: Place, points: Points, looks: RecordedSurrounds, start_ms: int, record: Record | None
) -> list[tuple[int, Depth]]:
    """Depths with their final verdicts."""
    found: Sequence[Measured] = list(measured(instrument, place, points, looks, window_of(instrument)))
    noise = None if record is None else partial(noise_before, instrument, place, record, window_of(instrument))
    ways, run = Behaviour(instrument, noise), _run(instrument, place, found, start_ms, record)
    if run is not None:
        ways.resume(*run)
    return [(each.ts_ms, ways.judge(*each)) for each in found]


def _run(
    instrument: Instrument, place: Place, found: Sequence[Measured], start_ms: int, record: Record | None
) -> tuple[float, Run] | None:
    """The run of equal values that reaches into the stretch from before its first reading."""
    if record is None or not found:
        return None
    first = found[0]
    for each in found:
        if each.value != first.value:
            return None
        if each.ts_ms >= start_ms:
            break
    run = run_before(instrument, place, record, window_of(instrument), (first.ts_ms, first.value))
    return None if run is None else (first.value, run)
