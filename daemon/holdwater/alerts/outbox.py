"""What waits to be sent, in which order, and when to try again. Pure: both clocks and the random fraction are arguments.

At least once, with a key the other side can know a copy by. A channel sends one parcel at a time, oldest first, so that
the end of a notice never overtakes its beginning. When a channel fails it waits as a whole; what has gathered meanwhile
goes out as one summary, and a notice that came and went as one line.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any
from zoneinfo import ZoneInfo

from holdwater.alerts.facts import Moment
from holdwater.alerts.later import Later
from holdwater.alerts.matter import Severity
from holdwater.alerts.outcome import Accepted, Outcome, Refused, Unclear
from holdwater.alerts.rows import Outgoing
from holdwater.alerts.telling import SHORT_MAX, Phase, cut, local
from holdwater.config.channels import Channel

FIRST_WAIT_S = 2.0
LONGEST_WAIT_S = 600.0
SUMMARY_FROM = 4  # so many lines at once become one message
DAY_S = 86400.0

WAITING, SENT, REFUSED, JOINED, SPARED = "waiting", "sent", "refused", "joined", "spared"


@dataclass(frozen=True, slots=True)
class OutboxRow:
    """One row of `outbox`. States: waiting; sent; joined (told as part of another message); refused (never taken);
    spared (a second channel for which it was seen, or over, in time)."""

    key: str
    notice: int
    channel: str
    due: int
    tries: int
    state: str
    body: str

    @classmethod
    def of(cls, out: Outgoing) -> OutboxRow:
        """The row of something that has just been put out."""
        return cls(out.key, out.notice, out.channel, out.due_ms, 0, WAITING, out.body)


@dataclass(frozen=True, slots=True)
class Parcel:
    """One send: one row, or several told together.

    Attributes:
        key: by which the other side knows a copy.
        channel: name of the channel.
        keys: keys of the rows in it, in order.
        notices: numbers of the notices in it.
        severity: of the worst of them.
        short: text of at most 160 plain characters.
        long: longer text, with a line for each notice.
        body: JSON object of the message.
        rows: bodies of the rows, for channels that keep one place for each notice.
    """

    key: str
    channel: str
    keys: tuple[str, ...]
    notices: tuple[int, ...]
    severity: Severity
    short: str
    long: str
    body: str
    rows: tuple[Mapping[str, Any], ...] = ()


def wait_s(tries: int, fraction: float) -> float:
    """How long to wait after so many failed tries in a row: full jitter under a doubling ceiling of at most 10 min.

    Args:
        tries: failed tries in a row, 1 and up.
        fraction: a random number in [0, 1).

    Returns:
        Seconds, between 0.5 and 600.
    """
    ceiling_s = min(LONGEST_WAIT_S, FIRST_WAIT_S * 2.0 ** min(tries - 1, 20))
    return max(0.5, ceiling_s * fraction)


def quiet_left_s(config: Channel, now: Moment, zone: ZoneInfo) -> float:
    """Seconds until the channel's quiet hours end; 0 outside them, or while the clock is not trusted."""
    hours = config.quiet_minutes
    if hours is None or not now.clock_trusted:
        return 0.0
    at = local(now.wall_ms, zone)
    minute = at.hour * 60 + at.minute
    start, end = hours
    inside = start <= minute < end if start <= end else minute >= start or minute < end
    return float((end - minute) % 1440 * 60 - at.second) if inside else 0.0


def compose(channel: str, rows: tuple[OutboxRow, ...], *, after_outage: bool) -> tuple[Parcel, int]:
    """The next parcel out of rows that may go, oldest first, and how many rows it took.

    Several rows of one notice become one line. Up to three lines go one by one, unless there was an outage.
    """
    bodies = {row.key: json.loads(row.body) for row in rows}
    lines: dict[int, list[OutboxRow]] = {}
    for row in rows:
        lines.setdefault(row.notice, []).append(row)
    groups = list(lines.values())
    summary = len(groups) >= SUMMARY_FROM or (after_outage and len(groups) > 1)
    taken = groups if summary else groups[:1]
    told = [_line([bodies[row.key] for row in group]) for group in taken]
    told.sort(key=lambda line: -Severity(line["severity"]).rank)
    keys = tuple(row.key for group in taken for row in group)
    worst = Severity(told[0]["severity"])
    if summary:
        short = cut(f"{len(told)} notices: " + " / ".join(line["short"] for line in told), SHORT_MAX)
        long = "\n".join([f"{len(told)} notices, the most urgent first.", *(line["long"] for line in told)])
        first = groups[0][0].key
        key = f"{first}+{len(keys) - 1}"
        body: dict[str, Any] = {
            "site": told[0]["site"],
            "severity": worst.value,
            "short": short,
            "long": long,
            "notices": told,
        }
    else:
        body, key = told[0], taken[0][-1].key
        short, long = body["short"], body["long"]
    text = json.dumps({**body, "key": key}, separators=(",", ":"))
    latest = tuple(bodies[group[-1].key] for group in taken)
    parcel = Parcel(key, channel, keys, tuple(group[0].notice for group in taken), worst, short, long, text, latest)
    return parcel, len(keys)


def _line(bodies: list[dict[str, Any]]) -> dict[str, Any]:
    """One notice's rows as one line: the newest of them, or that it came and went."""
    first, last = bodies[0], bodies[-1]
    if len(bodies) == 1 or first["phase"] == Phase.CLEAR:
        return last
    if last["phase"] != Phase.CLEAR:
        return last
    worst = max(bodies, key=lambda each: Severity(each["severity"]).rank)
    short = cut(f"Came and went: {worst['short'].removeprefix('ACT NOW ')}", SHORT_MAX)
    return {
        **last,
        "phase": "came and went",
        "short": short,
        "long": f"Came and went. {worst['long']} Then: {last['long']}",
    }


@dataclass(slots=True)
class _Lane:
    """One channel: its rows, the parcel on its way, and how it has been doing."""

    config: Channel
    later: Later
    rows: list[OutboxRow] = field(default_factory=list)
    away: Parcel | None = None
    retry: Parcel | None = None
    tries: int = 0
    next_s: float = 0.0
    failing_since_s: float | None = None
    words: str = ""
    sent_s: list[float] = field(default_factory=list)


class Outbox:
    """All channels' rows that are not settled.

    Args:
        channels: settings by name; rows of a channel that is no more are refused at once by `orphans`.
        rows: rows of the table whose state is waiting.
        zone: time zone of quiet hours.
        told: (notice, channel) of which something went out before; for second channels.
    """

    def __init__(
        self,
        channels: Mapping[str, Channel],
        rows: Iterable[OutboxRow],
        zone: ZoneInfo,
        told: Iterable[tuple[int, str]] = (),
    ) -> None:
        self._zone = zone
        self._lanes = {name: _Lane(config, Later(config.after_s)) for name, config in channels.items()}
        for notice, name in told:
            if name in self._lanes:
                self._lanes[name].later.went((notice,))
        self._orphans: list[OutboxRow] = []
        for row in sorted((row for row in rows if row.state == WAITING), key=_order):
            lane = self._lanes.get(row.channel)
            if lane is None:
                self._orphans.append(replace(row, state=REFUSED))
            else:
                lane.rows.append(row)
                lane.tries = max(lane.tries, row.tries)

    def orphans(self) -> tuple[OutboxRow, ...]:
        """Rows to write as refused because their channel is no longer in the config, or as spared."""
        gone, self._orphans = tuple(self._orphans), []
        return gone

    def add(self, outgoing: Iterable[Outgoing]) -> None:
        """Take in what a committed change has put out; a key that is already there is not taken twice."""
        for out in outgoing:
            lane = self._lanes.get(out.channel)
            if lane is not None and all(row.key != out.key for row in lane.rows):
                lane.rows.append(OutboxRow.of(out))

    def spare(self, notice: int) -> None:
        """A notice was seen, or is over: a second channel that has told nothing of it yet need not."""
        for lane in self._lanes.values():
            if lane.away is not None and notice in lane.away.notices:
                continue  # on its way: it may arrive
            gone = lane.later.spare(notice, lane.rows)
            self._orphans += [replace(row, state=SPARED) for row in gone]
            lane.rows = [row for row in lane.rows if row not in gone] if gone else lane.rows

    def ready(self, now: Moment) -> tuple[Parcel, ...]:
        """The parcels to hand to the workers now: at most one a channel, none for a channel that has one on its way."""
        parcels = (self._take(name, lane, now) for name, lane in self._lanes.items())
        return tuple(parcel for parcel in parcels if parcel is not None)

    def report(self, key: str, outcome: Outcome, now: Moment, fraction: float) -> tuple[OutboxRow, ...]:
        """Take in what became of a parcel.

        Args:
            key: the parcel's key.
            outcome: what the channel reported.
            now: both clocks.
            fraction: a random number in [0, 1), for the wait before the next try.

        Returns:
            Rows to write. An unknown key, such as a copy of an earlier report, gives none.
        """
        lane = next((lane for lane in self._lanes.values() if lane.away is not None and lane.away.key == key), None)
        if lane is None or lane.away is None:
            return ()
        parcel, lane.away, lane.retry = lane.away, None, None
        if not isinstance(outcome, Refused):
            lane.later.went(parcel.notices)
        if isinstance(outcome, Accepted):
            lane.sent_s.append(now.mono_s)
            return self._settled(lane, parcel, SENT)
        if isinstance(outcome, Refused) and outcome.final:
            lane.words = outcome.words
            return self._settled(lane, parcel, REFUSED)
        return self._failed(lane, parcel, outcome, now, fraction)

    def next_due_s(self, now: Moment) -> float | None:
        """Monotonic time of the next thing to send; None when nothing waits for time."""
        dues = [self._due_s(lane, now) for lane in self._lanes.values() if lane.rows and lane.away is None]
        return min(dues, default=None)

    def failing(self, now: Moment) -> tuple[tuple[str, float, str], ...]:
        """Channels that are failing: name, for how many seconds, and why."""
        found = []
        for name, lane in self._lanes.items():
            if lane.failing_since_s is not None:
                found.append((name, now.mono_s - lane.failing_since_s, lane.words))
            elif lane.tries and lane.rows:  # it failed before the restart, and has not been tried since
                found.append((name, 0.0, lane.words or "it took nothing before the restart"))
        return tuple(found)

    def waiting(self) -> int:
        """How many rows are not settled."""
        return sum(len(lane.rows) for lane in self._lanes.values())

    def _take(self, name: str, lane: _Lane, now: Moment) -> Parcel | None:
        if lane.away is not None or not lane.rows or now.mono_s < lane.next_s:
            return None
        if lane.retry is not None:  # it may have arrived: the copy must be the same to the letter
            lane.away = lane.retry
            return lane.away
        rows = self._allowed(lane, now)
        if not rows:
            return None
        lane.away, _ = compose(name, rows, after_outage=lane.tries > 0)
        return lane.away

    def _allowed(self, lane: _Lane, now: Moment) -> tuple[OutboxRow, ...]:
        rows = lane.later.may_go(lane.rows, now)
        if self._pause_s(lane, now) <= 0:
            return rows
        urgent = {row.notice for row in rows if _severity(row) is Severity.NOW}
        return tuple(row for row in rows if row.notice in urgent)

    def _pause_s(self, lane: _Lane, now: Moment) -> float:
        """Seconds for which only *act now* may go: quiet hours, or the day's cap is used up."""
        lane.sent_s = [at_s for at_s in lane.sent_s if now.mono_s - at_s < DAY_S]
        over = len(lane.sent_s) - lane.config.daily_cap
        cap_s = lane.sent_s[over] + DAY_S - now.mono_s if over >= 0 else 0.0
        return max(cap_s, quiet_left_s(lane.config, now, self._zone))

    def _due_s(self, lane: _Lane, now: Moment) -> float:
        if lane.retry is not None or self._allowed(lane, now):
            return lane.next_s
        # What waits for its time is looked at again then; what it finds may still have to wait for the end of quiet hours.
        return max(lane.next_s, now.mono_s + self._pause_s(lane, now), lane.later.next_s(lane.rows, now))

    def _settled(self, lane: _Lane, parcel: Parcel, state: str) -> tuple[OutboxRow, ...]:
        lane.tries, lane.next_s, lane.failing_since_s = 0, 0.0, None
        done = [row for row in lane.rows if row.key in parcel.keys]
        lane.rows = [row for row in lane.rows if row.key not in parcel.keys]
        main = parcel.key.rsplit("+", 1)[0] if len(parcel.notices) > 1 else parcel.key
        joined = JOINED if state == SENT else state
        return tuple(replace(row, state=state if row.key == main else joined, tries=row.tries + 1) for row in done)

    def _failed(
        self, lane: _Lane, parcel: Parcel, outcome: Refused | Unclear, now: Moment, fraction: float
    ) -> tuple[OutboxRow, ...]:
        lane.tries += 1
        lane.words = outcome.words
        lane.failing_since_s = now.mono_s if lane.failing_since_s is None else lane.failing_since_s
        pause_s = wait_s(lane.tries, fraction)
        lane.next_s = now.mono_s + pause_s
        lane.retry = parcel if isinstance(outcome, Unclear) else None
        due = now.wall_ms + round(pause_s * 1000)
        lane.rows = [replace(row, tries=row.tries + 1, due=due) if row.key in parcel.keys else row for row in lane.rows]
        return tuple(row for row in lane.rows if row.key in parcel.keys)


def _severity(row: OutboxRow) -> Severity:
    return Severity(json.loads(row.body)["severity"])


def _order(row: OutboxRow) -> tuple[int, int, int, str]:
    body = json.loads(row.body)
    return int(body["at_ms"]), row.notice, int(body["step"]), row.key
