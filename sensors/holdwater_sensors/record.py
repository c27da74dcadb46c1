"""What comes out of a payload: records with resolved names, absolute times and SI values."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple


class Record(NamedTuple):
    """One measurement. A named tuple, not a dataclass: it is made for every reading and costs a third.

    Attributes:
        name: resolved name (RFC 8428: base name and name joined), or the series of a route.
        unit: primary SenML unit of `value`, empty when the sender gave none.
        t_s: seconds since 1970-01-01 UTC.
        value: the number; None when the record carries a text, a truth, data or only a sum.
        relative: the time came as seconds relative to reception (or not at all), so it is as good as the reception
            time.
        total: the sum field of SenML (integral of the value over time, unit times seconds).
        text: string value.
        truth: boolean value.
        data: data value, decoded.
        update_s: longest time to the next record, as promised by the sender.
        version: SenML version of the pack.
    """

    name: str
    unit: str
    t_s: float
    value: float | None
    relative: bool
    total: float | None = None
    text: str | None = None
    truth: bool | None = None
    data: bytes | None = None
    update_s: float | None = None
    version: int = 10

    @property
    def quantity(self) -> str:
        """The part of the name after its last colon, or the whole name."""
        return self.name.rpartition(":")[2]


@dataclass(frozen=True, slots=True)
class Pack:
    """All records of a payload in time order, and the numbers by which our own node counts its packs.

    Attributes:
        records: in order of time; equal times keep the order of the payload.
        run: number of the node's boot.
        seq: number of this pack in the run.
        keep: oldest pack number that the node still holds.
    """

    records: tuple[Record, ...]
    run: int | None = None
    seq: int | None = None
    keep: int | None = None
