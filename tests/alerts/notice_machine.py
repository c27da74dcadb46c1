"""The stateful test of the engine: rules that do anything, and a judge that recomputes everything from a plain list.

`Wrong` variants of small functions can be planted through `Plant`; a planted fault must be found.
"""

from __future__ import annotations

import json
import tempfile
from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from statistics import median

from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from alerts.rig import MIN_MS, RESERVE_GAL, Rig, household
from holdwater.alerts.engine import Alerts
from holdwater.alerts.kind import Kind
from holdwater.alerts.kinds import KINDS
from holdwater.alerts.matter import Advance, advance
from holdwater.alerts.rows import Change, SavedNotice
from holdwater.config.site import Site
from holdwater_sensors.quality import Grade, Reason, code

RAISE_MS, CLEAR_MS, GAP_MS = 7 * MIN_MS, 30 * MIN_MS, 60 * MIN_MS
STEADY_MS = 5 * MIN_MS
NOISE_GAL = 0.5
CLEAR_GAL = RESERVE_GAL * 1.05
SUSPECT = code(Grade.SUSPECT, Reason.STUCK)
REJECTED = code(Grade.REJECTED, Reason.SPIKE)
FUTURE = code(Grade.REJECTED, Reason.FUTURE)
LEVELS = st.sampled_from([20.0, 44.0, 46.0, 60.0, 89.0, 90.0, 90.1, 93.0, 94.4, 94.6, 150.0, 300.0])
STEPS_MIN = st.sampled_from([1, 2, 5, 9, 10, 11, 15])

Restore = Callable[[type[Alerts], Site, Iterable[SavedNotice], int, str, Mapping[str, Kind], Advance], Alerts]


def restore(
    engine: type[Alerts],
    site: Site,
    rows: Iterable[SavedNotice],
    next_id: int,
    memory: str,
    kinds: Mapping[str, Kind],
    step: Advance,
) -> Alerts:
    """The engine out of what was saved."""
    return engine(site, rows, next_id, memory, kinds=kinds, step_run=step)


@dataclass
class Plant:
    """Where a fault can be planted."""

    engine: type[Alerts] = Alerts
    kinds: Mapping[str, Kind] = field(default_factory=lambda: KINDS)
    step: Advance = advance
    restore: Restore = restore


def machine(plant: Plant) -> type[RuleBasedStateMachine]:  # noqa: C901  one class made for one plant
    """The stateful test of an engine with a fault planted, or none."""

    class NoticeMachine(RuleBasedStateMachine):
        """Anything may happen in any order; nothing may be told that the plain list does not bear out."""

        @initialize()
        def start(self) -> None:
            self.folder = tempfile.TemporaryDirectory()

            def make(site: Site, rows: Iterable[SavedNotice], next_id: int, memory: str) -> Alerts:
                return plant.restore(plant.engine, site, rows, next_id, memory, plant.kinds, plant.step)

            self.rig = Rig(str(Path(self.folder.name) / "store.db"), household(), make)
            self.accepted: list[tuple[int, float]] = []  # what rules go by: medians of five minutes
            self.raw: list[tuple[int, float]] = []
            self.newest_ms = 0
            self.heard_ms: list[int] = []
            self.gap_ms: dict[int, int] = {}  # what counts as a gap before the reading of a time
            self.bad: list[int] = []
            self.broker = "back"
            self.seen: set[int] = set()
            self.phases: dict[int, list[str]] = {}
            self.kind_of: dict[int, str] = {}
            self.raised: dict[int, int] = {}
            self.keys: Counter[str] = Counter()

        # What may happen

        @rule(amount=LEVELS, minutes=STEPS_MIN)
        def fresh(self, amount: float, minutes: int) -> None:
            """A reading comes, later than all before."""
            self.rig.pass_time(minutes * 60.0)
            self._take(amount, 0)

        @rule(amount=LEVELS, minutes=STEPS_MIN, times=st.integers(2, 12))
        def stretch(self, amount: float, minutes: int, times: int) -> None:
            """Like readings for a while."""
            for _ in range(times):
                self.fresh(amount, minutes)

        @rule(before=st.integers(1, 8), odd=LEVELS, after=st.integers(1, 8))
        def wobble(self, before: int, odd: float, after: int) -> None:
            """Low for long enough, then plenty with one odd reading in it."""
            self.stretch(60.0, 11, 2)
            self.stretch(150.0, 5, before)
            self.fresh(odd, 1)
            self.stretch(150.0, 5, after)

        @rule(before=st.integers(1, 4), odd=LEVELS, after=st.integers(1, 4), pause=st.integers(1, 100))
        def brink(self, before: int, odd: float, after: int, pause: int) -> None:
            """Plenty, then low with one odd reading in it, and a pause."""
            self.stretch(150.0, 9, 6)
            self.stretch(89.0, 4, before)
            self.fresh(odd, 1)
            self.stretch(89.0, 4, after)
            self.silence(pause)

        @rule(minutes=STEPS_MIN, quality=st.sampled_from([SUSPECT, REJECTED]), amount=LEVELS, times=st.integers(1, 12))
        def doubtful(self, minutes: int, quality: int, amount: float, times: int) -> None:
            """Readings come that cannot be trusted, whatever they say."""
            for _ in range(times):
                self.rig.pass_time(minutes * 60.0)
                self._take(amount, quality)

        @rule(amount=LEVELS)
        def duplicate(self, amount: float) -> None:
            """A4: the same time once more, with any value, changes nothing."""
            if self.newest_ms:
                self._nothing(lambda: self.rig.level(amount, ts_ms=self.newest_ms))

        @rule(amount=LEVELS, minutes=st.integers(1, 600))
        def late(self, amount: float, minutes: int) -> None:
            """A5: a late reading moves no state."""
            if self.newest_ms:
                self._nothing(lambda: self.rig.level(amount, ts_ms=self.newest_ms - minutes * MIN_MS))

        @rule(amount=LEVELS, days=st.integers(1, 30000))
        def future(self, amount: float, days: int) -> None:
            """A6: a reading from the future moves neither state nor watermark."""
            self._nothing(lambda: self.rig.level(amount, quality=FUTURE, ts_ms=self.rig.ts_ms + days * 86_400_000))

        @rule(minutes=st.integers(1, 300))
        def silence(self, minutes: int) -> None:
            """Time passes without a word; the loop ticks as it always does."""
            for _ in range(0, minutes, 15):
                self.rig.pass_time(min(15, minutes) * 60.0)
                self._judge(self.rig.tick(), by="time")

        @rule(days=st.integers(-4000, 4000))
        def wall_step(self, days: int) -> None:
            """A7: a step of the wall clock, of any size, changes nothing and sends nothing."""
            self.rig.tick()
            before = self._state()
            self.rig.wall_ms += days * 86_400_000
            changes = self.rig.tick()
            assert changes == []
            assert self._state() == before
            self.rig.wall_ms -= days * 86_400_000
            assert self.rig.tick() == []

        @rule(down_min=st.sampled_from([0, 1, 600]))
        def restart(self, down_min: int) -> None:
            """A9: a restart in any state changes nothing and sends nothing."""
            self._judge(self.rig.tick(), by="time")
            before, rows = self.rig.alerts.active(), self.rig.rows("notice")
            outbox, memory = self.rig.rows("outbox"), self.rig.alerts.memory()
            self.rig.restart(down_min * 60.0)
            assert self.rig.tick() == []
            assert [_shown(each) for each in self.rig.alerts.active()] == [_shown(each) for each in before]
            assert self.rig.rows("notice") == rows
            assert self.rig.rows("outbox") == outbox
            after, before_it = json.loads(self.rig.alerts.memory()), json.loads(memory)
            assert {name: after[name] for name in after if after[name] != before_it[name]} == {}, before_it

        @rule()
        def broker_changes(self) -> None:
            """The broker goes away or comes back, for long enough to matter."""
            self.broker = "back" if self.broker == "beyond" else "beyond"
            for _ in range(12):
                self.rig.pass_time(60.0)
                self._judge(
                    self.rig.keep(self.rig.alerts.on_fact("broker", "broker", self.broker, self.rig.wall_ms)), by="fact"
                )
                self._judge(self.rig.tick(), by="time")

        @rule(which=st.integers(0, 3))
        def see(self, which: int) -> None:
            """A11: somebody says *seen*."""
            on = self.rig.alerts.active()
            if on:
                notice = on[which % len(on)]
                if not notice.short.startswith("Held back"):
                    self.rig.keep(self.rig.alerts.seen(notice.id, self.rig.wall_ms))
                    self.seen.add(notice.id)

        @rule(which=st.integers(1, 40))
        def see_a_stale_number(self, which: int) -> None:
            """A11: a number that is not on now is answered with nothing."""
            if which not in {each.id for each in self.rig.alerts.active()}:
                assert self.rig.alerts.seen(which) == []
                assert self.rig.alerts.quiet(which, 60.0) == []

        @rule(which=st.integers(0, 3), hours=st.integers(0, 1000))
        def hush(self, which: int, hours: int) -> None:
            """Somebody wants quiet; it ends after at most 7 days."""
            on = self.rig.alerts.active()
            if on:
                self.rig.keep(self.rig.alerts.quiet(on[which % len(on)].id, hours * 3600.0))
                until_ms = self._by_id(on[which % len(on)].id).quiet_until_ms
                assert until_ms is None or until_ms - self.rig.wall_ms <= 7 * 86_400_000 + MIN_MS

        # What must hold

        @invariant()
        def tables_agree(self) -> None:
            """What the store holds is what the engine holds."""
            if not hasattr(self, "rig"):
                return
            stored = {row[0]: row[3] for row in self.rig.rows("notice") if row[3] in ("active", "easing")}
            assert stored == {each.id: each.state for each in self.rig.alerts.active()}

        def teardown(self) -> None:
            """Heal everything, run on, and check what must always come."""
            if not hasattr(self, "rig"):
                return
            try:
                self._live()
            finally:
                self.rig.db.close()
                self.folder.cleanup()

        # How it is judged

        def _take(self, amount: float, quality: int) -> None:
            rig = self.rig
            self._judge(rig.heard(), by="heard")
            if quality == 0:
                near = [value for at_ms, value in self.raw[-4:] if rig.ts_ms - at_ms < STEADY_MS]
                self.raw.append((rig.ts_ms, amount))
                self.accepted.append((rig.ts_ms, median([*near, amount])))
                self.bad.clear()
            else:
                self.bad.append(rig.ts_ms)
            self.newest_ms = rig.ts_ms
            self.heard_ms = [*self.heard_ms, rig.ts_ms][-10:]
            self.gap_ms[rig.ts_ms] = _gap_ms(self.heard_ms)
            self._judge(rig.level(amount, quality=quality, noise_gal=NOISE_GAL), by="level")
            self._judge(rig.tick(), by="time")

        def _nothing(self, act: Callable[[], list[Change]]) -> None:
            before, memory, tables = (
                self._state(),
                self.rig.alerts.memory(),
                [self.rig.rows(name) for name in ("notice", "outbox")],
            )
            assert act() == []
            assert self._state() == before
            assert self.rig.alerts.memory() == memory
            assert [self.rig.rows(name) for name in ("notice", "outbox")] == tables

        def _judge(self, changes: list[Change], by: str) -> None:
            for change in changes:
                notice = change.notice
                self._seldom(notice)
                self.kind_of[notice.id] = notice.kind
                if notice.kind == "low" and by == "time":
                    assert change.step is None or change.outbox, "time moved a level notice"
                if change.step is None:
                    assert not change.outbox, "something went out without a step"
                    continue
                for out in change.outbox:
                    self.keys[out.key] += 1
                    assert self.keys[out.key] == 1, f"key {out.key} twice"
                if not change.outbox:
                    continue
                phase = json.loads(change.outbox[0].body)["phase"]
                self._order(notice, phase)
                if notice.kind == "low":
                    self._low(notice.id, phase, by)
                if notice.kind == "in-doubt" and phase == "raise" and not self._was_held(notice.id):
                    assert len(self.bad) >= 3
                    assert self.bad[-1] - self.bad[0] >= 20 * MIN_MS
                if notice.kind == "silent":
                    self._silent(phase, by)

        def _order(self, notice: SavedNotice, phase: str) -> None:
            """A3: one raise, first; at most one clear, last; no repeat once seen."""
            told = self.phases.setdefault(notice.id, [])
            if phase == "raise":
                assert told == [], f"raised again: {told}"
                assert notice.id not in self.seen
            else:
                assert told[:1] == ["raise"], f"{phase} before raise"
                assert "clear" not in told, f"{phase} after clear"
            if phase == "repeat":
                assert notice.id not in self.seen, "repeated though seen"
            if phase == "rise":
                self.seen.discard(notice.id)
            told.append(phase)

        def _seldom(self, notice: SavedNotice) -> None:
            """A12: between two raises of one matter lie at least the durations of a raise and a clear, in reading time."""
            if notice.kind == "low" and notice.state == "active" and notice.id not in self.raised:
                at_ms = json.loads(notice.body)["run"][1]
                assert at_ms - max(self.raised.values(), default=0) >= RAISE_MS + CLEAR_MS, "flapping"
                self.raised[notice.id] = at_ms

        def _low(self, notice: int, phase: str, by: str) -> None:
            if phase == "raise":
                if not self._was_held(notice):
                    assert by == "level", f"raised by {by}"
                    run = _suffix(self.accepted, lambda amount: amount <= RESERVE_GAL)
                    assert run[-1] - run[0] >= RAISE_MS or self._clearly(RESERVE_GAL), f"raised after {run}"
                assert not any(each.kind == "in-doubt" for each in self.rig.alerts.active()), "told though in doubt"
            if phase == "rise":
                run = _suffix(self.accepted, lambda amount: amount <= RESERVE_GAL / 2)
                assert run[-1] - run[0] >= RAISE_MS or self._clearly(RESERVE_GAL / 2), "worse too soon"
            if phase == "clear":
                assert by == "level", f"cleared by {by}"
                run = _suffix(self.accepted, lambda amount: amount >= CLEAR_GAL)
                counted = sum(b - a for a, b in pairwise(run) if b - a <= self.gap_ms[b])
                assert len(run) >= 2
                assert counted >= CLEAR_MS, f"cleared after {counted / MIN_MS} min"

        def _clearly(self, line_gal: float) -> bool:
            """One reading clearly under a line, after so long without one that another would be no sooner."""
            if len(self.accepted) < 2:
                return False
            (before_ms, _), (at_ms, amount) = self.accepted[-2:]
            return at_ms - before_ms >= RAISE_MS and amount <= line_gal - 4 * NOISE_GAL

        def _was_held(self, notice: int) -> bool:
            """Whether it was raised before it was told."""
            rows = self.rig.db.execute("SELECT count(*) FROM notice_step WHERE notice = ?", (notice,)).fetchone()
            held = [
                each for each in self.rig.changes if each.notice.id == notice and json.loads(each.notice.body)["held"]
            ]
            return bool(held) and rows[0] == 1

        def _silent(self, phase: str, by: str) -> None:
            if phase == "raise":
                assert self.broker == "back" or not self._broker_on(), "told though the broker is away"
            if phase == "clear":
                assert by == "heard", f"back by {by}"

        def _broker_on(self) -> bool:
            return any(each.kind == "broker" for each in self.rig.alerts.active())

        def _state(self) -> list[tuple[object, ...]]:
            return [_shown(each) for each in self.rig.alerts.active()]

        def _by_id(self, notice: int):  # type: ignore[no-untyped-def]
            return next(each for each in self.rig.alerts.active() if each.id == notice)

        def _live(self) -> None:
            """L1, L2, L4: low is raised, then cleared; silence is told once, and so is its end."""
            rig = self.rig
            if self.broker == "beyond":
                self.broker_changes()
            rig.pass_time(86_400.0)  # a calm day first, so that nothing is held back for having come and gone too often
            self._judge(rig.tick(), by="time")
            for _ in range(14):
                self.fresh(300.0, 5)
            assert not self._on("low"), "L2: still low after an hour of plenty"
            for _ in range(12):
                self.fresh(60.0, 1)
            assert self._on("low"), "L1: low and not raised"
            assert self._told("low"), "L1: low and not told"
            for _ in range(40):
                self.fresh(300.0, 1)
            assert not self._on("low"), "L2: cleared"
            assert not self._on("in-doubt")
            assert not self._silent_on()
            for _ in range(25):
                rig.pass_time(60.0)
                self._take(150.0, SUSPECT)
            assert self._on("in-doubt")
            for _ in range(22):
                self.fresh(60.0, 1)
            assert self._told("low"), "A10: held back and then lost"
            for _ in range(40):
                self.fresh(300.0, 1)
            before = len([each for each in rig.changes if each.notice.kind == "silent" and each.outbox])
            for _ in range(40):
                rig.pass_time(300.0)
                self._judge(rig.tick(), by="time")
            assert self._silent_on(), "L4: silent and not raised"
            self.fresh(300.0, 1)
            assert not self._silent_on(), "L4: back and not cleared"
            steps = [each for each in rig.changes if each.notice.kind == "silent" and each.outbox][before:]
            ours = [
                json.loads(each.outbox[0].body)["phase"] for each in steps if each.notice.subject == "drinking:pressure"
            ]
            assert ours == ["raise", "clear"], f"L4: {ours}"

        def _on(self, kind: str) -> bool:
            return any(each.kind == kind for each in self.rig.alerts.active())

        def _told(self, kind: str) -> bool:
            return any(
                each.kind == kind and not each.short.startswith("Held back") for each in self.rig.alerts.active()
            )

        def _silent_on(self) -> bool:
            return any(each.subject == "drinking:pressure" for each in self.rig.alerts.active())

    return NoticeMachine


def _shown(notice) -> tuple[object, ...]:  # type: ignore[no-untyped-def]
    return (notice.id, notice.kind, notice.subject, notice.state, notice.severity, notice.seen, notice.since_ms)


def _suffix(accepted: list[tuple[int, float]], counts: Callable[[float], bool]) -> list[int]:
    """Times of the newest unbroken run of readings that count."""
    taken: list[int] = []
    for ts_ms, amount in reversed(accepted):
        if not counts(amount):
            break
        taken.insert(0, ts_ms)
    assert taken, "told without a reading that bears it out"
    return taken


def _gap_ms(times: list[int]) -> int:
    """A gap is longer than an hour and than three of the shorter intervals (the third of nine) of the tank's last readings."""
    steps = sorted(b - a for a, b in pairwise(times))
    return max(GAP_MS, 3 * steps[len(steps) // 4]) if len(steps) >= 3 else GAP_MS
