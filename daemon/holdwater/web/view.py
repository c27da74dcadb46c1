"""From the snapshot to what the Now page says: plain values and words, no markup. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from holdwater.config.site import Site
from holdwater.snapshot import NodeNow, NoticeNow, Snapshot, TankNow
from holdwater.tanks.tank import Stand, Tank
from holdwater.units import Measure
from holdwater.web.words import age, amount, change, clock, day, lasts, listed, long_day, moment, plus_minus
from holdwater_sensors.quality import Grade, grade_of
from holdwater_sensors.quality import words as quality_words

SEVERITIES = ("act now", "act today", "know")
SHOWN = ("active", "easing")
"""States of a notice that the household sees: a watching one may come to nothing."""

QUIET_HOURS = ((8, "8 hours"), (24, "1 day"), (72, "3 days"), (168, "1 week"))
"""How long a notice may be kept quiet from the page."""


@dataclass(frozen=True, slots=True)
class NoticeView:
    """One notice as a paragraph."""

    id: int
    severity: str
    mark: str
    since: str
    short: str
    text: str
    seen: bool
    quiet: str
    easing: bool


@dataclass(frozen=True, slots=True)
class TankView:
    """One tank: the figure, the sentences beside it, and how it stands for the picture."""

    name: str
    uses: str
    known: bool
    figure: str
    unit: str
    doubt: str
    lines: tuple[str, ...]
    doubted: str
    caution: str
    reason: str
    stand: Stand | None
    tank: Tank


@dataclass(frozen=True, slots=True)
class WaitingView:
    """A sensor box that has spoken but was not accepted yet."""

    name: str
    heard: str


@dataclass(frozen=True, slots=True)
class NowView:
    """The whole Now page."""

    day: str
    tone: str
    notices: tuple[NoticeView, ...]
    tanks: tuple[TankView, ...]
    waiting: tuple[WaitingView, ...]
    clock: str
    made: str
    foot: tuple[str, ...]


def now_view(site: Site, snapshot: Snapshot, measure: Measure, now_ms: int) -> NowView:
    """What the page says of this snapshot.

    Args:
        site: its tanks and its clock.
        snapshot: the loop's latest.
        measure: units chosen for this reader.
        now_ms: wall clock, ms UTC.
    """
    tanks = tuple(
        _tank(tank, snapshot.tank(name) or TankNow(name), site, snapshot, measure, now_ms)
        for name, tank in site.tanks.items()
    )
    shown = sorted(
        (notice for notice in snapshot.notices if notice.state in SHOWN),
        key=lambda notice: (_rank(notice.severity), -notice.since_ms),
    )
    sentence, tone = day_line(site, snapshot, shown, now_ms)
    return NowView(
        sentence,
        tone,
        tuple(_notice(notice, site, measure, now_ms) for notice in shown),
        tanks,
        tuple(_waiting(node, now_ms, snapshot.clock_trusted) for node in snapshot.nodes if node.state == "waiting"),
        "" if snapshot.clock_trusted else CLOCK,
        moment(snapshot.made_ms, site.timezone, measure),
        _foot(snapshot),
    )


CLOCK = (
    "The clock of this box is not trusted yet: times and ages below may be wrong, readings wait undated, and there is no freeze warning. "
    "It clears by itself once the time is known; look at the network, or at the battery of the clock chip."
)


def _rank(severity: str) -> int:
    return SEVERITIES.index(severity) if severity in SEVERITIES else len(SEVERITIES)


def day_line(site: Site, snapshot: Snapshot, shown: list[NoticeNow], now_ms: int) -> tuple[str, str]:
    """The state of the household in one sentence, and its tone: a severity, `unknown` or `well`.

    Args:
        site: names and reserves of the tanks.
        snapshot: the loop's latest.
        shown: notices the household sees, the worst first.
        now_ms: wall clock, ms UTC.
    """
    urgent = [notice for notice in shown if notice.severity in {"act now", "act today"}]
    if urgent:
        more = len(urgent) - 1
        return urgent[0].short + (f" And {more} more below." if more else ""), urgent[0].severity
    states = {name: snapshot.tank(name) for name in site.tanks}
    if not any(state is not None and state.on_hand_m3 is not None for state in states.values()):
        return "No level is known yet: no trusted reading has come in.", "unknown"
    short = [name for name, state in states.items() if _below(site.tanks[name], state)]
    if short:
        return f"{listed(short).capitalize()}: below reserve.", "act today"
    unknown = [name for name, state in states.items() if state is None or state.on_hand_m3 is None]
    if unknown:
        return (
            f"Cannot tell how much {listed(unknown)} {'holds' if len(unknown) == 1 else 'hold'}; the others are well.",
            "unknown",
        )
    return _well(states, site, snapshot, now_ms), "well"


def _below(tank: Tank, state: TankNow | None) -> bool:
    keeps = [keep for keep in (tank.reserve_m3, tank.floor_m3) if keep is not None]
    return bool(keeps) and state is not None and state.on_hand_m3 is not None and state.on_hand_m3 < max(keeps)


def _well(states: Mapping[str, TankNow | None], site: Site, snapshot: Snapshot, now_ms: int) -> str:
    """All well, and until when if every tank's cautious days are known; days beyond a year are no promise."""
    days = [state.days_low for state in states.values() if state is not None and state.days_low is not None]
    if days and min(days) < 365 and snapshot.clock_trusted:
        return f"All well until about {long_day(now_ms + round(min(days) * 86_400_000), site.timezone)}."
    return (
        "All well: no tank is below its reserve."
        if any(tank.reserve_m3 for tank in site.tanks.values())
        else "All well."
    )


def _tank(tank: Tank, state: TankNow, site: Site, snapshot: Snapshot, measure: Measure, now_ms: int) -> TankView:
    uses = f"for {listed(list(tank.uses))}" if tank.uses else ""
    caution = "Measures amount, not safety." if tank.is_drinking else ""
    if state.on_hand_m3 is None or state.depth_m is None:
        reason = _plain(state.reason) or ("no reading yet" if state.at_ms is None else "the reading is not trusted")
        lines = _unknown_lines(state, site, measure)
        return TankView(tank.name, uses, False, "Unknown", "", "", lines, "", caution, reason, None, tank)
    stand = replace(
        tank.stand(state.depth_m), on_hand_m3=state.on_hand_m3, u_noise_m3=state.u_noise_m3, u_scale_m3=state.u_scale_m3
    )
    doubted = _plain(state.reason or (quality_words(state.quality) if grade_of(state.quality) is not Grade.OK else ""))
    return TankView(
        tank.name,
        uses,
        True,
        amount(state.on_hand_m3, state.u_m3, measure),
        measure.volume_unit,
        f"usable, ± {plus_minus(state.u_m3, measure)}",
        _lines(tank, state, stand, snapshot, measure, now_ms),
        f"In doubt: {doubted}." if doubted else "",
        caution,
        "",
        stand,
        tank,
    )


def _lines(
    tank: Tank, state: TankNow, stand: Stand, snapshot: Snapshot, measure: Measure, now_ms: int
) -> tuple[str, ...]:
    """What stands beside the figure, in the order in which it is wanted."""
    on_hand = state.on_hand_m3 or 0.0
    below = _below(tank, state)
    lines = [_short(tank, measure) if below else lasts(state.days_low, state.days_mid, state.days_high)]
    if state.day_ago_m3 is not None:
        lines.append(change(on_hand, state.day_ago_m3, state.u_noise_m3, measure))
    if state.at_ms is not None:
        lines.append(
            f"read {age(state.at_ms, now_ms)}"
            if snapshot.clock_trusted
            else "read at a time that is not known for sure"
        )
    lines.append(
        f"room for {measure.volume_text(stand.room_m3, state.u_m3)} before it overflows"
        if stand.room_m3 > state.u_m3
        else "full to the overflow lip"
    )
    return tuple(line for line in lines if line)


def _short(tank: Tank, measure: Measure) -> str:
    """What it has fallen below: the reserve, or what is kept for a named purpose."""
    if tank.reserve_m3 is not None and tank.reserve_m3 >= (tank.floor_m3 or 0.0):
        return f"below its reserve of {measure.volume_text(tank.reserve_m3)}"
    return f"below the {measure.volume_text(tank.floor_m3 or 0.0)} kept {'as fire water' if 'fire' in tank.uses else 'back'}"


def _plain(reason: str) -> str:
    """A reason without the grade before it: the page says *in doubt* or *unknown* itself."""
    return reason.removeprefix("suspect: ").removeprefix("rejected: ")


def _unknown_lines(state: TankNow, site: Site, measure: Measure) -> tuple[str, ...]:
    lines = []
    if state.trusted_m3 is not None and state.trusted_at_ms is not None:
        lines.append(
            f"last trusted {measure.volume_text(state.trusted_m3)}, {moment(state.trusted_at_ms, site.timezone, measure)}; do not plan on it"
        )
    lines.append("read the sight tube or a clean dip stick")
    if state.heard_ms is not None:
        lines.append(f"sensor last heard {moment(state.heard_ms, site.timezone, measure)}")
    return tuple(lines)


def _notice(notice: NoticeNow, site: Site, measure: Measure, now_ms: int) -> NoticeView:
    quiet = ""
    if notice.quiet_until_ms is not None and notice.quiet_until_ms > now_ms:
        quiet = f"quiet until {moment(notice.quiet_until_ms, site.timezone, measure)}"
    severity = notice.severity if notice.severity in SEVERITIES else "know"
    since = moment(notice.since_ms, site.timezone, measure)
    return NoticeView(
        notice.id,
        severity,
        severity.replace(" ", "-"),
        since,
        notice.short,
        notice.long or notice.short,
        notice.seen,
        quiet,
        notice.state == "easing",
    )


def quiet_choices(now_ms: int, site: Site, measure: Measure) -> list[tuple[int, str]]:
    """(hours, words) for *quiet until*: how long, and until when that is."""
    found = []
    for hours, name in QUIET_HOURS:
        until = now_ms + hours * 3_600_000
        found.append((hours, f"{name}, until {day(until, site.timezone)} {clock(until, site.timezone, measure)}"))
    return found


def _waiting(node: NodeNow, now_ms: int, clock_trusted: bool) -> WaitingView:
    heard = f"It last spoke {age(node.heard_ms, now_ms)}." if node.heard_ms is not None and clock_trusted else ""
    return WaitingView(node.name, heard)


def _foot(snapshot: Snapshot) -> tuple[str, ...]:
    lines = ["± holds 19 times in 20. Usable counts from the tap up to the surface."]
    if snapshot.broker:
        lines.append(f"Broker: {snapshot.broker}.")
    return tuple(lines)
