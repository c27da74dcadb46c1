"""The invented household as a page sees it: a real site, a snapshot, and a history in memory with the store's reader's own methods."""

from __future__ import annotations

import math
import random
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta
from functools import cache
from types import TracebackType
from typing import Any, Self
from zoneinfo import ZoneInfo

from holdwater.config.site import PageSettings, Site
from holdwater.errors import UsageError
from holdwater.snapshot import NodeNow, NoticeNow, Snapshot, TankNow
from holdwater.store.rows import (
    DAY_MS,
    HOUR_MS,
    ForecastRow,
    LevelRow,
    NoteRow,
    NoticeLife,
    NoticeStepRow,
    ReadingRow,
    RollRow,
)
from holdwater.tanks.boxes import box
from holdwater.tanks.lying import horizontal_cylinder
from holdwater.tanks.tank import Tank
from holdwater.tanks.upright import upright_cylinder
from holdwater.tanks.vessels import Vessel
from holdwater.units import M3_PER_GAL, M_PER_IN, Measure

ZONE = ZoneInfo("America/Denver")
NOW_MS = round(datetime(2026, 10, 28, 17, 20, tzinfo=ZONE).timestamp() * 1000)
RAIN_IN = {
    (7, 9): 0.22, (7, 13): 0.55, (7, 18): 0.31, (7, 25): 0.80, (7, 30): 0.46, (8, 3): 1.40, (8, 7): 0.34, (8, 15): 0.28, (8, 20): 0.52,
    (8, 24): 0.42, (8, 27): 0.61, (9, 3): 0.38, (9, 11): 0.67, (9, 22): 0.19, (10, 6): 0.30, (10, 21): 0.25,
}  # fmt: skip
LOWS_F = {(10, 13): 29, (10, 14): 24, (10, 15): 19, (10, 16): 17, (10, 17): 21, (10, 18): 26, (10, 19): 30}


def inches(value: float) -> float:
    return value * M_PER_IN


def gallons(value: float) -> float:
    return value * M3_PER_GAL


def tanks() -> dict[str, Tank]:
    """The three tanks of the household."""
    drinking = upright_cylinder(inches(42), inches(66))
    garden = horizontal_cylinder(inches(48), inches(120))
    cabin = box(inches(48), inches(36), inches(42))
    return {
        "drinking": Tank(
            "drinking",
            (Vessel("", drinking),),
            inches(3),
            inches(62),
            uses=("drinking",),
            reserve_m3=gallons(90),
            filled_by=("well", "load"),
        ),
        "garden": Tank(
            "garden", (Vessel("", garden),), inches(4), inches(45), uses=("garden", "washing"), filled_by=("roof",)
        ),
        "cabin": Tank(
            "cabin",
            (Vessel("", cabin),),
            inches(2),
            inches(40),
            uses=("washing", "fire"),
            floor_m3=gallons(80),
            filled_by=("roof",),
        ),
    }


def household(**changes: Any) -> Site:
    """The site; further fields as named."""
    site = Site(
        "Quern Bench",
        ZONE,
        37.6,
        -105.0,
        2042.0,
        Measure("US"),
        tanks(),
        air_series="garden:air",
        rain_series="garden:rain",
        page=PageSettings(port=0, hosts=("water.home",)),
    )
    return replace(site, **changes) if changes else site


def tank_now(tank: Tank, gal: float, **changes: Any) -> TankNow:
    """A tank with so much on hand, read a little ago."""
    low, high = tank.outlet_m, tank.overflow_m
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if tank.on_hand_m3(middle) < gallons(gal) else (low, middle)
    stand = tank.stand(low, inches(0.15), inches(0.1))
    known = TankNow(
        tank.name,
        NOW_MS - 130_000,
        low,
        stand.on_hand_m3,
        stand.total_m3,
        stand.u_noise_m3,
        stand.u_scale_m3,
        heard_ms=NOW_MS - 130_000,
    )
    return replace(known, **changes)


def well(site: Site) -> Snapshot:
    """A good day."""
    now = (
        tank_now(site.tanks["drinking"], 212, day_ago_m3=gallons(226), days_low=12.2, days_mid=15.1, days_high=19.0),
        tank_now(site.tanks["garden"], 540, day_ago_m3=gallons(420), days_low=42.0, days_mid=55.0, days_high=70.0),
        tank_now(site.tanks["cabin"], 160, day_ago_m3=gallons(160.2)),
    )
    return Snapshot(
        NOW_MS - 1000, True, NOW_MS - 130_000, now, nodes=(NodeNow("drinking", "accepted", NOW_MS),), broker="connected"
    )


LOW = NoticeNow(
    7, "low", "drinking", "act today", "active", NOW_MS - 30 * HOUR_MS, False, None, "Drinking tank below its reserve: 70 gal, reserve 90.",
    "The drinking tank holds 70 gal (± 3), below its reserve of 90 gal since Tue 27 Oct. Haul water by Fri 30 Oct: your 125 gal load fits. "
    "A part-full load surges: mind payload, axles, tires and hitch. Measures amount, not safety.",
)  # fmt: skip
FREEZE = NoticeNow(
    8, "freezing", "garden spigot", "act now", "active", NOW_MS - 20 * 60_000, True, NOW_MS + 8 * HOUR_MS,
    "Drain the garden spigot before dark: 24 °F expected.",
    "Freeze tonight: about 24 °F (20 to 28) near 6 am. Before dark: unhook hoses, drain garden and cabin spigots. "
    "Only listed spots are watched.",
)  # fmt: skip
SILENT = NoticeNow(
    9,
    "silent",
    "cabin",
    "know",
    "easing",
    NOW_MS - 3 * HOUR_MS,
    False,
    None,
    "Cabin sensor silent for 2 h.",
    "The cabin sensor said nothing for 2 h and speaks again.",
)


def bad(site: Site) -> Snapshot:
    """A bad day: low, freezing, one level unknown, a new box, no trusted clock."""
    now = (
        tank_now(site.tanks["drinking"], 70, day_ago_m3=gallons(81), days_low=0.0, days_mid=0.0, days_high=0.0),
        tank_now(site.tanks["garden"], 169, day_ago_m3=gallons(183), quality=102, reason="suspect: stuck at one value"),
        TankNow(
            "cabin",
            NOW_MS - 4000,
            reason="ice at the sensor is likely",
            quality=208,
            trusted_at_ms=NOW_MS - 15 * HOUR_MS,
            trusted_m3=gallons(101),
            heard_ms=NOW_MS - 4000,
        ),
    )
    nodes = (NodeNow("shed2", "waiting", NOW_MS - 240_000),)
    return Snapshot(
        NOW_MS - 1000, False, NOW_MS - 4000, now, (SILENT, LOW, FREEZE), nodes, broker="not reached since 16:02"
    )


@dataclass
class Book:
    """A history in memory: what a reader gives out, by tank and series."""

    hours: dict[str, list[LevelRow]] = field(default_factory=dict)
    days: dict[str, list[LevelRow]] = field(default_factory=dict)
    rolled: dict[str, list[RollRow]] = field(default_factory=dict)
    steps: list[NoticeStepRow] = field(default_factory=list)
    seen: dict[int, int] = field(default_factory=dict)
    told: dict[int, tuple[tuple[str, str], ...]] = field(default_factory=dict)
    written: list[NoteRow] = field(default_factory=list)
    opened: int = 0

    def reader(self) -> BookReader:
        self.opened += 1
        return BookReader(self)


class BookReader:
    """The reader's methods over a `Book`; checks that it is used inside `with` and on one thread."""

    def __init__(self, book: Book) -> None:
        self._book = book
        self._thread: int | None = None

    def __enter__(self) -> Self:
        self._thread = threading.get_ident()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None, /
    ) -> None:
        self._thread = None

    def _check(self) -> None:
        if self._thread != threading.get_ident():
            raise RuntimeError("a reader belongs to one thread, inside `with`")

    def levels(self, tank: str, span_ms: int, start_ms: int, end_ms: int) -> Sequence[LevelRow]:
        self._check()
        rows = (self._book.hours if span_ms == HOUR_MS else self._book.days).get(tank, [])
        return [row for row in rows if start_ms <= row.start_ms < end_ms]

    def rolls(self, series: str, span_ms: int, start_ms: int, end_ms: int) -> Sequence[RollRow]:
        self._check()
        if span_ms != DAY_MS:
            return []  # the book holds days
        return [row for row in self._book.rolled.get(series, []) if start_ms <= row.start_ms < end_ms]

    def readings(self, series: str, start_ms: int, end_ms: int) -> Sequence[ReadingRow]:
        self._check()
        return []

    def forecasts(self, start_ms: int, end_ms: int) -> Sequence[ForecastRow]:
        self._check()
        return []

    def models(self, kind: str) -> Sequence[tuple[str, int, bytes]]:
        self._check()
        return []

    def notices(self, start_ms: int, end_ms: int) -> Sequence[NoticeStepRow]:
        self._check()
        return [step for step in self._book.steps if start_ms <= step.at_ms < end_ms]

    def lives(self, start_ms: int) -> Sequence[NoticeLife]:
        self._check()
        found = []
        for number in sorted({step.notice for step in self._book.steps if step.at_ms >= start_ms}, reverse=True):
            steps = tuple(step for step in self._book.steps if step.notice == number)
            told = self._book.told.get(number, (("log", "sent"), ("mqtt", "sent")))
            seen = self._book.seen.get(number)
            found.append(
                NoticeLife(number, steps[0].kind, steps[0].subject, steps[-1].state, steps[0].at_ms, seen, steps, told)
            )
        return found

    def notes(self, start_ms: int, end_ms: int) -> Sequence[NoteRow]:
        self._check()
        return [note for note in self._book.written if start_ms <= note.at_ms < end_ms]

    def newest_ms(self) -> int | None:
        self._check()
        return max((rows[-1].start_ms for rows in self._book.hours.values() if rows), default=None)


def midnight(day: date) -> int:
    return round(datetime(day.year, day.month, day.day, tzinfo=ZONE).timestamp() * 1000)


def _walk(
    name: str,
    tank: Tank,
    start_gal: float,
    use: Callable[[date], float],
    catch: float,
    fills: dict[tuple[int, int], float],
) -> list[LevelRow]:
    """Hour by hour from 1 July to now: uses by day, rain caught, fills at noon, with the doubt a sensor would give."""
    rng = random.Random(name)
    rows, on_hand = [], start_gal
    at = midnight(date(2026, 7, 1))
    while at < NOW_MS:
        local = datetime.fromtimestamp(at / 1000, ZONE)
        key = (local.month, local.day)
        awake = max(0.0, math.sin(math.pi * (local.hour - 5) / 17)) if 5 <= local.hour <= 22 else 0.0
        on_hand -= use(local.date()) * awake / 10.8 * rng.uniform(0.4, 1.6)
        if local.hour == 12:
            on_hand += fills.get(key, 0.0)
        if 15 <= local.hour < 18:
            on_hand += max(0.0, RAIN_IN.get(key, 0.0) - 0.03) * catch / 3
        on_hand = min(max(on_hand, 0.0), tank.full_on_hand_m3 / M3_PER_GAL)
        noise = gallons(1.2 + 0.002 * on_hand)
        rows.append(
            LevelRow(at, inches(10), gallons(on_hand + rng.gauss(0, 0.6)), noise, gallons(0.01 * on_hand + 0.5), 0)
        )
        at += HOUR_MS
    return rows


def _gap(rows: list[LevelRow], first: datetime, hours: int, absent: bool) -> list[LevelRow]:
    start, end = first.timestamp() * 1000, first.timestamp() * 1000 + hours * HOUR_MS
    if absent:
        return [row for row in rows if not start <= row.start_ms < end]
    return [LevelRow(row.start_ms, None, None, 0.0, 0.0, 205) if start <= row.start_ms < end else row for row in rows]


def _daily(rows: list[LevelRow]) -> list[LevelRow]:
    by_day: dict[date, list[LevelRow]] = {}
    for row in rows:
        by_day.setdefault(datetime.fromtimestamp(row.start_ms / 1000, ZONE).date(), []).append(row)
    found = []
    for day, some in by_day.items():
        known = [row for row in some if row.on_hand_m3 is not None]
        mean = sum(row.on_hand_m3 or 0.0 for row in known) / len(known) if known else None
        found.append(
            LevelRow(
                midnight(day),
                0.25 if known else None,
                mean,
                known[0].u_noise_m3 if known else 0.0,
                known[0].u_scale_m3 if known else 0.0,
                0,
            )
        )
    return found


@cache
def _season_rows() -> Book:
    """120 invented days of the household, worked out once."""

    def garden_use(day: date) -> float:
        if RAIN_IN.get((day.month, day.day), 0) >= 0.2 or day >= date(2026, 10, 12):
            return 13.0
        return 35.0 if day < date(2026, 9, 14) else 18.0

    wells: dict[tuple[int, int], float] = {}
    wednesday = date(2026, 7, 1)
    while wednesday <= date(2026, 10, 21):
        amount = (
            77.0
            if wednesday <= date(2026, 9, 9)
            else 32.0
            if wednesday <= date(2026, 10, 7)
            else 60.0
            if wednesday.day == 21
            else 0.0
        )
        wells[wednesday.month, wednesday.day] = amount
        wednesday += timedelta(days=7)
    wells[10, 10] = 123.0
    tanks_ = tanks()
    hours = {
        "drinking": _walk("drinking", tanks_["drinking"], 230, lambda _: 11.6, 0, wells),
        "garden": _walk("garden", tanks_["garden"], 640, garden_use, 780 * 0.6234 * 0.85, {(7, 22): -126}),
        "cabin": _walk(
            "cabin",
            tanks_["cabin"],
            170,
            lambda day: 12.0 if date(2026, 8, 9) <= day <= date(2026, 8, 12) else 5.0,
            150 * 0.6234 * 0.85,
            {},
        ),
    }
    hours["garden"] = _gap(hours["garden"], datetime(2026, 9, 6, 19, tzinfo=ZONE), 62, absent=True)
    hours["cabin"] = _gap(hours["cabin"], datetime(2026, 10, 16, 2, tzinfo=ZONE), 40, absent=False)
    book = Book(hours, {name: _daily(rows) for name, rows in hours.items()})
    day = date(2026, 7, 1)
    while midnight(day) < NOW_MS:
        rain = inches(RAIN_IN.get((day.month, day.day), 0.0))
        warm = 12 - 12 * (day - date(2026, 7, 20)).days / 100
        low = (LOWS_F[day.month, day.day] - 32) / 1.8 if (day.month, day.day) in LOWS_F else max(1.0, warm)
        book.rolled.setdefault("garden:rain", []).append(RollRow(midnight(day), 0.0, rain / 144, rain / 10, 144, 0))
        book.rolled.setdefault("garden:air", []).append(RollRow(midnight(day), low, low + 8, low + 15, 144, 0))
        day += timedelta(days=1)
    return book


def season_book(_: Site) -> Book:
    """120 invented days of the household, with what was written and told."""
    rows = _season_rows()
    book = Book(dict(rows.hours), dict(rows.days), dict(rows.rolled))
    book.written = [
        NoteRow(
            1,
            "a",
            _at(7, 22, 18, 46),
            _at(7, 22, 18, 50),
            "watering",
            {"tank": "garden", "text": "valve was left open, shut 18:59"},
        ),
        NoteRow(2, "b", _at(8, 12, 19), _at(8, 12, 19), "mended", {"tank": "cabin", "text": "leak at the union"}),
        NoteRow(3, "c", _at(8, 28, 9), _at(8, 28, 9), "screen_cleaned", {"tank": "garden"}),
        NoteRow(4, "d", _at(10, 10, 12), _at(10, 10, 12), "load", {"tank": "drinking", "volume_m3": gallons(125)}),
        NoteRow(5, "e", _at(10, 11, 8), _at(10, 11, 8), "dip", {"tank": "drinking", "depth_m": inches(38.2)}),
        NoteRow(6, "f", _at(10, 14, 17), _at(10, 14, 17), "drained", {"exposure": "cabin spigot"}),
    ]
    book.steps = [
        _step(
            1,
            _at(7, 22, 18, 46),
            "valve",
            "garden",
            "act now",
            "Garden tank falling 7 gal/min for 6 min, 42 gal gone. Shut the 1 in valve.",
        ),
        _step(
            2, _at(8, 11, 7), "losing", "cabin", "act today", "Cabin tank loses about 7 gal a day with nobody drawing."
        ),
        _step(
            3,
            _at(8, 27, 18),
            "screen",
            "garden",
            "know",
            "Garden roof caught half of the rain: look at the leaf screen.",
        ),
        _step(
            4,
            _at(10, 12, 16),
            "freeze",
            "garden spigot",
            "act today",
            "Freeze tonight: about 29F. Drain garden and cabin spigots.",
        ),
        _step(
            5, _at(10, 13, 16), "freeze", "garden spigot", "act today", "Freeze tonight: about 24F (20-28) near 6am."
        ),
        _step(6, _at(10, 14, 16), "freeze", "garden spigot", "act today", "Freeze tonight: about 19F."),
        _step(7, _at(10, 16, 3), "icing", "cabin", "act now", "Cabin tank at 32F: ice is forming."),
        _step(
            8,
            _at(10, 27, 11),
            "low",
            "drinking",
            "act today",
            "Drinking tank below its reserve: 89 gal, reserve 90. Haul by Fri 30 Oct.",
        ),
    ]
    return book


def _at(month: int, day: int, hour: int, minute: int = 0) -> int:
    return round(datetime(2026, month, day, hour, minute, tzinfo=ZONE).timestamp() * 1000)


def _step(notice: int, at_ms: int, kind: str, subject: str, severity: str, short: str) -> NoticeStepRow:
    return NoticeStepRow(notice, 1, kind, subject, severity, at_ms, "active", short, short)


class Hatch:
    """A door that carries wishes out on a snapshot of its own, as the loop does, and remembers them in order."""

    def __init__(self, snapshot: Snapshot) -> None:
        self.snapshot = snapshot
        self.wishes: list[tuple[str, dict[str, Any]]] = []
        self.fault: Exception | None = None
        self.answer: dict[str, Any] = {"ok": True}

    def ask(self, what: str, body: dict[str, Any], timeout_s: float = 5.0) -> dict[str, Any]:
        if self.fault is not None:
            raise self.fault
        if what in {"note", "time"}:
            self.wishes.append((what, body))
            return dict(self.answer)
        known = [notice for notice in self.snapshot.notices if notice.id == body["notice"]]
        if not known:
            return {"error": f"no notice has the number {body['notice']}"}
        if what not in {"seen", "quiet"}:
            raise UsageError(f"unknown wish {what}")
        self.wishes.append((what, body))
        change = {"seen": True} if what == "seen" else {"quiet_until_ms": NOW_MS + int(body["for_s"]) * 1000}
        changed = tuple(
            replace(notice, **change) if notice.id == body["notice"] else notice for notice in self.snapshot.notices
        )
        self.snapshot = replace(self.snapshot, notices=changed)
        return {"ok": True}
