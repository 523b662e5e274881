"""Which addresses we call when somebody else than the operator named them: never our own network.

Promises https on a named host at port 443, and that every address which the name stands for is a public one. Inside
are only hosts that the operator names; on this machine these may go without TLS.
"""

from __future__ import annotations

import ipaddress
import socket
import urllib.parse
from collections.abc import Collection

from service.domain.validation import LOOPBACK


def may_call(address: str, inside: Collection[str] = ()) -> bool:
    """Whether we call this: a public address, or one on a host among `inside`, with its port where it has one."""
    try:
        parts = urllib.parse.urlsplit(address)
    except ValueError:
        return False
    if parts.netloc.lower() in inside and is_plain(address):
        return parts.scheme == "https" or (parts.scheme == "http" and parts.hostname in LOOPBACK)
    return leads_outside(address)


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


def leads_outside(endpoint: str) -> bool:
    """Whether an endpoint is public in form, and every address its name stands for is too."""
    if not is_public(endpoint):
        return False
    try:
        found = socket.getaddrinfo(urllib.parse.urlsplit(endpoint).hostname, 443, type=socket.SOCK_STREAM)
    except OSError:
        return True  # a name that cannot be looked up cannot be called either: that is a time-out, not a refusal
    return all(ipaddress.ip_address(str(address[4][0])).is_global for address in found)


def is_plain(endpoint: str) -> bool:
    """Printable ASCII without spaces: nothing that one reader of addresses strips and another sends."""
    return endpoint.isascii() and endpoint.isprintable() and " " not in endpoint


def _is_ip(host: str) -> bool:
    try:
        ipaddress.ip_address(host)
    except ValueError:
        return False
    return True
