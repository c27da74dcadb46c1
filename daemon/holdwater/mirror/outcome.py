"""What became of one request to the server: four plain values."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Accepted:
    """The server says that it took everything."""


@dataclass(frozen=True, slots=True)
class Rejected:
    """It does not take some of these lines; the others may have been stored.

    Attributes:
        words: what it said.
        dropped: how many it says it dropped, if it says so.
    """

    words: str
    dropped: int | None = None


@dataclass(frozen=True, slots=True)
class TooLarge:
    """Fewer lines in one request, please."""

    words: str


@dataclass(frozen=True, slots=True)
class Later:
    """Nothing can be said of the lines: the server is away, busy, or not as the config says.

    Attributes:
        words: what is wrong, for a person.
        wait_s: how long it asked us to wait, if it did.
        mend: True when somebody has to mend the config or the server first.
    """

    words: str
    wait_s: float | None = None
    mend: bool = False


Outcome = Accepted | Rejected | TooLarge | Later
