"""Quantities as text: what is read, what is refused in words, what is written back."""

from __future__ import annotations

import pytest

from holdwater.units import LONGEST_TEXT, Measure, UnitError, parse, rounded, wire_unit


@pytest.mark.parametrize(
    ("text", "dimension", "si"),
    [
        ("1 gal", "volume", 0.003785411784),
        ("1 psi", "pressure", 6894.757),
        ("1 ft", "length", 0.3048),
        ("32 degF", "temperature", 0.0),
        ("1 mph", "speed", 0.44704),
        ("1 gal/min", "flow", 6.309020e-5),
        ("1 lb", "mass", 0.45359237),
        ("1 inHg", "pressure", 3386.389),
        ("1 ft2", "area", 0.09290304),
    ],
)
def test_units_are_those_of_the_published_table(text: str, dimension: str, si: float) -> None:
    """NIST Special Publication 811 (2008), appendix B.8."""
    assert parse(text, dimension) == pytest.approx(si, rel=1e-6, abs=1e-12)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("1e999 gal", "is not a finite number"),
        ("12", "has no unit"),
        ("12 in", "is a unit of length"),
        ("12 galons", "did you mean 'gallons'?"),
        ("12 furlongs of water", "unknown unit"),
        ("much", "is not a number with a unit"),
        ("9" * (LONGEST_TEXT + 1), "is not a number with a unit"),
    ],
)
def test_a_text_that_is_no_quantity_is_refused_with_what_was_expected(text: str, words: str) -> None:
    """Found, expected, and what to write; at once, however long the text is."""
    with pytest.raises(UnitError) as refused:
        parse(text, "volume")
    said = str(refused.value)
    assert words in said
    assert "expected a " in said
    assert len(said) < 400


def test_rain_is_written_in_inches_or_millimetres() -> None:
    """As a rain gauge of the household shows it."""
    assert Measure("US").rain(0.0254) == pytest.approx(1.0)
    assert Measure("metric").rain(0.0254) == pytest.approx(25.4)


def test_a_unit_from_the_wire_that_nobody_knows_counts_as_it_stands() -> None:
    """Its readings are kept as they came; a known name is turned into SI (RFC 8428, table 6)."""
    assert wire_unit("wobbles").to_si(3.0) == 3.0
    assert wire_unit("l").to_si(3.0) == pytest.approx(0.003)
    assert wire_unit("hPa").to_si(3.0) == pytest.approx(300.0)


@pytest.mark.parametrize(
    ("value", "doubt", "written"),
    [(151.4, 20.0, "150"), (151.4, 15.0, "150"), (151.4, 14.9, "151"), (151.4, 0.5, "151"), (151.44, 0.49, "151.4"),
     (151.4, None, "151"), (9.96, None, "10.0"), (6.04, None, "6.0")],
)  # fmt: skip
def test_a_number_is_written_no_finer_than_its_doubt(value: float, doubt: float | None, written: str) -> None:
    """Tens from a doubt of 15, ones from a half, tenths below; without a doubt by its size."""
    assert rounded(value, doubt) == written


@pytest.mark.parametrize(
    ("text", "inches"),
    [("3 ft 6 in", 42.0), ("42 1/2 in", 42.5), ("42-1/2 in", 42.5), ("3/4 in", 0.75), ("5' 6 3/4\"", 66.75), ("5'", 60.0),
     ('42"', 42.0), ("3ft6in", 42.0), ("12.5 ft", 150.0), ("1,200 in", 1200.0), ("  7 in ", 7.0)],
)  # fmt: skip
def test_a_length_may_be_written_as_it_is_read_off_a_tape(text: str, inches: float) -> None:
    """Feet, inches and a fraction of an inch."""
    assert parse(text, "length") == pytest.approx(inches * 0.0254)


@pytest.mark.parametrize(
    ("text", "words"),
    [("1,2 m", "write the decimal mark as a point: 1.2 m"), ("12,34 ft", "where no thousands begin"), ("1,2345 m", "comma"),
     ("42 5/2 in", "not a number"), ("3 1/0 in", "not a number"), ("421/2 in", "unknown unit"), ("3 ft 6 lb", "unknown unit")],
)  # fmt: skip
def test_a_decimal_comma_or_a_false_fraction_is_no_length(text: str, words: str) -> None:
    """A tank of 1,2 m must not become one of 12 m."""
    with pytest.raises(UnitError) as refused:
        parse(text, "length")
    assert words in str(refused.value)
