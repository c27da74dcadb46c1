"""The test of the test: each of these faults, planted in the engine, is found by the stateful test."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, settings
from hypothesis.stateful import run_state_machine_as_test

from alerts.notice_machine import Plant, machine, restore
from holdwater.alerts.engine import Alerts
from holdwater.alerts.facts import LevelFact, Moment
from holdwater.alerts.kind import Kind
from holdwater.alerts.kinds import KINDS
from holdwater.alerts.matter import Advance, Judgement, Run, Timing, advance
from holdwater.alerts.matters import Matters
from holdwater.alerts.rows import Change, SavedNotice
from holdwater.alerts.states import TABLE, Event, State, Verdict
from holdwater.alerts.telling import Phase as Told
from holdwater.config.site import Site
from holdwater_sensors.quality import OK


def step_with(**timing: int) -> Advance:
    def step(run: Run, verdict: Verdict, ts_ms: int, given: Timing) -> Run:
        return advance(run, verdict, ts_ms, replace(given, **timing))

    return step


def step_by(**cells: State) -> Advance:
    """Another table: `watching_between=State.WATCHING`."""
    table = dict(TABLE)
    for name, after in cells.items():
        state, event = name.split("_")
        table[State(state), Event(event)] = after

    def step(run: Run, verdict: Verdict, ts_ms: int, given: Timing) -> Run:
        return advance(run, verdict, ts_ms, given, table)

    return step


def step_any_time(run: Run, verdict: Verdict, ts_ms: int, given: Timing) -> Run:
    """Late readings move it as well."""
    return advance(replace(run, last_ms=None), verdict, ts_ms, given)


def step_ever_anew(run: Run, verdict: Verdict, ts_ms: int, given: Timing) -> Run:
    """A gap ends the watch."""
    if run.state is State.WATCHING and run.last_ms is not None and ts_ms - run.last_ms >= 60_000:
        run = replace(run, from_ms=ts_ms)
    return advance(run, verdict, ts_ms, given)


def kinds_with(name: str, **changes: Any) -> Mapping[str, Kind]:
    return {**KINDS, name: replace(KINDS[name], **changes)}


LOW, SILENT, DOUBT = KINDS["low"], KINDS["silent"], KINDS["in-doubt"]


def judge_without_hysteresis(fact: LevelFact, view: Any, rule: Any) -> Any:
    quiet = replace(fact, u_noise_m3=0.0)
    return LOW.judge(quiet, view, replace(rule, clear_margin=1e-9))


def judge_believing_all(fact: LevelFact, view: Any, rule: Any) -> Any:
    return LOW.judge(replace(fact, quality=OK), view, rule)


def judge_with_a_line_too_high(fact: LevelFact, view: Any, rule: Any) -> Any:
    amount, steady = fact.on_hand_m3, fact.steady_m3
    less = replace(
        fact, on_hand_m3=None if amount is None else amount * 0.96, steady_m3=None if steady is None else steady * 0.96
    )
    return LOW.judge(less, view, rule)


def judge_back_by_time(fact: Any, view: Any, rule: Any) -> Any:
    judged = SILENT.judge(fact, view, rule)
    back = judged is not None and fact.for_s >= 2 * fact.limit_s
    return replace(judged, verdict=Verdict.BACK) if back and judged is not None else judged


def with_matters(planted: type[Matters]) -> type[Alerts]:
    """The engine over matters with a fault in them."""
    return type(planted.__name__, (Alerts,), {"MATTERS": planted})


class CountsLate(Alerts):
    """No watermark."""

    def on_level(self, tank: str, *rest: Any) -> list[Change]:
        self._levels.pop(tank, None)
        return super().on_level(tank, *rest)


class CountsRepeats(Alerts):
    """The same time once more counts."""

    def on_level(self, tank: str, *rest: Any) -> list[Change]:
        if self._levels.get(tank) == rest[0]:
            self._levels[tank] -= 1
        return super().on_level(tank, *rest)


class BelievesTheFuture(Alerts):
    """A reading stamped ahead is taken."""

    def on_level(
        self, tank: str, ts_ms: int, amount: Any, noise: Any, scale: Any, quality: int, mono_s: float
    ) -> list[Change]:
        return super().on_level(tank, ts_ms, amount, noise, scale, quality - quality % 100, mono_s)


class ResendsAtStart(Matters):
    """What was told is told again after a restart."""

    def restore(self, *saved: Any) -> None:
        super().restore(*saved)
        self._matters = {key: replace(each, held=each.run.is_on) for key, each in self._matters.items()}


class BackAtStart(Alerts):
    """A restart ends silence."""

    def _restore(self, rows: Iterable[SavedNotice], memory: str) -> None:
        super()._restore((row for row in rows if row.kind != "silent"), memory)


class ClearsInSilence(Alerts):
    """Time clears a level notice."""

    def tick(self, now: Moment) -> list[Change]:
        changes = super().tick(now)
        for matter in self._matters:
            if matter.kind == "low" and matter.run.state is State.EASING:
                judged = Judgement(matter.subject, Verdict.BACK, matter.numbers, matter.words)
                changes += self._matters.apply(self._kinds[matter.kind], judged, now.wall_ms, 10**12)
        return changes


class RaisesInSilence(Alerts):
    """Time raises a level notice."""

    def tick(self, now: Moment) -> list[Change]:
        changes = super().tick(now)
        for matter in self._matters:
            if matter.kind == "low" and matter.run.state is State.WATCHING:
                judged = Judgement(matter.subject, Verdict.BEYOND, matter.numbers, matter.words)
                changes += self._matters.apply(self._kinds[matter.kind], judged, now.wall_ms, 0)
        return changes


class LosesWhatIsHeld(Matters):
    """What was held back is never told."""

    def _may_tell(self, kind: Any, matter: Any) -> bool:
        return False


class MeasuresByTheWall(Alerts):
    """Silence runs on the wall clock."""

    def tick(self, now: Moment) -> list[Change]:
        return super().tick(Moment(now.wall_ms, now.wall_ms / 1000))


class OneKeyForAll(Matters):
    """Keys do not carry the step."""

    def _outgoing(self, *args: Any) -> Any:
        return (replace(each, key=f"{each.notice}:{each.channel}") for each in super()._outgoing(*args))


class ReusesNumbers(Matters):
    """Every notice of a kind has the same number."""

    def _number(self, key: tuple[str, str]) -> int:
        return 1 + sorted(KINDS).index(key[0]) * 2 + (key[1] != "drinking")


class SeesTheWrongOne(Matters):
    """*seen* with a stale number hits what is on."""

    def _by_id(self, notice: int) -> Any:
        return next((each for each in self._matters.values() if each.run.is_on), None)


class RepeatsThoughSeen(Matters):
    """*seen* does not stop the repeats."""

    def seen(self, notice: int, at_ms: int = 0) -> list[Change]:
        changes = super().seen(notice, at_ms)
        self._matters = {
            key: replace(each, repeat_in_s=60.0) if each.id == notice else each for key, each in self._matters.items()
        }
        return changes

    def _repeat(self, matter: Any) -> list[Change]:
        return super()._repeat(replace(matter, seen_ms=None))


class QuietForEver(Matters):
    """*quiet* has no longest time."""

    def quiet(self, notice: int, for_s: float) -> list[Change]:
        matter = self._by_id(notice)
        return [] if matter is None else [self._keep(replace(matter, quiet_left_s=for_s))]


class TellsTwice(Matters):
    """A raise goes out twice."""

    def _raise(self, kind: Any, rule: Any, matter: Any, ts_ms: int) -> list[Change]:
        first = super()._raise(kind, rule, matter, ts_ms)
        return [
            *first,
            self._tell(kind, rule, self._matters[matter.kind, matter.subject], Told.RAISE, ts_ms),
        ]


class ForgetsTheEnd(Matters):
    """A cleared notice stays."""

    def _end(self, kind: Any, rule: Any, before: Any, after: Any, ts_ms: int) -> Change:
        change = super()._end(kind, rule, before, after, ts_ms)
        self._matters[after.kind, after.subject] = before
        return change


class SaysNothingAtTheEnd(Matters):
    """A clear is never told."""

    def _end(self, kind: Any, rule: Any, before: Any, after: Any, ts_ms: int) -> Change:
        return replace(super()._end(kind, rule, before, after, ts_ms), outbox=())


def restore_without_rows(
    engine: Any, site: Site, rows: Any, next_id: int, memory: str, kinds: Any, step: Any
) -> Alerts:
    return restore(engine, site, (), next_id, memory, kinds, step)


def restore_without_memory(
    engine: Any, site: Site, rows: Any, next_id: int, memory: str, kinds: Any, step: Any
) -> Alerts:
    return restore(engine, site, rows, next_id, "", kinds, step)


def restore_unseen(engine: Any, site: Site, rows: Any, next_id: int, memory: str, kinds: Any, step: Any) -> Alerts:
    return restore(engine, site, [replace(row, seen=None) for row in rows], next_id, memory, kinds, step)


def restore_from_one(engine: Any, site: Site, rows: Any, next_id: int, memory: str, kinds: Any, step: Any) -> Alerts:
    """Numbers begin at one again."""
    made = restore(engine, site, rows, 1, memory, kinds, step)
    made._matters.next_id = 1
    return made


def restore_all_silent(engine: Any, site: Site, rows: Any, next_id: int, memory: str, kinds: Any, step: Any) -> Alerts:
    """Silence counts from before the start."""
    made = restore(engine, site, rows, next_id, memory, kinds, step)
    made._heard = {name: replace(each, mono_s=-1e6) for name, each in made._heard.items()}
    made._lived.now = Moment(0, 0.0)
    return made


FAULTS: dict[str, Plant] = {
    "no hysteresis": Plant(kinds=kinds_with("low", judge=judge_without_hysteresis)),
    "no duration to raise": Plant(step=step_with(raise_after_ms=0)),
    "no duration to clear": Plant(step=step_with(clear_after_ms=0)),
    "cleared by one reading": Plant(step=step_with(clear_after_ms=0, clear_count=1)),
    "a gap counts towards clearing": Plant(step=step_with(stale_ms=10**12)),
    "raised too late": Plant(step=step_with(raise_after_ms=20 * 60_000)),
    "cleared too late": Plant(step=step_with(clear_after_ms=5 * 3_600_000)),
    "every reading begins the watch anew": Plant(step=step_ever_anew),
    "between does not end the watch": Plant(step=step_by(watching_between=State.WATCHING)),
    "between does not end easing": Plant(step=step_by(easing_between=State.EASING)),
    "beyond does not end easing": Plant(step=step_by(easing_beyond=State.EASING)),
    "between counts as back": Plant(step=step_by(active_between=State.EASING, easing_between=State.EASING)),
    "late readings counted": Plant(engine=CountsLate, step=step_any_time),
    "repeats counted": Plant(engine=CountsRepeats),
    "the future believed": Plant(engine=BelievesTheFuture),
    "doubtful readings believed": Plant(kinds=kinds_with("low", judge=judge_believing_all)),
    "the line is too high": Plant(kinds=kinds_with("low", judge=judge_with_a_line_too_high)),
    "in doubt after one reading": Plant(
        kinds=kinds_with(
            "in-doubt",
            defaults=replace(DOUBT.defaults, timing=replace(DOUBT.defaults.timing, raise_after_ms=0, raise_count=1)),
        )
    ),
    "in doubt does not hold back": Plant(kinds=kinds_with("low", held_by=())),
    "a broker that is away does not hold back": Plant(kinds=kinds_with("silent", held_by=())),
    "what is held is lost": Plant(engine=with_matters(LosesWhatIsHeld)),
    "silence ends by time": Plant(kinds=kinds_with("silent", judge=judge_back_by_time)),
    "silence clears a level": Plant(engine=ClearsInSilence),
    "silence raises a level": Plant(engine=RaisesInSilence),
    "silence by the wall clock": Plant(engine=MeasuresByTheWall),
    "state forgotten at restart": Plant(restore=restore_without_rows),
    "memory forgotten at restart": Plant(restore=restore_without_memory),
    "seen forgotten at restart": Plant(restore=restore_unseen),
    "numbers from one at restart": Plant(restore=restore_from_one),
    "silent at once after restart": Plant(restore=restore_all_silent),
    "sent again at restart": Plant(engine=with_matters(ResendsAtStart)),
    "back at restart": Plant(engine=BackAtStart),
    "no step in the key": Plant(engine=with_matters(OneKeyForAll)),
    "numbers used again": Plant(engine=with_matters(ReusesNumbers)),
    "seen hits another notice": Plant(engine=with_matters(SeesTheWrongOne)),
    "repeated though seen": Plant(engine=with_matters(RepeatsThoughSeen)),
    "quiet for ever": Plant(engine=with_matters(QuietForEver)),
    "raised twice": Plant(engine=with_matters(TellsTwice)),
    "never ends": Plant(engine=with_matters(ForgetsTheEnd)),
    "the end is not told": Plant(engine=with_matters(SaysNothingAtTheEnd)),
}


@pytest.mark.slow
@pytest.mark.parametrize("fault", FAULTS)
def test_planted_fault_is_found(fault: str) -> None:
    """The stateful test fails when this fault is planted."""
    quick = settings(
        max_examples=300, stateful_step_count=40, deadline=None, derandomize=True, database=None, phases=[Phase.generate],
        suppress_health_check=list(HealthCheck), report_multiple_bugs=False,
    )  # fmt: skip
    with pytest.raises((AssertionError, sqlite3.IntegrityError)):
        run_state_machine_as_test(machine(FAULTS[fault]), settings=quick)
