"""Where a webhook may go: the guard against addresses that lead back into our own network.

The name is resolved here, every address it has is judged, and the caller connects to an address that was judged, never
to the name again. It is asked when an address is entered and at each sending, for a name may change its mind.
"""

from __future__ import annotations

import ipaddress
from dataclasses import dataclass
from urllib.parse import urlsplit

from django.conf import settings

from opticshop.core.errors import Invalid
from opticshop.plugin_api.addresses import Address, resolved
from opticshop.plugin_api.addresses import may_be_reached as judged_reachable

PORTS = (443, 8443)


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


def _judged(host: str, port: int) -> tuple[str, ...]:
    try:
        addresses = resolved(host, port)
    except (OSError, UnicodeError) as error:
        raise _refused(f"The name {host} is not known: {error}.") from error
    if not addresses or not all(may_be_reached(ipaddress.ip_address(each)) for each in addresses):
        raise _refused(f"The name {host} leads to an address that is not public.")
    return tuple(addresses)


def may_be_reached(address: Address) -> bool:
    """Whether a webhook may go there: to public addresses, and into the own network where that is allowed."""
    return judged_reachable(address, own_network=_private_is_allowed())


def _private_is_allowed() -> bool:
    return bool(settings.OPTICSHOP_WEBHOOKS_ALLOW_PRIVATE)


def _refused(why: str) -> AddressRefused:
    return AddressRefused(why, field="url", allowed="https://books.example.org/hooks")
