"""All matters of a site: from a verdict to what is told, kept and sent. Holds immutable matters and their numbers."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from typing import Any

from holdwater.alerts.kind import Kind, Rule
from holdwater.alerts.lived import Lived
from holdwater.alerts.matter import START, Advance, Judgement, Matter, Severity
from holdwater.alerts.place import SiteLike
from holdwater.alerts.rows import Change, Outgoing, SavedNotice, Step, progress, restored, saved, with_progress
from holdwater.alerts.settings import rule_of
from holdwater.alerts.states import State, Verdict
from holdwater.alerts.telling import DAY_MS, SHORT_MAX, Phase, Telling, cut, plain
from holdwater.config.channels import with_defaults
from holdwater.snapshot import NoticeNow

REPEAT_S = (1800.0, 3600.0, 7200.0, 14400.0)  # an unseen *act now* is told again, ever more rarely, then no more
QUIET_MOST_S = 7 * 86400.0
FLAPS_A_DAY = 6  # told changes of one matter a day; after that one more line, then quiet
FLAP_HOLD_MS = 2 * 3_600_000  # a raise held back for flapping is told when it has lasted so long

Key = tuple[str, str]


class Matters:
    """Every matter that is not clear, by kind and subject.

    Args:
        site: measure, time zone, notice settings and channels.
        uuid: name of this installation in the keys of what goes out.
        kinds: the kinds at work.
        step_run: how a reading moves a run.
        lived: the time that the service has lived; the engine lets it pass.
        next_id: number of the next notice; numbers are never used again.
    """

    def __init__(
        self, site: SiteLike, uuid: str, kinds: Mapping[str, Kind], step_run: Advance, lived: Lived, next_id: int
    ) -> None:
        self._site = site
        self._uuid = uuid
        self._kinds = kinds
        self._advance = step_run
        self._lived = lived
        self._channels = with_defaults(site.channels)
        self._rules: dict[Key, Rule] = {}
        self.next_id = next_id
        self._spare: dict[Key, int] = {}
        self._matters: dict[Key, Matter] = {}
        self._flaps: dict[Key, tuple[int, ...]] = {}

    def __iter__(self) -> Iterator[Matter]:
        """Every matter, in the order in which they began; what changes meanwhile changes nothing here."""
        return iter(list(self._matters.values()))

    def get(self, kind: str, subject: str) -> Matter | None:
        """The matter of that kind and subject; None while it is clear."""
        return self._matters.get((kind, subject))

    def restore(self, rows: Iterable[SavedNotice], runs: Mapping[str, list[Any]], flaps: Iterable[list[Any]]) -> None:
        """Take up again what was saved: rows that are not clear, what has moved since, and what was told of late."""
        for row in rows:
            if row.state == State.CLEAR or row.kind not in self._kinds:
                continue
            matter = restored(row)
            matter = with_progress(matter, runs[str(row.id)]) if str(row.id) in runs else matter
            self._matters[row.kind, row.subject] = matter
            self.next_id = max(self.next_id, row.id + 1)
        self._flaps = {(kind, subject): tuple(times) for kind, subject, *times in flaps}

    def as_memory(self) -> dict[str, Any]:
        """What must outlast a restart besides the rows, for JSON."""
        return {
            "flaps": [[*key, *times] for key, times in self._flaps.items()],
            "runs": {str(matter.id): progress(matter) for matter in self._matters.values()},
        }

    def apply(self, kind: Kind, judgement: Judgement, ts_ms: int, stale_ms: int) -> list[Change]:
        """What follows from a judgement; nothing where the kind is off or nothing moved."""
        key = (kind.name, judgement.subject)
        matter = self._matters.get(key)
        if matter is None and judgement.verdict is not Verdict.BEYOND:
            return []
        rule = self.rule(kind, judgement.subject)
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
        edition = judgement.edition or matter.edition
        after = replace(matter, run=run, upper=upper, numbers=judgement.numbers, words=judgement.words, edition=edition)
        return self._settle(kind, rule, matter, after, ts_ms)

    def seen(self, notice: int, at_ms: int = 0) -> list[Change]:
        """The household has seen a notice: its repeats stop. Nothing when there is no such notice, or it is over."""
        matter = self._by_id(notice)
        if matter is None or matter.seen_ms is not None:
            return []
        return [self._keep(replace(matter, seen_ms=at_ms or self._lived.wall_ms(matter.since_ms), repeat_in_s=None))]

    def answered(self, tank: str, at_ms: int) -> list[Change]:
        """The household has said what it did about a tank, or about all when `tank` is empty: *act now* is not repeated."""
        return [
            change
            for matter in self
            if matter.severity is Severity.NOW and matter.run.is_on and tank in ("", matter.subject)
            for change in self.seen(matter.id, at_ms)
        ]

    def quiet(self, notice: int, for_s: float) -> list[Change]:
        """Keep a notice quiet for a while, at most 7 days; 0 ends it. It never mutes a worse severity."""
        matter = self._by_id(notice)
        if matter is None:
            return []
        return [self._keep(replace(matter, quiet_left_s=min(max(for_s, 0.0), QUIET_MOST_S)))]

    def active(self) -> tuple[NoticeNow, ...]:
        """Every notice that is on, the worst first."""
        on = [matter for matter in self._matters.values() if matter.run.is_on and not self._said(matter)]
        on.sort(key=lambda matter: (-matter.severity.rank, matter.since_ms, matter.id))
        return tuple(self._shown(matter) for matter in on)

    def release(self, ts_ms: int) -> list[Change]:
        """Tell what was held back and may be told now."""
        changes: list[Change] = []
        for matter in self:
            kind = self._kinds[matter.kind]
            if matter.held and matter.run.state is State.ACTIVE and self._may_tell(kind, matter):
                changes.append(self._tell(kind, self.rule(kind, matter.subject), matter, Phase.RAISE, ts_ms))
        return changes

    def repeats(self) -> list[Change]:
        """Tell again what nobody has seen, where it is due."""
        return [change for matter in self for change in self._repeat(matter)]

    def rule(self, kind: Kind, subject: str) -> Rule:
        """The rule of a kind for a subject, by the config."""
        rule = self._rules.get((kind.name, subject))
        if rule is None:
            rule = self._rules[kind.name, subject] = rule_of(kind, subject, self._site.notices)
        return rule

    def pass_time(self, step_s: float) -> None:
        """Let time pass: what is left of *quiet* and until a repeat gets shorter."""
        for key, matter in self._matters.items():
            if matter.quiet_left_s or matter.repeat_in_s is not None:
                repeat_in_s = None if matter.repeat_in_s is None else max(0.0, matter.repeat_in_s - step_s)
                self._matters[key] = replace(
                    matter, quiet_left_s=max(0.0, matter.quiet_left_s - step_s), repeat_in_s=repeat_in_s
                )

    def dues_s(self, now_s: float) -> Iterator[float]:
        """Monotonic times at which a repeat is due or *quiet* ends."""
        for matter in self._matters.values():
            if matter.repeat_in_s is not None and matter.run.state is State.ACTIVE:
                yield now_s + max(matter.repeat_in_s, matter.quiet_left_s)
            if matter.quiet_left_s > 0:
                yield now_s + matter.quiet_left_s

    # Inside

    def _settle(self, kind: Kind, rule: Rule, before: Matter, after: Matter, ts_ms: int) -> list[Change]:
        worse = kind.upper is not None and after.upper.is_on
        after = replace(after, severity=kind.upper if worse and kind.upper else rule.severity)
        if after.run.state is State.CLEAR:
            return [self._end(kind, rule, before, after, ts_ms)]
        if after.run.is_on and not before.run.is_on:
            return self._raise(kind, rule, after, ts_ms)
        phase = self._phase(kind, before, after)
        if phase is not None:
            if phase is Phase.RISE:
                after = replace(after, seen_ms=None, quiet_left_s=0.0, repeats=0)
            return [self._tell(kind, rule, after, phase, ts_ms)]
        if after.told:  # an edition that may not be told now is told when it may, if there is none newer by then
            after = replace(after, edition=before.edition)
        if after.run.state is before.run.state and after.severity is before.severity:
            self._matters[after.kind, after.subject] = after
            return []
        return [self._keep(after)]

    def _phase(self, kind: Kind, before: Matter, after: Matter) -> Phase | None:
        """What is to be told of a matter that was on before and still is; None when there is nothing to tell."""
        if after.run.is_on and after.severity.rank > before.peak.rank and after.told:
            return Phase.RISE
        if after.held and after.run.state is State.ACTIVE and self._may_tell(kind, after):
            return Phase.RAISE
        return Phase.UPDATE if after.edition != before.edition and self._may_update(kind, after) else None

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
            repeat_in_s=matter.repeat_in_s if phase is Phase.UPDATE else REPEAT_S[matter.repeats] if repeats else None,
        )  # fmt: skip
        at_ms = self._lived.wall_ms(ts_ms)
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
        addressed = self._kinds[matter.kind].addressed
        names = self._channels if rule.channels is None else rule.channels
        for name in (matter.subject,) if addressed else names:
            channel = self._channels.get(name)
            if channel is not None and (addressed or matter.peak.rank >= Severity(channel.severity).rank):
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
        return [
            self._tell(kind, self.rule(kind, matter.subject), told, Phase.REPEAT, self._lived.wall_ms(matter.since_ms))
        ]

    def _may_tell(self, kind: Kind, matter: Matter) -> bool:
        if self._inhibited(kind, matter.subject):
            return False
        newest_ms = matter.run.last_ms
        lasted = newest_ms is not None and newest_ms - matter.run.from_ms >= FLAP_HOLD_MS
        return lasted or self._may_flap(matter)

    def _may_update(self, kind: Kind, matter: Matter) -> bool:
        if not matter.told or matter.run.state is not State.ACTIVE or matter.quiet_left_s > 0:
            return False
        if self._inhibited(kind, matter.subject):
            return False
        return self._told_today(matter) < FLAPS_A_DAY  # of any severity: what is new is no reason to flood anybody

    def _inhibited(self, kind: Kind, subject: str) -> bool:
        return self._on((*kind.held_by, *kind.said_by), subject)

    def _said(self, matter: Matter) -> bool:
        """Whether another notice that is on says the same and more."""
        return matter.held and self._on(self._kinds[matter.kind].said_by, matter.subject)

    def _on(self, kinds: tuple[str, ...], subject: str) -> bool:
        """Whether a notice of one of these kinds is on for a subject, or for all."""
        return any(
            kind in kinds and matter.run.is_on and (about == subject or about not in self._site.tanks)
            for (kind, about), matter in self._matters.items()
        )

    def _may_flap(self, matter: Matter) -> bool:
        if matter.severity is Severity.NOW:
            return True
        return self._told_today(matter) < FLAPS_A_DAY

    def _told_today(self, matter: Matter) -> int:
        times = self._flaps.get((matter.kind, matter.subject), ())
        return sum(1 for each in times if self._lived.ms - each < DAY_MS)

    def _flap(self, matter: Matter) -> None:
        """Remember that something was told, by the time the service has lived: a step of the wall clock is no time."""
        key, now_ms = (matter.kind, matter.subject), round(self._lived.ms)
        times = (*self._flaps.get(key, ()), now_ms)
        self._flaps[key] = tuple(each for each in times if now_ms - each < DAY_MS)[-FLAPS_A_DAY:]

    def _keep(self, matter: Matter) -> Change:
        self._matters[matter.kind, matter.subject] = matter
        return Change(saved(matter))

    def _number(self, key: Key) -> int:
        spare = self._spare.pop(key, None)
        if spare is not None:
            return spare
        self.next_id += 1
        return self.next_id - 1

    def _run_ms(self, kind: Kind, matter: Matter, ts_ms: int) -> int:
        if not kind.lived:
            return ts_ms
        newest_ms = matter.run.last_ms
        return round(self._lived.ms) if newest_ms is None else max(round(self._lived.ms), newest_ms + 1)

    def _by_id(self, notice: int) -> Matter | None:
        return next((matter for matter in self._matters.values() if matter.id == notice and matter.run.is_on), None)

    def _shown(self, matter: Matter) -> NoticeNow:
        quiet_until_ms = (
            self._lived.wall_ms(matter.since_ms) + round(matter.quiet_left_s * 1000)
            if matter.quiet_left_s > 0
            else None
        )
        short, long = matter.short, matter.long
        if matter.held:
            kind = self._kinds[matter.kind]
            telling = Telling(
                matter.subject, Phase.RAISE, matter.severity, matter.since_ms, self._lived.wall_ms(matter.since_ms),
                dict(matter.numbers), dict(matter.words), self._site.measure, self._site.timezone,
            )  # fmt: skip
            short = cut(f"Held back: {kind.short(telling)}", SHORT_MAX)
            long = plain(f"Held back, not sent, because it may not be true: {kind.long(telling)}")
        return NoticeNow(
            matter.id, matter.kind, matter.subject, matter.severity.value, matter.run.state.value, matter.since_ms,
            matter.seen_ms is not None, quiet_until_ms, short, long,
        )  # fmt: skip
