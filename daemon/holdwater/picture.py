"""The live side of the tanks: gauges, what they showed last, and the picture that the snapshot is made of. Pure state, no I/O."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import groupby
from typing import TYPE_CHECKING

from holdwater.counted import Meter, meters_of
from holdwater.gauge import Dispute, Gauge, LevelPoint, Noted, Place, Record, Surrounds, measures, told_of
from holdwater.reception import Fresh
from holdwater.snapshot import MeterNow, SeriesNow, TankNow
from holdwater.store.digits import unpack
from holdwater.store.rows import DAY_MS, HOUR_MS
from holdwater.units import wire_unit
from holdwater_sensors.quality import Grade, Reason, code, words

if TYPE_CHECKING:
    from holdwater.ahead.haul import Haul
    from holdwater.config.site import Site

UNKNOWN_AFTER_MS = 3 * HOUR_MS
"""A level that was not confirmed for so long is unknown: the last good value is shown as what it is, the last good value."""

DOUBT_AFTER_MS = 30 * 60_000
"""Readings came for so long and none could be trusted: the level is unknown, with the reason of the newest."""

ICED = code(Grade.SUSPECT, Reason.ICE)


BY_HAND_MS = 36 * HOUR_MS
"""The same for a tank whose level is dipped by hand only: a household dips once a day, and sometimes late."""


@dataclass(frozen=True, slots=True)
class _Shown:
    """What a tank showed last."""

    newest: LevelPoint | None = None
    trusted: LevelPoint | None = None
    heard_ms: int | None = None


class Picture:
    """Gauges of all tanks of a site, fed with fresh readings."""

    def __init__(self, site: Site, place: Place) -> None:
        self._site = site
        self._looks = Surrounds()
        self._gauges: dict[str, Gauge] = {}
        self._of_series: dict[str, list[str]] = {}
        for name, tank in site.tanks.items():
            instruments = measures(site.instruments_of(name))
            self._gauges[name] = Gauge(tank, instruments, self._looks, place)
            for series in self._gauges[name].series:
                self._of_series.setdefault(series, []).append(name)
        self._shown = {name: _Shown() for name in site.tanks}
        self._hours: dict[str, dict[int, float]] = {name: {} for name in site.tanks}
        self._newest: dict[str, Fresh] = {}
        self._fills: dict[str, int] = {}
        self._filling: list[tuple[str, int]] = []
        self._argued: dict[str, tuple[tuple[str, str, str], ...]] = {}
        self._meters = {each.series: Meter(each, site.timezone) for each in meters_of(site)}
        self.iced: frozenset[str] = frozenset()  # tanks whose level sensor is likely frozen: what it shows is in doubt
        self.lasts: Callable[[str, float, float], tuple[float | None, float | None, float | None]] = lambda *_: (
            None,
            None,
            None,
        )
        self.haul: Callable[[str, LevelPoint], Haul | None] = lambda *_: None

    def feed(self, fresh: Iterable[Fresh]) -> list[tuple[str, LevelPoint]]:
        """Move the gauges by readings in time order; temperatures of the same pack are looked at first.

        Returns:
            The levels that came of it, as (tank, level).
        """
        readings = list(fresh)
        for each in readings:
            self._looks.note(each.series, each.ts_ms, each.value_si)
            self._newest[each.series] = each
            if each.series in self._meters:
                self._count(self._meters[each.series], each)
        found = []
        for each in readings:
            for tank in self._of_series.get(each.series, ()):
                point = self._gauges[tank].push(each.series, each.ts_ms, each.value_si)
                if point is None:
                    self._shown[tank] = replace(self._shown[tank], heard_ms=each.ts_ms)
                else:
                    if tank in self.iced and point.quality < ICED:
                        point = point._replace(quality=ICED)
                    self._show(tank, point)
                    found.append((tank, point))
        return found

    def told(self, notes: Iterable[Noted]) -> list[tuple[str, LevelPoint]]:
        """Take notes on levels in order of time: hand dips, links shut and opened; of links all that ever were, the last one counts.

        Returns:
            The levels that came of hand dips, as (tank, level).
        """
        found: list[tuple[str, LevelPoint]] = []
        kept = list(notes)
        for name, tank in self._site.tanks.items():
            said = told_of(tank, self._site.instruments_of(name), kept)
            if said.changes:
                self._gauges[name].set_shut(said.changes[-1][1])
            for each in said.dips:
                point = self._gauges[name].dip(each)
                newest = self._shown[name].newest
                if point is not None and (newest is None or newest.ts_ms <= each.ts_ms):
                    self._show(name, point)
                    found.append((name, point))
        return found

    def disputes(self, tank: str, now_ms: int) -> tuple[Dispute, ...]:
        """Which facts on a tank have disagreed for long."""
        return self._gauges[tank].disputes(now_ms)

    def argued(self, tank: str, ts_ms: int) -> tuple[Dispute, ...] | None:
        """Which facts on a tank disagree, when that is another matter than at the last call; None when it is the same."""
        found = self.disputes(tank, ts_ms)
        matter = tuple((each.first, each.second, each.liar) for each in found)
        if self._argued.get(tank) == matter:
            return None
        self._argued[tank] = matter
        return found

    def _count(self, meter: Meter, fresh: Fresh) -> None:
        """Let a counter count; once an hour, remember that water comes into its tank."""
        added, tank = meter.take(fresh.ts_ms, fresh.value_si), meter.instrument.tank
        if added > 0 and meter.instrument.fills and fresh.ts_ms - self._fills.get(tank, -HOUR_MS) >= HOUR_MS:
            self._fills[tank] = fresh.ts_ms
            self._filling.append((tank, fresh.ts_ms))

    def filling(self) -> list[tuple[str, int]]:
        """Tanks into which a meter has counted water since the last call, as (tank, time); asking takes them out."""
        found, self._filling = self._filling, []
        return found

    def meters(self, now_ms: int) -> tuple[MeterNow, ...]:
        """All counters as of now."""
        return tuple(each.now(now_ms) for each in self._meters.values())

    def recall(self, record: Record, start_ms: int, end_ms: int) -> None:
        """After a restart, before the readings of the last hours are fed again: since when values have stood still."""
        for gauge in self._gauges.values():
            gauge.recall(record, start_ms, end_ms)
        for series, meter in self._meters.items():
            for ts, count in record.points(series, end_ms - 26 * HOUR_MS, start_ms):
                meter.take(ts, count)

    def feed_stored(
        self, rows: Iterable[tuple[int, str, str, int, float, int]], dips: Sequence[Noted] = ()
    ) -> None:  # fmt: skip
        """Feed rows of the store (time, series, unit, digits, value, flag) and hand dips, each in time order, as they came."""
        at = 0
        for ts, group in groupby(rows, key=lambda row: row[0]):
            while at < len(dips) and dips[at].at_ms < ts:
                self.told([dips[at]])
                at += 1
            self.feed(
                Fresh(series, ts, wire_unit(unit).to_si(unpack(value, digits, flag)))
                for _, series, unit, digits, value, flag in group
            )
        for each in dips[at:]:
            self.told([each])

    def _show(self, tank: str, point: LevelPoint) -> None:
        before = self._shown[tank]
        self._shown[tank] = _Shown(point, point if point.ok else before.trusted, point.ts_ms)
        if point.ok and point.on_hand_m3 is not None:
            self.remember(tank, point.ts_ms, point.on_hand_m3)

    def remember(self, tank: str, ts_ms: int, on_hand_m3: float) -> None:
        """Keep the last level of each hour for a day, for "since yesterday"."""
        hours, hour = self._hours[tank], ts_ms - ts_ms % HOUR_MS
        begins = hour not in hours
        hours[hour] = on_hand_m3
        if begins:
            for old in [each for each in hours if each < ts_ms - DAY_MS - 2 * HOUR_MS]:
                del hours[old]

    def level(self, tank: str) -> LevelPoint | None:
        """The newest trusted level of a tank."""
        return self._shown[tank].trusted

    def beside(self, series: str | None, ts_ms: int) -> float | None:
        """The recent value of a series, such as the outside air."""
        return None if series is None else self._looks.at(series, ts_ms)

    def tanks(self, now_ms: int) -> tuple[TankNow, ...]:
        """All tanks as of now."""
        return tuple(self._tank(name, now_ms) for name in self._site.tanks)

    def series(self) -> tuple[SeriesNow, ...]:
        """The newest value of every series, in SI."""
        newest = (self._newest[name] for name in sorted(self._newest))
        return tuple(SeriesNow(each.series, each.ts_ms, each.value_si, "") for each in newest)

    def _tank(self, name: str, now_ms: int) -> TankNow:
        shown = self._shown[name]
        good, newest = shown.trusted, shown.newest
        reason = self._why_unknown(name, shown, now_ms)
        if good is None or reason:
            return TankNow(
                name,
                quality=newest.quality if newest else 0,
                reason=reason or "no reading yet",
                trusted_at_ms=good.ts_ms if good else None,
                trusted_m3=good.on_hand_m3 if good else None,
                heard_ms=shown.heard_ms,
            )
        waiting = newest if newest is not None and newest.ts_ms > good.ts_ms else None
        low, mid, high = self.lasts(name, good.on_hand_m3 or 0.0, (good.u_noise_m3**2 + good.u_scale_m3**2) ** 0.5)
        haul = self.haul(name, good)
        return TankNow(
            name, good.ts_ms, good.depth_m, good.on_hand_m3, good.total_m3, good.u_noise_m3, good.u_scale_m3, good.quality,
            day_ago_m3=self._hours[name].get((good.ts_ms - DAY_MS) - (good.ts_ms - DAY_MS) % HOUR_MS),
            heard_ms=shown.heard_ms, days_low=low, days_mid=mid, days_high=high,
            haul_by=haul.by.isoformat() if haul is not None and haul.by is not None else "", haul_late=haul is not None and haul.late,
            waiting_quality=waiting.quality if waiting else 0, waiting_m3=waiting.on_hand_m3 if waiting else None,
        )  # fmt: skip

    def _why_unknown(self, name: str, shown: _Shown, now_ms: int) -> str:
        """Why the level cannot be told; empty when it can."""
        by_hand = self._gauges[name].by_hand
        if shown.newest is None:
            return "no level sensor, and no hand dip yet" if by_hand else "no reading yet"
        if now_ms - shown.newest.ts_ms > (BY_HAND_MS if by_hand else UNKNOWN_AFTER_MS):
            return "not dipped for a day and a half" if by_hand else "nothing heard from its sensor"
        good = shown.trusted
        if good is None or shown.newest.ts_ms - good.ts_ms > DOUBT_AFTER_MS:
            return words(shown.newest.quality).partition(": ")[2] or "its readings cannot be trusted"
        return ""
