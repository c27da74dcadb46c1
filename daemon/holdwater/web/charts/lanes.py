"""The lanes of a season picture: sky, one for each tank, hand. Each gives its markup; all share one time axis."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from holdwater.units import Measure, rounded, trimmed
from holdwater.web.charts.axis import DAY_MS, TimeAxis, steps
from holdwater.web.charts.columns import Run, column_count, runs_of
from holdwater.web.charts.data import AheadPoint, Sign, Sky, TankLane
from holdwater.web.charts.svg import Point, num, path_of, tag, width_of, words

FREEZING_C = 0.0
COLDEST_MS = DAY_MS // 4
"""Nights are coldest about six hours after midnight, shortly before the sun. Common practice, no source."""

SIGN_ROWS = 3
TIP = 4.0
"""How far the points of a notice's sign stand out, px."""


@dataclass(frozen=True, slots=True)
class Frame:
    """Where a lane lies.

    Attributes:
        axis: the shared time axis.
        top: px of the plot's upper edge; the heading stands above it.
        height: px.
        font: size of its text, px.
        measure: household units.
    """

    axis: TimeAxis
    top: float
    height: float
    font: float
    measure: Measure

    @property
    def bottom(self) -> float:
        """Px of the plot's lower edge."""
        return self.top + self.height

    def level(self, on_hand_m3: float, full_m3: float) -> float:
        """Px of an on-hand volume in a lane that ends at full, not outside of it."""
        return self.bottom - self.height * min(max(on_hand_m3 / (full_m3 or 1.0), 0.0), 1.0)

    def plot(self) -> str:
        """The white ground of the lane, with upright lines at months or days."""
        axis = self.axis
        ground = tag("rect", "plot", x=axis.left, y=self.top, width=axis.right - axis.left, height=self.height)
        places = [x for x, _, begins in axis.marks() if axis.left < x and (begins or axis.days <= 45)]
        lines = "".join(f"M{num(x)} {num(self.top)}V{num(self.bottom)}" for x in places)
        return ground + (tag("path", "grid", d=lines) if lines else "")

    def heading(self, name: str, more: str) -> str:
        """Name of the lane, with what is worth saying about it behind it."""
        axis, base = self.axis, self.top - 6
        after = axis.left + width_of(name, self.font) * 1.12 + 8
        room = axis.right - after
        while more and width_of(more, self.font) > room:
            more = more.rpartition(" · ")[0]
        return words(name, axis.left, base, self.font, bold=True) + words(more, after, base, self.font, "soft")

    def with_unit(self, places: list[tuple[float, str]], unit: str) -> list[tuple[float, str]]:
        """Figures of a scale, the last one with its unit where there is room for it."""
        label = f"{places[-1][1]} {unit}"
        fits = width_of(label, self.font) * 1.1 + 6 <= self.axis.left
        return [*places[:-1], (places[-1][0], label)] if fits else places

    def scale(self, places: Sequence[tuple[float, str]]) -> str:
        """Level grid lines with their figures at the left."""
        axis, parts = self.axis, []
        for y, label in places:
            parts.append(tag("path", "grid", d=f"M{num(axis.left)} {num(y)}H{num(axis.right)}"))
            parts.append(words(label, axis.left - 5, y + self.font * 0.36, self.font, "soft", anchor="end"))
        return "".join(parts)


def sky_lane(sky: Sky, frame: Frame) -> str:
    """Rain hanging from the top as bars, frost nights as notches along the lower edge."""
    axis, unit = frame.axis, "in" if frame.measure.system == "US" else "mm"
    rain = [(start, frame.measure.rain(metres)) for start, metres in sky.rain or () if metres > 0]
    least = 0.5 if unit == "in" else 10.0
    top = max([least, *(amount for _, amount in rain)])
    usable = frame.height - frame.font
    places = [(frame.top + usable * value / top, trimmed(value, 2)) for value in steps(top, 3)]
    places = frame.with_unit(places, unit)
    bars = []
    for start, amount in rain:
        x, wide = axis.x(start), max(1.5, axis.x(start + DAY_MS) - axis.x(start) - 1)
        if x + wide > axis.left and x < axis.right:
            bars.append(f"M{num(x)} {num(frame.top)}h{num(wide)}v{num(max(1.0, usable * amount / top))}h-{num(wide)}Z")
    cold = [start for start, low in sky.lows or () if low <= FREEZING_C]
    notches = [_notch(axis.x(start + COLDEST_MS), frame.bottom, frame.font * 0.62) for start in cold]
    said = []
    if sky.rain is not None:
        said.append(f"rain {trimmed(sum(amount for _, amount in rain), 1 if unit == 'in' else 0)} {unit}")
    if sky.lows is not None:
        said.append(f"{len(cold)} frost {'night' if len(cold) == 1 else 'nights'} ▲")
    parts = [frame.plot(), frame.heading("sky", " · ".join(said))]
    if sky.rain is not None:
        parts.append(frame.scale(places))
    parts += [tag("path", "rain", d="".join(bars))] if bars else []
    parts += [tag("path", "frost", d="".join(notches))] if notches else []
    return "".join(parts)


def _notch(x: float, base: float, size: float) -> str:
    return f"M{num(x)} {num(base - size)}L{num(x + size / 2)} {num(base)}L{num(x - size / 2)} {num(base)}Z"


def tank_lane(lane: TankLane, frame: Frame) -> str:
    """On hand as an area from the tap, its doubt as a paler band, the reserve as a line, gaps left white."""
    axis, measure = frame.axis, frame.measure
    full = measure.volume(lane.full_m3) or 1.0
    places = [(frame.bottom - frame.height * value / full, f"{value:g}") for value in steps(full, 4)]
    places = frame.with_unit(places, measure.volume_unit)
    parts = [frame.plot(), frame.heading(lane.name, _latest(lane, measure)), frame.scale(places)]
    count = column_count(axis.start_ms, axis.end_ms, lane.span_ms, round(axis.right - axis.left))
    runs = runs_of(lane.rows, axis.start_ms, axis.end_ms, lane.span_ms, count)
    parts += [_run(run, count, lane.full_m3, frame) for run in runs]
    parts.append(_ahead(lane.ahead, lane.full_m3, frame))
    if not runs:
        middle = (axis.left + axis.right) / 2
        parts.append(
            words(
                "no trusted level in this time",
                middle,
                frame.top + frame.height / 2,
                frame.font,
                "soft",
                anchor="middle",
            )
        )
    if lane.reserve_m3 is not None:
        parts.append(_reserve(lane.reserve_m3, frame.level(lane.reserve_m3, lane.full_m3), frame))
    return "".join(parts)


def _run(run: Run, count: int, full_m3: float, frame: Frame) -> str:
    """Area, band and line of one run, drawn to the edges of its first and last column, so that a single one shows."""
    left, pitch = frame.axis.left, (frame.axis.right - frame.axis.left) / count
    bottom, per_m3 = frame.bottom, frame.height / (full_m3 or 1.0)
    start, end = num(left + pitch * run.first), num(left + pitch * (run.first + len(run.mid)))
    xs = [f"{left + pitch * (run.first + index + 0.5):.1f}" for index in range(len(run.mid))]

    def ys(values: Sequence[float]) -> list[str]:
        return [f"{bottom - per_m3 * (value if value < full_m3 else full_m3):.1f}" for value in values]

    def edge(heights: Sequence[str]) -> str:
        inner = "L".join([f"{x} {y}" for x, y in zip(xs, heights, strict=True)])
        return f"{start} {heights[0]}L{inner}L{end} {heights[-1]}"

    line = edge(ys(run.mid))
    lower = ys(run.low)
    back = "L".join([f"{x} {y}" for x, y in zip(reversed(xs), reversed(lower), strict=True)])
    band = f"M{edge(ys(run.high))}L{end} {lower[-1]}L{back}L{start} {lower[0]}Z"
    area = f"M{start} {num(bottom)}L{line}L{end} {num(bottom)}Z"
    return tag("path", "water", d=area) + tag("path", "band", d=band) + tag("path", "level", d=f"M{line}")


def _latest(lane: TankLane, measure: Measure) -> str:
    known = next((row for row in reversed(lane.rows) if row.on_hand_m3 is not None), None)
    full = f"full at {measure.volume_text(lane.full_m3, None)}"
    if known is None or known.on_hand_m3 is None:
        return full
    doubt = (known.u_noise_m3**2 + known.u_scale_m3**2) ** 0.5
    last = rounded(measure.volume(known.on_hand_m3), measure.volume(doubt))
    return f"latest {last} {measure.volume_unit} · {full}"


def _reserve(reserve_m3: float, y: float, frame: Frame) -> str:
    axis = frame.axis
    line = tag("path", "reserve", d=f"M{num(axis.left)} {num(y)}H{num(axis.right)}")
    above = y - 4 if y - 4 - frame.font > frame.top else y + frame.font + 2
    return line + words(f"reserve {frame.measure.volume_text(reserve_m3)}", axis.left + 5, above, frame.font, "halo")


def _ahead(ahead: Sequence[AheadPoint], full_m3: float, frame: Frame) -> str:
    """The outlook right of today: a widening band, its middle dashed."""
    if not ahead:
        return ""
    xs = [frame.axis.x(point.at_ms) for point in ahead]
    top = [(x, frame.level(point.high_m3, full_m3)) for x, point in zip(xs, ahead, strict=True)]
    low = [(x, frame.level(point.low_m3, full_m3)) for x, point in zip(xs, ahead, strict=True)]
    mid = [(x, frame.level(point.mid_m3, full_m3)) for x, point in zip(xs, ahead, strict=True)]
    band = tag("path", "band", d=path_of(top + low[::-1], close=True))
    return band + tag("path", "level", d=path_of(mid), stroke_dasharray="4 3")


@dataclass(frozen=True, slots=True)
class PlacedSign:
    """One sign, or several that share one place."""

    x: float
    row: int
    wide: float
    label: str
    look: str
    kind: str


@dataclass(slots=True)
class _Cluster:
    """Signs next to each other in time that share one place."""

    signs: list[Sign]
    row: int

    def label(self) -> str:
        first, last = self.signs[0].number, self.signs[-1].number
        return f"{first}" if first == last else f"{first}–{last}"

    def edges(self, axis: TimeAxis, font: float) -> tuple[float, float]:
        """Left and right, px: it begins where its first sign does, and does not stick out of the lane."""
        single = width_of(f"{self.signs[0].number}", font) + 10 + 2 * TIP
        wide = width_of(self.label(), font) + 10 + 2 * TIP
        left = max(min(axis.x(self.signs[0].at_ms) - single / 2, axis.right - wide), axis.left)
        return left, left + wide


def placed_signs(signs: Sequence[Sign], axis: TimeAxis, font: float) -> list[PlacedSign]:
    """Signs side by side in up to three rows; one without room of its own shares the sign before it: `4–6`."""
    found: list[_Cluster] = []
    ends = dict.fromkeys(range(SIGN_ROWS), float("-inf"))
    for sign in signs:
        left, right = _Cluster([sign], 0).edges(axis, font)
        row = next((each for each, end in ends.items() if end <= left), None)
        if row is not None:
            found.append(_Cluster([sign], row))
            ends[row] = right + 3
            continue
        found[-1].signs.append(sign)
        _settle(found, axis, font)
        for each in ends:
            ends[each] = max((one.edges(axis, font)[1] + 3 for one in found if one.row == each), default=float("-inf"))
    return [_placed(each, axis, font) for each in found]


def _settle(found: list[_Cluster], axis: TimeAxis, font: float) -> None:
    """The last cluster has grown: while it covers an earlier one of its row, both and all between become one."""
    while True:
        last = found[-1]
        left = last.edges(axis, font)[0]
        covered = [
            at for at, each in enumerate(found[:-1]) if each.row == last.row and each.edges(axis, font)[1] > left
        ]
        if not covered:
            return
        first = found[covered[0]]
        first.signs += [sign for each in found[covered[0] + 1 :] for sign in each.signs]
        del found[covered[0] + 1 :]


def _placed(cluster: _Cluster, axis: TimeAxis, font: float) -> PlacedSign:
    severities = {sign.severity for sign in cluster.signs}
    worst = next((each for each in ("act now", "act today") if each in severities), "")
    kinds = {sign.kind for sign in cluster.signs}
    left, right = cluster.edges(axis, font)
    look = f"sign {worst.replace(' ', '-')}" if worst else "sign"
    kind = kinds.pop() if len(kinds) == 1 else "several"
    return PlacedSign((left + right) / 2, cluster.row, right - left, cluster.label(), look, kind)


def hand_lane(signs: Sequence[Sign], frame: Frame) -> str:
    """Loads, dips, chores and notices as numbered signs; the numbers are explained in the list."""
    pitch = frame.height / SIGN_ROWS
    parts = [
        frame.plot(),
        frame.heading("hand", "numbers are explained below" if signs else "nothing written, nothing told"),
    ]
    for sign in placed_signs(signs, frame.axis, frame.font):
        middle = frame.top + pitch * (sign.row + 0.5)
        parts.append(sign_shape(sign.kind, sign.look, (sign.x, middle), sign.wide - 2 * TIP, frame.font + 5))
        parts.append(words(sign.label, sign.x, middle + frame.font * 0.36, frame.font, "text", anchor="middle"))
    return "".join(parts)


def sign_shape(kind: str, look: str, middle: Point, wide: float, tall: float) -> str:
    """Outline by kind, told apart without colour: load square, dip round, notice pointed, chore with cut corners."""
    x, y = middle
    left, right, top, bottom = x - wide / 2, x + wide / 2, y - tall / 2, y + tall / 2
    if kind == "notice":
        upper = [(left - TIP, y), (left + 1, top), (right - 1, top)]
        return tag(
            "path", look, d=path_of([*upper, (right + TIP, y), (right - 1, bottom), (left + 1, bottom)], close=True)
        )
    if kind == "chore":
        upper = [(left, top), (right - TIP, top), (right, top + TIP)]
        return tag(
            "path", look, d=path_of([*upper, (right, bottom), (left + TIP, bottom), (left, bottom - TIP)], close=True)
        )
    radius = {"dip": tall / 2, "several": TIP}.get(kind, 0.0)
    return tag("rect", look, x=left, y=top, width=wide, height=tall, rx=radius)
