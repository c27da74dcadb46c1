"""The mirror as the running service sees it: plain values, made by the model of `config.mirror`."""

from __future__ import annotations

from dataclasses import dataclass
from urllib.parse import urlsplit

from holdwater.config.secrets import Secret


@dataclass(frozen=True, slots=True)
class MirrorSettings:
    """A time-series server that gets a copy of readings and levels.

    Attributes:
        url: its address, http or https, without a slash at its end.
        bucket: where they go there.
        site: value of the tag `site`: this household among all others on that server.
        org: organisation there; servers that know none take any.
        token: what lets us write, or None; `.reveal()` when connecting.
        ca_file: certificate of the authority that signed the server's; None takes the system's.
        every_s: seconds between two looks for what is new.
        batch: most readings in one request.
        rate: most readings a second while catching up.
    """

    url: str
    bucket: str
    site: str
    org: str = "-"
    token: Secret | None = None
    ca_file: str | None = None
    every_s: float = 60.0
    batch: int = 5000
    rate: int = 1000

    @property
    def host(self) -> str:
        """Name or address of the server."""
        return urlsplit(self.url).hostname or ""
