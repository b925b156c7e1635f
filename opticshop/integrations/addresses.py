"""Where a webhook may go: the guard against addresses that lead back into our own network.

The name is resolved here, every address it has is judged, and the caller connects to an address that was judged, never
to the name again. It is asked when an address is entered and at each sending, for a name may change its mind.
"""

from __future__ import annotations

import ipaddress
import socket
from dataclasses import dataclass
from urllib.parse import urlsplit

from django.conf import settings

from opticshop.core.errors import Invalid

Address = ipaddress.IPv4Address | ipaddress.IPv6Address
PORTS = (443, 8443)

#: Refused besides what ``ipaddress`` calls not global (the IANA special-purpose registries, RFC 6890). Python 3.11.7
#: calls these global: addresses that wrap an IPv4 address or lead to a relay, and a metadata service that answers at
#: a public address. From memory.
_REFUSED = tuple(
    ipaddress.ip_network(text)
    for text in (
        "168.63.129.16/32",  # the host of a virtual machine at one large provider
        "192.0.0.0/24",  # IETF protocol assignments; a metadata service answers at 192.0.0.192
        "192.88.99.0/24",  # 6to4 relays, deprecated (RFC 7526)
        "::/96",  # IPv4-compatible, deprecated (RFC 4291)
        "64:ff9b::/96",  # NAT64 (RFC 6052)
        "64:ff9b:1::/48",  # NAT64, local use (RFC 8215)
        "2001::/23",  # IETF protocol assignments, Teredo among them
        "2002::/16",  # 6to4 (RFC 3056)
        "5f00::/16",  # segment routing (RFC 9602)
        "fec0::/10",  # site-local, deprecated (RFC 3879)
    )
)


class AddressRefused(Invalid):
    """A webhook goes by https to a public address at port 443 or 8443, without a user name in it.

    An installation whose receivers stand in its own network sets OPTICSHOP_WEBHOOKS_ALLOW_PRIVATE=1.
    """

    code = "integrations.address_refused"
    title = "Webhooks are not sent to this address"


@dataclass(frozen=True, slots=True)
class Destination:
    """A URL taken apart, with the addresses that may be connected to."""

    is_secure: bool
    host: str
    port: int
    target: str
    addresses: tuple[str, ...]


def destination(url: str) -> Destination:
    """The way to a URL. Raises AddressRefused for one that may not be gone, or whose name is not known."""
    if not (url.isascii() and url.isprintable()) or " " in url or "\\" in url:
        raise _refused("Write the address in ASCII, without spaces.")
    try:
        parts = urlsplit(url)
        host, given_port = parts.hostname or "", parts.port
    except ValueError as error:
        raise _refused(f"This is no address: {error}.") from error
    is_secure = parts.scheme == "https"
    if not host or not (is_secure or (parts.scheme == "http" and _private_is_allowed())):
        raise _refused("The address does not begin with https:// and a host name.")
    if "@" in parts.netloc or parts.fragment or "%" in host:
        raise _refused("The address holds a user name, a fragment or a zone.")
    port = given_port if given_port is not None else 443 if is_secure else 80
    if port not in PORTS and not (port and _private_is_allowed()):
        raise _refused(f"Port {port} is not one of {' and '.join(map(str, PORTS))}.")
    target = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
    return Destination(is_secure, host, port, target, _judged(host, port))


def resolved(host: str, port: int) -> list[str]:
    """Every address the name has, in the order of the system."""
    found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
    return list(dict.fromkeys(str(entry[4][0]) for entry in found))


def _judged(host: str, port: int) -> tuple[str, ...]:
    try:
        addresses = resolved(host, port)
    except (OSError, UnicodeError) as error:
        raise _refused(f"The name {host} is not known: {error}.") from error
    if not addresses or not all(may_be_reached(ipaddress.ip_address(each)) for each in addresses):
        raise _refused(f"The name {host} leads to an address that is not public.")
    return tuple(addresses)


def may_be_reached(address: Address) -> bool:
    """Whether a request may go there: to public addresses, and into the own network where that is allowed."""
    if isinstance(address, ipaddress.IPv6Address) and address.ipv4_mapped:
        return may_be_reached(address.ipv4_mapped)
    if _private_is_allowed() and _is_of_own_network(address):
        return True
    if address.is_multicast or address.is_reserved or address.is_link_local or address.is_unspecified:
        return False
    return address.is_global and not any(address in network for network in _REFUSED)


def _is_of_own_network(address: Address) -> bool:
    return address.is_loopback or (address.is_private and not (address.is_link_local or address.is_unspecified))


def _private_is_allowed() -> bool:
    return bool(settings.OPTICSHOP_WEBHOOKS_ALLOW_PRIVATE)


def _refused(why: str) -> AddressRefused:
    return AddressRefused(why, field="url", allowed="https://books.example.org/hooks")
