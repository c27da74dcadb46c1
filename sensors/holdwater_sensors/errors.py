"""Why a payload was not taken: one error with a reason out of a closed list."""

from __future__ import annotations

from enum import StrEnum


class Why(StrEnum):
    """Reasons for refusing a payload; stored with it in quarantine, so they never change their meaning."""

    SIZE = "size"  # empty, or larger than a payload may be
    TEXT = "text"  # not UTF-8, a lone surrogate, or a NUL
    SYNTAX = "syntax"  # not JSON, not CBOR, not the text form of the route
    NESTING = "nesting"  # nested deeper than any reading needs
    DUPLICATE = "duplicate"  # a key twice in one object: which one counts is anybody's guess
    SHAPE = "shape"  # the root or a record is not what the form asks for
    LABEL = "label"  # an unknown label that must be understood (RFC 8428 section 4.4)
    VERSION = "version"  # a version with features that are not known here, or mixed versions
    NAME = "name"  # empty, too long, or with a character outside the set of RFC 8428 section 4.5.1
    UNIT = "unit"  # not a unit of the SenML registry, or not allowed under this version
    VALUE = "value"  # no value, two values, or a value of the wrong type
    NUMBER = "number"  # not a finite number, or too large to be a measurement
    TIME = "time"  # a time outside what a calendar holds
    MISSING = "missing"  # the place that the route points at is not there


class PayloadError(ValueError):
    """A payload that goes to quarantine.

    Attributes:
        reason: a word of `Why`.
        detail: what was found, in words, short and printable.
    """

    def __init__(self, reason: Why, detail: str) -> None:
        self.reason = reason
        self.detail = detail[:200].encode("ascii", "backslashreplace").decode("ascii")
        super().__init__(f"{reason}: {self.detail}")
