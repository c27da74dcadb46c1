"""The README of the sensors package says what the code does."""

from __future__ import annotations

import doctest
from pathlib import Path

from holdwater_sensors.errors import Why
from holdwater_sensors.quality import Reason

README = Path(__file__).parents[2] / "sensors" / "README.md"
TEXT = README.read_text(encoding="utf-8")


def test_the_reading_by_hand_gives_what_is_printed() -> None:
    """Its lines are run."""
    assert doctest.testfile(str(README), module_relative=False) == (0, 5)


def test_every_reason_for_doubt_is_explained() -> None:
    """With the number that is stored."""
    for reason in Reason:
        assert reason is Reason.NONE or f"| {reason.value} | {reason.name} |" in TEXT


def test_every_word_of_quarantine_is_explained() -> None:
    """In the order of the list."""
    rows = [
        line.split("|")[1].strip()
        for line in TEXT.split("## Why a payload")[1].split("## Choices")[0].splitlines()
        if line.startswith("| ")
    ]
    assert rows[2:] == [word.value for word in Why]


def test_every_module_is_named() -> None:
    """None is forgotten when one is added."""
    modules = {path.stem for path in (README.parent / "holdwater_sensors").glob("*.py")} - {"__init__"}
    named = {part for line in TEXT.split("| module |")[1].split("## ")[0].splitlines() for part in line.split("|")[1:2]}
    words = {word.strip(" `,") for each in named for word in each.split(",")}
    assert modules - {"record"} <= words
