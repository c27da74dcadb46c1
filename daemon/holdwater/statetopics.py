"""What is on hand, a lamp and one line for a display, as messages on the household's own broker.

    PREFIX/state/TANK   JSON, retained: on hand with its doubt, days, quality, reason, time
    PREFIX/state/lamp   well | act today | act now | unsure | dark; again every minute
    PREFIX/state/buzzer JSON: how long on, off, on, off in ms, over and over while it is there; [] is silence
    PREFIX/state/line   one line of at most 160 plain characters, retained

The lamp fails dark: whoever shows it lights it on `well` only and lets it go dark when no `well` came for three minutes. The broker
forgets the messages by itself (message expiry, MQTT 5.0, 3.3.2.3.3), so that a dead service leaves nothing that looks well; a 3.1.1
broker cannot, so the lamp is not retained there.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from holdwater.alerts.telling import SHORT_MAX, clock_text, cut
from holdwater.snapshot import TankNow
from holdwater.web.view import SHOWN, Scene, day_line
from holdwater.web.words import amount, plus_minus
from holdwater_sensors.quality import OK, Grade, grade_of
from holdwater_sensors.quality import words as quality_words

if TYPE_CHECKING:
    from holdwater.config.site import Site
    from holdwater.snapshot import NoticeNow, Snapshot

LAMP_EVERY_S = 60.0
LAMP_EXPIRY_S = 180
"""Three chances: one lost message must not put the lamp out."""

BUZZER = (1500, 500, 200, 7800)
"""Long, short, a pause. Neither smoke (three of 0.5 s, then 1.5 s; ISO 8201) nor carbon monoxide (four of 0.1 s, then 5 s): own choice."""

EXPIRY_TIMES = 3
YEAR_DAYS = 365

Publish = Callable[[str, str, bool, int], bool]
"""topic, payload, retain, expiry in seconds -> whether it was taken."""


@dataclass(frozen=True, slots=True)
class Said:
    """One message.

    Attributes:
        name: last part of its topic.
        text: payload.
        mark: what it says without times: the same mark is no news.
    """

    name: str
    text: str
    mark: str


def lamp_of(site: Site, snapshot: Snapshot) -> str:
    """`well` only while all that has a sensor is watched and well; else what comes first of the reasons why not."""
    on = {notice.severity for notice in snapshot.notices if notice.state in SHOWN}
    for severity in ("act now", "act today"):
        if severity in on:
            return severity
    watched = {each.tank for each in site.instruments.values() if each.gives_depth and each.kind != "dip"}
    states = [snapshot.tank(name) for name in watched]
    sure = bool(states) and all(each is not None and _is_sure(each) for each in states)
    return "well" if sure and snapshot.clock_trusted else "unsure"


def buzzer_of(snapshot: Snapshot, now_ms: int) -> tuple[int, ...]:
    """The pattern while an *act now* is on that nobody has seen or keeps quiet; else silence."""
    loud = (
        notice.severity == "act now"
        and notice.state == "active"
        and not notice.seen
        and (notice.quiet_until_ms is None or notice.quiet_until_ms <= now_ms)
        for notice in snapshot.notices
    )
    return BUZZER if any(loud) else ()


def _is_sure(state: TankNow) -> bool:
    return state.on_hand_m3 is not None and not state.reason and grade_of(state.quality) is Grade.OK


def tank_said(name: str, state: TankNow, scene: Scene) -> Said:
    """The state of one tank as JSON."""
    measure, known = scene.measure, state.on_hand_m3 is not None
    figures: dict[str, Any] = {
        "tank": name,
        "known": known,
        "on_hand": amount(state.on_hand_m3, state.u_m3, measure) if state.on_hand_m3 is not None else None,
        "plus_minus": plus_minus(state.u_m3, measure) if known else None,
        "unit": measure.volume_unit,
        "days": [_whole(each) for each in (state.days_low, state.days_mid, state.days_high)],
        "haul_by": state.haul_by or None,
        "quality": "ok" if state.quality == OK else quality_words(state.quality),
        "reason": state.reason,
    }
    exact = {
        "on_hand_m3": _round(state.on_hand_m3, 4),
        "u_m3": _round(state.u_m3, 5) if known else None,
        "depth_m": _round(state.depth_m, 4),
        "at": _time(state.at_ms, scene),
        "sent": _time(scene.now_ms, scene),
    }
    return Said(name, json.dumps({**figures, **exact}, separators=(",", ":")), json.dumps(figures))


def _whole(days: float | None) -> int | None:
    return None if days is None else round(days)


def _round(value: float | None, places: int) -> float | None:
    return None if value is None else round(value, places)


def _time(ms: int | None, scene: Scene) -> str | None:
    """RFC 3339 in UTC; null while nobody knows what time it is."""
    if ms is None or not scene.snapshot.clock_trusted:
        return None
    return datetime.fromtimestamp(ms / 1000, UTC).isoformat(timespec="seconds").replace("+00:00", "Z")


def line_said(scene: Scene) -> Said:
    """One line for a display: the household's state in a sentence, then each tank, then the time."""
    shown = sorted((each for each in scene.snapshot.notices if each.state in SHOWN), key=_rank)
    sentence, _ = day_line(scene, shown)
    tanks = ", ".join(_short(name, scene) for name in scene.site.tanks)
    words = f"{sentence} {tanks[:1].upper()}{tanks[1:]}." if tanks else sentence
    now_ms = scene.now_ms
    known = scene.snapshot.clock_trusted
    when = clock_text(now_ms, now_ms - 86_400_000, scene.site.timezone, scene.measure) if known else "time unknown"
    return Said("line", f"{cut(words, SHORT_MAX - len(when) - 1)} {when}", cut(words, SHORT_MAX))


def _rank(notice: NoticeNow) -> tuple[int, int]:
    order = ("act now", "act today", "know")
    return order.index(notice.severity) if notice.severity in order else len(order), -notice.since_ms


def _short(name: str, scene: Scene) -> str:
    state = scene.snapshot.tank(name) or TankNow(name)
    if state.on_hand_m3 is None:
        return f"{name} UNKNOWN"
    text = f"{name} {amount(state.on_hand_m3, state.u_m3, scene.measure)} {scene.measure.volume_unit}"
    days = state.days_mid
    return text if days is None or not 1 <= days <= YEAR_DAYS else f"{text} {days:.0f} days"


class StateTopics:
    """Publishes the states: each change at once, all again now and then.

    Args:
        site: tanks, units, how often.
        publish: to the broker; called only while `connection` says that one is there.
        connection: number of the present connection, 0 for none; a new one gets everything anew.
        expires: whether the broker forgets messages by itself (MQTT 5).
    """

    def __init__(
        self, site: Site, publish: Publish, connection: Callable[[], int], expires: Callable[[], bool]
    ) -> None:
        self._site = site
        self._publish = publish
        self._connection = connection
        self._expires = expires
        self._number = 0
        self._sent: dict[str, tuple[str, float]] = {}

    def tick(self, snapshot: Snapshot, now_ms: int, mono_s: float) -> None:
        """Say what is news or due; called every few seconds by the loop, so that a loop that hangs says nothing."""
        number = self._connection()
        if not self._site.state.on or not number:
            return
        if number != self._number:
            self._number = number
            self._sent.clear()
        scene = Scene(self._site, snapshot, self._site.measure, now_ms)
        every_s = self._site.state.every_s
        for name in self._site.tanks:
            said = tank_said(name, snapshot.tank(name) or TankNow(name), scene)
            self._say(said, mono_s, every_s, round(EXPIRY_TIMES * every_s))
        self._say(line_said(scene), mono_s, every_s, round(EXPIRY_TIMES * every_s))
        lamp = lamp_of(self._site, snapshot)
        buzzer = json.dumps(buzzer_of(snapshot, now_ms))
        for each in (Said("lamp", lamp, lamp), Said("buzzer", buzzer, buzzer)):
            self._say(each, mono_s, LAMP_EVERY_S, LAMP_EXPIRY_S, retain=self._expires())

    def dark(self) -> None:
        """The service ends: the lamp goes dark, the buzzer silent."""
        if self._site.state.on and self._connection():
            self._publish(self._topic("lamp"), "dark", self._expires(), LAMP_EXPIRY_S)
            self._publish(self._topic("buzzer"), "[]", self._expires(), LAMP_EXPIRY_S)

    def _topic(self, name: str) -> str:
        return f"{self._site.broker.prefix}/state/{name}"

    def _say(self, said: Said, mono_s: float, every_s: float, expiry_s: int, *, retain: bool = True) -> None:
        mark, at_s = self._sent.get(said.name, ("", -1e9))
        if (mark != said.mark or mono_s - at_s >= every_s) and self._publish(
            self._topic(said.name), said.text, retain, expiry_s
        ):
            self._sent[said.name] = (said.mark, mono_s)
