"""The lanes of a season picture: sky, one for each tank, hand. Each gives its markup; all share one time axis."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from holdwater.units import Measure, rounded, trimmed
from holdwater.web.charts.axis import DAY_MS, TimeAxis, steps
from holdwater.web.charts.columns import band_edge, mid_line, runs_of
from holdwater.web.charts.data import AheadPoint, Sign, Sky, TankLane
from holdwater.web.charts.svg import Point, num, path_of, tag, width_of, words

FREEZING_C = 0.0
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

    def scale(self, places: Sequence[tuple[float, str]]) -> str:
        """Level grid lines with their figures at the left."""
        axis, parts = self.axis, []
        for y, label in places:
            parts.append(tag("path", "grid", d=f"M{num(axis.left)} {num(y)}H{num(axis.right)}"))
            parts.append(words(label, axis.left - 5, y + self.font * 0.36, self.font, "soft", "end"))
        return "".join(parts)


def sky_lane(sky: Sky, frame: Frame) -> str:
    """Rain hanging from the top as bars, frost nights as notches along the lower edge."""
    axis, unit = frame.axis, "in" if frame.measure.system == "US" else "mm"
    rain = [(start, frame.measure.rain(metres)) for start, metres in sky.rain or () if metres > 0]
    least = 0.5 if unit == "in" else 10.0
    top = max([least, *(amount for _, amount in rain)])
    usable = frame.height - frame.font
    places = [(frame.top + usable * value / top, trimmed(value, 2)) for value in steps(top, 3)]
    places[-1] = (places[-1][0], f"{places[-1][1]} {unit}")
    bars = []
    for start, amount in rain:
        x, wide = axis.x(start), max(1.5, axis.x(start + DAY_MS) - axis.x(start) - 1)
        if x + wide > axis.left and x < axis.right:
            bars.append(f"M{num(x)} {num(frame.top)}h{num(wide)}v{num(max(1.0, usable * amount / top))}h-{num(wide)}Z")
    cold = [start for start, low in sky.lows or () if low <= FREEZING_C]
    size = frame.font * 0.62
    notches = []
    for start in cold:
        x = axis.x(start + DAY_MS / 4)  # nights are coldest about six hours after midnight
        notches.append(
            f"M{num(x)} {num(frame.bottom - size)}L{num(x + size / 2)} {num(frame.bottom)}L{num(x - size / 2)} {num(frame.bottom)}Z"
        )
    said = []
    if sky.rain is not None:
        said.append(f"rain {trimmed(sum(amount for _, amount in rain), 1 if unit == 'in' else 0)} {unit} in all")
    if sky.lows is not None:
        said.append(f"{len(cold)} frost {'night' if len(cold) == 1 else 'nights'} ▲")
    parts = [frame.plot(), frame.heading("sky", " · ".join(said))]
    if sky.rain is not None:
        parts.append(frame.scale(places))
    parts += [tag("path", "rain", d="".join(bars))] if bars else []
    parts += [tag("path", "frost", d="".join(notches))] if notches else []
    return "".join(parts)


def tank_lane(lane: TankLane, frame: Frame, now_ms: int) -> str:
    """On hand as an area from the tap, its doubt as a paler band, the reserve as a line, gaps left white."""
    axis, measure = frame.axis, frame.measure
    full = measure.volume(lane.full_m3) or 1.0

    def y(m3: float) -> float:
        return frame.bottom - frame.height * min(max(measure.volume(m3) / full, 0.0), 1.0)

    def place(points: Sequence[Point]) -> list[Point]:
        return [(axis.left + (axis.right - axis.left) * at, y(m3)) for at, m3 in points]

    parts = [frame.plot(), frame.heading(lane.name, _latest(lane, measure))]
    places = [(frame.bottom - frame.height * value / full, f"{value:g}") for value in steps(full, 4)]
    top_y, top_label = places[-1]
    places[-1] = (
        (top_y, f"{top_label} {measure.volume_unit}")
        if axis.left >= width_of(f"{top_label} {measure.volume_unit}", frame.font) + 6
        else places[-1]
    )
    parts.append(frame.scale(places))
    runs = runs_of(lane.rows, axis.start_ms, axis.end_ms, lane.span_ms, round(axis.right - axis.left))
    for run in runs:
        line = place(mid_line(run))
        area = [(line[0][0], frame.bottom), *line, (line[-1][0], frame.bottom)]
        parts.append(tag("path", "water", d=path_of(area, close=True)))
        parts.append(tag("path", "band", d=path_of(place(band_edge(run)), close=True)))
        parts.append(tag("path", "level", d=path_of(line)))
    parts.append(_ahead(lane.ahead, axis, y))
    if not runs:
        middle = (axis.left + axis.right) / 2
        parts.append(
            words("no trusted level in this time", middle, frame.top + frame.height / 2, frame.font, "soft", "middle")
        )
    if lane.reserve_m3 is not None:
        parts.append(_reserve(lane.reserve_m3, y(lane.reserve_m3), frame))
    return "".join(parts)


def _latest(lane: TankLane, measure: Measure) -> str:
    known = next((row for row in reversed(lane.rows) if row.on_hand_m3 is not None), None)
    full = f"full at {measure.volume_text(lane.full_m3, None)}"
    if known is None or known.on_hand_m3 is None:
        return full
    doubt = (known.u_noise_m3**2 + known.u_scale_m3**2) ** 0.5
    last = rounded(measure.volume(known.on_hand_m3), measure.volume(doubt))
    return f"{last} {measure.volume_unit} at last · {full}"


def _reserve(reserve_m3: float, y: float, frame: Frame) -> str:
    axis = frame.axis
    line = tag("path", "reserve", d=f"M{num(axis.left)} {num(y)}H{num(axis.right)}")
    above = y - 4 if y - 4 - frame.font > frame.top else y + frame.font + 2
    return line + words(f"reserve {frame.measure.volume_text(reserve_m3)}", axis.left + 5, above, frame.font, "halo")


def _ahead(ahead: Sequence[AheadPoint], axis: TimeAxis, y: object) -> str:
    if not ahead or not callable(y):
        return ""
    top = [(axis.x(point.at_ms), float(y(point.high_m3))) for point in ahead]
    low = [(axis.x(point.at_ms), float(y(point.low_m3))) for point in reversed(ahead)]
    mid = [(axis.x(point.at_ms), float(y(point.mid_m3))) for point in ahead]
    return tag("path", "band", d=path_of(top + low, close=True)) + tag(
        "path", "level", d=path_of(mid), stroke_dasharray="4 3"
    )


@dataclass(frozen=True, slots=True)
class PlacedSign:
    """One sign, or several that share one place."""

    x: float
    row: int
    wide: float
    label: str
    look: str
    kind: str


def placed_signs(signs: Sequence[Sign], axis: TimeAxis, font: float) -> list[PlacedSign]:
    """Signs side by side in up to three rows; one without room of its own shares the sign before it: `4–6`."""
    groups: list[list[Sign]] = []
    rows: list[int] = []
    ends = dict.fromkeys(range(SIGN_ROWS), float("-inf"))
    for sign in signs:
        left = _centre([sign], axis, font) - _wide([sign], font) / 2
        row = next((each for each, end in ends.items() if end <= left), None)
        if row is None:
            groups[-1].append(sign)
            row = rows[-1]
        else:
            groups.append([sign])
            rows.append(row)
        ends[row] = _centre(groups[-1], axis, font) + _wide(groups[-1], font) / 2 + 3
    return [_placed(group, row, axis, font) for group, row in zip(groups, rows, strict=True)]


def _label(group: Sequence[Sign]) -> str:
    return f"{group[0].number}" if len(group) == 1 else f"{group[0].number}–{group[-1].number}"


def _wide(group: Sequence[Sign], font: float) -> float:
    return width_of(_label(group), font) + 10 + 2 * TIP


def _centre(group: Sequence[Sign], axis: TimeAxis, font: float) -> float:
    half = _wide(group, font) / 2
    return min(max(axis.x(group[0].at_ms), axis.left + half), axis.right - half)


def _placed(group: Sequence[Sign], row: int, axis: TimeAxis, font: float) -> PlacedSign:
    worst = next((each for each in ("act now", "act today") if any(sign.severity == each for sign in group)), "")
    kinds = {sign.kind for sign in group}
    look = f"sign {worst.replace(' ', '-')}" if worst else "sign"
    return PlacedSign(
        _centre(group, axis, font),
        row,
        _wide(group, font),
        _label(group),
        look,
        kinds.pop() if len(kinds) == 1 else "several",
    )


def hand_lane(signs: Sequence[Sign], frame: Frame) -> str:
    """Loads, dips, chores and notices as numbered signs; the numbers are explained in the list."""
    pitch = frame.height / SIGN_ROWS
    parts = [
        frame.plot(),
        frame.heading("hand", "numbers are explained below" if signs else "nothing written, nothing told"),
    ]
    for sign in placed_signs(signs, frame.axis, frame.font):
        middle = frame.top + pitch * (sign.row + 0.5)
        parts.append(sign_shape(sign.kind, sign.look, sign.x, middle, sign.wide - 2 * TIP, frame.font + 5))
        parts.append(words(sign.label, sign.x, middle + frame.font * 0.36, frame.font, "text", "middle"))
    return "".join(parts)


def sign_shape(kind: str, look: str, x: float, y: float, wide: float, tall: float) -> str:
    """Outline by kind, so that it is told apart without colour: load square, dip round, notice pointed, chore cut at the corners."""
    left, right, top, bottom = x - wide / 2, x + wide / 2, y - tall / 2, y + tall / 2
    if kind == "notice":
        points = [
            (left - TIP, y),
            (left + 1, top),
            (right - 1, top),
            (right + TIP, y),
            (right - 1, bottom),
            (left + 1, bottom),
        ]
        return tag("path", look, d=path_of(points, close=True))
    if kind == "chore":
        cut = 4.0
        points = [
            (left, top),
            (right - cut, top),
            (right, top + cut),
            (right, bottom),
            (left + cut, bottom),
            (left, bottom - cut),
        ]
        return tag("path", look, d=path_of(points, close=True))
    radius = {"dip": tall / 2, "several": 4.0}.get(kind, 0.0)
    return tag("rect", look, x=left, y=top, width=wide, height=tall, rx=radius)
