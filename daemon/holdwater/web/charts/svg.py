"""SVG as text: elements with escaped attributes, short numbers, two sets of colours.

Every shape carries a class, which the page's stylesheet colours for day, night and paper, and presentation
attributes, which hold where there is no stylesheet (a saved graph). There is no `style` attribute and no `<style>`
element: the page's policy forbids both.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape

INK = "#1a1d1f"
SOFT = "#4a4f52"
PAPER = "#fbfaf5"
PANEL = "#f1eee4"
LINE = "#14586e"
FILL = "#9cc7d2"
BAND = "#cfe3e8"
RAIN = "#3d5a99"
FROST = "#5b4a9c"
ACT_NOW = "#8c1d18"
ACT_TODAY = "#6f3d00"

LOOKS: dict[str, dict[str, str]] = {
    "ink": {"stroke": INK, "fill": "none", "stroke-width": "1.5"},
    "wall": {"stroke": INK, "fill": "none", "stroke-width": "2.5", "stroke-linejoin": "round"},
    "paper": {"fill": PAPER},
    "plot": {"fill": "#ffffff", "stroke": "none"},
    "grid": {"stroke": "#d8d4c6", "fill": "none", "stroke-width": "1"},
    "axis": {"stroke": SOFT, "fill": "none", "stroke-width": "1"},
    "water": {"fill": FILL, "stroke": "none"},
    "band": {"fill": BAND, "stroke": "none"},
    "surface": {"fill": LINE, "fill-opacity": "0.45", "stroke": "none"},
    "level": {"stroke": LINE, "fill": "none", "stroke-width": "1.5", "stroke-linejoin": "round"},
    "reserve": {"stroke": INK, "fill": "none", "stroke-width": "1.25", "stroke-dasharray": "6 3"},
    "today": {"stroke": INK, "fill": "none", "stroke-width": "1", "stroke-dasharray": "2 3"},
    "tick": {"stroke": INK, "fill": "none", "stroke-width": "2"},
    "lead": {"stroke": SOFT, "fill": "none", "stroke-width": "0.75"},
    "hatch": {"stroke": INK, "fill": "none", "stroke-width": "1"},
    "rain": {"fill": RAIN, "stroke": "none"},
    "frost": {"fill": FROST, "stroke": "none"},
    "sign": {"fill": "#ffffff", "stroke": INK, "stroke-width": "1.25"},
    "sign act-now": {"fill": "#ffffff", "stroke": ACT_NOW, "stroke-width": "2"},
    "sign act-today": {"fill": "#ffffff", "stroke": ACT_TODAY, "stroke-width": "1.75"},
    "text": {"fill": INK},
    "soft": {"fill": SOFT},
    "halo": {
        "fill": INK,
        "stroke": "#ffffff",
        "stroke-width": "3",
        "stroke-linejoin": "round",
        "paint-order": "stroke",
    },
}
"""Presentation attributes of each class: the day colours of the page."""

FONT = "system-ui, -apple-system, 'Segoe UI', Roboto, 'Noto Sans', sans-serif"
GLYPH_EM = 0.6
"""Mean width of a letter of common sans-serif fonts, in ems. From memory; drawings leave room beyond it."""

Point = tuple[float, float]


def clean(text: str) -> str:
    """Text as markup: escaped, without the control characters that no XML may hold."""
    return escape("".join(letter for letter in text if letter.isprintable()))


def num(value: float) -> str:
    """A coordinate with at most one decimal."""
    text = f"{value:.1f}"
    return text[:-2] if text.endswith(".0") else text


def tag(name: str, look: str = "", body: str = "", **attributes: str | float) -> str:
    """One element.

    Args:
        name: element name.
        look: key of `LOOKS`; gives the class and its attributes.
        body: inner markup, already escaped.
        attributes: further attributes; `_` in a name stands for `-`; they win over those of the look.
    """
    pairs: dict[str, str] = {"class": look, **LOOKS.get(look, {})} if look else {}
    for key, value in attributes.items():
        pairs[key.rstrip("_").replace("_", "-")] = value if isinstance(value, str) else num(value)
    inner = "".join(f' {key}="{escape(value)}"' for key, value in pairs.items())
    return f"<{name}{inner}>{body}</{name}>" if body else f"<{name}{inner}/>"


def path_of(points: Iterable[Point], close: bool = False) -> str:
    """Points as path data."""
    text = "L".join(f"{num(x)} {num(y)}" for x, y in points)
    return f"M{text}{'Z' if close else ''}" if text else ""


def words(
    text: str, x: float, y: float, size: float, look: str = "text", *, anchor: str = "start", bold: bool = False
) -> str:
    """A line of text with its baseline at `y`."""
    more = {"font_weight": "600"} if bold else {}
    if anchor != "start":
        more["text_anchor"] = anchor
    return tag("text", look, clean(text) or " ", x=x, y=y, font_size=size, **more)


def width_of(text: str, size: float) -> float:
    """Room a line of text needs, px."""
    return len(text) * size * GLYPH_EM


def hatch(name: str, step: float = 6) -> str:
    """A pattern of slanted lines, to be used as `fill="url(#name)"`."""
    line = tag("path", "hatch", d=f"M0 {num(step)}L{num(step)} 0")
    return tag("pattern", "", line, id=name, width=step, height=step, patternUnits="userSpaceOnUse")


def picture(body: str, width: float, height: float, title: str, kind: str) -> str:
    """A whole drawing with its name for those who cannot see it.

    Args:
        body: inner markup.
        width: px of the drawing's own grid.
        height: likewise.
        title: what the picture shows, in a sentence.
        kind: class of the picture.
    """
    box = f'viewBox="0 0 {num(width)} {num(height)}" width="{num(width)}" height="{num(height)}"'
    said = f'role="img" aria-label="{clean(title)}" font-family="{escape(FONT)}"'
    return f'<svg xmlns="http://www.w3.org/2000/svg" class="{escape(kind)}" {box} {said}>{body}</svg>'


def spread(wanted: Sequence[float], gap: float, low: float, high: float) -> list[float]:
    """Positions at least `gap` apart, in the order of `wanted`, as near to it as one pass up and one down give.

    Args:
        wanted: positions, ascending.
        gap: least distance.
        low: least position of the first.
        high: largest position of the last; given up when there is no room.
    """
    placed: list[float] = []
    for each in wanted:
        placed.append(max(each, placed[-1] + gap if placed else low))
    limit = high
    for index in range(len(placed) - 1, -1, -1):
        placed[index] = min(placed[index], limit)
        limit = placed[index] - gap
    return placed
