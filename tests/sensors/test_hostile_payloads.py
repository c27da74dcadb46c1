"""Whatever a payload holds, it is taken or refused with our reason; nothing else escapes."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from functools import partial
from typing import Any

import cbor2
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from holdwater_sensors.errors import PayloadError, Why
from holdwater_sensors.formats import Route, TimeAt
from holdwater_sensors.jsontext import MAX_BYTES, parse
from holdwater_sensors.senml import decode_cbor, decode_json

NOW_S = 1_767_225_600.0
ROUTES = [
    Route("a", "t", "number", "a:b", "m"),
    Route("b", "t", "json", "a:b", "m", pointer="/a/0", time=TimeAt("RFC 3339", pointer="/t")),
    Route("c", "t", "json", "a:b", "m"),
    Route("d", "t", "text", "a:b", "m", field=2, time=TimeAt("seconds", field=1)),
    Route("e", "t", "text", "a:b", "m", field=1, delimiter=" ", time=TimeAt("milliseconds", field=2)),
]


READERS: list[Callable[[bytes], Any]] = [
    lambda data: decode_json(data, NOW_S).records,
    lambda data: decode_cbor(data, NOW_S).records,
    *(partial(route.decode, now_s=NOW_S) for route in ROUTES),
]


def _taken_or_refused(reader: Callable[[bytes], Any], payload: bytes) -> Any:
    try:
        return reader(payload)
    except PayloadError as error:
        return error


def _storable(payload: bytes) -> None:
    for reader in READERS:
        found = _taken_or_refused(reader, payload)
        if isinstance(found, PayloadError):
            assert found.reason in set(Why)
            assert found.detail.isascii()
            continue
        for record in found:
            assert record.value is None or math.isfinite(record.value)
            assert 0 <= record.t_s < 253_402_300_800
            assert record.text is None or b"\0" not in record.text.encode("utf-8")


JSON_CASES: list[tuple[str, bytes, Why]] = [
    ("nothing", b"", Why.SIZE),
    ("one byte too many", b"[" + b" " * MAX_BYTES, Why.SIZE),
    ("a million bytes", b"9" * 1_000_000, Why.SIZE),
    ("NaN", b'[{"n":"a","v":NaN}]', Why.NUMBER),
    ("Infinity", b'[{"n":"a","v":-Infinity}]', Why.NUMBER),
    ("1e400", b'[{"n":"a","v":1e400}]', Why.NUMBER),
    ("2**63 + 1 in a time", b'[{"n":"a","v":1,"t":9223372036854775809}]', Why.NUMBER),
    ("4300 digits", b'[{"n":"a","v":' + b"9" * 4300 + b"}]", Why.NUMBER),
    ("5000 digits", b'[{"n":"a","v":' + b"9" * 5000 + b"}]", Why.NUMBER),
    ("deep array", b"[" * 8000 + b"]" * 8000, Why.NESTING),
    ("deep object", b'{"a":' * 3000 + b"1" + b"}" * 1300, Why.NESTING),
    ("deep in an ignored label", b'[{"n":"a","v":1,"x":' + b"[" * 20 + b"]" * 20 + b"}]", Why.NESTING),
    ("UTF-16", '[{"n":"a","v":1}]'.encode("utf-16"), Why.TEXT),
    ("byte order mark", b'\xef\xbb\xbf[{"n":"a","v":1}]', Why.SYNTAX),
    ("wrong UTF-8", b'[{"n":"\xff","v":1}]', Why.TEXT),
    ("lone surrogate", b'[{"n":"a","vs":"\\ud800"}]', Why.TEXT),
    ("NUL in a text", b'[{"n":"a","vs":"\\u0000"}]', Why.TEXT),
    ("NUL in a label", b'[{"n":"a","v":1,"\\u0000":1}]', Why.TEXT),
    ("raw NUL", b'[{"n":"a\x00","v":1}]', Why.SYNTAX),
    ("key twice", b'[{"n":"a","v":1,"v":2}]', Why.DUPLICATE),
    ("key twice, once escaped", b'[{"n":"a","v":1,"\\u0076":2}]', Why.DUPLICATE),
    ("ignored key twice", b'[{"n":"a","v":1,"x":2,"x":3}]', Why.DUPLICATE),
    ("key twice with texts", b'[{"n":"b","n":"a","v":1}]', Why.DUPLICATE),
    ("key twice inside", b'[{"n":"a","v":1,"x":{"y":1,"y":2}}]', Why.DUPLICATE),
    ("two documents", b'[{"n":"a","v":1}][]', Why.SYNTAX),
    ("trailing comma", b'[{"n":"a","v":1},]', Why.SYNTAX),
    ("single quotes", b"[{'n':'a','v':1}]", Why.SYNTAX),
    ("a text", b'"a"', Why.SHAPE),
    ("null", b"null", Why.SHAPE),
    ("gzip", b"\x1f\x8b\x08\x00", Why.TEXT),
]


@pytest.mark.parametrize(("payload", "reason"), [each[1:] for each in JSON_CASES], ids=[each[0] for each in JSON_CASES])
def test_hostile_json_is_refused_with_its_reason(payload: bytes, reason: Why) -> None:
    """What json.loads lets through, or answers with another exception, was listed by trying it."""
    with pytest.raises(PayloadError) as error:
        decode_json(payload, NOW_S)
    assert error.value.reason == reason
    _storable(payload)


CBOR_CASES: list[tuple[str, str, Why]] = [
    ("array longer than the payload", "9b7fffffffffffffff", Why.SYNTAX),
    ("map longer than the payload", "bb7fffffffffffffff", Why.SYNTAX),
    ("text longer than the payload", "7b7fffffffffffffff", Why.SYNTAX),
    ("regular expression", "d8236428282928", Why.SYNTAX),
    ("shared reference", "d81c8181d81d00", Why.SYNTAX),
    ("big number", "c249010000000000000000", Why.SYNTAX),
    ("decimal fraction of texts", "c4826161" + "01", Why.SYNTAX),
    ("decimal fraction out of range", "c4821a7fffffff01", Why.NUMBER),
    ("deep array", "81" * 9000 + "00", Why.NESTING),
    ("break alone", "ff", Why.SYNTAX),
    ("break in an array of known length", "82ff", Why.SYNTAX),
    ("break as a value", "bf00ff", Why.SYNTAX),
    ("string in pieces", "7f6161ff", Why.SYNTAX),
    ("number without an end", "1f", Why.SYNTAX),
    ("reserved information", "1c", Why.SYNTAX),
    ("undefined", "81a2006161" + "02f7", Why.SYNTAX),
    ("label is a list", "81a18001", Why.SHAPE),
    ("label twice", "81a302010201" + "006161", Why.DUPLICATE),
    ("label twice, by number and by name", "81a3" + "0201" + "617602" + "006161", Why.DUPLICATE),
    ("text that is not UTF-8", "81a20061ff0201", Why.TEXT),
    ("text with NUL", "81a20061000201", Why.TEXT),
    ("not a number", "81a200616102f97e00", Why.NUMBER),
    ("infinity", "81a200616102fb7ff0000000000000", Why.NUMBER),
    ("bytes left over", "8000", Why.SYNTAX),
    ("a map", "a0", Why.SHAPE),
    ("array of numbers", "8101", Why.SHAPE),
    ("value is bytes", "81a2006161024161", Why.VALUE),
]


@pytest.mark.parametrize(("hexed", "reason"), [each[1:] for each in CBOR_CASES], ids=[each[0] for each in CBOR_CASES])
def test_hostile_cbor_is_refused_with_its_reason(hexed: str, reason: Why) -> None:
    """RFC 8949 has tags that build regular expressions, mail and cycles; none is read."""
    payload = bytes.fromhex(hexed)
    with pytest.raises(PayloadError) as error:
        decode_cbor(payload, NOW_S)
    assert error.value.reason == reason
    _storable(payload)


def test_a_cbor_payload_too_large_or_empty_is_not_read() -> None:
    """The same limit as for JSON."""
    for payload in (b"", b"\x00" * (MAX_BYTES + 1)):
        with pytest.raises(PayloadError) as error:
            decode_cbor(payload, NOW_S)
        assert error.value.reason == Why.SIZE


def test_a_decimal_fraction_is_the_one_tag_that_is_read() -> None:
    """RFC 8428 section 6: 2731 * 10**-2, written by PyPI cbor2; also halves, singles, indefinite lengths and null."""
    from decimal import Decimal

    payload = cbor2.dumps([{0: "a", 2: Decimal("27.31")}])
    assert decode_cbor(payload, NOW_S).records[0].value == 27.31
    assert decode_cbor(bytes.fromhex("9fbf006161" + "02f93e00" + "ffff"), NOW_S).records[0].value == 1.5
    assert decode_cbor(bytes.fromhex("81a300616102fa3fc00000" + "6178f6"), NOW_S).records[0].value == 1.5
    assert decode_cbor(bytes.fromhex("81a30061610201" + "1863f5"), NOW_S).records[0].value == 1.0


@settings(max_examples=200)
@given(st.binary(max_size=200))
def test_any_bytes_are_taken_or_refused(payload: bytes) -> None:
    """Random bytes to every reader."""
    _storable(payload)


scalars = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(),
    st.floats(),
    st.text(max_size=8),
    st.sampled_from([2**63, -(2**64), 10**400]),
)
labels = st.one_of(
    st.sampled_from(
        ["bn", "bt", "bu", "bv", "bs", "bver", "n", "u", "v", "vs", "vb", "vd", "s", "t", "ut", "seq", "x_", "a"]
    ),
    st.text(max_size=4),
)
documents = st.recursive(
    scalars,
    lambda inner: st.one_of(st.lists(inner, max_size=4), st.dictionaries(labels, inner, max_size=5)),
    max_leaves=20,
)


@pytest.mark.slow
@settings(max_examples=50)
@given(st.one_of(documents, st.lists(st.dictionaries(labels, documents, max_size=6), max_size=4)))
def test_any_document_is_taken_or_refused(document: Any) -> None:
    """Random documents with SenML labels, as JSON (with and without escapes) and as CBOR by PyPI cbor2."""
    for escaped in (True, False):
        _storable(json.dumps(document, ensure_ascii=escaped).encode("utf-8", "surrogatepass"))
    try:
        payload = cbor2.dumps(document)
    except (ValueError, OverflowError):
        return
    _storable(payload)


@given(
    st.lists(
        st.tuples(st.sampled_from(["n", "v", "u", "t", "x"]), st.sampled_from(['"a"', "1", '"m"', '""', "null"])),
        max_size=6,
    )
)
def test_a_doubled_key_is_found_however_the_values_look(pairs: list[tuple[str, str]]) -> None:
    """The quick count of quotes finds what the careful reader finds."""
    payload = ("[{" + ",".join(f'"{key}":{value}' for key, value in pairs) + "}]").encode()
    doubled = len({key for key, _ in pairs}) < len(pairs)
    found = _taken_or_refused(parse, payload)
    assert isinstance(found, PayloadError) == doubled
    assert not doubled or found.reason == Why.DUPLICATE
