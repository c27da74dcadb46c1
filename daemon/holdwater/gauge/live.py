"""The live level of one tank, reading by reading."""

from __future__ import annotations

from collections.abc import Sequence

from holdwater.gauge.behaviour import Behaviour, window_of
from holdwater.gauge.beside import Place, Surrounds, around
from holdwater.gauge.company import Bounds, Company, is_dip, is_float
from holdwater.gauge.dispute import Dispute
from holdwater.gauge.point import REJECTED, LevelPoint
from holdwater.gauge.record import Record, run_before
from holdwater.gauge.told import Dipped
from holdwater.tanks.tank import Tank
from holdwater_sensors.filter import Hampel
from holdwater_sensors.instrument import Depth, Instrument


class Gauge:
    """The live level of one tank.

    Args:
        tank: the tank.
        instruments: those that measure its level, first one first.
        looks: newest values beside the sensors, shared by all gauges.
        place: barometer and gravity of the site.
    """

    def __init__(self, tank: Tank, instruments: Sequence[Instrument], looks: Surrounds, place: Place) -> None:
        self.tank = tank
        self.instruments = tuple(instruments)
        self._looks = looks
        self._place = place
        self._by_series: dict[str, list[Instrument]] = {}
        for each in instruments:
            self._by_series.setdefault(each.series, []).append(each)
        self._filters = {each.name: Hampel(window_of(each)) for each in instruments}
        self._ways = {each.name: Behaviour(each) for each in instruments}
        self._last: dict[str, int] = {}
        self._bounds = Bounds(instruments, looks)
        speaking = [each for each in instruments if not is_float(each) and not is_dip(each)]
        self.by_hand = not speaking
        self._company = Company(tank, speaking, self._bounds, looks)

    @property
    def series(self) -> tuple[str, ...]:
        """Series that move this gauge."""
        return tuple(self._by_series)

    def set_shut(self, links: tuple[int, ...]) -> None:
        """Links shut by a note."""
        self._company.shut = links

    def dip(self, dipped: Dipped) -> LevelPoint | None:
        """The level by a hand dip; None when a sensor that can be trusted speaks for the tank."""
        return self._company.dip(dipped)

    def disputes(self, now_ms: int) -> tuple[Dispute, ...]:
        """Which facts on this tank have disagreed for long."""
        return self._company.disputes(now_ms)

    def recall(self, record: Record, start_ms: int, end_ms: int) -> None:
        """After a restart, before the readings of the last hours are pushed again: since when a value has stood still.

        Args:
            record: what is stored.
            start_ms: time from which readings will be pushed again.
            end_ms: after the newest of them.
        """
        for each in self.instruments:
            points = record.points(each.series, start_ms, end_ms)
            if points and not is_float(each) and all(value == points[0][1] for _, value in points):
                run = run_before(each, self._place, record, window_of(each), points[0])
                if run is not None:
                    self._ways[each.name].resume(points[0][1], run)

    def push(self, series: str, ts_ms: int, value: float) -> LevelPoint | None:
        """The level after one reading; None when it does not speak for the tank.

        Args:
            series: one of `series`.
            ts_ms: later than the reading before of this series; an earlier one is left to history.
            value: in SI.
        """
        point = None
        for instrument in self._by_series.get(series, ()):
            if is_float(instrument) or not instrument.counts_at(ts_ms) or ts_ms <= self._last.get(instrument.name, -1):
                continue
            self._last[instrument.name] = ts_ms
            beside = around(instrument, self._looks, ts_ms, self._place)
            depth = instrument.depth(value, beside, ts_ms)
            if is_dip(instrument):
                point = self._company.dip(Dipped(ts_ms, self._company.vessel_of(instrument), depth)) or point
                continue
            depth = self._judged(instrument, ts_ms, depth)
            depth = self._ways[instrument.name].judge(ts_ms, value, beside, depth)
            point = self._company.take(instrument.name, ts_ms, self._bounds.judge(instrument, ts_ms, depth)) or point
        return point

    def _judged(self, instrument: Instrument, ts_ms: int, depth: Depth) -> Depth:
        if depth.depth_m is None or depth.quality >= REJECTED:
            return depth
        verdict = self._filters[instrument.name].glance(ts_ms, depth.depth_m)
        return depth if verdict.quality <= depth.quality else depth._replace(quality=verdict.quality)
