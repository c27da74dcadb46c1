"""The rules at work: facts in, changes out. Holds immutable matters; does no I/O and asks no clock.

The loop feeds every reading, note and tick, and writes the changes in the same transaction as the reading. After a
restart it is given the saved rows and its memory back; a restart by itself changes nothing and sends nothing.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import replace
from typing import Any

from holdwater.alerts.facts import AirFact, Fact, FlowFact, LevelFact, Moment, SilenceFact, SystemFact
from holdwater.alerts.flow import Flow
from holdwater.alerts.heard import Heard
from holdwater.alerts.kind import Kind, Rule
from holdwater.alerts.kinds import KINDS
from holdwater.alerts.matter import START, Advance, Judgement, Matter, Severity, advance
from holdwater.alerts.notes import Notes
from holdwater.alerts.place import SiteLike
from holdwater.alerts.rows import Change, Outgoing, SavedNotice, Step, progress, restored, saved, with_progress
from holdwater.alerts.settings import rule_of
from holdwater.alerts.states import State, Verdict
from holdwater.alerts.telling import DAY_MS, SHORT_MAX, Phase, Telling, cut, plain
from holdwater.config.channels import with_defaults
from holdwater.snapshot import NoticeNow
from holdwater.tanks.tank import Tank
from holdwater_sensors.quality import OK, Grade, Reason, grade_of, reason_of

REPEAT_S = (1800.0, 3600.0, 7200.0, 14400.0)  # an unseen *act now* is told again, ever more rarely, then no more
QUIET_MOST_S = 7 * 86400.0
FLAPS_A_DAY = 6  # told changes of one matter a day; after that one more line, then quiet
FLAP_HOLD_MS = 2 * 3_600_000  # a raise held back for flapping is told when it has lasted so long
MEMORY = 1  # version of the memory's form
GAPS = 3  # a gap longer than so many intervals does not count towards clearing

Key = tuple[str, str]
Usual = Callable[[str, int], float | None]


def _unknown_usual(_tank: str, _at_ms: int) -> float | None:
    return None


def _holders_first(kinds: Mapping[str, Kind]) -> list[Kind]:
    """Kinds that hold others back are judged before those they hold back."""
    holders = {name for kind in kinds.values() for name in kind.held_by}
    return sorted(kinds.values(), key=lambda kind: (kind.name not in holders, kind.name))


class Alerts:
    """All matters of a site.

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
        self._uuid = uuid or plain(site.name)
        self._kinds = kinds
        self._advance = step_run
        self._usual = usual
        self._channels = with_defaults(site.channels)
        order = _holders_first(kinds)
        self._by_fact: dict[type, tuple[Kind, ...]] = {
            fact: tuple(kind for kind in order if fact in kind.listens)
            for fact in (LevelFact, FlowFact, AirFact, SilenceFact)
        }
        self._rules: dict[Key, Rule] = {}
        self._next_id = next_id
        self._spare: dict[Key, int] = {}
        self._matters: dict[Key, Matter] = {}
        self._levels: dict[str, int] = {}
        self._level_gaps: dict[str, Heard] = {}
        self._trusted: dict[str, tuple[int, float, float]] = {}
        self._air: tuple[int, float | None] | None = None
        self._flaps: dict[Key, tuple[int, ...]] = {}
        self._instruments = {each.series: each for each in site.instruments.values() if each.gives_depth}
        self._heard: dict[str, Heard] = {series: Heard(0.0) for series in self._instruments}
        self._notes = Notes()
        self._flows: dict[str, Flow] = {}
        self._now: Moment | None = None
        self._lived_ms = 0.0
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
        if not any(key[1] == name for key in self._matters):
            return []
        fact = SilenceFact(
            name,
            self._instruments[name].tank,
            self._wall_ms(ts_ms),
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
    ) -> list[Change]:
        """A fact about the service or a figure worked out elsewhere, already judged.

        Raises:
            KeyError: there is no such kind.
        """
        known = self._kinds[kind]
        fact = SystemFact(kind, subject, ts_ms, Verdict(verdict).value, words, numbers or {}, Verdict(upper).value)
        judgement = known.judge(fact, self, self._rule(known, subject))
        changes = [] if judgement is None else self._apply(known, judgement, ts_ms, 0)
        return changes + self._release(ts_ms)

    def on_note(self, kind: str, at_ms: int, body: Mapping[str, object]) -> list[Change]:
        """A note of the household: changes what is normal, and ends by itself."""
        self._notes = self._notes.added(kind, at_ms, body)
        return []

    def tick(self, now: Moment) -> list[Change]:
        """Time has passed: silence, repeats, the end of *quiet*. A step of the wall clock changes nothing."""
        if self._now is None:
            self._heard = {name: heard.from_now(now.mono_s) for name, heard in self._heard.items()}
        self._pass(now.mono_s)
        self._now = now
        changes: list[Change] = []
        for name, heard in self._heard.items():
            for_s = now.mono_s - heard.mono_s
            if for_s >= heard.limit_s and self._counts(name, now.wall_ms):
                fact = SilenceFact(
                    name, self._instruments[name].tank, now.wall_ms, heard.last_ms, for_s, heard.limit_s, False
                )
                changes += self._judge(fact, now.wall_ms, 0)
        for matter in list(self._matters.values()):
            changes += self._repeat(matter)
        return changes + self._release(now.wall_ms)

    def next_due_s(self) -> float | None:
        """Monotonic time at which time alone changes something next; None when nothing is due."""
        if self._now is None:
            return None
        now_s = self._now.mono_s
        dues = [self._silence_due_s(name, heard, now_s) for name, heard in self._heard.items()]
        dues += [
            now_s + max(matter.repeat_in_s, matter.quiet_left_s)
            for matter in self._matters.values()
            if matter.repeat_in_s is not None and matter.run.state is State.ACTIVE
        ]
        dues += [now_s + matter.quiet_left_s for matter in self._matters.values() if matter.quiet_left_s > 0]
        return min((due for due in dues if due is not None), default=None)

    # The household

    def seen(self, notice: int, at_ms: int = 0) -> list[Change]:
        """The household has seen a notice: its repeats stop. Nothing when there is no such notice, or it is over."""
        matter = self._by_id(notice)
        if matter is None or matter.seen_ms is not None:
            return []
        return [self._keep(replace(matter, seen_ms=at_ms or self._wall_ms(matter.since_ms), repeat_in_s=None))]

    def quiet(self, notice: int, for_s: float) -> list[Change]:
        """Keep a notice quiet for a while, at most 7 days; 0 ends it. It never mutes a worse severity."""
        matter = self._by_id(notice)
        if matter is None:
            return []
        return [self._keep(replace(matter, quiet_left_s=min(max(for_s, 0.0), QUIET_MOST_S)))]

    def active(self) -> tuple[NoticeNow, ...]:
        """Every notice that is on, the worst first."""
        on = [matter for matter in self._matters.values() if matter.run.is_on]
        on.sort(key=lambda matter: (-matter.severity.rank, matter.since_ms, matter.id))
        return tuple(self._shown(matter) for matter in on)

    def memory(self) -> str:
        """What must outlast a restart besides the rows, as JSON; written by the loop with each commit."""
        return json.dumps(
            {
                "version": MEMORY,
                "lived_ms": round(self._lived_ms),
                "levels": self._levels,
                "trusted": self._trusted,
                "air": self._air,
                "gaps": {name: [each.last_ms, each.gaps_s] for name, each in self._level_gaps.items()},
                "heard": {name: [each.last_ms, each.gaps_s, each.announced_s] for name, each in self._heard.items()},
                "flaps": [[*key, *times] for key, times in self._flaps.items()],
                "runs": {str(matter.id): progress(matter) for matter in self._matters.values()},
                "flows": {name: flow.as_text() for name, flow in self._flows.items()},
                "notes": self._notes.as_list(),
            },
            separators=(",", ":"),
        )

    @property
    def next_id(self) -> int:
        """Number of the next notice."""
        return self._next_id

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

    # Inside

    def _judge_flow(self, fact: LevelFact, on_hand_m3: float) -> list[Change]:
        flow = self._flows.get(fact.tank)
        if flow is None:
            flow = self._flows[fact.tank] = Flow(fact.tank)
        facts = flow.feed(fact.ts_ms, on_hand_m3, fact.u_noise_m3)
        if not facts and any((kind.name, fact.tank) in self._matters for kind in self._by_fact[FlowFact]):
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
            judgement = kind.judge(fact, self, self._rule(kind, subject))
            if judgement is not None:
                changes += self._apply(kind, judgement, ts_ms, stale_ms)
        if changes:
            changes += self._release(ts_ms)
        return changes

    def _apply(self, kind: Kind, judgement: Judgement, ts_ms: int, stale_ms: int) -> list[Change]:
        key = (kind.name, judgement.subject)
        matter = self._matters.get(key)
        if matter is None and judgement.verdict is not Verdict.BEYOND:
            return []
        rule = self._rule(kind, judgement.subject)
        if rule.off:
            return []
        if matter is None:
            matter = Matter(self._number(key), kind.name, judgement.subject, since_ms=ts_ms, severity=rule.severity)
        timing = judgement.timing or (replace(rule.timing, stale_ms=stale_ms) if stale_ms else rule.timing)
        run_ms = self._run_ms(kind, matter, ts_ms)
        run = self._advance(matter.run, judgement.verdict, run_ms, timing)
        if run is matter.run:
            return []
        upper = START if run.state is State.CLEAR else self._advance(matter.upper, judgement.upper, run_ms, timing)
        after = replace(matter, run=run, upper=upper, numbers=judgement.numbers, words=judgement.words)
        return self._settle(kind, rule, matter, after, ts_ms)

    def _settle(self, kind: Kind, rule: Rule, before: Matter, after: Matter, ts_ms: int) -> list[Change]:
        worse = kind.upper is not None and after.upper.is_on
        after = replace(after, severity=kind.upper if worse and kind.upper else rule.severity)
        if after.run.state is State.CLEAR:
            return [self._end(kind, rule, before, after, ts_ms)]
        if after.run.is_on and not before.run.is_on:
            return self._raise(kind, rule, after, ts_ms)
        if after.run.is_on and after.severity.rank > before.peak.rank and after.told:
            after = replace(after, seen_ms=None, quiet_left_s=0.0, repeats=0)
            return [self._tell(kind, rule, after, Phase.RISE, ts_ms)]
        if after.held and after.run.state is State.ACTIVE and self._may_tell(kind, after):
            return [self._tell(kind, rule, after, Phase.RAISE, ts_ms)]
        if after.run.state is before.run.state and after.severity is before.severity:
            self._matters[after.kind, after.subject] = after
            return []
        return [self._keep(after)]

    def _raise(self, kind: Kind, rule: Rule, matter: Matter, ts_ms: int) -> list[Change]:
        self._spare.pop((matter.kind, matter.subject), None)
        if self._inhibited(kind, matter.subject):
            return [self._keep(replace(matter, held=True))]
        if not self._may_flap(matter):
            return [self._keep(replace(matter, held=True))]
        return [self._tell(kind, rule, matter, Phase.RAISE, ts_ms)]

    def _end(self, kind: Kind, rule: Rule, before: Matter, after: Matter, ts_ms: int) -> Change:
        key = (after.kind, after.subject)
        if not before.run.is_on:
            self._spare[key] = after.id  # never raised: its number is still free for the same matter
        change = self._tell(kind, rule, after, Phase.CLEAR, ts_ms) if before.told else Change(saved(after))
        self._matters.pop(key, None)
        return change

    def _tell(self, kind: Kind, rule: Rule, matter: Matter, phase: Phase, ts_ms: int) -> Change:
        numbers, words = dict(matter.numbers), dict(matter.words)
        telling = Telling(
            matter.subject,
            phase,
            matter.severity,
            matter.since_ms,
            ts_ms,
            numbers,
            words,
            self._site.measure,
            self._site.timezone,
        )
        short, long = cut(kind.short(telling), SHORT_MAX), plain(kind.long(telling))
        peak = max(matter.peak, matter.severity, key=lambda each: each.rank)
        repeats = matter.severity is Severity.NOW and phase is not Phase.CLEAR and matter.repeats < len(REPEAT_S)
        matter = replace(
            matter, peak=peak, held=False, told=True, steps=matter.steps + 1, short=short, long=long,
            repeat_in_s=REPEAT_S[matter.repeats] if repeats else None,
        )  # fmt: skip
        at_ms = self._wall_ms(ts_ms)
        step = Step(matter.id, matter.steps, ts_ms, at_ms, matter.run.state.value, matter.severity.value, short, long)
        self._flap(matter)
        self._matters[matter.kind, matter.subject] = matter
        return Change(saved(matter), step, tuple(self._outgoing(rule, matter, phase, at_ms)))

    def _outgoing(self, rule: Rule, matter: Matter, phase: Phase, at_ms: int) -> Iterator[Outgoing]:
        body = {
            "site": plain(self._site.name), "notice": matter.id, "step": matter.steps, "phase": phase.value, "kind": matter.kind,
            "subject": matter.subject, "severity": matter.severity.value, "state": matter.run.state.value,
            "since_ms": matter.since_ms, "at_ms": at_ms, "short": matter.short, "long": matter.long,
        }  # fmt: skip
        text = json.dumps(body, separators=(",", ":"))
        names = self._channels if rule.channels is None else rule.channels
        for name in names:
            channel = self._channels.get(name)
            if channel is not None and matter.peak.rank >= Severity(channel.severity).rank:
                yield Outgoing(f"{self._uuid}:{matter.id}:{matter.steps}:{name}", matter.id, name, at_ms, text)

    def _repeat(self, matter: Matter) -> list[Change]:
        due = matter.repeat_in_s is not None and matter.repeat_in_s <= 0
        # While it eases nothing is told again: what it says may be over already.
        if not due or matter.run.state is not State.ACTIVE or matter.seen_ms is not None:
            return []
        if matter.quiet_left_s > 0:
            return []
        kind = self._kinds[matter.kind]
        told = replace(matter, repeats=matter.repeats + 1)
        return [self._tell(kind, self._rule(kind, matter.subject), told, Phase.REPEAT, self._wall_ms(matter.since_ms))]

    def _release(self, ts_ms: int) -> list[Change]:
        changes: list[Change] = []
        for matter in list(self._matters.values()):
            kind = self._kinds[matter.kind]
            if matter.held and matter.run.state is State.ACTIVE and self._may_tell(kind, matter):
                changes.append(self._tell(kind, self._rule(kind, matter.subject), matter, Phase.RAISE, ts_ms))
        return changes

    def _may_tell(self, kind: Kind, matter: Matter) -> bool:
        if self._inhibited(kind, matter.subject):
            return False
        newest_ms = matter.run.last_ms
        lasted = newest_ms is not None and newest_ms - matter.run.from_ms >= FLAP_HOLD_MS
        return lasted or self._may_flap(matter)

    def _inhibited(self, kind: Kind, subject: str) -> bool:
        for name in kind.held_by:
            for (other, about), matter in self._matters.items():
                if other == name and matter.run.is_on and (about == subject or about not in self._site.tanks):
                    return True
        return False

    def _may_flap(self, matter: Matter) -> bool:
        if matter.severity is Severity.NOW:
            return True
        times = self._flaps.get((matter.kind, matter.subject), ())
        return sum(1 for each in times if self._lived_ms - each < DAY_MS) < FLAPS_A_DAY

    def _flap(self, matter: Matter) -> None:
        """Remember that something was told, by the time the service has lived: a step of the wall clock is no time."""
        key, now_ms = (matter.kind, matter.subject), round(self._lived_ms)
        times = (*self._flaps.get(key, ()), now_ms)
        self._flaps[key] = tuple(each for each in times if now_ms - each < DAY_MS)[-FLAPS_A_DAY:]

    def _keep(self, matter: Matter) -> Change:
        self._matters[matter.kind, matter.subject] = matter
        return Change(saved(matter))

    def _number(self, key: Key) -> int:
        spare = self._spare.pop(key, None)
        if spare is not None:
            return spare
        self._next_id += 1
        return self._next_id - 1

    def _rule(self, kind: Kind, subject: str) -> Rule:
        rule = self._rules.get((kind.name, subject))
        if rule is None:
            rule = self._rules[kind.name, subject] = rule_of(kind, subject, self._site.notices)
        return rule

    def _run_ms(self, kind: Kind, matter: Matter, ts_ms: int) -> int:
        if not kind.lived:
            return ts_ms
        newest_ms = matter.run.last_ms
        return round(self._lived_ms) if newest_ms is None else max(round(self._lived_ms), newest_ms + 1)

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
            rule, matter = self._rule(kind, name), self._matters.get((kind.name, name))
            if rule.off or (matter is not None and matter.run.is_on):
                continue
            each_s = heard.mono_s + heard.limit_s
            if matter is None and each_s < now_s - 60:
                each_s = now_s + 60  # long past and yet nothing: its instrument does not count at present
            if matter is not None:
                each_s = now_s + max(1.0, (rule.timing.raise_after_ms - (self._lived_ms - matter.run.from_ms)) / 1000)
            due_s = each_s if due_s is None else min(due_s, each_s)
        return due_s

    def _pass(self, mono_s: float) -> None:
        """Let monotonic time pass: what is left of *quiet* and until a repeat gets shorter."""
        if self._now is None or mono_s <= self._now.mono_s:
            return
        step_s = mono_s - self._now.mono_s
        self._lived_ms += step_s * 1000
        self._now = Moment(self._now.wall_ms + round(step_s * 1000), mono_s, self._now.clock_trusted)
        for key, matter in self._matters.items():
            if matter.quiet_left_s or matter.repeat_in_s is not None:
                repeat_in_s = None if matter.repeat_in_s is None else max(0.0, matter.repeat_in_s - step_s)
                self._matters[key] = replace(
                    matter, quiet_left_s=max(0.0, matter.quiet_left_s - step_s), repeat_in_s=repeat_in_s
                )

    def _wall_ms(self, ts_ms: int) -> int:
        return ts_ms if self._now is None else self._now.wall_ms

    def _by_id(self, notice: int) -> Matter | None:
        return next((matter for matter in self._matters.values() if matter.id == notice and matter.run.is_on), None)

    def _shown(self, matter: Matter) -> NoticeNow:
        quiet_until_ms = (
            self._wall_ms(matter.since_ms) + round(matter.quiet_left_s * 1000) if matter.quiet_left_s > 0 else None
        )
        short, long = matter.short, matter.long
        if matter.held:
            kind = self._kinds[matter.kind]
            telling = Telling(
                matter.subject, Phase.RAISE, matter.severity, matter.since_ms, self._wall_ms(matter.since_ms),
                dict(matter.numbers), dict(matter.words), self._site.measure, self._site.timezone,
            )  # fmt: skip
            short = cut(f"Held back: {kind.short(telling)}", SHORT_MAX)
            long = plain(f"Held back, not sent, because it may not be true: {kind.long(telling)}")
        return NoticeNow(
            matter.id, matter.kind, matter.subject, matter.severity.value, matter.run.state.value, matter.since_ms,
            matter.seen_ms is not None, quiet_until_ms, short, long,
        )  # fmt: skip

    def _restore(self, rows: Iterable[SavedNotice], memory: str) -> None:
        held = _readable(memory)
        runs: dict[str, list[Any]] = held.get("runs", {})
        for row in rows:
            if row.state == State.CLEAR or row.kind not in self._kinds:
                continue
            matter = restored(row)
            matter = with_progress(matter, runs[str(row.id)]) if str(row.id) in runs else matter
            self._matters[row.kind, row.subject] = matter
            self._next_id = max(self._next_id, row.id + 1)
        self._lived_ms = float(held.get("lived_ms", 0.0))
        self._levels = {name: int(ts) for name, ts in held.get("levels", {}).items()}
        self._trusted = {name: (int(ts), float(m3), float(u)) for name, (ts, m3, u) in held.get("trusted", {}).items()}
        air = held.get("air")
        self._air = None if air is None else (int(air[0]), air[1])
        self._level_gaps = {name: Heard(0.0, ts, tuple(gaps)) for name, (ts, gaps) in held.get("gaps", {}).items()}
        self._flaps = {(kind, subject): tuple(times) for kind, subject, *times in held.get("flaps", [])}
        for name, (ts, gaps, announced_s) in held.get("heard", {}).items():
            if name in self._heard:
                self._heard[name] = Heard(0.0, ts, tuple(gaps), announced_s)
        self._flows = {name: Flow.of(name, text) for name, text in held.get("flows", {}).items()}
        self._notes = Notes.of(held.get("notes", []))


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
