"""To which addresses a web hook may go.

Over TLS anywhere, a private address too: receivers of a plant stand in its own network. In plain HTTP to this machine
alone. Never to link-local addresses (where clouds keep keys), multicast, or addresses that are none. A name is looked
up once, every address it has must be allowed, and the connection goes to the address that was looked at.
"""

from __future__ import annotations

import ipaddress
import socket
from urllib.parse import SplitResult, urlsplit

_LONGEST = 2000


class Refused(OSError):  # noqa: N818 - reads as what it says
    """A web hook may not go there."""


def fault_of(url: str) -> str:
    """What is wrong with an address, following "the address in it"; empty if nothing is. Asks no name server."""
    try:
        parts, port = urlsplit(url), urlsplit(url).port
    except ValueError:
        return "cannot be read as one"
    if len(url) > _LONGEST or not url.isascii() or not url.isprintable() or " " in url:
        return f"must be of printable ASCII, at most {_LONGEST} characters"
    if parts.scheme not in ("https", "http") or not parts.hostname or port == 0:
        return "must begin with https:// and name a host"
    if parts.username is not None or parts.password is not None or parts.fragment:
        return "must have no name, password or # in it"
    if parts.scheme == "http" and not _is_this_machine(parts.hostname):
        return "must begin with https://; http:// goes to 127.0.0.1, ::1 and localhost alone"
    return ""


def resolved(parts: SplitResult) -> str:
    """The IP address to connect to. Raises `Refused`; `OSError` where the name is not known."""
    host = parts.hostname or ""
    port = parts.port or (443 if parts.scheme == "https" else 80)
    found = [str(one[4][0]) for one in socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)]
    for address in found:
        if not allowed(address, plain=parts.scheme == "http"):
            raise Refused("the name leads to an address that no web hook may go to")
    return found[0]


def allowed(address: str, *, plain: bool) -> bool:
    """Whether a web hook may go to an IP address; `plain`: without TLS."""
    ip = ipaddress.ip_address(address.partition("%")[0])
    if isinstance(ip, ipaddress.IPv6Address) and ip.ipv4_mapped is not None:
        ip = ip.ipv4_mapped
    if ip.is_loopback:
        return True
    return not (plain or ip.is_link_local or ip.is_multicast or ip.is_unspecified or ip.is_reserved)


def _is_this_machine(host: str) -> bool:
    try:
        return host == "localhost" or ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False
