"""Reading a drawing back: its texts with their boxes, its paths with their points."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from dataclasses import dataclass

from holdwater.web.charts.svg import width_of

SVG = "{http://www.w3.org/2000/svg}"


@dataclass(frozen=True)
class Words:
    """One text with the box it takes, px."""

    text: str
    left: float
    right: float
    top: float
    bottom: float
    look: str

    def meets(self, other: Words) -> bool:
        return (
            self.left < other.right and other.left < self.right and self.top < other.bottom and other.top < self.bottom
        )


class Drawing:
    """A parsed SVG."""

    def __init__(self, text: str) -> None:
        self.root = ET.fromstring(text)
        self.width, self.height = (float(each) for each in self.root.attrib["viewBox"].split()[2:])

    @property
    def texts(self) -> list[Words]:
        found = []
        for each in self.root.iter(f"{SVG}text"):
            size, x, y = (float(each.attrib[name]) for name in ("font-size", "x", "y"))
            text = each.text or ""
            wide = width_of(text, size)
            left = x - {"start": 0.0, "middle": wide / 2, "end": wide}[each.attrib.get("text-anchor", "start")]
            found.append(Words(text, left, left + wide, y - 0.75 * size, y + 0.2 * size, each.attrib["class"]))
        return found

    def looks(self, look: str) -> list[ET.Element]:
        return [each for each in self.root.iter() if each.attrib.get("class") == look]

    def points(self, look: str) -> list[list[tuple[float, float]]]:
        """Corners of every path of that look, one list for each closed or open part."""
        found = []
        for each in self.looks(look):
            for part in each.attrib["d"].split("M")[1:]:
                numbers = [float(n) for n in re.findall(r"-?\d+\.?\d*", part)]
                found.append(list(zip(numbers[::2], numbers[1::2], strict=True)))
        return found

    def overlaps(self) -> list[tuple[str, str]]:
        texts = self.texts
        return [(a.text, b.text) for i, a in enumerate(texts) for b in texts[i + 1 :] if a.meets(b)]


def area_of(points: list[tuple[float, float]]) -> float:
    """Area inside a polygon (shoelace formula)."""
    ring = [*points[1:], points[0]]
    return abs(sum(x0 * y1 - x1 * y0 for (x0, y0), (x1, y1) in zip(points, ring, strict=True))) / 2
