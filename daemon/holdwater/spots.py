"""How cold each thing is that can freeze, hour by hour, and what a word of the coming night means for it.

A fold in reading time: its state is stored with the hour that it has reached, so that a restart changes nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from typing import TYPE_CHECKING, Any

from holdwater.config.exposures import Exposure
from holdwater.freeze.air import Air
from holdwater.freeze.body import State
from holdwater.freeze.exposure import Holding, Risk, body_of, first_state, night_below_c, risk
from holdwater.freeze.felt import Darkness, felt_c
from holdwater.freeze.night import NightForecast
from holdwater.freeze.sun import HOUR_MS
from holdwater.freeze.tank import Following

if TYPE_CHECKING:
    from holdwater.config.site import Site

FADES = 1 - 1 / 720  # of what was seen of a tank's water: a month speaks
GAP_MS = 24 * HOUR_MS
"""After so long without air what was reckoned is forgotten: a spigot follows hours, and a tank is begun anew from the first day."""

MEASURED_C = 0.5  # colder water may hold ice, which a thermometer beside it does not see

Levels = Callable[[str], float | None]
Beside = Callable[[str | None, int], float | None]


@dataclass(frozen=True, slots=True)
class Spot:
    """One exposure as it stands.

    Attributes:
        state: how cold; None while nothing is known.
        at_ms: hour of that state.
        water_m3: what its tank held last; None when not known.
        follows: how its tank's water follows the air.
        ice_ms: since when there is ice in it; None without.
    """

    state: State | None = None
    at_ms: int = 0
    water_m3: float | None = None
    follows: Following = field(default_factory=Following)
    ice_ms: int | None = None

    @property
    def ice(self) -> float:
        """Share of its water that is ice, 0 to 1."""
        return 0.0 if self.state is None else self.state.ice


class Spots:
    """All exposures of a site.

    Args:
        site: its exposures and tanks.
        darkness: of its place.
        level: total volume in a tank by its newest trusted level, m3; None when not known.
        beside: the recent value of a series at a time; None when there is none.
        saved: what `as_json` gave.
    """

    def __init__(
        self, site: Site, darkness: Darkness, level: Levels, beside: Beside, saved: Mapping[str, Any] | None = None
    ) -> None:
        self._site = site
        self._darkness = darkness
        self._level = level
        self._beside = beside
        self.exposures: tuple[Exposure, ...] = tuple(site.exposures.values())
        known = saved or {}
        self._spots = {each.name: _restored(known.get(each.name)) for each in self.exposures}

    def __getitem__(self, name: str) -> Spot:
        return self._spots[name]

    def hour(self, exposure: Exposure, end_ms: int, day: tuple[Air | None, ...], *, empty: bool) -> None:
        """One more hour of the air at an exposure.

        Args:
            exposure: which.
            end_ms: end of the hour.
            day: the air of the 24 hours up to it.
            empty: whether there is no water in it: it then follows the air without ice.
        """
        before, air = self._spots[exposure.name], day[-1]
        water_c = self._beside(exposure.water_series, end_ms)
        follows = before.follows.hour(water_c, None if air is None else air.air_c, FADES)
        level_m3 = self._level(exposure.tank) if exposure.tank in self._site.tanks else None
        water_m3 = before.water_m3 if level_m3 is None else level_m3
        now = replace(before, water_m3=water_m3, follows=follows)
        if air is not None:
            felt = felt_c(exposure, air, self._darkness.clear(end_ms, day))
            state = State(max(0.0, felt)) if empty else self._after(exposure, now, felt, end_ms, day, water_c)
            now = replace(now, state=state, at_ms=end_ms)
        self._spots[exposure.name] = replace(now, ice_ms=(before.ice_ms or end_ms) if now.ice > 0 else None)

    def _after(
        self,
        exposure: Exposure,
        spot: Spot,
        felt: float,
        end_ms: int,
        day: tuple[Air | None, ...],
        water_c: float | None,
    ) -> State:
        """The state after an hour of air as it feels it: what is measured in the water counts before what is reckoned."""
        if water_c is not None and water_c > MEASURED_C:
            return State(water_c)
        gap_ms = end_ms - spot.at_ms
        start = spot.state if spot.state is not None and gap_ms <= GAP_MS else None
        if start is None:
            start, gap_ms = first_state([each.air_c for each in day if each is not None]), HOUR_MS
        return body_of(exposure, self._holding(exposure, spot, water_c)).after(start, felt, gap_ms / HOUR_MS)

    def holding(self, exposure: Exposure, at_ms: int) -> Holding | None:
        """The water of an exposure's tank; None where it has none."""
        return self._holding(exposure, self._spots[exposure.name], self._beside(exposure.water_series, at_ms))

    def _holding(self, exposure: Exposure, spot: Spot, water_c: float | None) -> Holding | None:
        tank = self._site.tanks.get(exposure.tank)
        if tank is None:
            return None
        return Holding(spot.water_m3, tank.capacity_m3, water_c, spot.follows.time_constant_h)

    def risk(self, exposure: Exposure, told: NightForecast | None, at_ms: int, done: str = "") -> Risk:
        """An exposure in the coming night, by the word of the air at it."""
        spot = self._spots[exposure.name]
        state = spot.state if at_ms - spot.at_ms <= GAP_MS else None
        return risk(exposure, told, state, self.holding(exposure, at_ms), done)

    def reaches(
        self, exposure: Exposure, share: float, at_ms: int, airs: Sequence[tuple[int, float]], told: NightForecast
    ) -> int | None:
        """When a share of an exposure's water will be ice in a night of given airs; None when not in that night.

        Args:
            exposure: which.
            share: 0 to 1.
            at_ms: now.
            airs: the air of each hour of the night, degC.
            told: the word that they are of.
        """
        spot = self._spots[exposure.name]
        state, body = spot.state, body_of(exposure, self.holding(exposure, at_ms))
        lowest_c = min(air_c for _, air_c in airs)
        for end_ms, air_c in airs:
            if end_ms <= at_ms or state is None:
                continue
            if state.ice >= share:
                return at_ms
            state = body.after(state, air_c - night_below_c(exposure, told, lowest_c, air_c), 1.0)
            if state.ice >= share:
                return end_ms
        return None

    def as_json(self) -> dict[str, Any]:
        """The state of all, for the store."""
        return {name: asdict(spot) for name, spot in self._spots.items()}


def _restored(saved: Mapping[str, Any] | None) -> Spot:
    """A spot from the store; one that knows nothing where it cannot be read."""
    if saved is None:
        return Spot()
    try:
        state = saved["state"]
        return Spot(
            None if state is None else State(float(state["water_c"]), float(state["ice"])),
            int(saved["at_ms"]),
            saved["water_m3"],
            Following(**saved["follows"]),
            saved["ice_ms"],
        )
    except (KeyError, TypeError, ValueError):
        return Spot()
