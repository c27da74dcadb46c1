"""SenML packs by RFC 8428, 9100 and 8798."""

from __future__ import annotations

import base64
import json
from functools import cache
from pathlib import Path
from typing import Any

import cbor2
import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdwater_sensors.errors import PayloadError, Why
from holdwater_sensors.record import Record
from holdwater_sensors.senml import decode_cbor, decode_json
from holdwater_sensors.senml_units import PRIMARY, SAME, SECONDARY

VECTORS = json.loads((Path(__file__).parents[1] / "reference" / "senml-vectors.json").read_text(encoding="utf-8"))[
    "vectors"
]
NOW_S = 1_767_225_600.0
AT = {"n": "a", "t": 1_320_067_464.0}
LABELS = {"bver": -1, "bn": -2, "bt": -3, "bu": -4, "bv": -5, "bs": -6, "n": 0, "u": 1, "v": 2, "vs": 3, "vb": 4}
LABELS |= {"s": 5, "t": 6, "ut": 7, "vd": 8}


def _json(items: Any) -> bytes:
    return json.dumps(items).encode()


def _cbor(items: Any) -> bytes:
    def labelled(item: dict[str, Any]) -> dict[Any, Any]:
        if not isinstance(item, dict):
            return item
        return {LABELS.get(key, key): _octets(value) if key == "vd" else value for key, value in item.items()}

    return cbor2.dumps([labelled(item) for item in items] if isinstance(items, list) else items)


def _octets(text: str) -> bytes:
    return base64.urlsafe_b64decode(text + "=" * (-len(text) % 4))


def _plain(record: Record) -> dict[str, Any]:
    found: dict[str, Any] = {"n": record.name, "t": record.t_s}
    found |= {"u": record.unit} if record.unit else {}
    found |= {"v": record.value} if record.value is not None else {}
    found |= {"s": record.total} if record.total is not None else {}
    found |= {"vs": record.text} if record.text is not None else {}
    found |= {"vb": record.truth} if record.truth is not None else {}
    if record.data is not None:
        found["vd"] = base64.urlsafe_b64encode(record.data).rstrip(b"=").decode()
    return found | ({"bver": record.version} if record.version != 10 else {})


def _same(found: dict[str, Any], expected: dict[str, Any]) -> None:
    assert found.keys() == expected.keys()
    for key, value in expected.items():
        close = {"t": {"abs": 1e-6, "rel": 0}, "v": {"rel": 1e-9}, "s": {"rel": 1e-9}}.get(key)
        assert found[key] == (pytest.approx(value, **close) if close else value), key


GOOD = [each for each in VECTORS if "expected" in each]
BAD = [each for each in VECTORS if "expect_error" in each and each["id"] != "version-too-new"]


@pytest.mark.parametrize("vector", GOOD, ids=lambda each: each["id"])
@pytest.mark.parametrize("form", ["json", "cbor"])
def test_examples_of_the_standard_resolve_as_it_says(vector: dict[str, Any], form: str) -> None:
    """RFC 8428 section 5 and the rules of section 4; the CBOR form carries the same records (section 6)."""
    now_s = vector.get("now", NOW_S)
    pack = decode_json(_json(vector["input"]), now_s) if form == "json" else decode_cbor(_cbor(vector["input"]), now_s)
    assert len(pack.records) == len(vector["expected"])
    for record, expected in zip(pack.records, vector["expected"], strict=True):
        _same(_plain(record), expected)


@pytest.mark.parametrize("vector", BAD, ids=lambda each: each["id"])
def test_packs_that_the_standard_forbids_are_refused(vector: dict[str, Any]) -> None:
    """RFC 8428 sections 4.2 to 4.5, 5."""
    payload = vector["input_text"].encode() if "input_text" in vector else _json(vector["input"])
    with pytest.raises(PayloadError):
        decode_json(payload, NOW_S)


def test_under_version_26_secondary_units_become_primary_ones() -> None:
    """RFC 9100 and 8798: "mm" under version 26 is 1.5 m; the vector's pack, which a reader of version 10 only must refuse."""
    vector = next(each for each in VECTORS if each["id"] == "version-too-new")
    (record,) = decode_json(_json(vector["input"]), NOW_S).records
    assert (record.value, record.unit, record.version) == (pytest.approx(1.5), "m", 26)


@pytest.mark.parametrize("version", [11, 27, 58, 2**40, 0, -1, 10.0, True, "10"])
def test_versions_with_unknown_features_are_refused(version: Any) -> None:
    """RFC 8428 section 4.4: a version that is not known must not be used."""
    with pytest.raises(PayloadError) as error:
        decode_json(_json([AT | {"bver": version, "v": 1}]), NOW_S)
    assert error.value.reason == Why.VERSION


def test_under_version_10_a_secondary_unit_is_refused_and_the_right_one_named() -> None:
    """RFC 8798: secondary units only where the version declares them; taken as metres, 1500 mm would be a thousand times wrong."""
    with pytest.raises(PayloadError, match="send 'm'") as error:
        decode_json(_json([AT | {"u": "mm", "v": 1500}]), NOW_S)
    assert error.value.reason == Why.UNIT


@pytest.mark.parametrize("unit", ["psi", "gal", "degF", "bar", "kWh", "", "M"])
def test_units_outside_the_registry_are_refused(unit: str) -> None:
    """RFC 8428 section 12.1 names gal, psi, degF and bar as units not to be used; a record without unit is legal."""
    payload = _json([AT | {"u": unit, "v": 1}])
    if unit == "":
        assert decode_json(payload, NOW_S).records[0].unit == ""
        return
    with pytest.raises(PayloadError) as error:
        decode_json(payload, NOW_S)
    assert error.value.reason == Why.UNIT


PINT_NAMES = {"Cel": "degC", "/": "", "/100": "percent", "/1000": "permille", "Ohm": "ohm", "ug/m3": "ug/m**3", "%": ""}
PINT_NAMES |= {"m3": "m**3", "l": "liter", "l/s": "liter/s", "m3/s": "m**3/s", "kg/m3": "kg/m**3", "h": "hour"}
PINT_NAMES |= {"C": "coulomb", "K": "kelvin", "min": "minute", "ppm": "ppm", "mm/h": "mm/hour", "m/h": "m/hour"}
PINT_NAMES |= {"Ah": "A*hour", "Wh": "W*hour", "kWh": "kW*hour", "km/h": "km/hour", "Wh/km": "W*hour/km", "s": "second"}
PINT_NAMES |= {
    "KiB": "kibibyte",
    "B": "byte",
    "GB": "gigabyte",
    "Mbit/s": "megabit/s",
    "bit/s": "bit/s",
    "B/s": "byte/s",
}
PINT_NAMES |= {"MB/s": "megabyte/s"}
NOT_IN_PINT = {"kVA", "VA", "kvar", "var", "varh", "kvarh", "vars", "kVAh", "VAs", "dBm", "permille", "/1000"}


@cache
def _registry() -> Any:
    import pint

    return pint.UnitRegistry()


@pytest.mark.slow
@pytest.mark.parametrize("name", sorted((SECONDARY | SAME).keys() - NOT_IN_PINT))
def test_the_factor_of_each_unit_agrees_with_an_independent_table(name: str) -> None:
    """Every secondary unit that PyPI pint knows, at two values, within 1e-12."""
    registry = _registry()
    primary, scale, offset = (SECONDARY | SAME)[name]
    for value in (1.0, 300.0):
        quantity = registry.Quantity(value, PINT_NAMES.get(name, name))
        theirs = quantity.to(PINT_NAMES.get(primary, primary)).magnitude
        assert value * scale + offset == pytest.approx(theirs, rel=1e-12, abs=1e-12)


def test_every_unit_leads_to_a_primary_one() -> None:
    """Conversion ends: what comes out is not converted again."""
    for primary, _, _ in (SECONDARY | SAME).values():
        assert primary in PRIMARY
        assert primary not in SAME


def test_a_node_without_a_clock_is_dated_by_its_reception() -> None:
    """RFC 8428 section 4.5.3: below 2**28 is relative; the record says so."""
    first, second = decode_json(
        _json([{"bn": "drinking:", "n": "gap", "v": 1, "t": -60}, {"n": "gap", "v": 2}]), NOW_S
    ).records
    assert (first.t_s, first.relative) == (NOW_S - 60, True)
    assert (second.t_s, second.relative) == (NOW_S, True)
    assert decode_json(_json([AT | {"v": 1}]), NOW_S).records[0].relative is False


def test_the_numbers_of_our_own_node_come_out_of_the_first_record() -> None:
    """run, seq and keep are labels that other readers ignore (RFC 8428 section 4.4)."""
    pack = decode_json(_json([AT | {"v": 1, "run": 7, "seq": 12, "keep": 3}, {"n": "b", "v": 1, "seq": 99}]), NOW_S)
    assert (pack.run, pack.seq, pack.keep) == (7, 12, 3)
    assert decode_json(_json([AT | {"v": 1}]), NOW_S).run is None


@pytest.mark.parametrize("value", [-1, 2**63, 1.5, "7", True, [1]])
def test_pack_numbers_must_be_whole_numbers_of_64_bits(value: Any) -> None:
    """A number that the store cannot hold would lose the pack's identity."""
    with pytest.raises(PayloadError) as error:
        decode_json(_json([AT | {"v": 1, "seq": value}]), NOW_S)
    assert error.value.reason == Why.NUMBER


def test_the_quantity_is_what_stands_after_the_last_colon() -> None:
    """Names in the manner of urn:dev:ow:…:temp and plain names."""
    records = decode_json(
        _json([{"bn": "urn:dev:ow:10e2:", "n": "temp", "v": 1}, {"bn": "", "n": "gap", "v": 1}]), NOW_S
    ).records
    assert [record.quantity for record in records] == ["temp", "gap"]


CASES: list[tuple[str, Any, Why]] = [
    ("empty array", [], Why.SHAPE),
    ("record is a number", [1], Why.SHAPE),
    ("name is a number", [{"n": 1, "v": 1}], Why.VALUE),
    ("base name is a number", [{"bn": 1, "n": "a", "v": 1}], Why.VALUE),
    ("unit is a number", [{"n": "a", "u": 1, "v": 1}], Why.VALUE),
    ("unit is a list", [{"n": "a", "u": ["m"], "v": 1}], Why.VALUE),
    ("value is null", [{"n": "a", "v": None}], Why.VALUE),
    ("value is a list", [{"n": "a", "v": [1]}], Why.VALUE),
    ("time is null", [{"n": "a", "v": 1, "t": None}], Why.VALUE),
    ("time is true", [{"n": "a", "v": 1, "t": True}], Why.VALUE),
    ("text is a number", [{"n": "a", "vs": 1}], Why.VALUE),
    ("data is no base64url", [{"n": "a", "vd": "a+b/"}], Why.VALUE),
    ("data is a number", [{"n": "a", "vd": 5}], Why.VALUE),
    ("sum is text", [{"n": "a", "s": "1"}], Why.VALUE),
    ("time before 1970", [{"n": "a", "v": 1, "t": -2e9}], Why.TIME),
    ("time after 9999", [{"n": "a", "v": 1, "t": 3e11}], Why.TIME),
    ("value too large", [{"n": "a", "v": 1e19}], Why.NUMBER),
    ("value with base too large", [{"n": "a", "bv": 9e18, "v": 9e18}], Why.NUMBER),
    ("sum with base too large", [{"n": "a", "bs": 9e18, "s": 9e18}], Why.NUMBER),
    ("name too long", [{"bn": "a" * 200, "n": "b" * 100, "v": 1}], Why.NAME),
    ("name not ASCII", [{"n": "ä", "v": 1}], Why.NAME),
    ("name with a line break", [{"n": "a\n", "v": 1}], Why.NAME),
    ("two known versions", [{"bver": 5, "n": "a", "v": 1}, {"bver": 10, "n": "b", "v": 1}], Why.VERSION),
    ("a version after the default", [{"n": "a", "v": 1}, {"bver": 5, "n": "b", "v": 1}], Why.VERSION),
    ("must-understand label", [{"n": "a", "v": 1, "x_": 1}], Why.LABEL),
]


@pytest.mark.parametrize(("items", "reason"), [case[1:] for case in CASES], ids=[case[0] for case in CASES])
@pytest.mark.parametrize("form", ["json", "cbor"])
def test_each_fault_has_its_reason(items: Any, reason: Why, form: str) -> None:
    """The list of reasons is closed; a pack with one fault is refused whole."""
    if form == "cbor" and any(isinstance(item, dict) and "vd" in item for item in items):
        payload = cbor2.dumps([{0: "a", 8: items[0]["vd"]}])
    else:
        payload = _json(items) if form == "json" else _cbor(items)
    with pytest.raises(PayloadError) as error:
        decode_json(payload, NOW_S) if form == "json" else decode_cbor(payload, NOW_S)
    assert error.value.reason == reason


def test_a_sum_alone_is_a_record_without_a_value() -> None:
    """RFC 8428 section 4.2: a value is required unless a sum is present; a base sum is added to it."""
    (record,) = decode_json(_json([AT | {"u": "l/s", "s": 500.0, "ut": 60}]), NOW_S).records
    assert (record.value, record.total, record.unit, record.update_s) == (None, pytest.approx(0.5), "m3/s", 60.0)
    (based,) = decode_json(_json([AT | {"bs": 4.0}]), NOW_S).records
    assert based.total == 4.0


def test_an_update_time_comes_through() -> None:
    """ut: the longest time to the next record, by which silence is noticed."""
    assert decode_json(_json([AT | {"v": 1, "ut": 600}]), NOW_S).records[0].update_s == 600.0


names = st.text(alphabet="abcXYZ019:-._/", min_size=1, max_size=20).filter(lambda text: text[0].isalnum())
items = st.fixed_dictionaries(
    {"n": names, "v": st.one_of(st.floats(-1e12, 1e12), st.integers(-(2**53), 2**53))},
    optional={"u": st.sampled_from(sorted(PRIMARY)), "t": st.floats(-1e6, 0), "s": st.floats(-1e9, 1e9)},
)


@pytest.mark.slow
@given(st.lists(items, min_size=1, max_size=6))
def test_json_and_cbor_carry_the_same_records(found: list[dict[str, Any]]) -> None:
    """Random packs in both forms, written by json and PyPI cbor2."""
    assert decode_json(_json(found), NOW_S) == decode_cbor(_cbor(found), NOW_S)


@given(st.lists(items, min_size=1, max_size=6))
def test_records_come_out_in_order_of_time(found: list[dict[str, Any]]) -> None:
    """RFC 8428 section 4.6."""
    times = [record.t_s for record in decode_json(_json(found), NOW_S).records]
    assert times == sorted(times)
