"""JSON from a stranger: strict, bounded, and every fault a `PayloadError`.

`json.loads` alone takes NaN, Infinity, 1e400, doubled keys, UTF-16, lone surrogates and NUL, and answers deep nesting
with a RecursionError; none of that may reach the store.
"""

from __future__ import annotations

import json
from typing import Any

from holdwater_sensors.errors import PayloadError, Why

MAX_BYTES = 16_384  # as large as the broker lets a packet be
MAX_DEPTH = 16  # objects in arrays in objects: no reading needs more


def _no_constant(name: str) -> float:
    raise PayloadError(Why.NUMBER, f"{name} is not JSON")


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    made = dict(pairs)
    if len(made) != len(pairs):
        raise PayloadError(Why.DUPLICATE, f"a key stands twice in one object: {sorted(key for key, _ in pairs)}")
    return made


_QUICK = json.JSONDecoder(parse_constant=_no_constant)
_CAREFUL = json.JSONDecoder(parse_constant=_no_constant, object_pairs_hook=_once)


def text_of(payload: bytes, limit: int = MAX_BYTES) -> str:
    """A payload as text.

    Raises:
        PayloadError: empty, larger than `limit` bytes, or not UTF-8 (`size`, `text`).
    """
    if not 0 < len(payload) <= limit:
        raise PayloadError(Why.SIZE, f"{len(payload)} bytes; 1 to {limit} are taken")
    try:
        return payload.decode("utf-8")
    except UnicodeDecodeError as error:
        raise PayloadError(Why.TEXT, f"not UTF-8 at byte {error.start}") from None


def _decode(decoder: json.JSONDecoder, text: str) -> Any:
    try:
        return decoder.decode(text)
    except RecursionError:
        raise PayloadError(Why.NESTING, f"nested deeper than {MAX_DEPTH}") from None
    except PayloadError:
        raise
    except ValueError as error:  # JSONDecodeError, and the limit on digits of a whole number
        reason = Why.SYNTAX if isinstance(error, json.JSONDecodeError) else Why.NUMBER
        raise PayloadError(reason, str(error)) from None


def _is_flat_pack(found: Any, text: str) -> bool:
    # An array of objects of scalars without any escape holds exactly two quotes for each key and each string. More
    # quotes: a key stood twice (the parser kept the last). Counting costs a tenth of a hook called for each object.
    if type(found) is not list or "\\" in text:
        return False
    strings = 0
    for item in found:
        if type(item) is not dict:
            return False
        strings += len(item)
        for value in item.values():
            kind = type(value)
            if kind is str:
                strings += 1
            elif kind is dict or kind is list:
                return False
    return text.count('"') == 2 * strings


def _check(found: Any) -> None:
    level, depth = [found], 0
    while level:
        if depth > MAX_DEPTH:
            raise PayloadError(Why.NESTING, f"nested deeper than {MAX_DEPTH}")
        below: list[Any] = []
        for item in level:
            if isinstance(item, dict):
                below += item.keys()
                below += item.values()
            elif isinstance(item, list):
                below += item
            elif isinstance(item, str):
                check_text(item)
        level, depth = below, depth + 1


def check_text(text: str) -> None:
    """Refuses a text that a store cannot hold: with a NUL or a lone surrogate.

    Raises:
        PayloadError: with reason `text`.
    """
    if "\x00" in text:
        raise PayloadError(Why.TEXT, "a text with a NUL")
    if not text.isascii() and any("\ud800" <= letter <= "\udfff" for letter in text):
        raise PayloadError(Why.TEXT, "a text with half a surrogate pair")


def parse(payload: bytes, limit: int = MAX_BYTES) -> Any:
    """The value of a JSON payload.

    Args:
        payload: as received.
        limit: largest size taken, bytes.

    Raises:
        PayloadError: `size`, `text`, `syntax`, `number`, `nesting` or `duplicate`.
    """
    text = text_of(payload, limit)
    found = _decode(_QUICK, text)
    if _is_flat_pack(found, text):
        return found
    found = _decode(_CAREFUL, text)
    _check(found)
    return found
