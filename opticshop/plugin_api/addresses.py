"""Where a request of ours may go: the judgement of addresses that webhooks and plugins share.

A name is resolved once, every address it has is judged, and the connection goes to an address that was judged, never to
the name again, for a name may change its mind in between.
"""

from __future__ import annotations

import ipaddress
import socket

Address = ipaddress.IPv4Address | ipaddress.IPv6Address
#: Of the addresses of a name, so many are tried.
MOST_TRIED = 3

#: Refused besides what `ipaddress` calls not global (the IANA special-purpose registries, RFC 6890). Python 3.11.7
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
#: Private by the registries, and yet where metadata services of machines at a provider answer. From memory.
_METADATA = tuple(ipaddress.ip_network(text) for text in ("192.0.0.0/24", "fd00:ec2::/32"))


class AddressNotAllowed(Exception):
    """The host leads to an address that a request of ours does not go to: link-local, multicast, reserved, a relay."""


def may_be_reached(address: Address, *, own_network: bool) -> bool:
    """Whether a request may go there: to public addresses, and into the own network where that is wanted."""
    if isinstance(address, ipaddress.IPv6Address) and address.ipv4_mapped:
        return may_be_reached(address.ipv4_mapped, own_network=own_network)
    if own_network and _is_of_own_network(address):
        return True
    if address.is_multicast or address.is_reserved or address.is_link_local or address.is_unspecified:
        return False
    return address.is_global and not any(address in network for network in _REFUSED)


def _is_of_own_network(address: Address) -> bool:
    if address.is_link_local or address.is_unspecified or any(address in network for network in _METADATA):
        return False
    return address.is_loopback or address.is_private


def resolved(host: str, port: int) -> list[str]:
    """Every address the name has, in the order of the system. Raises OSError or UnicodeError for an unknown one."""
    found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
    return list(dict.fromkeys(str(entry[4][0]) for entry in found))


def connected(host: str, port: int, seconds: float | None) -> socket.socket:
    """A TCP connection to a host that head office wrote into the settings of a plugin.

    It may stand in the own network (mail servers do) but not at an address by which machines are administered. Raises
    `AddressNotAllowed` where any address of the name is such a one, and OSError as `socket.create_connection` does.
    """
    addresses = resolved(host, port)
    if not all(may_be_reached(ipaddress.ip_address(each), own_network=True) for each in addresses):
        raise AddressNotAllowed(f"The name {host} leads to an address that is not reached.")
    failure = OSError(f"The name {host} has no address.")
    for address in addresses[:MOST_TRIED]:
        try:
            return socket.create_connection((address, port), seconds)
        except OSError as error:
            failure = error
    raise failure
