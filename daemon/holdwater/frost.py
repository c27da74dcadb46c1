"""Frost as the rules hear of it: when to call the household, what is iced, when to watch for splits.

A fold in reading time over the site's air. It keeps its state in the store with the hour it has reached, and gives facts for the
rules and rows for the table of words; it asks no clock but the one it is given.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from typing import TYPE_CHECKING, Any

from holdwater.alerts.kinds.freezing import FORETOLD
from holdwater.alerts.states import Verdict
from holdwater.config.exposures import OF_TANK, Exposure
from holdwater.freeze.deeds import ACTIONS
from holdwater.freeze.done import Deeds, kind_of
from holdwater.freeze.evening import AFTER_SUNRISE_MS, Issue
from holdwater.freeze.exposure import Risk, curve
from holdwater.freeze.felt import Darkness
from holdwater.freeze.pipe import BLOCKED
from holdwater.freeze.spell import Spell, calling_chance, needs, on_blind, on_done, on_morning, on_word
from holdwater.freeze.sun import HOUR_MS, local_date
from holdwater.freeze.thaw import Watch
from holdwater.nights import LATE_MS, NIGHT, Happening, Hour, Models, Nights, Over, Word, place_of
from holdwater.spots import Beside, Levels, Spots

if TYPE_CHECKING:
    from holdwater.alerts.engine import Alerts
    from holdwater.alerts.rows import Change
    from holdwater.config.site import Site
    from holdwater.picture import Picture
    from holdwater.store.batch import Batch

MODEL = "frost"
VERSION = 1
ICED = 0.1  # share of ice from which it is told: less is a film that the morning takes away, and within the doubt of the heat balance
ICED_TANK = 0.005  # a finger's breadth on a tank
NEAR_C = 3.0  # nights so near to freezing something are those in which a missing word matters
NEAR_NIGHTS = 3
LOOK_MS = HOUR_MS // 6
SPOKEN = (
    "afternoon",
    "2",
)  # issues whose words are stored with what they mean for each exposure: those that are scored
WATCHED = "thaw watch"  # notes that the rules go by
SPELL = "freeze-tonight"
FORGIVES_MS = 36 * HOUR_MS  # what was drained since the day before a spell began may not have been quite empty

Row = tuple[str, str, int, int, str]


@dataclass(frozen=True, slots=True)
class Told:
    """A fact for the rules: as `Alerts.on_fact` takes it."""

    kind: str
    subject: str
    verdict: Verdict
    at_ms: int
    numbers: Mapping[str, float] = field(default_factory=dict)
    named: Mapping[str, str] = field(default_factory=dict)
    edition: str = ""


class Frost:
    """The fold. Feed it readings of `series`, notes and time; take facts, rows and models from what it returns.

    Args:
        site: its place, air, exposures and tanks.
        outside: the nights of the outside air.
        own: the nights of exposures that have their own air, by series.
        level: total volume in a tank by its newest trusted level, m3.
        beside: the recent value of a series at a time.
        saved: what `to_bytes` gave.
    """

    def __init__(
        self,
        site: Site,
        outside: Nights,
        own: Mapping[str, Nights],
        level: Levels,
        beside: Beside,
        saved: bytes = b"",
    ) -> None:
        self._site, self._outside, self._own = site, outside, dict(own)
        self._place = None if site.air_series is None else place_of(site)
        held = _readable(saved)
        darkness = None if self._place is None else Darkness(self._place)
        self._spots = None if darkness is None else Spots(site, darkness, level, beside, held.get("spots"))
        self._spell = _spell(held.get("spell"))
        self._said: dict[str, Any] = held.get("said", {})
        self._done: Deeds = {}
        self._limits: dict[str, float] = held.get("limits", {})
        self._watch = Watch(*held.get("watch", (None, None)))
        self._came: list[list[Any]] = held.get("came", [])
        self._told_day = str(held.get("told_day", ""))
        self._word: Word | None = None
        self._looked_ms = -LOOK_MS
        outside.done_ms = int(held.get("done_ms", -1))
        self._watched_ms = self._watch.until_ms
        self._stored = (outside.done_ms, self._spell, self._watch)
        self.series = frozenset({each for each in (site.air_series, site.humidity_series) if each} | set(own))
        self.rows: list[Row] = []
        self.models: Models = []

    # -- what comes in ---------------------------------------------------------------------------------------------------------------

    def on_reading(self, series: str, ts_ms: int, value: float) -> list[Told]:
        """One reading of a series in `series`; rows and models to store are in `rows` and `models` until the next call."""
        self.rows, self.models = [], []
        if series == self._site.humidity_series:
            self._outside.on_humidity(ts_ms, value)
        if series in self._own:
            self.models += self._own[series].on_air(ts_ms, value)[0]
        if series != self._site.air_series:
            return []
        models, happened = self._outside.on_air(ts_ms, value)
        return self._take(models, happened)

    def on_time(self, now_ms: int) -> list[Told]:
        """Time has passed, by a clock that is trusted: words are due, or cannot be given."""
        self.rows, self.models = [], []
        if self._place is None or 0 <= now_ms - self._looked_ms < LOOK_MS:
            return []
        self._looked_ms = now_ms
        found = self._take(*self._outside.on_time(now_ms))
        return found + self._blind(now_ms)

    def on_done(self, done: Deeds, at_ms: int) -> list[Told]:
        """What is drained or covered now, out of the household's notes; after a restart, and after each such note."""
        self.rows, self.models = [], []
        changed = {
            name for name in {*done, *self._done} & set(self._site.exposures) if done.get(name) != self._done.get(name)
        }
        self._done = dict(done)
        if self._spots is None or at_ms < 0:
            return []
        before = self._spell
        for name in changed:
            if not kind_of(done, name):
                self._spell = self._spell.opened(name)
        undone = [each for each in self._spell.named if each in self._site.exposures and not kind_of(done, each)]
        if any(kind_of(done, name) for name in changed):
            self._spell = on_done(self._spell, at_ms, undone)
        found = [
            told for name in sorted(changed) if (told := self._icing(self._site.exposures[name], at_ms)) is not None
        ]
        if self._spell.edition != before.edition:
            self._said = {"numbers": {}, "named": {"step": "done", "done": _listed(sorted(self._done))}}
            found.append(self._told(at_ms))
        return found

    def kept(self, told: Iterable[Told], alerts: Alerts, batch: Batch, picture: Picture) -> list[Change]:
        """Put what was learned and said into the batch, and let the rules hear of the facts; what came of it.

        Args:
            told: what the last call gave.
            alerts: the rules.
            batch: what is written next.
            picture: learns which levels are in doubt.
        """
        for name, through, body in self.models:
            batch.models[NIGHT, name] = (1, through, body)
        batch.forecasts += self.rows
        changes: list[Change] = []
        for each in told:
            made = alerts.on_fact(
                each.kind, each.subject, each.verdict, each.at_ms, numbers=each.numbers, named=each.named, edition=each.edition
            )  # fmt: skip
            if each.kind == SPELL and any(change.step is not None for change in made):
                alerts.on_note(
                    FORETOLD, each.at_ms, {}
                )  # a word of long ago is none: the first cold night after it is told
            changes += made
        if self.has_moved():
            batch.models[MODEL, MODEL] = (1, max(self.reached_ms, 0), self.to_bytes())
            picture.iced = self.iced_tanks
            if (until_ms := self.new_watch_ms()) is not None:
                alerts.on_note(WATCHED, self.reached_ms, {"until_ms": until_ms})
        return changes

    def has_moved(self) -> bool:
        """Whether the state is another one than when this was asked last."""
        now = (self._outside.done_ms, self._spell, self._watch)
        moved, self._stored = now != self._stored, now
        return moved

    @property
    def reached_ms(self) -> int:
        """The hour up to which it has gone; -1 before the first."""
        return self._outside.done_ms

    def to_bytes(self) -> bytes:
        """The state as JSON, for the store."""
        held = {
            "version": VERSION, "done_ms": self._outside.done_ms, "spell": asdict(self._spell), "said": self._said,
            "limits": self._limits, "watch": [self._watch.armed_ms, self._watch.until_ms], "came": self._came,
            "told_day": self._told_day, "spots": None if self._spots is None else self._spots.as_json(),
        }  # fmt: skip
        return json.dumps(held, allow_nan=False, separators=(",", ":")).encode()

    @property
    def iced_tanks(self) -> frozenset[str]:
        """Tanks whose level sensor is likely frozen or rimed: what it shows is in doubt."""
        if self._spots is None:
            return frozenset()
        iced = (each for each in self._spots.exposures if each.kind == "sensor" and each.tank)
        return frozenset(each.tank for each in iced if self._spots[each.name].ice >= ICED)

    # -- what happened ---------------------------------------------------------------------------------------------------------------

    def _take(self, models: Models, happened: Sequence[Happening]) -> list[Told]:
        self.models += models
        found: list[Told] = []
        for each in happened:
            if isinstance(each, Hour):
                found += self._hour(each)
            elif isinstance(each, Over):
                self.rows.append(each.row())
                found += self._over(each)
            else:
                found += self._speak(each)
        return found

    def _hour(self, hour: Hour) -> list[Told]:
        """An hour more: how cold everything is, what is iced, the watch at the thaw."""
        if self._spots is None:
            return []
        found: list[Told] = []
        for each in self._spots.exposures:
            day = hour.day
            if each.air_series in self._own:
                own = self._own[each.air_series].series()
                day = tuple(own.hours(hour.end_ms - 23 * HOUR_MS, hour.end_ms))
            self._spots.hour(each, hour.end_ms, day, empty=self._is_empty(each))
            found += [told] if (told := self._icing(each, hour.end_ms)) is not None else []
        return found + self._thaw(hour)

    def _is_empty(self, exposure: Exposure) -> bool:
        return exposure.drained or kind_of(self._done, exposure.name) == "drained"

    def _icing(self, exposure: Exposure, at_ms: int) -> Told | None:
        """Whether there is ice in an exposure; a level sensor's is told as a level in doubt."""
        if self._spots is None or (exposure.kind == "sensor" and exposure.tank):
            return None
        spot = self._spots[exposure.name]
        ice = 0.0 if self._is_empty(exposure) else spot.ice
        iced = ICED_TANK if exposure.kind in OF_TANK else ICED
        verdict = Verdict.BEYOND if ice >= iced else Verdict.BETWEEN if ice > 0 else Verdict.BACK
        numbers = {"ice": ice, "since_ms": float(spot.ice_ms or at_ms)}
        blocked_ms = self._blocked_ms(exposure, at_ms) if verdict is Verdict.BEYOND else None
        if blocked_ms is not None:
            numbers["blocked_ms"] = float(blocked_ms)
        return Told("icing", exposure.name, verdict, at_ms, numbers, {"what": exposure.kind, "tank": exposure.tank})

    def _blocked_ms(self, exposure: Exposure, at_ms: int) -> int | None:
        """When ice would block it in a night like the 50 % figure; None when not this night, or nothing is told of it."""
        word, spots = self._word, self._spots
        if word is None or spots is None or exposure.kind not in ("spigot", "pipe") or word.forecast.end_ms < at_ms:
            return None
        return spots.reaches(exposure, BLOCKED, at_ms, curve(word.forecast, word.forecast.p50_c), word.forecast)

    def _thaw(self, hour: Hour) -> list[Told]:
        """Armed by an hour below the limit of something that held water; on from the first hour above the thaw."""
        if not self._limits and self._watch == Watch():
            return []
        before = self._watch
        limit_c = max(self._limits.values(), default=-273.15)
        self._watch = before.hour(hour.end_ms, None if hour.air is None else hour.air.air_c, limit_c)
        until_ms = self._watch.until_ms
        verdict = Verdict.BEYOND if until_ms is not None else Verdict.BETWEEN if self._watch.armed_ms else Verdict.BACK
        numbers = {"until_ms": float(until_ms or 0), "air_c": 0.0 if hour.air is None else hour.air.air_c}
        if self._spell.coldest_c is not None:
            numbers["coldest_c"] = self._spell.coldest_c
        return [Told("thaw-watch", "air", verdict, hour.end_ms, numbers, {"spots": _listed(sorted(self._limits))})]

    def new_watch_ms(self) -> int | None:
        """Until when losses are watched more closely, once when that has changed; None while it has not."""
        until_ms, before_ms = self._watch.until_ms, self._watched_ms
        self._watched_ms = until_ms
        return None if until_ms == before_ms else until_ms

    def _over(self, over: Over) -> list[Told]:
        """The line of the morning after."""
        came_c, before = over.lowest_c, self._spell.edition
        if came_c is None:
            return []
        self._came = [*self._came, [over.end_ms, came_c]][-NEAR_NIGHTS:]
        self._spell = on_morning(self._spell, over.night, over.end_ms, came_c, self._limits)
        if self._spell.edition != before:
            named = {"step": self._spell.step, "spots": _listed(sorted(self._below(came_c)))}
            self._said = {"numbers": {"came_c": came_c}, "named": named}
        return [self._told(over.end_ms)] if self._spell.is_on else []

    def _below(self, came_c: float) -> list[str]:
        return [name for name, limit_c in self._limits.items() if came_c < limit_c]

    def _speak(self, word: Word) -> list[Told]:
        """A word of the coming night, and what it means for each exposure."""
        self._word = word
        risks, day = self._risks(word, {}), word.night.day.isoformat()
        due = self._risks(word, self._done) if self._done else risks
        # Later limits are those of what is left of the night; the night as a whole is judged by the first.
        if day != self._told_day or word.issue.name in SPOKEN:
            self._limits = {
                each.exposure.name: each.limit_c for each in risks if each.limit_c is not None and self._counts(each)
            }
        self._told_day = day
        before, told = self._spell, word.forecast
        spots = _spots_row(risks, told.nights, self._done) if word.issue.name in SPOKEN else None
        self.rows.append(word.row(spots))
        self._spell = on_word(before, word.issue, word.night, told, due)
        if self._spell.edition != before.edition:
            self._said = _said(self._spell, word, needs(due, told.nights), self._done)
        if self._spell.is_on or before.is_on:
            return [self._told(told.issued_ms)]
        return []

    def _risks(self, word: Word, done: Deeds) -> list[Risk]:
        if self._spots is None:
            return []
        at_ms, found = word.forecast.issued_ms, []
        for each in self._spots.exposures:
            at_it = (
                self._own[each.air_series].word(word.issue, word.night, at_ms) if each.air_series in self._own else word
            )
            told = None if at_it is None else at_it.forecast
            found.append(self._spots.risk(each, told, at_ms, kind_of(done, each.name)))
        return found

    def _counts(self, risk: Risk) -> bool:
        """Whether a night below its limit may have split it: it held water, or was drained in this spell only."""
        done, since_ms = self._done.get(risk.exposure.name), self._spell.since_ms
        if done is None or done.kind != "drained":
            return True
        return since_ms is not None and done.at_ms >= since_ms - FORGIVES_MS

    def _told(self, at_ms: int) -> Told:
        """The spell as it stands, for the rules."""
        verdict = Verdict.BEYOND if self._spell.is_on else Verdict.BACK
        numbers, named = self._said.get("numbers", {}), self._said.get("named", {})
        return Told(SPELL, "air", verdict, at_ms, numbers, named, self._spell.edition)

    def _blind(self, now_ms: int) -> list[Told]:
        """The afternoon word is due and there is no air to make it from."""
        place, last_ms = self._place, self._outside.last_ms
        if place is None or last_ms < 0 or now_ms - last_ms < 2 * HOUR_MS:
            return []
        tonight = self._outside.night(local_date(now_ms, place.zone), place)
        due_ms = Issue("afternoon").at_ms(tonight, place) + LATE_MS
        if not due_ms <= now_ms < tonight.sunrise_ms or self._told_day == tonight.day.isoformat():
            return []
        recent = [c for end_ms, c in self._came if now_ms - end_ms < (NEAR_NIGHTS + 1) * 24 * HOUR_MS]
        near_c = NEAR_C + max(self._limits.values(), default=0.0)
        before = self._spell.edition
        holds = any(not self._is_empty(each) for each in self._site.exposures.values())
        self._spell = on_blind(self._spell, last_ms, now_ms, matters=holds and min(recent, default=99.0) < near_c)
        if self._spell.edition == before:
            return []
        numbers = {"last_ms": float(last_ms)} | ({"came_c": recent[-1]} if recent else {})
        undone = [each.name for each in self._site.exposures.values() if not self._is_empty(each)]
        self._said = {"numbers": numbers, "named": {"step": "blind", "spots": _listed(undone)}}
        return [self._told(now_ms)]


def _said(spell: Spell, word: Word, due: Sequence[Risk], done: Deeds) -> dict[str, Any]:
    """What a text is made of: figures of the night and of each exposure, what to do, what is done."""
    told = word.forecast
    numbers = {
        "p10_c": told.p10_c, "p50_c": told.p50_c, "p90_c": told.p90_c, "near_ms": float(told.end_ms - AFTER_SUNRISE_MS),
        "chance": max((each.chance or 0.0 for each in due), default=0.0),
    }  # fmt: skip
    if spell.coldest_c is not None:
        numbers["coldest_c"] = spell.coldest_c
    for each in due:
        name = each.exposure.name
        figures = {"limit_c": each.limit_c, "chance": each.chance, "from_ms": each.from_ms, "ice": each.ice}
        numbers |= {f"{key}:{name}": float(value) for key, value in figures.items() if value is not None}
    named = {"step": spell.step, "when": word.issue.kind, "names": "|".join(each.exposure.name for each in due)}
    named |= {f"deed:{each.exposure.name}": ACTIONS[each.exposure.kind] for each in due}
    if done:
        named["done"] = _listed(sorted(done))
    return {"numbers": numbers, "named": named}


def _spots_row(risks: Sequence[Risk], nights: int, done: Deeds) -> dict[str, dict[str, object]]:
    """What a word meant for each exposure, as it is stored: limit, chance, whether it called, what was ticked off."""
    found: dict[str, dict[str, object]] = {}
    for each in risks:
        if each.limit_c is None or each.chance is None:
            continue
        call = each.act and each.chance >= calling_chance(each, nights)
        found[each.exposure.name] = {"limit_c": round(each.limit_c, 2), "chance": round(each.chance, 3), "call": call}
        if each.exposure.name in done:
            found[each.exposure.name]["done"] = done[each.exposure.name].kind
    return found


def _listed(names: Sequence[str]) -> str:
    """``a``, ``a and b``, ``a, b and c``."""
    return " and ".join([", ".join(names[:-1]), names[-1]]) if len(names) > 1 else "".join(names)


def _readable(saved: bytes) -> dict[str, Any]:
    """The state, or nothing where it cannot be read: spots and spells then begin anew."""
    try:
        held = json.loads(saved) if saved else {}
    except ValueError:
        return {}
    return held if isinstance(held, dict) and held.get("version") == VERSION else {}


def _spell(saved: Mapping[str, Any] | None) -> Spell:
    if not saved:
        return Spell()
    try:
        return replace(Spell(**saved), named=tuple(saved["named"]), sure=tuple(saved["sure"]))
    except (KeyError, TypeError):
        return Spell()
