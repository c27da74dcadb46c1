"""Tonight drawn: the air so far, the band of what may come, and the limit of each exposure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from holdwater.alerts.telling import hour_text
from holdwater.freeze.air import Air
from holdwater.freeze.exposure import curve
from holdwater.freeze.tonight import Tonight
from holdwater.units import Measure
from holdwater.web.charts.svg import Point, path_of, picture, spread, tag, width_of, words

HOUR_MS = 3_600_000
SIZE = 14.0
Points = Sequence[tuple[int, float]]


@dataclass(frozen=True, slots=True)
class Sheet:
    """Measures of a drawing, px: its size, and the margins around the plot.

    `beside` says whether limits are named at the right of the plot; else their names stand in it, on their lines.
    """

    width: float
    height: float
    left: float
    right: float
    top: float
    bottom: float
    beside: bool


WIDE = Sheet(760.0, 380.0, 56.0, 216.0, 44.0, 36.0, True)
NARROW = Sheet(360.0, 340.0, 42.0, 8.0, 34.0, 32.0, False)


class Frame:
    """From time and temperature to the drawing's grid."""

    def __init__(self, sheet: Sheet, times: tuple[int, int], heights: tuple[float, float]) -> None:
        self.sheet = sheet
        self.times = times
        self.heights = heights

    def at(self, at_ms: float, value: float) -> Point:
        """The place of a value."""
        return self.x(at_ms), self.y(value)

    def x(self, at_ms: float) -> float:
        """The place of a time."""
        start, end = self.times
        return self.sheet.left + (at_ms - start) / (end - start) * (
            self.sheet.width - self.sheet.left - self.sheet.right
        )

    def y(self, value: float) -> float:
        """The place of a temperature."""
        low, high = self.heights
        return self.sheet.top + (high - value) / (high - low) * (self.sheet.height - self.sheet.top - self.sheet.bottom)

    @property
    def edge(self) -> float:
        """The right edge of the plot."""
        return self.sheet.width - self.sheet.right


def tonight_svg(
    told: Tonight, past: Sequence[Air], measure: Measure, zone: ZoneInfo, title: str, sheet: Sheet = WIDE
) -> str:
    """The picture of tonight.

    Args:
        told: of tonight.
        past: the air of the last hours.
        measure: the household's units.
        zone: its clock.
        title: a line over the picture; empty for none.
        sheet: its measures.
    """
    head = words(title, sheet.left, 24, SIZE + 2, bold=True) if title else ""
    if told.forecast is None:
        body = head + words(f"Cannot tell: {told.why}.", sheet.left, sheet.top + 40, SIZE)
        return picture(body, sheet.width, sheet.height, f"{title or 'Tonight'}: cannot tell, {told.why}", "tonight")
    lines = [
        [(at_ms, measure.temperature(air_c)) for at_ms, air_c in curve(told.forecast, lowest_c)]
        for lowest_c in (told.forecast.p10_c, told.forecast.p50_c, told.forecast.p90_c)
    ]
    seen = [(each.at_ms, measure.temperature(each.air_c)) for each in past]
    limits = [
        (each.exposure.name, measure.temperature(each.limit_c)) for each in told.risks if each.limit_c is not None
    ]
    frame = _frame(sheet, [*seen, *lines[0], *lines[2]], [limit for _, limit in limits])
    deep = sheet.height - sheet.top - sheet.bottom
    body = "".join(
        (
            head,
            tag("rect", "plot", x=sheet.left, y=sheet.top, width=frame.edge - sheet.left, height=deep),
            _axes(frame, measure, zone),
            _band(frame, lines[0], lines[2]),
            tag("path", "level", d=path_of(frame.at(*each) for each in lines[1]), stroke_dasharray="5 3"),
            tag("path", "level", d=path_of(frame.at(*each) for each in seen), stroke_width="2.5")
            if len(seen) > 1
            else "",
            _limits(frame, limits, measure),
            _key(frame, bool(title)),
        )
    )
    low, middle, high = (
        measure.temperature_text(each) for each in (told.forecast.p10_c, told.forecast.p50_c, told.forecast.p90_c)
    )
    said = f"{title or 'Tonight'}: lowest air {middle}, likely between {low} and {high}"
    return picture(body, sheet.width, sheet.height, said, "tonight")


def _key(frame: Frame, titled: bool) -> str:
    """What the line and the band are, in words over the plot; a titled picture has its title there."""
    if titled:
        return ""
    x, y = frame.sheet.left, frame.sheet.top - 12
    parts = [
        tag("path", "level", d=path_of([(x, y - 4), (x + 18, y - 4)]), stroke_width="2.5"),
        words("air so far", x + 24, y, SIZE, "soft"),
        tag("rect", "band", x=x + 108, y=y - 11, width=18, height=12),
        words("4 nights in 5 stay in it" if frame.sheet.beside else "4 nights in 5", x + 132, y, SIZE, "soft"),
    ]
    return "".join(parts)


def _frame(sheet: Sheet, points: Points, limits: Sequence[float]) -> Frame:
    times = [at_ms for at_ms, _ in points]
    values = [value for _, value in points]
    low, high = min(values), max(values)
    reach = max(4.0, (high - low) / 3)
    near = [limit for limit in limits if low - reach <= limit <= high + reach]
    low, high = min([low, *near]) - 1.5, max([high, *near]) + 1.5
    return Frame(sheet, (min(times), max(times)), (low, high))


def _band(frame: Frame, cold: Points, warm: Points) -> str:
    outline = [frame.at(*each) for each in cold] + [frame.at(*each) for each in reversed(warm)]
    return tag("path", "band", d=path_of(outline, close=True))


def _axes(frame: Frame, measure: Measure, zone: ZoneInfo) -> str:
    parts: list[str] = []
    sheet = frame.sheet
    low, high = frame.heights
    step = next((each for each in (2, 5, 10, 20) if (high - low) / each <= 7), 50)
    value = int(low // step + 1) * step
    while value < high:
        y = frame.y(value)
        parts.append(tag("path", "grid", d=path_of([(sheet.left, y), (frame.edge, y)])))
        parts.append(words(f"{value}{measure.temperature_unit}", sheet.left - 6, y + 5, SIZE, "soft", anchor="end"))
        value += step
    start, end = frame.times
    first_ms, every = -(-start // HOUR_MS) * HOUR_MS, 3 if sheet.beside else 6
    for at_ms in range(first_ms, end + 1, HOUR_MS):
        if datetime.fromtimestamp(at_ms / 1000, zone).hour % every == 0:
            text, x = hour_text(at_ms, zone, measure), frame.x(at_ms)
            half = width_of(text, SIZE) / 2
            x = min(max(x, sheet.left + half), sheet.width - half)
            parts.append(
                tag(
                    "path",
                    "grid",
                    d=path_of([(frame.x(at_ms), sheet.top), (frame.x(at_ms), sheet.height - sheet.bottom)]),
                )
            )
            parts.append(words(text, x, sheet.height - sheet.bottom + 20, SIZE, "soft", anchor="middle"))
    return "".join(parts)


def _limits(frame: Frame, limits: Sequence[tuple[str, float]], measure: Measure) -> str:
    """Each limit as a dashed line with its name, the names kept apart."""
    sheet = frame.sheet
    low, high = frame.heights
    shown = sorted((pair for pair in limits if low <= pair[1] <= high), key=lambda pair: -pair[1])
    wanted = [frame.y(limit) - (0 if sheet.beside else 10) for _, limit in shown]
    places = spread(wanted, SIZE + 4, sheet.top + 10, sheet.height - sheet.bottom - 4)
    parts: list[str] = []
    for (name, limit), place in zip(shown, places, strict=True):
        y, text = frame.y(limit), f"{name} {limit:.0f}{measure.temperature_unit}"
        line = [(sheet.left, y), (frame.edge, y)]
        if sheet.beside:
            parts.append(tag("path", "reserve", d=path_of([*line, (frame.edge + 10, place)])))
            parts.append(words(_short(text, sheet.right - 18), frame.edge + 14, place + 5, SIZE))
        else:
            parts.append(tag("path", "reserve", d=path_of(line)))
            parts.append(
                words(_short(text, frame.edge - sheet.left - 12), frame.edge - 6, place + 5, SIZE, "halo", anchor="end")
            )
    return "".join(parts)


def _short(text: str, room: float) -> str:
    """A name with its limit, cut in the name where there is no room; the limit stays."""
    if width_of(text, SIZE) <= room:
        return text
    name, limit = text.rsplit(" ", 1)
    letters = max(1, int(room / width_of("x", SIZE)) - len(limit) - 2)
    return f"{name[:letters]}… {limit}"
