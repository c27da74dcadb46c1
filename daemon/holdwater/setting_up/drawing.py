"""A tank's section in characters, from the same outline that the page draws: wall, water up to the lip, marks beside it."""

from __future__ import annotations

from collections.abc import Sequence

from holdwater.tanks.section import section
from holdwater.tanks.shapes import Outline
from holdwater.tanks.tank import Tank
from holdwater.tanks.words import volume
from holdwater.units import Measure

ROWS = 14
COLUMNS = 32
ASPECT = 0.5  # a character is about twice as high as it is wide


def draw(tank: Tank, measure: Measure) -> str:
    """The section as lines of at most 79 characters: `~` the overflow, `=` the tap, `.` water between, `#` water below the tap."""
    drawn = section(tank)
    row_m = max(drawn.height_m / ROWS, drawn.width_m / (COLUMNS * ASPECT))
    rows = max(3, round(drawn.height_m / row_m))
    row_m = drawn.height_m / rows
    columns = max(3, round(drawn.width_m / (row_m * ASPECT)))
    marks = _marks(tank, measure, rows, row_m)
    lines = []
    for at in reversed(range(rows)):
        spans = [_spans(each.outline, (at + 0.5) * row_m) for each in drawn.vessels]
        inside = [_is_inside((column + 0.5) * row_m * ASPECT, spans) for column in range(columns)]
        cells = _walled(inside, _fill(tank, at, row_m))
        beside, *more = marks.get(at, [""])
        lines.append(f"  {cells}  {beside}".rstrip())
        lines += [f"  {' ' * columns}  {each}" for each in more]
    return "\n".join(lines)


def _walled(inside: Sequence[bool], fill: str) -> str:
    """One row: a wall where the inside begins and ends, what fills it between."""
    padded = [False, *inside, False]
    return "".join(
        " " if not padded[at] else "|" if not (padded[at - 1] and padded[at + 1]) else fill
        for at in range(1, len(padded) - 1)
    )


def _fill(tank: Tank, at: int, row_m: float) -> str:
    if at == _row(tank.overflow_m, row_m):
        return "~"
    if at == _row(tank.outlet_m, row_m) and tank.outlet_m > 0:
        return "="
    if at > _row(tank.overflow_m, row_m):
        return " "
    return "." if (at + 0.5) * row_m > tank.outlet_m else "#"


def _row(height_m: float, row_m: float) -> int:
    """The row that a height lies in; a height on the border belongs to the row below it."""
    return max(0, int(height_m / row_m - 1e-9))


def _marks(tank: Tank, measure: Measure, rows: int, row_m: float) -> dict[int, list[str]]:
    """The words beside the rows: lip, reserve, tap; a second one of a row goes below it."""
    said: dict[int, list[str]] = {}
    lip = f"overflow lip {measure.length_text(tank.overflow_m)}: {volume(tank.full_on_hand_m3, measure)} on hand"
    said.setdefault(min(_row(tank.overflow_m, row_m), rows - 1), []).append(lip)
    if tank.reserve_m3 is not None:
        height_m = tank.depth_on_hand_m(tank.reserve_m3)
        words = f"reserve {volume(tank.reserve_m3, measure)} at {measure.length_text(height_m)}"
        said.setdefault(min(_row(height_m, row_m), rows - 1), []).append(words)
    if tank.outlet_m > 0:
        below = volume(tank.volume_m3(tank.outlet_m), measure)
        words = f"tap {measure.length_text(tank.outlet_m)}, {below} below it"
        said.setdefault(_row(tank.outlet_m, row_m), []).append(words)
    return said


def _spans(outline: Outline, y_m: float) -> list[tuple[float, float]]:
    """Where a level line lies inside a closed outline: pairs of x, m."""
    crossings = sorted(
        x0 + (x1 - x0) * (y_m - y0) / (y1 - y0)
        for (x0, y0), (x1, y1) in zip(outline, (*outline[1:], outline[0]), strict=True)
        if (y0 <= y_m) != (y1 <= y_m)
    )
    return list(zip(crossings[::2], crossings[1::2], strict=False))


def _is_inside(x_m: float, vessels: Sequence[Sequence[tuple[float, float]]]) -> bool:
    return any(left <= x_m <= right for spans in vessels for left, right in spans)
