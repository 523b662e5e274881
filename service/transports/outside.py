"""Which addresses we call when somebody else than the operator named them: never our own network.

Promises https on a named host at port 443, that every address which the name stands for is a public one, and that the
one which is connected to is one of those that were looked at: `HttpClient` asks `addresses_of` at each connection, so
that a name which stands for something else a moment later leads nowhere. Behind a proxy it is the proxy that connects;
there the name is looked up beforehand, as far as it can be. Inside are only hosts that the operator names; on this
machine these may go without TLS. Where the operator names the only hosts outside, no other is called.
"""

from __future__ import annotations

import ipaddress
import socket
import urllib.parse
from collections.abc import Collection, Sequence
from dataclasses import dataclass

from service.domain.validation import LOOPBACK

UNICAST = ipaddress.ip_network("2000::/3")  # RFC 4291, section 2.4: all that IANA gives out to be routed
# RFC 6052, section 2.1: how a network without IPv4 reaches an IPv4 address, which stands in the last 32 bits.
TRANSLATED = ipaddress.ip_network("64:ff9b::/96")
BY_A_RELAY = ipaddress.ip_network("2002::/16")  # RFC 3056: an IPv4 address inside, by whatever relay


class NotOutside(Exception):
    """A name or an address that we do not call."""


@dataclass(frozen=True)
class Guard:
    """Which hosts an address may lead to: `inside` by the operator's word, and outside `only` these, if there are any.

    `*.push.example` stands for every name below push.example.
    """

    inside: Collection[str] = ()  # with the port, where it is none of https
    only: Collection[str] = ()

    def takes(self, address: str) -> bool:
        """Whether an address is of a form and on a host that we call. Looks nothing up."""
        try:
            parts = urllib.parse.urlsplit(address)
        except ValueError:
            return False
        if parts.netloc.lower() in self.inside and is_plain(address):
            return parts.scheme == "https" or (parts.scheme == "http" and parts.hostname in LOOPBACK)
        return is_public(address) and self._is_listed((parts.hostname or "").rstrip("."))

    def leads_outside(self, address: str) -> bool:
        """Whether we call it, and everything that its name stands for now is public."""
        if not self.takes(address):
            return False
        parts = urllib.parse.urlsplit(address)
        try:
            self.addresses_of(parts.hostname or "", parts.port or 443)
        except NotOutside:
            return False
        except OSError:
            return True  # a name that cannot be looked up cannot be called either: that is a time-out, not a refusal
        return True

    def addresses_of(self, host: str, port: int) -> Sequence[str]:
        """What to connect to for a host that `takes` took. Raises NotOutside, and OSError as the look-up does."""
        found = [str(one[4][0]) for one in socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)]
        is_named = {f"{host}:{port}", f"[{host}]:{port}", host if port == 443 else ""} & {*self.inside}
        if not is_named and not all(map(is_public_address, found)):
            raise NotOutside
        return list(dict.fromkeys(found))

    def _is_listed(self, host: str) -> bool:
        return not self.only or any(host == one or (one[:2] == "*." and host.endswith(one[1:])) for one in self.only)


def is_public(endpoint: str) -> bool:
    """Whether an endpoint is https on a named host. We are asked by strangers to call it, so never our own network."""
    try:
        parts = urllib.parse.urlsplit(endpoint)
        port = parts.port
    except ValueError:
        return False
    if parts.scheme != "https" or parts.username is not None or port not in {None, 443} or not is_plain(endpoint):
        return False
    # A name in a zone. Its last label begins with a letter: `127.1` and `0x7f.1` are addresses to a resolver.
    host = (parts.hostname or "").rstrip(".")
    return "." in host and host.rpartition(".")[2][:1].isalpha() and not _is_ip(host)


def is_public_address(text: str) -> bool:
    """Whether an address is one that anybody reaches, and hides none of another network in it."""
    address = ipaddress.ip_address(text.partition("%")[0])
    if isinstance(address, ipaddress.IPv6Address):
        if address.ipv4_mapped is not None:
            address = address.ipv4_mapped
        elif address in TRANSLATED:
            address = ipaddress.IPv4Address(address.packed[-4:])
        elif address not in UNICAST or address in BY_A_RELAY:
            return False
    return address.is_global and not address.is_multicast and not address.is_reserved


def is_plain(endpoint: str) -> bool:
    """Printable ASCII without spaces: nothing that one reader of addresses strips and another sends."""
    return endpoint.isascii() and endpoint.isprintable() and " " not in endpoint


def _is_ip(host: str) -> bool:
    try:
        ipaddress.ip_address(host)
    except ValueError:
        return False
    return True
