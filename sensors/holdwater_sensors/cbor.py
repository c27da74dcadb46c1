"""The part of CBOR (RFC 8949) that SenML uses (RFC 8428 section 6), read strictly.

Our own small reader, not a general one: a general decoder also builds regular expressions, mail messages, shared and
cyclic references from tags, and grows with its options from version to version. Here the only tag is 4, a decimal
fraction.
"""

from __future__ import annotations

import struct
from typing import Any

from holdwater_sensors.errors import PayloadError, Why
from holdwater_sensors.jsontext import MAX_BYTES, MAX_DEPTH, check_text

_SIMPLE = {20: False, 21: True, 22: None}
_FLOATS = {25: (">e", 2), 26: (">f", 4), 27: (">d", 8)}
_BREAK = object()


def parse(payload: bytes, limit: int = MAX_BYTES) -> Any:
    """The one value of a CBOR payload: int, float, bool, None, bytes, str, list or dict.

    Raises:
        PayloadError: `size`, `syntax`, `text`, `nesting`, `duplicate` or `number`.
    """
    if not 0 < len(payload) <= limit:
        raise PayloadError(Why.SIZE, f"{len(payload)} bytes; 1 to {limit} are taken")
    reader = _Reader(payload)
    found = reader.item(0)
    if found is _BREAK or reader.at != len(payload):
        raise PayloadError(Why.SYNTAX, "bytes left over after the value")
    return found


class _Reader:
    """A place in a payload."""

    __slots__ = ("at", "payload")

    def __init__(self, payload: bytes) -> None:
        self.payload = payload
        self.at = 0

    def take(self, count: int) -> bytes:
        end = self.at + count
        if end > len(self.payload):
            raise PayloadError(Why.SYNTAX, "the payload ends in the middle of a value")
        found = self.payload[self.at : end]
        self.at = end
        return found

    def argument(self, info: int) -> int | None:
        # None stands for "indefinite length"
        if info < 24:
            return info
        if info <= 27:
            return int.from_bytes(self.take(1 << (info - 24)), "big")
        if info == 31:
            return None
        raise PayloadError(Why.SYNTAX, f"additional information {info} is reserved")

    def item(self, depth: int) -> Any:
        if depth > MAX_DEPTH:
            raise PayloadError(Why.NESTING, f"nested deeper than {MAX_DEPTH}")
        major, info = divmod(self.take(1)[0], 32)
        if major == 7:
            return self.simple(info)
        size = self.argument(info)
        if major == 4:
            return self.array(size, depth)
        if major == 5:
            return self.map(size, depth)
        if major in (2, 3):
            return self.string(major, size)
        if size is None:
            raise PayloadError(Why.SYNTAX, "a number without an end")
        if major == 6:
            return self.tagged(size, depth)
        return size if major == 0 else -1 - size

    def simple(self, info: int) -> Any:
        if info in _SIMPLE:
            return _SIMPLE[info]
        if info in _FLOATS:
            code, count = _FLOATS[info]
            return struct.unpack(code, self.take(count))[0]
        if info == 31:
            return _BREAK
        raise PayloadError(Why.SYNTAX, f"simple value {info} has no meaning here")

    def array(self, size: int | None, depth: int) -> list[Any]:
        made: list[Any] = []
        while size is None or len(made) < size:
            found = self.item(depth + 1)
            if found is _BREAK:
                if size is None:
                    return made
                raise PayloadError(Why.SYNTAX, "an array ends early")
            made.append(found)
        return made

    def map(self, size: int | None, depth: int) -> dict[Any, Any]:
        made: dict[Any, Any] = {}
        while size is None or len(made) < size:
            key = self.item(depth + 1)
            if key is _BREAK and size is None:
                return made
            if type(key) is not str and type(key) is not int:
                raise PayloadError(Why.SHAPE, "a label must be a text or a whole number")
            if key in made:
                raise PayloadError(Why.DUPLICATE, f"label {key!r} stands twice in one map")
            value = self.item(depth + 1)
            if value is _BREAK:
                raise PayloadError(Why.SYNTAX, "a label without a value")
            made[key] = value
        return made

    def string(self, major: int, size: int | None) -> bytes | str:
        if size is None:
            raise PayloadError(Why.SYNTAX, "a string in pieces is not taken")
        found = self.take(size)
        if major == 2:
            return found
        try:
            text = found.decode("utf-8")
        except UnicodeDecodeError:
            raise PayloadError(Why.TEXT, "a text that is not UTF-8") from None
        check_text(text)
        return text

    def tagged(self, tag: int, depth: int) -> float:
        if tag != 4:
            raise PayloadError(Why.SYNTAX, f"tag {tag} is not taken; SenML knows tag 4 only")
        parts = self.item(depth + 1)
        if type(parts) is not list or len(parts) != 2 or type(parts[0]) is not int or type(parts[1]) is not int:
            raise PayloadError(Why.SYNTAX, "a decimal fraction is two whole numbers")
        if abs(parts[0]) > 400:
            raise PayloadError(Why.NUMBER, "a decimal fraction out of all range")
        return float(f"{parts[1]}e{parts[0]}")
