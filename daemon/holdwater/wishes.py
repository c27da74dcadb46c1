"""What people ask of the loop: accept a sensor box, a note, *seen*, *quiet*; and what the loop tells the rules about itself."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterable, Mapping
from typing import TYPE_CHECKING, Any

from holdwater import note_figures
from holdwater.alerts.states import Verdict
from holdwater.errors import HoldwaterError, UsageError
from holdwater.gauge import Noted, told_of
from holdwater.gauge.told import DIP, KINDS
from holdwater.intake.decode import NODE_NAME
from holdwater.noting import NOTE_KINDS, check_names
from holdwater.rollup import NOTES
from holdwater.store.batch import Batch, NoteRecord
from holdwater.store.rows import HOUR_MS

if TYPE_CHECKING:
    from holdwater.alerts.engine import Alerts
    from holdwater.alerts.rows import Change
    from holdwater.config.site import Site
    from holdwater.events import BrokerState, Request
    from holdwater.picture import Picture
    from holdwater.reception import Moment, Reception

Fact = tuple[str, str, bool, str]
Answer = tuple["list[Change]", dict[str, Any]]


class Wishes:
    """Carries out requests; the loop gives it its parts."""

    def __init__(self, reception: Reception, alerts: Alerts, picture: Picture, site: Site) -> None:
        self._reception = reception
        self._alerts = alerts
        self._picture = picture
        self._site = site
        self._broker_up: bool | None = None
        self._broker_words = ""
        self.store_words = ""
        # What was not well before the restart is well again unless it is told anew.
        self._unwell = {(each.kind, each.subject) for each in alerts.active() if each.kind in ("undelivered", "test")}
        self._link_notes: list[Noted] = []
        self.noted_ms = -1
        self._known: Mapping[str, Callable[[dict[str, Any], Batch, Moment], Answer]] = {
            "accept": self._accept,
            "retire": self._retire,
            "seen": self._seen,
            "quiet": self._quiet,
            "note": self._note,
            "mark": self._mark,
            "commit": lambda _body, _batch, _now: ([], {"ok": True}),
        }

    def carry_out(self, request: Request, batch: Batch, now: Moment) -> Answer:
        """Carry out a request; the answer says ``{"error": …}`` when it cannot be."""
        act = self._known.get(request.what)
        if act is None:
            return [], {"error": f"unknown wish {request.what!r}; known: {', '.join(sorted(self._known))}"}
        try:
            return act(request.body, batch, now)
        except HoldwaterError as error:
            return [], {"error": str(error)}

    # -- the service itself ----------------------------------------------------------------------------------------------------------

    def broker(self, event: BrokerState, now: Moment) -> list[Change]:
        """The connection to the broker came up or went away."""
        self._broker_up, self._broker_words = event.up, event.words
        return self.facts(now)

    def facts(self, now: Moment, told: Iterable[Fact] | None = None) -> list[Change]:
        """What the loop tells the rules about the service at each tick; nothing in a replay, which has no broker.

        Args:
            now: both clocks.
            told: further facts as (kind, subject, well, words). One that was not well and is not told any more is well again;
                None when only broker and card are looked at, which says nothing about the others.
        """
        if self._broker_up is None:
            return []
        states = {
            ("broker", "broker"): (self._broker_up, self._broker_words),
            ("card", "card"): (not self.store_words, self.store_words),
        }
        if told is not None:
            states |= {key: (True, "") for key in self._unwell if key not in states}
            states |= {(kind, subject): (well, words) for kind, subject, well, words in told}
            self._unwell = {key for key, (well, _) in states.items() if not well}
        changes: list[Change] = []
        for (kind, subject), (well, words) in states.items():
            verdict = Verdict.BACK if well else Verdict.BEYOND
            changes += self._alerts.on_fact(kind, subject, verdict, now.wall_ms, words)
        return changes

    def _mark(self, body: dict[str, Any], batch: Batch, _now: Moment) -> Answer:
        """The weekly sheet went out: so it goes out once, over restarts too."""
        job, mark = str(body.get("job", "")), str(body.get("mark", ""))
        if not job.startswith("sheet:") or len(job) > 64 or len(mark) > 32:
            return [], {"error": f"no job {job[:64]!r} that is marked from outside"}
        batch.marks[job] = mark
        return [], {"ok": True}

    # -- people ------------------------------------------------------------------------------------------------------------------------

    def _accept(self, body: dict[str, Any], batch: Batch, now: Moment) -> Answer:
        name = str(body.get("node", ""))
        if not NODE_NAME.fullmatch(name):
            return [], {
                "error": f"{name!r} is no node name: letters, digits, - and _, at most 32, first a letter or digit"
            }
        self._reception.accept(name, batch, now)
        return [], {"ok": True, "node": name, "state": "accepted"}

    def _retire(self, body: dict[str, Any], batch: Batch, _now: Moment) -> Answer:
        name = str(body.get("node", ""))
        if not self._reception.retire(name, batch):
            return [], {"error": f"no node {name!r}; holdwater node list shows those that were heard"}
        return [], {"ok": True, "node": name, "state": "retired"}

    def _seen(self, body: dict[str, Any], _batch: Batch, now: Moment) -> Answer:
        changes = self._alerts.seen(note_figures.whole(body, "notice"), now.wall_ms)
        return changes, {"ok": True, "changed": bool(changes)}

    def _quiet(self, body: dict[str, Any], _batch: Batch, _now: Moment) -> Answer:
        for_s = note_figures.quiet_s(body)
        changes = self._alerts.quiet(note_figures.whole(body, "notice"), for_s)
        if not changes:
            return [], {"error": f"no notice {body.get('notice')!r} is on; holdwater status lists those that are"}
        return changes, {"ok": True, "for_s": for_s}

    def _note(self, body: dict[str, Any], batch: Batch, now: Moment) -> Answer:
        kind = str(body.get("kind", ""))
        if kind not in NOTE_KINDS:
            known = f"one of: {', '.join(NOTE_KINDS)}"
            raise UsageError(f"unknown kind of note {kind[:40]!r}", expected=known, do="choose the nearest, or other")
        faults = check_names(body, self._site)
        if faults:
            return [], {"error": " ".join(faults.values())}
        at_ms = note_figures.when_ms(body, now)
        kept = note_figures.figures(body, at_ms, self._site)
        noted = Noted(kind, at_ms, kept) if kind in KINDS else None
        if noted is not None and (wrong := self._wrong(noted)):
            return [], {"error": wrong}
        text = json.dumps(kept, sort_keys=True, separators=(",", ":"))
        given = str(body.get("uid") or "").encode("utf-8", "backslashreplace").decode()[:64]
        uid = given or hashlib.sha256(f"{kind}|{at_ms}|{text}".encode()).hexdigest()[:20]
        batch.notes.append(NoteRecord(uid, at_ms, now.wall_ms, kind, text))
        changes = self._alerts.on_note(kind, at_ms, kept)
        changes += [] if noted is None else self._on_level(noted, batch, now)
        return changes, {"ok": True, "uid": uid, "at_ms": at_ms}

    def restore_notes(self, notes: Iterable[Noted]) -> list[Noted]:
        """Shut again what notes have shut and not opened since.

        Args:
            notes: all notes on levels, in order of time.

        Returns:
            The hand dips among them.
        """
        kept = list(notes)
        dips = [each for each in kept if each.kind == DIP]
        self._link_notes = [each for each in kept if each.kind != DIP]
        self._picture.told(self._link_notes)
        self.noted_ms = max((each.at_ms for each in dips), default=-1)
        return dips

    def _on_level(self, note: Noted, batch: Batch, now: Moment) -> list[Change]:
        """A note that changes a level: the live one, and those of the hours that rest on it."""
        end_ms = note.at_ms
        if note.kind == DIP:
            points = self._picture.told([note])
        else:
            self._link_notes = sorted([*self._link_notes, note], key=lambda each: each.at_ms)
            points, end_ms = self._picture.told(self._link_notes), max(note.at_ms, self._reception.newest_ms)
        self.noted_ms = max(self.noted_ms, note.at_ms)
        first = note.at_ms - note.at_ms % HOUR_MS
        batch.dirty |= {(NOTES, hour) for hour in range(first, end_ms + 1, HOUR_MS)}
        changes: list[Change] = []
        for tank, point in points:
            changes += self._alerts.on_level(
                tank, point.ts_ms, point.on_hand_m3, point.u_noise_m3, point.u_scale_m3, point.quality, now.mono_s
            )
        return changes

    def _wrong(self, note: Noted) -> str:
        """What is wrong with a note on a level, in words; empty when nothing is."""
        tank = self._site.tanks.get(str(note.body.get("tank")))
        if tank is None:
            return f"a {note.kind} of which tank? tanks: {', '.join(self._site.tanks)}"
        if note.kind != DIP:
            return ""
        if not isinstance(note.body.get("depth_m"), int | float):
            return f'a dip without a depth; write it like: holdwater note dip --tank {tank.name} --depth "21 in"'
        if told_of(tank, self._site.instruments_of(tank.name), [note]).dips:
            return ""
        names = ", ".join(each.name for each in tank.vessels if each.name) or "none: it is one vessel"
        return f"a dip that {tank.name} cannot have: as deep as its vessel at most; vessels of {tank.name}: {names}"


def told_ms(body: Mapping[str, Any], now: Moment) -> int:
    """The time that a time message tells: `at` as RFC 3339 with its offset, or `at_ms`; ms UTC.

    Raises:
        UsageError: it tells none.
    """
    if "at" not in body and "at_ms" not in body:
        like = 'send {"at": "2026-10-10T16:20:00-06:00"}'
        raise UsageError("a time message tells no time", expected="date, time and offset", do=like)
    return note_figures.told_ms(body, now)
