"""One row of the table: what was measured, beside what, and whether it is within its budget."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from statistics import median
from typing import Any


@dataclass(frozen=True, slots=True)
class Bound:
    """A budget: on our figure, or on its ratio to the naive script's.

    Attributes:
        limit: the number.
        on: "ours" or "ratio".
        at_least: True where more is better.
    """

    limit: float
    on: str = "ours"
    at_least: bool = False

    def words(self, unit: str) -> str:
        """As the table shows it."""
        return f"{'>=' if self.at_least else '<='} {self.limit:.4g}{'x' if self.on == 'ratio' else ' ' + unit}"

    def holds(self, ours: float | None, ratio: float | None) -> bool | None:
        """Whether it is kept; None where the figure is missing."""
        found = ours if self.on == "ours" else ratio
        if found is None:
            return None
        if self.on == "ratio":
            found = float(f"{found:.2g}")  # two runs on one machine agree to two digits at best
        return found >= self.limit if self.at_least else found <= self.limit


@dataclass(frozen=True, slots=True)
class Figure:
    """One row.

    Attributes:
        row: number of the budget, such as "2" or "10".
        name: what was measured.
        unit: unit of naive, floor and ours.
        naive: the script most people would write, None where it has no such figure.
        floor: the least that the chosen parts allow, None where there is no such thing.
        ours: holdwater.
        must: budget.
        aim: what we would like.
        spread: half the range of the repetitions over their median; None for a single run.
        note: how it was measured, or why it was not.
    """

    row: str
    name: str
    unit: str
    ours: float | None
    naive: float | None = None
    floor: float | None = None
    must: Bound | None = None
    aim: Bound | None = None
    spread: float | None = None
    note: str = ""

    @property
    def ratio(self) -> float | None:
        """Ours over naive."""
        return self.ours / self.naive if self.ours is not None and self.naive else None

    @property
    def met(self) -> str:
        """aim, must, NO, or a dash where there is nothing to keep."""
        if self.aim is not None and self.aim.holds(self.ours, self.ratio):
            return "aim"
        kept = None if self.must is None else self.must.holds(self.ours, self.ratio)
        return "-" if kept is None else "must" if kept else "NO"

    def as_data(self) -> dict[str, Any]:
        """For --json."""
        data = asdict(self)
        return {**data, "ratio": self.ratio, "met": self.met}


def middle(values: Sequence[float]) -> tuple[float, float]:
    """Median and spread (half the range over the median)."""
    found = median(values)
    return found, (max(values) - min(values)) / 2 / found if found else 0.0


def skipped(row: str, name: str, why: str) -> Figure:
    """A row that could not be measured here."""
    return Figure(row, name, "", None, note=f"skipped: {why}")


HEADS = ("row", "figure", "unit", "naive", "floor", "ours", "ratio", "must", "aim", "met", "spread")


def table(figures: Sequence[Figure]) -> str:
    """All rows as text, the notes below."""
    lines = [_cells(each) for each in figures]
    widths = [max(len(line[at]) for line in [HEADS, *lines]) for at in range(len(HEADS))]
    text = [_joined(HEADS, widths), _joined(["-" * width for width in widths], widths)]
    text += [_joined(line, widths) for line in lines]
    text += ["", *(f"{each.row}. {each.name}: {each.note}" for each in figures if each.note)]
    return "\n".join(text) + "\n"


def _joined(cells: Sequence[str], widths: Sequence[int]) -> str:
    return "  ".join(cell.ljust(width) for cell, width in zip(cells, widths, strict=True)).rstrip()


def _cells(figure: Figure) -> tuple[str, ...]:
    def number(value: float | None) -> str:
        return "-" if value is None else f"{value:,.0f}" if abs(value) >= 10_000 else f"{value:.3g}"

    return (
        figure.row, figure.name, figure.unit, number(figure.naive), number(figure.floor), number(figure.ours),
        "-" if figure.ratio is None else f"{figure.ratio:.3g}x",
        figure.must.words(figure.unit) if figure.must else "-", figure.aim.words(figure.unit) if figure.aim else "-",
        figure.met, "-" if figure.spread is None else f"{100 * figure.spread:.0f} %",
    )  # fmt: skip
