"""The instruments of one tank together: which of them speaks, what they make of joined vessels, and which of them lies."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable, Sequence

from holdwater.gauge.beside import HOUR_MS, Looks
from holdwater.gauge.dispute import COUNTS_MS, Dispute, Rate, Warming, limit_m_s
from holdwater.gauge.point import SUSPECT, LevelPoint, point_of
from holdwater.gauge.told import Dipped
from holdwater.tanks.tank import Tank
from holdwater_sensors.agree import Comparison, Liar, Quarrel, Third, compare, likelier_liar
from holdwater_sensors.bounds import FloatSwitch
from holdwater_sensors.instrument import Depth, Dip, Instrument
from holdwater_sensors.quality import Grade, Reason, code, grade_of

HOLD_MS = 2 * HOUR_MS
"""How long the reading of one vessel, or of the first of two sensors, stands beside newer ones of another."""

QUARREL_MS = HOUR_MS
"""How long two sensors of a vessel may disagree before neither is believed without a third fact."""

BUCKET_MS = 10 * 60_000
BUCKETS = 72
NEAR_DIP_MS = 30 * 60_000
"""A dip is compared with the depth that a sensor showed so shortly before it; depths are remembered for twelve hours, one in ten
minutes, since people write their dips down when they are back in the house."""

FLOAT = code(Grade.SUSPECT, Reason.FLOAT)
DISAGREES = code(Grade.SUSPECT, Reason.DISAGREES)
APART = code(Grade.SUSPECT, Reason.LINK)
NO_LEVEL = code(Grade.REJECTED, Reason.LINK)
BY_HAND = "hand dip of "


def is_float(instrument: Instrument) -> bool:
    """Whether an instrument only sets bounds to the depth."""
    return isinstance(instrument.physics, FloatSwitch)


def is_dip(instrument: Instrument) -> bool:
    """Whether its readings are dips by hand, a word now and then instead of a level."""
    return isinstance(instrument.physics, Dip)


def measures(instruments: Iterable[Instrument]) -> tuple[Instrument, ...]:
    """Those instruments of a tank that a gauge works with: depths, and floats beside them."""
    return tuple(each for each in instruments if each.gives_depth or is_float(each))


class Bounds:
    """Float switches of a tank: a depth that contradicts one of them is suspect."""

    def __init__(self, instruments: Iterable[Instrument], looks: Looks) -> None:
        self._floats = [each for each in instruments if is_float(each)]
        self._looks = looks

    def judge(self, instrument: Instrument, ts_ms: int, depth: Depth) -> Depth:
        """The depth, suspect when a float switch of the same vessel says that it cannot be."""
        said = self.said(instrument.vessel, ts_ms) if self._floats else None
        if said is None or depth.depth_m is None or not said[0].contradicts(said[1], depth.depth_m, depth.u_m):
            return depth
        return depth._replace(quality=max(depth.quality, FLOAT))

    def said(self, vessel: str, ts_ms: int) -> tuple[FloatSwitch, float] | None:
        """What the float switch of a vessel last said, and which it is."""
        for each in self._floats:
            value = self._looks.at(each.series, ts_ms) if each.vessel == vessel and each.counts_at(ts_ms) else None
            if value is not None and isinstance(each.physics, FloatSwitch):
                return each.physics, value
        return None


class Company:
    """The newest depth of each instrument of a tank, and what they make together.

    Args:
        tank: the tank.
        instruments: those that measure its level, first one first.
        bounds: its float switches.
        looks: values beside the sensors.
    """

    def __init__(self, tank: Tank, instruments: Sequence[Instrument], bounds: Bounds, looks: Looks) -> None:
        self._tank = tank
        self._order = {each.name: rank for rank, each in enumerate(instruments)}
        self._vessel = {each.name: each.vessel or tank.vessels[0].name for each in instruments}
        self._bare = {each.name: each.vessel for each in instruments}
        self._newest: dict[str, tuple[int, Depth]] = {}
        self._quarrels: dict[tuple[str, str], tuple[Quarrel, Rate, Rate]] = {}
        self._disputes: dict[tuple[str, str], Dispute] = {}
        self._dips: dict[str, tuple[Dipped, dict[str, Comparison]]] = {}
        self._seen: dict[str, deque[tuple[int, Depth]]] = {n: deque(maxlen=BUCKETS) for n in self._order}
        self._rates: dict[str, Rate] = {}
        self._bounds = bounds
        self._looks = looks
        self._warming = Warming(instruments)
        self.shut: tuple[int, ...] = ()

    def take(self, name: str, ts_ms: int, depth: Depth) -> LevelPoint | None:
        """The level after one more depth; None when a better sensor of the same tank speaks for it."""
        if depth.depth_m is not None:
            self._remember(name, ts_ms, depth)
        if len(self._order) > 1:
            depth = self._argued(name, ts_ms, depth)
        self._newest[name] = (ts_ms, depth)
        if len(self._tank.vessels) > 1:
            return self._joined(ts_ms)
        if not self._speaks(name, ts_ms):
            return None
        return self._level(ts_ms, depth)

    def dip(self, dipped: Dipped) -> LevelPoint | None:
        """The level by a hand dip; None when a sensor that can be trusted speaks for the tank."""
        ts_ms, vessel = dipped.ts_ms, dipped.vessel
        before = self._dips.get(vessel)
        if before is None or before[0].ts_ms <= ts_ms:
            self._dips[vessel] = dipped, self._compared(dipped)
        others = [(at, depth) for name, (at, depth) in self._newest.items() if self._vessel.get(name, "") == vessel]
        if any(depth.quality < SUSPECT and abs(ts_ms - at) <= HOLD_MS for at, depth in others):
            return None
        if len(self._tank.vessels) > 1:
            name = BY_HAND + vessel
            self._vessel[name] = vessel
            self._newest[name] = (ts_ms, dipped.depth)
            return self._joined(ts_ms)
        return self._level(ts_ms, dipped.depth)

    def vessel_of(self, instrument: Instrument) -> str:
        """Name of the vessel that an instrument is on."""
        return instrument.vessel or self._tank.vessels[0].name

    def disputes(self, now_ms: int) -> tuple[Dispute, ...]:
        """Who disagrees with whom, lastingly, the sensors first; a dip counts for a day, unless a later one agrees."""
        if not self._disputes and not self._dips:
            return ()
        found = [each for each in self._disputes.values() if now_ms - each.latest_ms <= HOLD_MS]
        for dipped, compared in self._dips.values():
            if now_ms - dipped.ts_ms > COUNTS_MS:
                continue
            for name, each in compared.items():
                if not each.agrees and dipped.depth.depth_m is not None:
                    found.append(
                        Dispute(
                            name, "", dipped.ts_ms, dipped.ts_ms, each.difference_m + dipped.depth.depth_m,
                            dipped.depth.depth_m, each.u_m,
                        )
                    )  # fmt: skip
        return tuple(found)

    def quarrelled_from(self, ts_ms: int) -> bool:
        """Whether two sensors have disagreed since a time or before it, so that what was before that time matters."""
        return any(each.since_ms is not None and each.since_ms <= ts_ms for each, _, _ in self._quarrels.values())

    # -- one sensor and another ------------------------------------------------------------------------------------------------------

    def _remember(self, name: str, ts_ms: int, depth: Depth) -> None:
        seen = self._seen[name]
        if not seen:
            seen.append((ts_ms, depth))
            return
        before_ms, before = seen[-1]
        if len(self._order) > 1 and ts_ms > before_ms:
            # at arrival a jump is believed at the next reading only: the fastest move of the last half hour counts
            rate, kept = Rate.between(before_ms, before, ts_ms, depth), self._rates.get(name)
            if kept is None or ts_ms - kept.at_ms > NEAR_DIP_MS or (rate.surely_m_s or 0) >= (kept.surely_m_s or 0):
                self._rates[name] = rate
        if before_ms // BUCKET_MS == ts_ms // BUCKET_MS:
            seen[-1] = (ts_ms, depth)
        else:
            seen.append((ts_ms, depth))

    def _compared(self, dipped: Dipped) -> dict[str, Comparison]:
        """Each sensor of the vessel beside a dip, where it had spoken shortly before."""
        found: list[tuple[str, Comparison | None]] = []
        for name, seen in self._seen.items():
            if self._vessel[name] != dipped.vessel:
                continue
            near = next((each for each in reversed(seen) if each[0] <= dipped.ts_ms), None)
            if near is None or dipped.ts_ms - near[0] > NEAR_DIP_MS:
                continue
            found.append((name, compare(near[1], dipped.depth)))
        return {name: each for name, each in found if each is not None}

    def _argued(self, name: str, ts_ms: int, depth: Depth) -> Depth:
        """The depth, suspect when it has disagreed with another sensor of the vessel for long and no third fact clears it."""
        for other in self._order:
            at, theirs = self._newest.get(other, (-HOLD_MS, depth))
            if other == name or self._vessel[other] != self._vessel[name] or ts_ms - at > HOLD_MS:
                continue
            if SUSPECT <= max(depth.quality, theirs.quality) != DISAGREES:
                continue
            comparison = compare(depth, theirs, self._warming.unseen_m(name, other, depth, self._looks, ts_ms))
            if comparison is not None and self._quarrel(name, other, ts_ms, depth, theirs, comparison):
                return depth._replace(quality=max(depth.quality, DISAGREES))
        return depth

    def _quarrel(
        self, name: str, other: str, ts_ms: int, depth: Depth, theirs: Depth, comparison: Comparison
    ) -> bool:  # fmt: skip
        """Go on with a quarrel; whether the depth of `name` is in doubt for it."""
        key = (min(name, other), max(name, other))
        quarrel, *rates = self._quarrels.get(key, (Quarrel(), Rate(), Rate()))
        begins = quarrel.since_ms is None
        quarrel = quarrel.then(ts_ms, comparison)
        mine, its = (rates[key.index(name)], rates[key.index(other)])
        if begins and not comparison.agrees:
            mine, its = self._rates.get(name, Rate()), self._rates.get(other, Rate())
        self._quarrels[key] = (quarrel, mine, its) if key[0] == name else (quarrel, its, mine)
        if not quarrel.lasting(QUARREL_MS):
            self._disputes.pop(key, None)
            return False
        since_ms = ts_ms if quarrel.since_ms is None else quarrel.since_ms
        fresh = ts_ms - since_ms <= COUNTS_MS
        liar = likelier_liar(depth, theirs, self._third(name, other, ts_ms, (mine, its) if fresh else None))
        self._disputes[key] = self._dispute((name, other), (depth, theirs), since_ms, ts_ms, comparison, liar)
        return liar.which != 2

    def _dispute(
        self, names: tuple[str, str], depths: tuple[Depth, Depth], since_ms: int, ts_ms: int, found: Comparison, liar: Liar
    ) -> Dispute:  # fmt: skip
        # told in the order of the config, whoever spoke last
        first, second = sorted((0, 1), key=lambda at: self._order[names[at]])
        return Dispute(
            names[first], names[second], since_ms, ts_ms, depths[first].depth_m or 0.0, depths[second].depth_m or 0.0,
            found.u_m, names[liar.which - 1] if liar.which else "", liar.by,
        )  # fmt: skip

    def _third(self, name: str, other: str, ts_ms: int, rates: tuple[Rate, Rate] | None) -> Third:
        """Facts beside two sensors that disagree."""
        said = self._bounds.said(self._bare[name], ts_ms) or (None, None)
        dipped, compared = self._dips.get(self._vessel[name], (None, {}))
        against = None
        if dipped is not None and ts_ms - dipped.ts_ms <= COUNTS_MS and {name, other} <= set(compared):
            against = (not compared[name].agrees, not compared[other].agrees)
        overflow_m = self._tank.overflow_m - next(
            (each.floor_m for each in self._tank.vessels if each.name == self._vessel[name]), 0.0
        )
        mine, its = rates or (Rate(), Rate())
        return Third(
            float_switch=said[0], float_value=said[1], overflow_m=overflow_m, dip_against=against,
            first_rate_m_s=mine.surely_m_s, second_rate_m_s=its.surely_m_s, most_rate_m_s=limit_m_s(self._tank, mine, its),
        )  # fmt: skip

    # -- what they make together -----------------------------------------------------------------------------------------------------

    def _level(self, ts_ms: int, depth: Depth) -> LevelPoint:
        stand = None
        if depth.depth_m is not None:
            stand = self._tank.stand(depth.depth_m, depth.u_noise_m, depth.u_scale_m)
        return point_of(ts_ms, depth.quality, stand)

    def _speaks(self, name: str, ts_ms: int) -> bool:
        """The first sensor in the file speaks, unless its newest is not ok or old and this one's is better."""
        if len(self._newest) == 1:
            return True
        rank, mine = self._order[name], self._newest[name][1]
        for other, (at, depth) in self._newest.items():
            if other == name or ts_ms - at > HOLD_MS:
                continue
            theirs, ours = grade_of(depth.quality), grade_of(mine.quality)
            if theirs < ours or (theirs == ours and self._order[other] < rank):
                return False
        return True

    def _joined(self, ts_ms: int) -> LevelPoint:
        fresh = {n: d for n, (at, d) in self._newest.items() if ts_ms - at <= HOLD_MS}
        good: dict[str, Depth] = {}
        for name, depth in sorted(fresh.items(), key=lambda each: self._order.get(each[0], len(self._order))):
            vessel = self._vessel[name]
            if depth.depth_m is None or grade_of(depth.quality) >= Grade.REJECTED:
                continue
            # the first sensor of a vessel speaks for it, unless another one is to be trusted more
            if vessel not in good or grade_of(depth.quality) < grade_of(good[vessel].quality):
                good[vessel] = depth
        spoken = [d for n, d in fresh.items() if self._vessel[n] not in good or good[self._vessel[n]] is d]
        worst = max((d.quality for d in spoken), default=0)
        if not good:
            return point_of(ts_ms, worst or NO_LEVEL, None)
        stand = self._tank.stand_of(good, self.shut)
        if stand.apart:
            worst = max(worst, APART)
        if math.isnan(stand.depth_m):
            return point_of(ts_ms, max(worst, NO_LEVEL), None)
        return point_of(ts_ms, worst, stand)
