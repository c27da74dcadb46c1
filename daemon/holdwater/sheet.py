"""The weekly sheet: one page of text on what is on hand, used and caught, what was warned and what came of it. Pure."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING

from holdwater.alerts.telling import DAYS, MONTHS, plain
from holdwater.balance.days import Account
from holdwater.outcomes import Outcome
from holdwater.snapshot import TankNow
from holdwater.store.rows import DAY_MS, NoteRow
from holdwater.web.history import note_words
from holdwater.web.view import SHOWN, Scene, day_line
from holdwater.web.words import amount, bare, first_sentence, haul_words, local, plus_minus

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from holdwater.config.outwards import SheetSettings
    from holdwater.units import Measure

WIDTH = 80
WEEK_DAYS = 7
MOST_TOLD, MOST_NOTED = 10, 8
"""Lines of each list, so that it stays one page; the rest is counted."""

UNDER = (
    "Amount, not safety: roof water is not for drinking, cooking or teeth unless treated and tested. "
    "Never climb in or lean into a tank. No message is no proof that all is well."
)
CHORES = ("dip", "screen cleaned", "tested", "dosed")
"""What a household does now and then, and wants to know when it did it last."""


@dataclass(frozen=True, slots=True)
class Week:
    """What the sheet is made from.

    Attributes:
        books: day accounts of the last seven whole local days, by tank.
        rain_m: rain of these days, None without a gauge.
        outcomes: notices of the week, and those still on, the newest first.
        notes: notes of the week, oldest first.
        last_done: newest note of each chore and tank, as (kind, tank or empty, time ms).
        reached: when each channel last took a message, and when a test of it was last answered, ms; None for never.
    """

    books: Mapping[str, Sequence[Account]]
    rain_m: float | None
    outcomes: Sequence[Outcome]
    notes: Sequence[NoteRow]
    last_done: Sequence[tuple[str, str, int]]
    reached: Mapping[str, tuple[int | None, int | None]]


def week_days(now_ms: int, zone: ZoneInfo) -> tuple[date, date]:
    """First and last of the seven whole local days before today."""
    today = local(now_ms, zone).date()
    return today - timedelta(days=WEEK_DAYS), today - timedelta(days=1)


def sheet_title(scene: Scene) -> str:
    """Heading and subject of the mail."""
    first, last = week_days(scene.now_ms, scene.site.timezone)
    return plain(f"{scene.site.name}: water from {_day(first)} to {_day(last)} {last.year}")


def sheet_text(scene: Scene, week: Week) -> str:
    """The sheet: plain characters, at most 80 columns, one page."""
    blocks = [
        [sheet_title(scene), *_wrapped(_sentence(scene))],
        _table(scene, week),
        _to_do(scene),
        _told(scene, week.outcomes),
        _noted(scene, week.notes),
        _last_done(scene, week),
        _ways(scene, week.reached),
        _wrapped(UNDER),
    ]
    return "\n".join("\n".join(block) + "\n" for block in blocks if block)


def _sentence(scene: Scene) -> str:
    shown = sorted((each for each in scene.snapshot.notices if each.state in SHOWN), key=lambda each: -each.since_ms)
    shown.sort(key=lambda each: ("act now", "act today", "know").index(each.severity))
    return day_line(scene, shown)[0]


def _day(day: date) -> str:
    return f"{DAYS[day.weekday()]} {day.day} {MONTHS[day.month - 1]}"


def _when(ms: int, scene: Scene) -> str:
    return _day(local(ms, scene.site.timezone).date())


def _wrapped(text: str, first: str = "", rest: str = "") -> list[str]:
    return textwrap.wrap(plain(text), WIDTH, initial_indent=first, subsequent_indent=rest) if text else []


def _table(scene: Scene, week: Week) -> list[str]:
    unit = scene.measure.volume_unit
    rows = [
        f"{'in ' + unit:16} {'on hand':>8} {'+-':>4} {'lasts days':>13} {'used':>7} {'came in':>8} {'unexplained':>12}"
    ]
    for name in scene.site.tanks:
        rows.append(_row(name, scene, week.books.get(name, ())))
    short = [name for name in scene.site.tanks if sum(each.is_whole for each in week.books.get(name, ())) < WEEK_DAYS]
    hauls = [f"{name} {words}" for name in scene.site.tanks if (words := _haul(name, scene))]
    rows += _wrapped("; ".join(hauls) + ".") if hauls else []
    if short:
        rows += _wrapped(f"* not all seven days were heard: {', '.join(short)}")
    came = [words for name in scene.site.tanks if (words := _inflow(name, week.books.get(name, ()), scene.measure))]
    rows += _wrapped("Came in: " + "; ".join(came) + ".") if came else []
    if week.rain_m is not None:
        rain = scene.measure.rain(week.rain_m)
        rows.append(f"Rain: {rain:.2f} in" if scene.measure.system == "US" else f"Rain: {rain:.0f} mm")
    return rows


def _row(name: str, scene: Scene, book: Sequence[Account]) -> str:
    state, measure = scene.snapshot.tank(name) or TankNow(name), scene.measure
    whole = [each for each in book if each.is_whole]
    mark = "*" if len(whole) < WEEK_DAYS else " "
    used, came, rest = "-", "-", "-"
    if whole:
        used = f"{measure.volume(sum(each.used_m3 for each in whole)):.0f}"
        came = f"{measure.volume(sum(each.in_m3 for each in whole)):.0f}"
        rest = _rest(whole, measure)
    if state.on_hand_m3 is None:
        return f"{plain(name)[:16]:16} {'UNKNOWN':>8} {'':>4} {'':>13} {used:>6}{mark} {came:>8} {rest:>12}".rstrip()
    on_hand, doubt = amount(state.on_hand_m3, state.u_m3, measure), plus_minus(state.u_m3, measure)
    return f"{plain(name)[:16]:16} {on_hand:>8} {doubt:>4} {_lasts(state):>13} {used:>6}{mark} {came:>8} {rest:>12}".rstrip()


def _haul(name: str, scene: Scene) -> str:
    state = scene.snapshot.tank(name)
    return "" if state is None else haul_words(state.haul_by, late=state.haul_late)


def _rest(whole: Sequence[Account], measure: Measure) -> str:
    """What went unseen, where it is more than twice its doubt; else it is nothing that can be told from nothing."""
    rest_m3 = sum(each.unexplained_m3 or 0.0 for each in whole)
    doubt_m3 = sum(each.u_m3**2 for each in whole) ** 0.5
    return f"{measure.volume(rest_m3):.0f}" if abs(rest_m3) > 2 * doubt_m3 else "none seen"


def _lasts(state: TankNow) -> str:
    low, mid, high = state.days_low, state.days_mid, state.days_high
    if low is None or mid is None or high is None:
        return "-"
    if low >= 90:
        return "over 90"
    return f"{mid:.0f} ({low:.0f}-{high:.0f})" if high > 0 else "0"


def _inflow(name: str, book: Sequence[Account], measure: Measure) -> str:
    by_kind: dict[str, float] = {}
    for each in book:
        for kind, volume_m3 in each.inflow_m3:
            by_kind[kind] = by_kind.get(kind, 0.0) + volume_m3
    parts = [
        f"{measure.volume(volume_m3):.0f} {kind}"
        for kind, volume_m3 in by_kind.items()
        if measure.volume(volume_m3) >= 1
    ]
    return f"{name} {', '.join(parts)}" if parts else ""


def _to_do(scene: Scene) -> list[str]:
    """What the notices that are on ask for, the most urgent first."""
    rank = ("act now", "act today", "know")
    on = sorted(
        (each for each in scene.snapshot.notices if each.state in SHOWN), key=lambda each: rank.index(each.severity)
    )
    lines = ["TO DO"]
    for each in on:
        lines += _wrapped(f"[{each.id}] {each.severity}: {bare(each.short)}", "  ", "      ")
    return lines if on else ["TO DO", "  Nothing is asked for by a notice."]


def _told(scene: Scene, outcomes: Sequence[Outcome]) -> list[str]:
    lines = ["WARNED, AND WHAT CAME OF IT"]
    for each in outcomes[:MOST_TOLD]:
        seen = "" if each.seen_ms is None else f" Seen {_when(each.seen_ms, scene)}."
        end = f" Over after {each.lasted}." if each.over_ms is not None else " Still on."
        noted = "".join(f" Noted: {note_words(note, scene.measure).rstrip('.')}." for note in each.notes[:2])
        missed = f" Not by {', '.join(each.untold)}." if each.untold else ""
        head = f"{_when(each.raised_ms, scene)}, {each.severity}: {first_sentence(bare(each.text))}"
        lines += _wrapped(f"{head}{seen}{end}{noted}{missed}", "  ", "    ")
    if len(outcomes) > MOST_TOLD:
        lines.append(f"  and {len(outcomes) - MOST_TOLD} more: holdwater export notices, or the page of notices")
    return lines if outcomes else [lines[0], "  Nothing was told."]


def _noted(scene: Scene, notes: Sequence[NoteRow]) -> list[str]:
    lines = ["NOTED"]
    for note in notes[-MOST_NOTED:]:
        lines += _wrapped(f"{_when(note.at_ms, scene)}: {note_words(note, scene.measure)}", "  ", "    ")
    if len(notes) > MOST_NOTED:
        lines.insert(1, f"  {len(notes) - MOST_NOTED} before these")
    return lines if notes else [lines[0], "  Nothing was written."]


def _last_done(scene: Scene, week: Week) -> list[str]:
    """When chores were done last, as they were noted."""
    newest: dict[tuple[str, str], int] = {}
    for kind, tank, at_ms in week.last_done:
        newest[kind, tank] = max(newest.get((kind, tank), 0), at_ms)
    parts = []
    for (kind, tank), at_ms in sorted(newest.items()):
        parts.append(f"{kind}{f' ({tank})' if tank else ''} {_when(at_ms, scene)}, {_ago(scene.now_ms - at_ms)}")
    never = [kind for kind in CHORES if not any(each == kind for each, _ in newest)]
    words = "; ".join(parts) or "nothing"
    return ["LAST DONE", *_wrapped(words + (f". Never noted: {', '.join(never)}" if never else "") + ".", "  ", "  ")]


def _ago(ms: int) -> str:
    days = ms // DAY_MS
    return f"{days} days ago" if days > 1 else "a day ago" if days == 1 else "less than a day ago"


def _ways(scene: Scene, reached: Mapping[str, tuple[int | None, int | None]]) -> list[str]:
    lines = ["WAYS OF REACHING YOU"]
    for name, (taken_ms, answered_ms) in reached.items():
        taken = "has taken nothing lately" if taken_ms is None else f"last took a message {_when(taken_ms, scene)}"
        heard = "" if answered_ms is None else f"; its test was answered {_when(answered_ms, scene)}"
        never = "; no test of it was ever answered" if answered_ms is None and _tested(name, scene) else ""
        lines += _wrapped(f"{name}: {taken}{heard}{never}", "  ", "    ")
    return lines if reached else []


def _tested(name: str, scene: Scene) -> bool:
    channel = scene.site.channels.get(name)
    return channel is not None and channel.test != "off"


def occasion(settings: SheetSettings, zone: ZoneInfo, now_ms: int) -> tuple[str, int]:
    """The newest time at which a sheet was due: its mark (a local date) and when that was, ms UTC."""
    now = local(now_ms, zone)
    day = now.date() - timedelta(days=(now.weekday() - settings.weekday) % WEEK_DAYS)
    at_ms = _at(day, settings.minute, zone)
    if at_ms > now_ms:
        day -= timedelta(days=WEEK_DAYS)
        at_ms = _at(day, settings.minute, zone)
    return day.isoformat(), at_ms


def _at(day: date, minute: int, zone: ZoneInfo) -> int:
    return round(datetime(day.year, day.month, day.day, minute // 60, minute % 60, tzinfo=zone).timestamp() * 1000)
