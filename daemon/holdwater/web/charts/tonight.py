"""Tonight drawn: the air so far, the band of what may come, and the limit of each exposure."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from zoneinfo import ZoneInfo

from holdwater.freeze.air import Air
from holdwater.freeze.exposure import curve
from holdwater.freeze.tonight import Tonight, clock
from holdwater.units import Measure
from holdwater.web.charts.svg import Point, path_of, picture, spread, tag, words

WIDTH, HEIGHT = 720.0, 360.0
LEFT, RIGHT, TOP, BOTTOM = 56.0, 200.0, 48.0, 40.0
HOUR_MS = 3_600_000
SIZE = 14.0
Points = Sequence[tuple[int, float]]


class Frame:
    """From time and temperature to the drawing's grid."""

    def __init__(self, times: tuple[int, int], heights: tuple[float, float]) -> None:
        self.times = times
        self.heights = heights

    def at(self, at_ms: float, value: float) -> Point:
        """The place of a value."""
        return self.x(at_ms), self.y(value)

    def x(self, at_ms: float) -> float:
        """The place of a time."""
        start, end = self.times
        return LEFT + (at_ms - start) / (end - start) * (WIDTH - LEFT - RIGHT)

    def y(self, value: float) -> float:
        """The place of a temperature."""
        low, high = self.heights
        return TOP + (high - value) / (high - low) * (HEIGHT - TOP - BOTTOM)


def tonight_svg(told: Tonight, past: Sequence[Air], measure: Measure, zone: ZoneInfo, title: str) -> str:
    """The picture of tonight.

    Args:
        told: of tonight.
        past: the air of the last hours.
        measure: the household's units.
        zone: its clock.
        title: a line over the picture.
    """
    if told.forecast is None:
        body = words(title, LEFT, 26, SIZE + 2, bold=True) + words(f"Cannot tell: {told.why}.", LEFT, TOP + 40, SIZE)
        return picture(body, WIDTH, HEIGHT, f"{title}: cannot tell, {told.why}", "tonight")
    lines = [
        [(at_ms, measure.temperature(air_c)) for at_ms, air_c in curve(told.forecast, lowest_c)]
        for lowest_c in (told.forecast.p10_c, told.forecast.p50_c, told.forecast.p90_c)
    ]
    seen = [(each.at_ms, measure.temperature(each.air_c)) for each in past if each.at_ms <= told.forecast.issued_ms]
    limits = [
        (each.exposure.name, measure.temperature(each.limit_c)) for each in told.risks if each.limit_c is not None
    ]
    frame = _frame([*seen, *lines[0], *lines[2]], [limit for _, limit in limits])
    body = "".join(
        (
            words(title, LEFT, 26, SIZE + 2, bold=True),
            tag("rect", "plot", x=LEFT, y=TOP, width=WIDTH - LEFT - RIGHT, height=HEIGHT - TOP - BOTTOM),
            _axes(frame, measure, zone),
            _band(frame, lines[0], lines[2]),
            tag("path", "level", d=path_of(frame.at(*each) for each in seen)) if len(seen) > 1 else "",
            tag("path", "level", d=path_of(frame.at(*each) for each in lines[1]), stroke_dasharray="5 3"),
            _limits(frame, limits, measure),
        )
    )
    low, middle, high = (
        measure.temperature_text(each) for each in (told.forecast.p10_c, told.forecast.p50_c, told.forecast.p90_c)
    )
    said = f"{title}: lowest air {middle}, likely between {low} and {high}"
    return picture(body, WIDTH, HEIGHT, said, "tonight")


def _frame(points: Points, limits: Sequence[float]) -> Frame:
    times = [at_ms for at_ms, _ in points]
    values = [value for _, value in points]
    low, high = min(values), max(values)
    near = [limit for limit in limits if low - (high - low) - 5 <= limit <= high + (high - low) + 5]
    low, high = min([low, *near]) - 1, max([high, *near]) + 1
    return Frame((min(times), max(times)), (low, high))


def _band(frame: Frame, cold: Points, warm: Points) -> str:
    outline = [frame.at(*each) for each in cold] + [frame.at(*each) for each in reversed(warm)]
    return tag("path", "band", d=path_of(outline, close=True))


def _axes(frame: Frame, measure: Measure, zone: ZoneInfo) -> str:
    parts: list[str] = []
    low, high = frame.heights
    step = next((each for each in (2, 5, 10, 20) if (high - low) / each <= 7), 50)
    value = int(low // step + 1) * step
    while value < high:
        y = frame.y(value)
        parts.append(tag("path", "grid", d=path_of([(LEFT, y), (WIDTH - RIGHT, y)])))
        parts.append(words(f"{value}{measure.temperature_unit}", LEFT - 6, y + 5, SIZE, "soft", anchor="end"))
        value += step
    start, end = frame.times
    at_ms = start
    while at_ms <= end:
        if datetime.fromtimestamp(at_ms / 1000, zone).hour % 3 == 0:
            parts.append(words(clock(at_ms, zone), frame.x(at_ms), HEIGHT - BOTTOM + 20, SIZE, "soft", anchor="middle"))
        at_ms += HOUR_MS
    return "".join(parts)


def _limits(frame: Frame, limits: Sequence[tuple[str, float]], measure: Measure) -> str:
    """Each limit as a dashed line with its name at the right, the names kept apart."""
    low, high = frame.heights
    shown = sorted((pair for pair in limits if low <= pair[1] <= high), key=lambda pair: -pair[1])
    places = spread([frame.y(limit) for _, limit in shown], SIZE + 4, TOP + 6, HEIGHT - BOTTOM)
    parts: list[str] = []
    for (name, limit), place in zip(shown, places, strict=True):
        y = frame.y(limit)
        parts.append(tag("path", "reserve", d=path_of([(LEFT, y), (WIDTH - RIGHT, y), (WIDTH - RIGHT + 10, place)])))
        parts.append(words(f"{name} {limit:.0f}{measure.temperature_unit}", WIDTH - RIGHT + 14, place + 5, SIZE))
    return "".join(parts)
