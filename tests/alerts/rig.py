"""The household of the alert tests, and the engine over a real SQLite file that it can be rebuilt from at any moment."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any
from zoneinfo import ZoneInfo

from holdwater.alerts.engine import Alerts
from holdwater.alerts.facts import Moment
from holdwater.alerts.rows import Change, SavedNotice, Step
from holdwater.config.channels import Channel
from holdwater.config.notices import NoticeSettings, NoticeTable
from holdwater.config.site import Site
from holdwater.tanks.tank import Tank
from holdwater.tanks.upright import upright_cylinder
from holdwater.tanks.vessels import Vessel
from holdwater.units import M3_PER_GAL, M_PER_IN, Measure
from holdwater_sensors.instrument import Instrument
from holdwater_sensors.pressure import Hydrostatic

T0_MS = 1_790_604_000_000  # 28 September 2026, 14:00 UTC, 8:00 in Denver
MIN_MS = 60_000
RESERVE_GAL = 90.0


def gal(value: float) -> float:
    """Gallons in m3."""
    return value * M3_PER_GAL


def household(
    notices: Mapping[str, NoticeTable] | None = None,
    channels: Mapping[str, Channel] | None = None,
    measure: Measure | None = None,
    name: str = "Quern Bench",
) -> Site:
    """Drinking and garden tank of the invented household, each with a level sensor."""
    inch = M_PER_IN
    drinking = Tank(
        "drinking", (Vessel("", upright_cylinder(42 * inch, 66 * inch)),), 3 * inch, 62 * inch,
        uses=("drinking",), reserve_m3=gal(RESERVE_GAL), filled_by=("well", "load"),
    )  # fmt: skip
    garden = Tank(
        "garden",
        (Vessel("", upright_cylinder(60 * inch, 72 * inch)),),
        4 * inch,
        70 * inch,
        uses=("garden",),
        filled_by=("roof",),
    )
    sensors = [
        Instrument(f"{tank}-level", tank, "", "pressure", f"{tank}:pressure", "Pa", Hydrostatic(0.0254))
        for tank in ("drinking", "garden")
    ]
    return Site(
        name=name,
        timezone=ZoneInfo("America/Denver"),
        measure=measure or Measure("US"),
        tanks={"drinking": drinking, "garden": garden},
        instruments={each.name: each for each in sensors},
        notices=NoticeSettings(notices or {}),
        channels=channels or {},
    )


Make = Callable[[Site, Iterable[SavedNotice], int, str], Alerts]


def make_alerts(site: Site, rows: Iterable[SavedNotice], next_id: int, memory: str) -> Alerts:
    """The engine as it ships."""
    return Alerts(site, rows, next_id, memory)


SCHEMA = """
CREATE TABLE notice(id INTEGER PRIMARY KEY, kind TEXT, subject TEXT, state TEXT, since INT, seen INT, quiet_left INT, body TEXT) STRICT;
CREATE TABLE notice_step(notice INT, n INT, reading_ts INT, at INT, state TEXT, body TEXT, PRIMARY KEY(notice, n)) STRICT;
CREATE TABLE outbox(key TEXT PRIMARY KEY, notice INT, channel TEXT, due INT, tries INT, state TEXT, body TEXT) STRICT;
CREATE TABLE memory(one INTEGER PRIMARY KEY, body TEXT) STRICT;
"""


def _open(path: str) -> sqlite3.Connection:
    connection = sqlite3.connect(path)
    connection.execute("PRAGMA synchronous = OFF")  # a restart of the process is meant here, not a power cut
    connection.execute("PRAGMA journal_mode = MEMORY")
    return connection


@dataclass
class Rig:
    """Both clocks, the engine, and the tables it is rebuilt from.

    A change is written as the loop writes it, in one transaction.
    """

    path: str
    site: Site = field(default_factory=household)
    make: Make = make_alerts
    wall_ms: int = T0_MS
    mono_s: float = 5000.0
    ts_ms: int = T0_MS
    changes: list[Change] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.db = _open(self.path)
        self.db.executescript(SCHEMA)
        self.alerts = self.make(self.site, (), 1, "")
        self.tick()

    def keep(self, changes: list[Change]) -> list[Change]:
        """Write changes in one transaction, as the loop does."""
        if not changes:
            return changes
        with self.db:
            for change in changes:
                row = change.notice
                self.db.execute(
                    "INSERT OR REPLACE INTO notice VALUES(?,?,?,?,?,?,?,?)",
                    (row.id, row.kind, row.subject, row.state, row.since, row.seen, row.quiet_left, row.body),
                )
                if change.step is not None:
                    step = change.step
                    self.db.execute(
                        "INSERT INTO notice_step VALUES(?,?,?,?,?,?)",
                        (step.notice, step.n, step.reading_ts, step.at, step.state, step.body),
                    )
                for out in change.outbox:
                    self.db.execute(
                        "INSERT INTO outbox VALUES(?,?,?,?,0,'waiting',?)",
                        (out.key, out.notice, out.channel, out.due_ms, out.body),
                    )
        self.changes += changes
        return changes

    def restart(self, down_s: float = 0.0, memory: str | None = None) -> None:
        """Close and open the tables, and rebuild the engine from them; the monotonic clock starts anywhere.

        The memory goes with the last commit: whatever a crash takes from it, it takes from the readings too.
        """
        with self.db:
            text = self.alerts.memory() if memory is None else memory
            self.db.execute("INSERT OR REPLACE INTO memory VALUES(1, ?)", (text,))
        self.db.close()
        self.db = _open(self.path)
        rows = [SavedNotice(*row) for row in self.db.execute("SELECT * FROM notice WHERE state <> 'clear'")]
        last = self.db.execute("SELECT coalesce(max(id), 0) FROM notice").fetchone()[0]
        kept = self.db.execute("SELECT body FROM memory").fetchone()
        self.mono_s = 11.0
        self.wall_ms += round(down_s * 1000)
        self.ts_ms += round(down_s * 1000)
        self.alerts = self.make(self.site, rows, last + 1, kept[0])

    def pass_time(self, seconds: float) -> None:
        """Let all clocks run."""
        self.mono_s += seconds
        self.wall_ms += round(seconds * 1000)
        self.ts_ms += round(seconds * 1000)

    def tick(self) -> list[Change]:
        """One tick."""
        return self.keep(self.alerts.tick(Moment(self.wall_ms, self.mono_s)))

    def level(
        self,
        amount_gal: float | None,
        *,
        quality: int = 0,
        ts_ms: int | None = None,
        tank: str = "drinking",
        noise_gal: float = 0.5,
    ) -> list[Change]:
        """One reading of a tank as it comes in: heard, then measured."""
        at_ms = self.ts_ms if ts_ms is None else ts_ms
        m3 = None if amount_gal is None else gal(amount_gal)
        return self.keep(self.alerts.on_level(tank, at_ms, m3, gal(noise_gal), gal(2.0), quality, self.mono_s))

    def heard(self, ts_ms: int | None = None, tank: str = "drinking") -> list[Change]:
        """Something came from the tank's sensor."""
        at_ms = self.ts_ms if ts_ms is None else ts_ms
        return self.keep(self.alerts.on_heard(tank, f"{tank}:pressure", at_ms, self.mono_s))

    def levels(self, amount_gal: float, minutes: int, every_min: int = 1) -> list[Change]:
        """A stretch of like readings of the drinking tank; the garden's box speaks too."""
        found: list[Change] = []
        for _ in range(0, minutes, every_min):
            self.pass_time(every_min * 60.0)
            found += self.heard() + self.heard(tank="garden") + self.level(amount_gal) + self.tick()
        return found

    def rows(self, table: str) -> list[Any]:
        """All rows of a table."""
        return self.db.execute(f"SELECT * FROM {table}").fetchall()


def told(changes: Iterable[Change], kind: str | None = None) -> list[Step]:
    """The steps that were told."""
    return [each.step for each in changes if each.step is not None and (kind is None or each.notice.kind == kind)]


def phases(changes: Iterable[Change], kind: str | None = None) -> list[str]:
    """Phases of what went out, once a step."""
    import json

    return [
        json.loads(each.outbox[0].body)["phase"]
        for each in changes
        if each.outbox and (kind is None or each.notice.kind == kind)
    ]
