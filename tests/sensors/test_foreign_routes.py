"""Foreign devices: plain number, JSON pointer, delimited text; each fault with its reason."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdwater_sensors.errors import PayloadError, Why
from holdwater_sensors.formats import Route, TimeAt, plain_number, seconds

NOW_S = 1_767_225_600.0
INCH = Route("shed", "shed/level", "number", "shed:gap", "m", scale=0.0254)


def _reason(route: Route, payload: bytes) -> Why:
    with pytest.raises(PayloadError) as error:
        route.decode(payload, NOW_S)
    return error.value.reason


def test_a_plain_number_in_inches_becomes_metres_dated_by_its_reception() -> None:
    """Without a time of its own the record says that it is as good as the reception time, and asks for QoS 0."""
    (record,) = INCH.decode(b" 41.5\r\n", NOW_S)
    assert (record.name, record.unit, record.value) == ("shed:gap", "m", pytest.approx(1.0541))
    assert (record.t_s, record.relative, INCH.qos) == (NOW_S, True, 0)


def test_scale_and_offset_turn_fahrenheit_into_celsius() -> None:
    """Value times scale plus offset."""
    route = Route("air", "air", "number", "a:air", "Cel", 5 / 9, -160 / 9)
    assert route.decode(b"212", NOW_S)[0].value == pytest.approx(100.0)


@pytest.mark.parametrize(
    ("payload", "reason"),
    [
        (b"", Why.SIZE),
        (b"1" * 65, Why.SIZE),
        (b"\xff", Why.TEXT),
        (b"   ", Why.MISSING),
        (b"nan", Why.MISSING),
        (b"NULL", Why.MISSING),
        (b"unavailable", Why.MISSING),
        (b"inf", Why.NUMBER),
        (b"-Infinity", Why.NUMBER),
        (b"1e400", Why.NUMBER),
        (b"1e30", Why.NUMBER),
        (b"12,5", Why.SYNTAX),
        (b"1_000", Why.SYNTAX),
        ("１２".encode(), Why.SYNTAX),
        (b"12 in", Why.SYNTAX),
        (b"0x10", Why.SYNTAX),
        (b"true", Why.SYNTAX),
        (b"[1]", Why.SYNTAX),
    ],
)
def test_what_is_no_plain_number_is_refused_with_its_reason(payload: bytes, reason: Why) -> None:
    """A device that has nothing to say sends a word; one that is broken sends anything."""
    assert _reason(INCH, payload) == reason


def test_a_value_that_grows_too_large_in_its_unit_is_refused() -> None:
    """1e18 km are no level."""
    assert _reason(Route("x", "t", "number", "a:b", "m", scale=1000.0), b"1e18") == Why.NUMBER


POINTED = Route(
    "tank", "tank", "json", "t:gap", "m", 0.001, pointer="/levels/0/mm", time=TimeAt("RFC 3339", pointer="/at")
)


def test_a_json_pointer_finds_value_and_time() -> None:
    """RFC 6901; a number written as text is a number too."""
    for value in (1500, 1500.0, "1500"):
        document = {"levels": [{"mm": value}], "at": "2026-07-01T08:00:00-06:00"}
        (record,) = POINTED.decode(json.dumps(document).encode(), NOW_S)
        assert (record.value, record.t_s, record.relative) == (pytest.approx(1.5), 1_782_914_400.0, False)
    assert POINTED.qos == 1


def test_escapes_in_a_pointer_are_those_of_the_standard() -> None:
    """RFC 6901 section 5: ~1 is a slash, ~0 a tilde, the empty pointer the whole document."""
    route = Route("x", "t", "json", "a:b", "m", pointer="/a~1b/m~0n")
    assert route.decode(b'{"a/b":{"m~n":8}}', NOW_S)[0].value == 8.0
    assert Route("x", "t", "json", "a:b", "m").decode(b"7", NOW_S)[0].value == 7.0


@pytest.mark.parametrize(
    ("document", "reason"),
    [
        ({"levels": [], "at": "x"}, Why.MISSING),
        ({"levels": 5, "at": "x"}, Why.MISSING),
        ({"levels": [{"mm": None}], "at": "2026-07-01T08:00:00Z"}, Why.VALUE),
        ({"levels": [{"mm": True}], "at": "2026-07-01T08:00:00Z"}, Why.VALUE),
        ({"levels": [{"mm": {}}], "at": "2026-07-01T08:00:00Z"}, Why.VALUE),
        ({"levels": [{"mm": "unknown"}], "at": "2026-07-01T08:00:00Z"}, Why.MISSING),
        ({"levels": [{"mm": 1}]}, Why.MISSING),
        ({"levels": [{"mm": 1}], "at": 5}, Why.TIME),
        ({"levels": [{"mm": 1}], "at": "2026-07-01T08:00:00"}, Why.TIME),
        ({"levels": [{"mm": 1}], "at": "2026-07-01"}, Why.TIME),
        ({"levels": [{"mm": 1}], "at": "2026-02-30T00:00:00Z"}, Why.TIME),
        ({"levels": [{"mm": 1}], "at": "yesterday"}, Why.TIME),
        ({"levels": [{"mm": 1}], "at": "0001-01-01T00:00:00+23:59"}, Why.TIME),
    ],
)
def test_what_a_pointer_does_not_find_is_said(document: object, reason: Why) -> None:
    """Place, type and time each have their reason."""
    assert _reason(POINTED, json.dumps(document).encode()) == reason


LINE = Route("line", "t", "text", "a:b", "Pa", field=3, delimiter=";", time=TimeAt("seconds", field=1))


def test_a_field_of_a_line_is_counted_from_one() -> None:
    """Time, battery, pressure."""
    (record,) = LINE.decode(b"1767225000;3.9; 9810 \r\n", NOW_S)
    assert (record.value, record.t_s) == (9810.0, 1_767_225_000.0)


def test_a_blank_as_delimiter_means_any_run_of_blanks() -> None:
    """Columns padded with blanks or tabs; milliseconds as time."""
    route = Route("line", "t", "text", "a:b", "Pa", field=2, delimiter=" ", time=TimeAt("milliseconds", field=1))
    (record,) = route.decode(b"  1767225000500 \t  12.5", NOW_S)
    assert (record.value, record.t_s) == (12.5, 1_767_225_000.5)


@pytest.mark.parametrize(
    ("payload", "reason"),
    [
        (b"1767225000;3.9", Why.MISSING),
        (b"1767225000;3.9;", Why.MISSING),
        (b"1767225000;3.9;x", Why.SYNTAX),
        (b"later;3.9;5", Why.TIME),
        (b";3.9;5", Why.TIME),
        (b"-5;3.9;5", Why.TIME),
        (b"1e18;3.9;5", Why.TIME),
        (b"\xfe", Why.TEXT),
    ],
)
def test_faults_of_a_line_have_their_reasons(payload: bytes, reason: Why) -> None:
    """A missing field, an empty one, a wrong time."""
    assert _reason(LINE, payload) == reason


def test_a_leap_second_is_a_time() -> None:
    """RFC 3339 section 5.6 allows second 60; the calendar goes on with the next minute."""
    leap = seconds("2016-12-31T23:59:60Z", "RFC 3339")
    assert leap == seconds("2017-01-01T00:00:00Z", "RFC 3339")
    assert seconds("2016-12-31t23:59:59z", "RFC 3339") == leap - 1


@given(st.floats(0, 4e9))
def test_a_time_comes_back_from_each_of_its_forms(at_s: float) -> None:
    """Seconds, milliseconds and RFC 3339 with microseconds."""
    from datetime import UTC, datetime

    assert seconds(at_s, "seconds") == at_s
    assert seconds(repr(at_s * 1000), "milliseconds") == pytest.approx(at_s, abs=1e-6)
    text = datetime.fromtimestamp(at_s, UTC).isoformat()
    assert seconds(text, "RFC 3339") == pytest.approx(at_s, abs=2e-6)


@given(st.floats(allow_nan=False, allow_infinity=False, min_value=-1e18, max_value=1e18))
def test_a_number_comes_back_from_its_text(value: float) -> None:
    """Python writes the shortest text that reads back."""
    assert plain_number(repr(value)) == value
