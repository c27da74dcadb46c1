"""SenML packs (RFC 8428, 9100, 8798): JSON or CBOR in, resolved records out.

Resolved as in RFC 8428 section 4.6: base fields applied, times absolute, in order of time. Units come out as primary
units. Choices where the text leaves one: a record with base fields only yields no record (section 5.1.7 has one); a
missing value counts as zero when a base value is in force (section 4.5.4); versions up to 10 and 26 (10 and the
secondary units) are understood.
"""

from __future__ import annotations

import base64
import re
from functools import lru_cache
from operator import itemgetter
from typing import Any

from holdwater_sensors import cbor, jsontext
from holdwater_sensors.errors import PayloadError, Why
from holdwater_sensors.record import Pack, Record
from holdwater_sensors.senml_units import PLAIN, SAME, SECONDARY

ABSOLUTE_FROM_S = 2**28  # RFC 8428 section 4.5.3: the sum of base time and time, from here up, is seconds since 1970
LATEST_S = 253_402_300_800.0  # start of the year 10000
LARGEST = 2.0**63  # no measurement in SI units is larger; the store's whole numbers end here
MAX_NAME = 255
SECONDARY_VERSION = 26

_BASE = frozenset(("bn", "bt", "bu", "bv", "bs", "bver"))
_OWN = frozenset(("n", "u", "t", "ut", "v", "vs", "vb", "vd", "s"))
_KNOWN = _BASE | _OWN
_TYPED = frozenset(("vs", "vb", "vd", "s", "ut"))
_HAS_BASE, _HAS_OWN, _HAS_TYPED = 1, 2, 4
_BASE64URL = re.compile(r"[A-Za-z0-9_-]*")
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*")
_CBOR_LABELS = {
    -1: "bver", -2: "bn", -3: "bt", -4: "bu", -5: "bv", -6: "bs", 0: "n", 1: "u", 2: "v", 3: "vs", 4: "vb", 5: "s", 6:
    "t", 7: "ut", 8: "vd",
}  # fmt: skip
_T = itemgetter(2)
_NOTHING = (None, None, None, None)  # neither sum, text, truth nor data


def decode_json(payload: bytes, now_s: float) -> Pack:
    """The records of a SenML JSON payload.

    Args:
        payload: as received.
        now_s: time of reception, seconds since 1970 UTC; relative times count from it.

    Raises:
        PayloadError: with one of the reasons in `errors.Why`; nothing else escapes.
    """
    return resolve(jsontext.parse(payload), now_s)


def decode_cbor(payload: bytes, now_s: float) -> Pack:
    """The records of a SenML CBOR payload (RFC 8428 section 6); arguments and errors as `decode_json`."""
    found = cbor.parse(payload)
    if type(found) is not list:
        raise PayloadError(Why.SHAPE, "the root must be an array of records")
    return resolve([_labelled(item) for item in found], now_s)


def _labelled(item: Any) -> dict[str, Any]:
    if type(item) is not dict:
        raise PayloadError(Why.SHAPE, "a record must be a map")
    made: dict[str, Any] = {}
    for label, value in item.items():
        word = label if type(label) is str else _CBOR_LABELS.get(label, "") if type(label) is int else ""
        if word in made:
            raise PayloadError(Why.DUPLICATE, f"label {word!r} stands twice in one record")
        if word:  # an unknown whole-number label is one to ignore (RFC 8428 section 6)
            made[word] = value
    return made


class _Base:
    """Base fields in force while a pack is resolved."""

    __slots__ = ("name", "sum", "time_s", "unit", "value", "version")

    def __init__(self) -> None:
        self.name = ""
        self.time_s = 0.0
        self.unit = ""
        self.value: float | None = None
        self.sum: float | None = None
        self.version = 10


def number(value: Any, label: str) -> float:
    """A finite number of ordinary size; a truth value is none.

    Raises:
        PayloadError: `value` when it is no number, `number` when it is not finite or too large.
    """
    kind = type(value)
    if kind is not float and kind is not int:
        raise PayloadError(Why.VALUE, f"'{label}' must be a number, found {type(value).__name__}")
    if not -LARGEST <= value <= LARGEST:  # false for NaN too
        raise PayloadError(Why.NUMBER, f"'{label}' is not a finite number of ordinary size")
    return float(value)


def _text(value: Any, label: str) -> str:
    if type(value) is not str:
        raise PayloadError(Why.VALUE, f"'{label}' must be a text, found {type(value).__name__}")
    return value


def _version(value: Any) -> int:
    if type(value) is not int or value < 1:
        raise PayloadError(Why.VERSION, "'bver' must be a positive whole number")
    if value > 10 and value != SECONDARY_VERSION:
        raise PayloadError(Why.VERSION, f"version {value} has features that are not known here; 10 and 26 are read")
    return value


def _set_base(base: _Base, item: dict[str, Any], first: bool) -> None:
    if "bver" in item:
        version = _version(item["bver"])
        if not first and version != base.version:
            raise PayloadError(Why.VERSION, f"versions {base.version} and {version} in one pack")
        base.version = version
    if "bn" in item:
        base.name = _text(item["bn"], "bn")
    if "bt" in item:
        base.time_s = number(item["bt"], "bt")
    if "bu" in item:
        base.unit = _text(item["bu"], "bu")
    if "bv" in item:
        base.value = number(item["bv"], "bv")
    if "bs" in item:
        base.sum = number(item["bs"], "bs")


@lru_cache(maxsize=1024)
def _joined(base: str, name: str) -> str:
    joined = base + name
    if not joined:
        raise PayloadError(Why.NAME, "a record without a name")
    if len(joined) > MAX_NAME:
        raise PayloadError(Why.NAME, f"a name of {len(joined)} characters; at most {MAX_NAME} are taken")
    if _NAME.fullmatch(joined) is None:
        raise PayloadError(Why.NAME, f"{joined!r}: letters, digits and - : . / _ only, the first a letter or digit")
    return joined


def _converted(unit: str, version: int) -> tuple[str, float, float]:
    if unit in SAME:
        return SAME[unit]
    if unit in SECONDARY:
        if version == SECONDARY_VERSION:
            return SECONDARY[unit]
        raise PayloadError(Why.UNIT, f"{unit!r} needs version {SECONDARY_VERSION}; send {SECONDARY[unit][0]!r}")
    raise PayloadError(Why.UNIT, f"{unit!r} is no SenML unit; send SI: m, Pa, Cel, V, A, m3, %RH")


def _data(value: Any) -> bytes:
    if type(value) is bytes:
        return value
    text = _text(value, "vd")
    # b64decode would take the letters of plain base64 too, and skip what it does not know
    if _BASE64URL.fullmatch(text) is None or len(text) % 4 == 1:
        raise PayloadError(Why.VALUE, "'vd' is not base64url")
    return base64.urlsafe_b64decode(text + "=" * (-len(text) % 4))


def _typed(record: Record, item: dict[str, Any], base: _Base) -> Record:
    # the seldom fields: another type of value, a sum, an update time
    if len(item.keys() & {"v", "vs", "vb", "vd"}) > 1:
        raise PayloadError(
            Why.VALUE, "a record holds one value; found " + ", ".join(sorted(item.keys() & {"v", "vs", "vb", "vd"}))
        )
    text = truth = data = None
    if "vs" in item:
        text = _text(item["vs"], "vs")
        jsontext.check_text(text)
    if "vb" in item:
        truth = item["vb"]
        if type(truth) is not bool:
            raise PayloadError(Why.VALUE, f"'vb' must be true or false, found {type(truth).__name__}")
    if "vd" in item:
        data = _data(item["vd"])
    total = None
    if "s" in item or base.sum is not None:
        total = _bounded((base.sum or 0.0) + (number(item["s"], "s") if "s" in item else 0.0), "s")
    update = number(item["ut"], "ut") if "ut" in item else None
    plain = text is None and truth is None and data is None
    return record._replace(
        value=record.value if plain else None, total=total, text=text, truth=truth, data=data, update_s=update
    )


def _bounded(value: float, label: str) -> float:
    if -LARGEST <= value <= LARGEST:
        return value
    raise PayloadError(Why.NUMBER, f"'{label}' with its base is too large")


def _record(item: dict[str, Any], labels: int, base: _Base, now_s: float) -> Record:
    # Runs for every reading: the checks of ordinary fields stand inline, everything seldom is a call away.
    name = item.get("n", "")
    joined = _joined(base.name, name if type(name) is str else _text(name, "n"))
    value = item.get("v")
    if type(value) is not float or not -LARGEST <= value <= LARGEST:
        value = number(value, "v") if "v" in item else None
    if base.value is not None:
        value = base.value if value is None else _bounded(value + base.value, "v")
    t_s = base.time_s
    if "t" in item:
        t_s += number(item["t"], "t")
    unit = item.get("u", base.unit)
    relative = t_s < ABSOLUTE_FROM_S
    at_s = now_s + t_s if relative else t_s
    if not 0.0 <= at_s < LATEST_S:
        raise PayloadError(Why.TIME, f"time {t_s!r} is outside 1970 to 9999")
    record = Record(joined, unit, at_s, value, relative, None, None, None, None, None, base.version)
    if base.sum is not None or labels & _HAS_TYPED:
        record = _typed(record, item, base)
    if value is None and record[5:9] == _NOTHING:
        raise PayloadError(Why.VALUE, f"{joined}: neither a value nor a sum")
    if type(unit) is not str or unit not in PLAIN:
        record = _in_primary_unit(record, _text(unit, "u"))
    return record


def _in_primary_unit(record: Record, unit: str) -> Record:
    primary, scale, offset = _converted(unit, record.version)
    value = None if record.value is None else record.value * scale + offset
    # an offset has no meaning for an integral over time, a scale has
    total = None if record.total is None else record.total * scale
    return record._replace(unit=primary, value=value, total=total)


@lru_cache(maxsize=64)
def _sorted_out(labels: tuple[str, ...]) -> int:
    # what kinds of labels a record has, as bits; a node sends the same few sets of labels for years
    for label in set(labels) - _KNOWN:
        if label.endswith("_"):
            raise PayloadError(Why.LABEL, f"label {label!r} must be understood and is not")
    base = 0 if _BASE.isdisjoint(labels) else _HAS_BASE
    return base | (0 if _OWN.isdisjoint(labels) else _HAS_OWN) | (0 if _TYPED.isdisjoint(labels) else _HAS_TYPED)


def _count(item: dict[str, Any], label: str) -> int | None:
    value = item.get(label)
    if value is None:
        return None
    if type(value) is not int or not 0 <= value < 2**63:
        raise PayloadError(Why.NUMBER, f"'{label}' must be a whole number from 0 to 2**63 - 1")
    return value


def resolve(items: Any, now_s: float) -> Pack:
    """Records of a pack with base fields applied, times absolute, units primary, in order of time.

    Args:
        items: the parsed array, with the JSON labels.
        now_s: time of reception, seconds since 1970 UTC.

    Raises:
        PayloadError: the pack is not SenML that can be used; the whole pack is refused.
    """
    if type(items) is not list or not items:
        raise PayloadError(Why.SHAPE, "the root must be an array of records")
    base = _Base()
    records: list[Record] = []
    sorted_so_far, latest, first = True, 0.0, True
    for item in items:
        if type(item) is not dict:
            raise PayloadError(Why.SHAPE, "a record must be an object")
        labels = _sorted_out(tuple(item))
        if labels & _HAS_BASE:
            _set_base(base, item, first)
            if not labels & _HAS_OWN:
                first = False
                continue
        record = _record(item, labels, base, now_s)
        if record.t_s < latest:
            sorted_so_far = False
        latest, first = record.t_s, False
        records.append(record)
    if not sorted_so_far:
        records.sort(key=_T)
    head = items[0]
    return Pack(tuple(records), _count(head, "run"), _count(head, "seq"), _count(head, "keep"))
