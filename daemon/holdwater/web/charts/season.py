"""The season: one strip of time, read downwards in lanes that share the axis."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from holdwater.web.charts.axis import TimeAxis, local_date
from holdwater.web.charts.data import Season, Sign
from holdwater.web.charts.lanes import SIGN_ROWS, Frame, hand_lane, sign_shape, sky_lane, tank_lane
from holdwater.web.charts.svg import num, picture, tag, width_of, words


@dataclass(frozen=True, slots=True)
class Format:
    """Measures of one size of the picture, px.

    Attributes:
        name: class of the picture.
        width: whole width.
        left: room for figures of the scales.
        right: room at the right.
        font: size of text.
        sky: height of the sky lane.
        tank: height of a tank's lane.
    """

    name: str
    width: float
    left: float
    right: float
    font: float
    sky: float
    tank: float


WIDE = Format("season wide", 1000, 84, 12, 14, 70, 128)
NARROW = Format("season narrow", 360, 40, 6, 13, 64, 104)


def season_svg(season: Season, form: Format = WIDE, heading: Sequence[str] = ()) -> str:
    """The season as one picture.

    Args:
        season: what to show.
        form: `WIDE` for a table or wall, `NARROW` for a phone.
        heading: lines above the picture, the first one large; with them the list of signs is drawn below it too,
            so that the picture explains itself when it is saved or printed alone.

    Returns:
        An `<svg>` element that needs neither script nor stylesheet.
    """
    axis = TimeAxis(season.start_ms, season.end_ms, form.left, form.width - form.right, season.zone)
    top = _heading_height(heading, form)
    strip, bottom = _strip(season, form, axis, top + form.font * 1.9)
    body = _heading(heading, form) + _months(axis, form, top + form.font * 1.2, season.now_ms) + strip
    body += _today(axis, top + form.font * 1.5, bottom, season.now_ms)
    height = bottom + form.font * 0.8
    if heading:
        listing, height = _listing(season, form, height)
        body = tag("rect", "paper", width=form.width, height=height) + body + listing
    return picture(body, form.width, height, _sentence(season), form.name)


def _strip(season: Season, form: Format, axis: TimeAxis, top: float) -> tuple[str, float]:
    """All lanes, and the px where they end."""
    head, gap = form.font * 1.5, form.font * 0.7
    parts = []

    def frame(height: float) -> Frame:
        return Frame(axis, top + head, height, form.font, season.measure)

    if season.sky.rain is not None or season.sky.lows is not None:
        parts.append(sky_lane(season.sky, frame(form.sky)))
        top += head + form.sky + gap
    for lane in season.tanks:
        parts.append(tank_lane(lane, frame(form.tank)))
        top += head + form.tank + gap
    hand = SIGN_ROWS * (form.font + 9)
    parts.append(hand_lane(season.signs, frame(hand)))
    return "".join(parts), top + head + hand


def _months(axis: TimeAxis, form: Format, base: float, now_ms: int) -> str:
    """Names along the top; the one that *today* would cover is left out."""
    today = axis.x(now_ms)
    room = width_of("today", form.font)
    parts = []
    if axis.left <= today <= axis.right:
        end = min(max(today + room / 2, axis.left + room), axis.right)
        parts.append(words("today", end, base, form.font, "text", anchor="end", bold=True))
        taken = (end - room * 1.15 - 6, end + 6)
    else:
        taken = (axis.right, axis.right)
    for x, label in axis.labels(form.font):
        if x + width_of(label, form.font) < taken[0] or x > taken[1]:
            parts.append(words(label, x, base, form.font, "text"))
    return "".join(parts)


def _today(axis: TimeAxis, top: float, bottom: float, now_ms: int) -> str:
    """A dotted line through all lanes."""
    x = axis.x(now_ms)
    return tag("path", "today", d=f"M{num(x)} {num(top)}V{num(bottom)}") if axis.left <= x <= axis.right else ""


def _heading_height(heading: Sequence[str], form: Format) -> float:
    return 0.0 if not heading else form.font * (2.6 + 1.5 * (len(heading) - 1))


def _heading(heading: Sequence[str], form: Format) -> str:
    parts = []
    for index, line in enumerate(heading):
        size = form.font * (1.5 if index == 0 else 1)
        parts.append(
            words(line, 12, form.font * (2 + 1.5 * index), size, "text" if index == 0 else "soft", bold=index == 0)
        )
    return "".join(parts)


def _listing(season: Season, form: Format, top: float) -> tuple[str, float]:
    """The list of signs under a saved picture, and the px where it ends."""
    pitch = form.font * 1.6
    parts = []
    y = top + form.font
    for sign in season.signs:
        y += pitch
        label = str(sign.number)
        look = f"sign {sign.severity.replace(' ', '-')}" if sign.severity in {"act now", "act today"} else "sign"
        wide = width_of(label, form.font) + 11
        parts.append(sign_shape(sign.kind, look, (30, y - form.font * 0.36), wide, form.font + 5))
        parts.append(words(label, 30, y, form.font, "text", anchor="middle"))
        parts.append(words(_cut(f"{sign_when(sign, season)}  {sign.words}", form), 56, y, form.font))
    y += pitch
    note = "Pale band: doubt of the level, right 19 times in 20. Gap: no trusted level. On hand counts from the tap up."
    parts.append(words(_cut(note, form), 12, y + form.font * 0.4, form.font, "soft"))
    return "".join(parts), y + form.font * 1.4


def _cut(text: str, form: Format) -> str:
    most = int((form.width - 64) / width_of("n", form.font))
    return text if len(text) <= most else text[: most - 1].rstrip() + "…"


def sign_when(sign: Sign, season: Season) -> str:
    """The day of a sign in words: `Sat 10 Oct`."""
    day = local_date(sign.at_ms, season.zone)
    return f"{day:%a} {day.day} {day:%b}"


def _sentence(season: Season) -> str:
    first = datetime.fromtimestamp(season.start_ms / 1000, UTC).astimezone(season.zone)
    last = datetime.fromtimestamp(season.now_ms / 1000, UTC).astimezone(season.zone)
    names = ", ".join(lane.name for lane in season.tanks)
    range_ = f"from {first.day} {first:%B} to {last.day} {last:%B %Y}"
    return f"Season of {season.site} {range_}: water on hand in {names}, with rain, frost, notes and notices."
