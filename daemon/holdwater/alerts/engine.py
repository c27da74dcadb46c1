"""The rules at work: facts in, changes out. Holds immutable matters; does no I/O and asks no clock.

The loop feeds every reading, note and tick, and writes the changes in the same transaction as the reading. After a
restart it is given the saved rows and its memory back; a restart by itself changes nothing and sends nothing.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from typing import Any, ClassVar

from holdwater.alerts.facts import AirFact, Fact, FlowFact, LevelFact, Moment, SilenceFact, SystemFact
from holdwater.alerts.flow import Flow
from holdwater.alerts.heard import Heard
from holdwater.alerts.kind import Kind
from holdwater.alerts.kinds import KINDS
from holdwater.alerts.lived import Lived
from holdwater.alerts.matter import Advance, advance
from holdwater.alerts.matters import Matters
from holdwater.alerts.notes import Notes
from holdwater.alerts.place import SiteLike
from holdwater.alerts.rows import Change, SavedNotice
from holdwater.alerts.states import Verdict
from holdwater.alerts.telling import plain
from holdwater.freeze.done import Done
from holdwater.snapshot import NoticeNow
from holdwater.tanks.tank import Tank
from holdwater_sensors.quality import OK, Grade, Reason, grade_of, reason_of

MEMORY = 1  # version of the memory's form
ANSWERS = frozenset({"watering", "working on it", "mended", "load", "well run", "moved", "link shut", "tested"})
"""Notes that say what the household does about a tank: a notice that is on need not be repeated after one."""
GAPS = 3  # a gap longer than so many intervals does not count towards clearing

Usual = Callable[[str, int], float | None]


def _unknown_usual(_tank: str, _at_ms: int) -> float | None:
    return None


def _holders_first(kinds: Mapping[str, Kind]) -> list[Kind]:
    """Kinds that hold others back are judged before those they hold back."""
    holders = {name for kind in kinds.values() for name in (*kind.held_by, *kind.said_by)}
    return sorted(kinds.values(), key=lambda kind: (kind.name not in holders, kind.name))


class Alerts:
    """What the rules hear, and what follows.

    Args:
        site: tanks, instruments, settings and channels.
        saved_rows: rows of `notice` that are not clear.
        next_id: number of the next notice; numbers are never used again.
        memory: what `memory()` gave before the restart; empty at the very first start.
        uuid: name of this installation in the keys of what goes out; the site's name when left out.
        kinds: the kinds at work.
        step_run: how a reading moves a run; a seam for tests.
        usual: largest usual draw (m3) of a tank at an hour (ms UTC), None when not known; *valve open* then need not
            wait for its fixed limit.
    """

    MATTERS: ClassVar[type[Matters]] = Matters

    def __init__(
        self,
        site: SiteLike,
        saved_rows: Iterable[SavedNotice] = (),
        next_id: int = 1,
        memory: str = "",
        *,
        uuid: str = "",
        kinds: Mapping[str, Kind] = KINDS,
        step_run: Advance = advance,
        usual: Usual = _unknown_usual,
    ) -> None:
        self._site = site
        self._kinds = kinds
        self._usual = usual
        self._lived = Lived()
        self._matters = self.MATTERS(site, uuid or plain(site.name), kinds, step_run, self._lived, next_id)
        order = _holders_first(kinds)
        self._by_fact: dict[type, tuple[Kind, ...]] = {
            fact: tuple(kind for kind in order if fact in kind.listens)
            for fact in (LevelFact, FlowFact, AirFact, SilenceFact)
        }
        self._levels: dict[str, int] = {}
        self._level_gaps: dict[str, Heard] = {}
        self._trusted: dict[str, tuple[int, float, float]] = {}
        self._air: tuple[int, float | None] | None = None
        # nobody dips by the clock: a stick that says nothing is not silent
        watched = (each for each in site.instruments.values() if each.gives_depth and each.kind != "dip")
        self._instruments = {each.series: each for each in watched}
        self._heard: dict[str, Heard] = {series: Heard(0.0) for series in self._instruments}
        self._notes = Notes()
        self._flows: dict[str, Flow] = {}
        self._restore(saved_rows, memory)

    # Facts

    def on_level(
        self,
        tank: str,
        ts_ms: int,
        on_hand_m3: float | None,
        u_noise_m3: float,
        u_scale_m3: float,
        quality: int,
        mono_s: float,
    ) -> list[Change]:
        """One reading of a tank's level; late, repeated and future ones move nothing."""
        self._pass(mono_s)
        newest_ms = self._levels.get(tank)
        if (quality and reason_of(quality) is Reason.FUTURE) or (newest_ms is not None and ts_ms <= newest_ms):
            return []
        self._levels[tank] = ts_ms
        gaps = self._level_gaps.get(tank)
        self._level_gaps[tank] = gaps.again(ts_ms, mono_s, None) if gaps else Heard(mono_s, ts_ms)
        fact = LevelFact(tank, ts_ms, on_hand_m3, u_noise_m3, u_scale_m3, quality)
        flow = self._flows.get(tank)
        if flow is not None and fact.trusted_m3 is not None:
            fact = replace(fact, steady_m3=flow.steady_m3(ts_ms, fact.trusted_m3))
        changes = self._judge(fact, ts_ms, self._stale_ms(tank))
        trusted_m3 = fact.trusted_m3
        if trusted_m3 is not None:
            self._trusted[tank] = (ts_ms, trusted_m3, fact.u_m3)
            changes += self._judge_flow(fact, trusted_m3)
        return changes

    def on_air(self, ts_ms: int, air_c: float | None, mono_s: float, quality: int = OK) -> list[Change]:
        """One reading of the outside air; only a good one moves anything."""
        self._pass(mono_s)
        if air_c is None or grade_of(quality) is not Grade.OK or (self._air is not None and ts_ms <= self._air[0]):
            return []
        gaps = self._level_gaps.get("")
        self._level_gaps[""] = gaps.again(ts_ms, mono_s, None) if gaps else Heard(mono_s, ts_ms)
        self._air = (ts_ms, air_c)
        return self._judge(AirFact(ts_ms, air_c), ts_ms, self._stale_ms(""))

    def on_heard(
        self, node: str, series: str, ts_ms: int, mono_s: float, interval_s: float | None = None
    ) -> list[Change]:
        """Something came from a series; `interval_s` is what the sensor box announced, if it did."""
        self._pass(mono_s)
        name = series if ":" in series else f"{node}:{series}"
        heard = self._heard.get(name)
        if heard is None:
            return []
        self._heard[name] = heard.again(ts_ms, mono_s, interval_s)
        if not any(matter.subject == name for matter in self._matters):
            return []
        fact = SilenceFact(
            name,
            self._instruments[name].tank,
            self._lived.wall_ms(ts_ms),
            heard.last_ms,
            mono_s - heard.mono_s,
            heard.limit_s,
            True,
        )
        return self._judge(fact, fact.ts_ms, 0)

    def on_fact(
        self,
        kind: str,
        subject: str,
        verdict: Verdict | str,
        ts_ms: int,
        words: str = "",
        numbers: Mapping[str, float] | None = None,
        upper: Verdict | str = Verdict.UNKNOWN,
        *,
        edition: str = "",
        named: Mapping[str, str] | None = None,
    ) -> list[Change]:
        """A fact about the service or a figure worked out elsewhere, already judged; its parts as in `SystemFact`.

        Raises:
            KeyError: there is no such kind.
        """
        known = self._kinds[kind]
        named, numbers = named or {}, numbers or {}
        said = Verdict(verdict).value, words, numbers, Verdict(upper).value
        fact = SystemFact(kind, subject, ts_ms, *said, edition=edition, named=named)
        judgement = known.judge(fact, self, self._matters.rule(known, subject))
        changes = [] if judgement is None else self._matters.apply(known, judgement, ts_ms, 0)
        return changes + self._matters.release(ts_ms)

    def knows(self, kind: str) -> bool:
        """Whether there is a kind of notice of that name."""
        return kind in self._kinds

    def on_note(self, kind: str, at_ms: int, body: Mapping[str, object]) -> list[Change]:
        """A note of the household: changes what is normal, and ends by itself. One that says what was done is an answer."""
        self._notes = self._notes.added(kind, at_ms, body)
        return self._matters.answered(str(body.get("tank") or ""), at_ms) if kind in ANSWERS else []

    def tick(self, now: Moment) -> list[Change]:
        """Time has passed: silence, repeats, the end of *quiet*. A step of the wall clock changes nothing."""
        if self._lived.now is None:
            self._heard = {name: heard.from_now(now.mono_s) for name, heard in self._heard.items()}
        self._pass(now.mono_s)
        self._lived.now = now
        changes: list[Change] = []
        for name, heard in self._heard.items():
            for_s = now.mono_s - heard.mono_s
            if for_s >= heard.limit_s and self._counts(name, now.wall_ms):
                fact = SilenceFact(
                    name, self._instruments[name].tank, now.wall_ms, heard.last_ms, for_s, heard.limit_s, False
                )
                changes += self._judge(fact, now.wall_ms, 0)
        changes += self._matters.repeats()
        return changes + self._matters.release(now.wall_ms)

    def next_due_s(self) -> float | None:
        """Monotonic time at which time alone changes something next; None when nothing is due."""
        if self._lived.now is None:
            return None
        now_s = self._lived.now.mono_s
        dues = [self._silence_due_s(name, heard, now_s) for name, heard in self._heard.items()]
        dues += self._matters.dues_s(now_s)
        return min((due for due in dues if due is not None), default=None)

    # The household

    def seen(self, notice: int, at_ms: int = 0) -> list[Change]:
        """The household has seen a notice: its repeats stop. Nothing when there is no such notice, or it is over."""
        return self._matters.seen(notice, at_ms)

    def quiet(self, notice: int, for_s: float) -> list[Change]:
        """Keep a notice quiet for a while, at most 7 days; 0 ends it. It never mutes a worse severity."""
        return self._matters.quiet(notice, for_s)

    def active(self) -> tuple[NoticeNow, ...]:
        """Every notice that is on, the worst first."""
        return self._matters.active()

    def memory(self) -> str:
        """What must outlast a restart besides the rows, as JSON; written by the loop with each commit."""
        return json.dumps(
            {
                "version": MEMORY,
                "lived_ms": round(self._lived.ms),
                "levels": self._levels,
                "trusted": self._trusted,
                "air": self._air,
                "gaps": {name: [each.last_ms, each.gaps_s] for name, each in self._level_gaps.items()},
                "heard": {name: [each.last_ms, each.gaps_s, each.announced_s] for name, each in self._heard.items()},
                **self._matters.as_memory(),
                "flows": {name: flow.as_text() for name, flow in self._flows.items()},
                "notes": self._notes.as_list(),
                "deeds": self._notes.deeds_as_list(),
                "shut": list(self._notes.shut),
            },
            separators=(",", ":"),
        )

    @property
    def next_id(self) -> int:
        """Number of the next notice."""
        return self._matters.next_id

    # What a kind may look at

    def tank(self, name: str) -> Tank | None:
        """The tank of that name."""
        return self._site.tanks.get(name)

    def trusted(self, tank: str) -> tuple[int, float, float] | None:
        """Time, on hand and uncertainty of the newest trusted reading before the present one."""
        return self._trusted.get(tank)

    def noted(self, kind: str, subject: str, at_ms: int) -> bool:
        """Whether a note of that kind holds for the subject."""
        return self._notes.holds(kind, subject, at_ms)

    def keeps(self, kind: str, at_ms: int) -> bool:
        """Whether the household has written a note of that kind in the last two months."""
        return self._notes.keeps(kind, at_ms)

    def shut(self, tank: str) -> bool:
        """Whether a note has shut a link of a tank, and none has opened it since."""
        return any(name == tank for name, _ in self._notes.shut)

    def done(self, at_ms: int) -> Mapping[str, Done]:
        """What that can freeze is drained or covered, by its name in the config."""
        return self._notes.done(at_ms)

    # Inside

    def _judge_flow(self, fact: LevelFact, on_hand_m3: float) -> list[Change]:
        flow = self._flows.get(fact.tank)
        if flow is None:
            flow = self._flows[fact.tank] = Flow(fact.tank)
        facts = flow.feed(fact.ts_ms, on_hand_m3, fact.u_noise_m3)
        if not facts and any(self._matters.get(kind.name, fact.tank) for kind in self._by_fact[FlowFact]):
            facts = [FlowFact(fact.tank, fact.ts_ms, on_hand_m3)]
        changes: list[Change] = []
        for each in facts:
            usual_m3 = None if each.ended or each.moved_m3 >= 0 else self._usual(fact.tank, fact.ts_ms)
            changes += self._judge(replace(each, usual_m3=usual_m3), fact.ts_ms, self._stale_ms(fact.tank))
        return changes

    def _judge(self, fact: Fact, ts_ms: int, stale_ms: int) -> list[Change]:
        changes: list[Change] = []
        for kind in self._by_fact[type(fact)]:
            subject = _subject(fact)
            judgement = kind.judge(fact, self, self._matters.rule(kind, subject))
            if judgement is not None:
                changes += self._matters.apply(kind, judgement, ts_ms, stale_ms)
        if changes:
            changes += self._matters.release(ts_ms)
        return changes

    def _stale_ms(self, name: str) -> int:
        pace_s = self._level_gaps[name].pace_s
        return max(round(GAPS * pace_s * 1000), 3_600_000) if pace_s is not None else 3_600_000

    def _counts(self, series: str, wall_ms: int) -> bool:
        each = self._instruments[series]
        return (each.from_ms is None or each.from_ms <= wall_ms) and (each.until_ms is None or wall_ms < each.until_ms)

    def _silence_due_s(self, name: str, heard: Heard, now_s: float) -> float | None:
        """When silence of a series changes something next; None when it is off, or has been noticed already."""
        due_s: float | None = None
        for kind in self._by_fact[SilenceFact]:
            rule, matter = self._matters.rule(kind, name), self._matters.get(kind.name, name)
            if rule.off or (matter is not None and matter.run.is_on):
                continue
            each_s = heard.mono_s + heard.limit_s
            if matter is None and each_s < now_s - 60:
                each_s = now_s + 60  # long past and yet nothing: its instrument does not count at present
            if matter is not None:
                each_s = now_s + max(1.0, (rule.timing.raise_after_ms - (self._lived.ms - matter.run.from_ms)) / 1000)
            due_s = each_s if due_s is None else min(due_s, each_s)
        return due_s

    def _pass(self, mono_s: float) -> None:
        step_s = self._lived.up_to(mono_s)
        if step_s:
            self._matters.pass_time(step_s)

    def _restore(self, rows: Iterable[SavedNotice], memory: str) -> None:
        held = _readable(memory)
        self._matters.restore(rows, held.get("runs", {}), held.get("flaps", []))
        self._lived.ms = float(held.get("lived_ms", 0.0))
        self._levels = {name: int(ts) for name, ts in held.get("levels", {}).items()}
        self._trusted = {name: (int(ts), float(m3), float(u)) for name, (ts, m3, u) in held.get("trusted", {}).items()}
        air = held.get("air")
        self._air = None if air is None else (int(air[0]), air[1])
        self._level_gaps = {name: Heard(0.0, ts, tuple(gaps)) for name, (ts, gaps) in held.get("gaps", {}).items()}
        for name, (ts, gaps, announced_s) in held.get("heard", {}).items():
            if name in self._heard:
                self._heard[name] = Heard(0.0, ts, tuple(gaps), announced_s)
        self._flows = {name: Flow.of(name, text) for name, text in held.get("flows", {}).items()}
        self._notes = Notes.of(held.get("notes", []), held.get("deeds", []), held.get("shut", []))


def _subject(fact: Fact) -> str:
    if isinstance(fact, LevelFact | FlowFact):
        return fact.tank
    return fact.series if isinstance(fact, SilenceFact) else "air"


def _readable(memory: str) -> dict[str, Any]:
    """The memory, or nothing where it cannot be read: rules then learn intervals and newest times anew."""
    try:
        held = json.loads(memory) if memory else {}
    except ValueError:
        return {}
    return held if isinstance(held, dict) and held.get("version") == MEMORY else {}
