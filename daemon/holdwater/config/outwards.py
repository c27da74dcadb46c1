"""What the service says unasked, as the running service sees it: states on the broker, heartbeat, weekly sheet. Plain values."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class StateSettings:
    """States on the broker.

    Attributes:
        on: whether they are published.
        every_s: longest time between two messages of one tank, s.
    """

    on: bool = True
    every_s: float = 600.0


@dataclass(frozen=True, slots=True)
class HeartbeatSettings:
    """A sign of life to an address outside, which calls somebody when it stays away.

    Attributes:
        url: address, http or https; does not show in the repr.
        url_file: file that holds it.
        every_s: time between two signs, s.
        method: GET or POST.
        allow: loopback or private addresses it may connect to.
        ca_file: certificate authority of the other side; None for the system's.
    """

    url: str | None = field(default=None, repr=False)
    url_file: str | None = None
    every_s: float = 3600.0
    method: str = "GET"
    allow: tuple[str, ...] = ()
    ca_file: str | None = None


@dataclass(frozen=True, slots=True)
class SheetSettings:
    """When the weekly sheet goes to the channels that ask for it.

    Attributes:
        weekday: 0 for Monday to 6 for Sunday.
        minute: minute of the local day.
    """

    weekday: int = 6
    minute: int = 480
