"""From the snapshot to what the Now page says: plain values and words, no markup. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from holdwater.config.site import Site
from holdwater.snapshot import NodeNow, NoticeNow, Snapshot, TankNow
from holdwater.tanks.tank import Stand, Tank
from holdwater.units import Measure
from holdwater.web.words import (
    age,
    amount,
    bare,
    change,
    first_sentence,
    haul_words,
    lasts,
    listed,
    long_day,
    moment,
    plus_minus,
)
from holdwater_sensors.quality import Grade, Reason, grade_of, reason_of
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


@dataclass(frozen=True, slots=True)
class Scene:
    """What a page is made from: the site, the loop's latest snapshot, the reader's units, the wall clock in ms UTC."""

    site: Site
    snapshot: Snapshot
    measure: Measure
    now_ms: int

    def when(self, ms: int) -> str:
        """A day and time of day on the household's clock."""
        return moment(ms, self.site.timezone, self.measure)


CLOCK = (
    "The clock of this box is not trusted yet: times and ages here may be wrong, readings wait undated, "
    "and there is no freeze warning. It clears by itself once the time is known; look at the network, "
    "or at the battery of the clock chip."
)

OLD_MS = 24 * 3_600_000
"""A reading older than this no longer stands for now, whatever its quality was, ms. Our own choice."""


def now_view(scene: Scene) -> NowView:
    """What the page says."""
    snapshot = scene.snapshot
    tanks = tuple(_tank(tank, snapshot.tank(name) or TankNow(name), scene) for name, tank in scene.site.tanks.items())
    shown = sorted(
        (notice for notice in snapshot.notices if notice.state in SHOWN),
        key=lambda notice: (_rank(notice.severity), -notice.since_ms),
    )
    sentence, tone = day_line(scene, shown)
    return NowView(
        sentence,
        tone,
        tuple(_notice(notice, scene) for notice in shown),
        tanks,
        tuple(_waiting(node, scene) for node in snapshot.nodes if node.state == "waiting"),
        "" if snapshot.clock_trusted else CLOCK,
        scene.when(snapshot.made_ms),
        _foot(snapshot),
    )


def _rank(severity: str) -> int:
    return SEVERITIES.index(severity) if severity in SEVERITIES else len(SEVERITIES)


def day_line(scene: Scene, shown: Sequence[NoticeNow]) -> tuple[str, str]:
    """The state of the household in one sentence, and its tone: a severity, `unknown` or `well`.

    Args:
        scene: site, snapshot and clock.
        shown: notices the household sees, the worst first.
    """
    urgent = [notice for notice in shown if notice.severity in {"act now", "act today"}]
    if urgent:
        worst, more = urgent[0], len(urgent) - 1
        head = "Act now: " if worst.severity == "act now" else ""
        tail = f" And {more} more below." if more else ""
        return head + _headline(worst, scene) + tail, worst.severity
    tanks = scene.site.tanks
    states = {name: scene.snapshot.tank(name) or TankNow(name) for name in tanks}
    if not any(state.on_hand_m3 is not None for state in states.values()):
        return "No level is known: no trusted reading has come in.", "unknown"
    short = [name for name, state in states.items() if _below(tanks[name], state)]
    if short:
        return f"{listed(short)}: below reserve.", "act today"
    unsure = [name for name, state in states.items() if state.on_hand_m3 is None or _doubt(state, scene)]
    if unsure:
        verb = "holds" if len(unsure) == 1 else "hold"
        rest = "; the rest is well" if len(unsure) < len(states) else ""
        return f"Cannot tell for sure how much {listed(unsure)} {verb}{rest}.", "unknown"
    return _well(states.values(), scene), "well"


def _headline(worst: NoticeNow, scene: Scene) -> str:
    """A notice in one sentence that is true now: the figure in its text is from when it was told."""
    tank, state = scene.site.tanks.get(worst.subject), scene.snapshot.tank(worst.subject)
    if worst.kind == "low" and tank is not None and state is not None and _below(tank, state):
        return f"{worst.subject[:1].upper()}{worst.subject[1:]} tank below its reserve."
    return first_sentence(bare(worst.short))


def _below(tank: Tank, state: TankNow) -> bool:
    keeps = [keep for keep in (tank.reserve_m3, tank.floor_m3) if keep is not None]
    return bool(keeps) and state.on_hand_m3 is not None and state.on_hand_m3 < max(keeps)


def _doubt(state: TankNow, scene: Scene) -> str:
    """Why a known level is not to be relied on; empty when it is."""
    if state.reason or grade_of(state.quality) is not Grade.OK:
        return _plain(state.reason or quality_words(state.quality))
    old = state.at_ms is not None and scene.snapshot.clock_trusted and scene.now_ms - state.at_ms > OLD_MS
    return "an old reading" if old else ""


def _well(states: Iterable[TankNow], scene: Scene) -> str:
    """All well, and until when if any tank's cautious days are known; days beyond a year are no promise."""
    days = [state.days_low for state in states if state.days_low is not None]
    if days and min(days) < 365 and scene.snapshot.clock_trusted:
        return f"All well until about {long_day(scene.now_ms + round(min(days) * 86_400_000), scene.site.timezone)}."
    kept = any(tank.reserve_m3 or tank.floor_m3 for tank in scene.site.tanks.values())
    return "All well: no tank is below its reserve." if kept else "All well."


def _tank(tank: Tank, state: TankNow, scene: Scene) -> TankView:
    uses = f"for {listed(list(tank.uses))}" if tank.uses else ""
    caution = "Measures amount, not safety." if tank.is_drinking else ""
    if state.on_hand_m3 is None or state.depth_m is None:
        reason = _plain(state.reason) or ("no reading yet" if state.at_ms is None else "the reading is not trusted")
        lines = _unknown_lines(state, scene)
        return TankView(tank.name, uses, False, "Unknown", "", "", lines, "", caution, reason, None, tank)
    stand = replace(
        tank.stand(state.depth_m),
        on_hand_m3=state.on_hand_m3,
        u_noise_m3=state.u_noise_m3,
        u_scale_m3=state.u_scale_m3,
    )
    doubt = _doubt(state, scene)
    return TankView(
        tank.name,
        uses,
        True,
        amount(state.on_hand_m3, state.u_m3, scene.measure),
        scene.measure.volume_unit,
        f"usable, ± {plus_minus(state.u_m3, scene.measure)}",
        _lines(tank, state, stand, scene),
        f"In doubt: {doubt}." if doubt else "",
        caution,
        "",
        stand,
        tank,
    )


def _lines(tank: Tank, state: TankNow, stand: Stand, scene: Scene) -> tuple[str, ...]:
    """What stands beside the figure, in the order in which it is wanted."""
    measure = scene.measure
    lines = [lasts(state.days_low, state.days_mid, state.days_high)]
    if _below(tank, state):
        lines = [_short(tank, measure)]
    lines.append(haul_words(state.haul_by, late=state.haul_late))
    if state.day_ago_m3 is not None:
        lines.append(change(stand.on_hand_m3, state.day_ago_m3, state.u_noise_m3, measure))
    if state.at_ms is not None:
        known = f"read {age(state.at_ms, scene.now_ms)}"
        lines.append(known if scene.snapshot.clock_trusted else "read at a time that is not known for sure")
    lines.append(waits(state, measure))
    room = f"room for {measure.volume_text(stand.room_m3, state.u_m3)} before it overflows"
    lines.append(room if stand.room_m3 > state.u_m3 else "full to the overflow lip")
    return tuple(line for line in lines if line)


def waits(state: TankNow, measure: Measure) -> str:
    """What a newer reading says that does not count yet; empty when there is none."""
    if not state.waiting_quality:
        return ""
    why = _plain(quality_words(state.waiting_quality))
    if state.waiting_m3 is None:
        return f"the newest reading is not counted: {why}"
    says = f"the newest reading says {measure.volume_text(state.waiting_m3, state.u_m3)}"
    if reason_of(state.waiting_quality) is Reason.SPIKE:
        return f"{says}, a jump: it counts once the next one bears it out"
    return f"{says}, not counted: {why}"


def _short(tank: Tank, measure: Measure) -> str:
    """What it has fallen below: the reserve, or what is kept for a named purpose."""
    kept = tank.floor_m3 or 0.0
    if tank.reserve_m3 is not None and tank.reserve_m3 >= kept:
        return f"below its reserve of {measure.volume_text(tank.reserve_m3)}"
    return f"below the {measure.volume_text(kept)} kept {'as fire water' if 'fire' in tank.uses else 'back'}"


def _plain(reason: str) -> str:
    """A reason without the grade before it: the page says *in doubt* or *unknown* itself."""
    return reason.removeprefix("suspect: ").removeprefix("rejected: ")


def _unknown_lines(state: TankNow, scene: Scene) -> tuple[str, ...]:
    lines = []
    if state.trusted_m3 is not None and state.trusted_at_ms is not None:
        last = f"last trusted {scene.measure.volume_text(state.trusted_m3)}"
        lines.append(f"{last}, {scene.when(state.trusted_at_ms)}; do not plan on it")
    lines.append("read the sight tube or a clean dip stick")
    if state.heard_ms is not None:
        lines.append(f"sensor last heard {scene.when(state.heard_ms)}")
    return tuple(lines)


def _notice(notice: NoticeNow, scene: Scene) -> NoticeView:
    quiet = ""
    if notice.quiet_until_ms is not None and notice.quiet_until_ms > scene.now_ms:
        quiet = f"quiet until {scene.when(notice.quiet_until_ms)}"
    severity = notice.severity if notice.severity in SEVERITIES else "know"
    return NoticeView(
        notice.id,
        severity,
        severity.replace(" ", "-"),
        scene.when(notice.since_ms),
        notice.short,
        bare(notice.long or notice.short),
        notice.seen,
        quiet,
        notice.state == "easing",
    )


def quiet_choices(scene: Scene) -> list[tuple[int, str]]:
    """(hours, words) for *quiet until*: how long, and until when that is."""
    return [(hours, f"{name}, until {scene.when(scene.now_ms + hours * 3_600_000)}") for hours, name in QUIET_HOURS]


def _waiting(node: NodeNow, scene: Scene) -> WaitingView:
    known = node.heard_ms is not None and scene.snapshot.clock_trusted
    return WaitingView(node.name, f"It last spoke {age(node.heard_ms or 0, scene.now_ms)}." if known else "")


def _foot(snapshot: Snapshot) -> tuple[str, ...]:
    lines = ["± holds 19 times in 20. Usable counts from the tap up to the surface."]
    if snapshot.broker:
        lines.append(f"Broker: {snapshot.broker}" + ("" if snapshot.broker.endswith((".", "?")) else "."))
    return tuple(lines)
