"""What fresh readings mean: gauges, rules, frost and outlook are moved by them, in one order. No I/O of its own.

Live and in a replay the same readings, in whatever batches they come, move the same state to the same end.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from holdwater import power
from holdwater.alerts.states import Verdict

if TYPE_CHECKING:
    from holdwater.alerts.engine import Alerts
    from holdwater.alerts.rows import Change
    from holdwater.config.site import Site
    from holdwater.frost import Frost, Told
    from holdwater.gauge import LevelPoint
    from holdwater.outlook import Outlook
    from holdwater.picture import Picture
    from holdwater.reception import Fresh, Moment
    from holdwater.store.batch import Batch


FILLING_S = 2 * 3600.0
"""For so long after a meter has counted water into a tank its rise is expected."""


class Evolution:
    """The live state of a site, moved by readings, by notes and by time; what the rules make of it comes back.

    Args:
        site: the site.
        picture: gauges of its tanks.
        alerts: the rules.
        outlook: days above reserve and haul by.
        frost: what can freeze; None where the site cannot know.
    """

    def __init__(self, site: Site, picture: Picture, alerts: Alerts, outlook: Outlook, frost: Frost | None) -> None:
        self._site = site
        self._picture = picture
        self._alerts = alerts
        self._outlook = outlook
        self._frost = frost

    def on_readings(self, fresh: Sequence[Fresh], now: Moment, batch: Batch) -> list[Change]:
        """Take readings that are new.

        Args:
            fresh: the readings, in order of time.
            now: both clocks.
            batch: takes what the frost learned and said.
        """
        changes: list[Change] = []
        for each in fresh:
            changes += self._reading(each, now, batch)
        levels = self._picture.feed(fresh)
        for tank, at_ms in self._picture.filling():  # the meter says what a note of a well run would say
            changes += self._alerts.on_note("well run", at_ms, {"tank": tank, "for_s": FILLING_S})
        for tank, point in levels:
            changes += self._level(tank, point, now)
        return changes

    def on_done(self, now: Moment, batch: Batch) -> list[Change]:
        """A wish was carried out: it may have been a note about something that can freeze."""
        if self._frost is None:
            return []
        return self._kept(self._frost.on_done(self._alerts.done(now.wall_ms), now.wall_ms), batch)

    def on_time(self, now: Moment, batch: Batch) -> list[Change]:
        """Time passed; nothing freezes by a clock that nobody trusts."""
        if self._frost is None or not now.trusted:
            return []
        return self._kept(self._frost.on_time(now.wall_ms), batch)

    def _reading(self, each: Fresh, now: Moment, batch: Batch) -> list[Change]:
        changes = list(self._alerts.on_heard("", each.series, each.ts_ms, now.mono_s))
        node, _, quantity = each.series.partition(":")
        if quantity == power.QUANTITY:
            changes += self._battery(node, each, now)
        if each.series == self._site.air_series:
            changes += self._alerts.on_air(each.ts_ms, each.value_si, now.mono_s)
        changes += self._outlook.on_reading(each.series, each.ts_ms, each.value_si)
        if self._frost is not None and each.series in self._frost.series:
            changes += self._kept(self._frost.on_reading(each.series, each.ts_ms, each.value_si), batch)
        return changes

    def _kept(self, told: Iterable[Told], batch: Batch) -> list[Change]:
        """Keep what the frost has learned and said, and let the rules hear of it."""
        return [] if self._frost is None else list(self._frost.kept(told, self._alerts, batch, self._picture))

    def _battery(self, node: str, reading: Fresh, now: Moment) -> list[Change]:
        air_c = self._picture.beside(self._site.air_series, reading.ts_ms)
        numbers = {"volts": reading.value_si} | ({} if air_c is None else {"air_c": air_c})
        return self._alerts.on_fact("battery", node, power.verdict(reading.value_si), now.wall_ms, numbers=numbers)

    def _level(self, tank: str, point: LevelPoint, now: Moment) -> list[Change]:
        changes = list(
            self._alerts.on_level(
                tank, point.ts_ms, point.on_hand_m3, point.u_noise_m3, point.u_scale_m3, point.quality, now.mono_s
            )
        )
        disputes = self._picture.argued(tank, point.ts_ms)
        if disputes is not None and self._alerts.knows("disagree"):
            verdict = Verdict.BEYOND if disputes else Verdict.BACK
            words = disputes[0].words(self._site.measure) if disputes else ""
            changes += self._alerts.on_fact("disagree", tank, verdict, point.ts_ms, words)
        return changes + self._outlook.on_level(tank, point)
