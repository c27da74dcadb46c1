"""Which addresses a channel may connect to: resolved once, checked, and then connected to as they are.

Loopback, private, link-local, multicast and reserved addresses are refused unless the config allows them by number, so
that no address in a file can be turned on the house's own devices.
"""

from __future__ import annotations

import ipaddress
import socket
from collections.abc import Callable

Address = ipaddress.IPv4Address | ipaddress.IPv6Address
Resolve = Callable[[str, int], list[str]]


def resolve(host: str, port: int) -> list[str]:
    """The addresses of a host, as numbers.

    Raises:
        OSError: the name is not known.
    """
    found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
    return list(dict.fromkeys(str(entry[4][0]) for entry in found))


def plain_address(text: str) -> Address:
    """The address itself; one that wraps an IPv4 address is taken as that."""
    address = ipaddress.ip_address(text.split("%", maxsplit=1)[0])
    mapped = address.ipv4_mapped if isinstance(address, ipaddress.IPv6Address) else None
    return mapped or address


def is_allowed(text: str, allow: tuple[str, ...]) -> bool:
    """Whether an address may be connected to."""
    address = plain_address(text)
    networks = (ipaddress.ip_network(each, strict=False) for each in allow)
    if any(address in network for network in networks):
        return True
    return address.is_global and not address.is_multicast
