"""One HTTP request, with connections kept open between them.

Promises to come back within the time-out, to follow no redirect, and to read no
more of an answer than is of use. HTTPS is checked against the machine's own
certificates; plain HTTP is for a gateway on the same machine.
"""

from __future__ import annotations

import http.client
import ssl
import threading
import urllib.parse
from collections.abc import Mapping
from dataclasses import dataclass

from service.domain.validation import Refused

MOST_READ = 64 * 1024
MOST_IDLE = 64
LOOPBACK = frozenset({"127.0.0.1", "::1", "localhost"})


class NoAnswer(Exception):
    """The other side did not answer in time, or not at all. What it did with the request is unknown."""


@dataclass(frozen=True)
class Answer:
    status: int
    headers: Mapping[str, str]  # names in lower case
    body: bytes


Place = tuple[str, str, int | None]  # scheme, host, port


class Caller:
    """Sends requests; connections that are idle wait here for whichever thread calls next."""

    def __init__(self, timeout_seconds: float, context: ssl.SSLContext | None = None) -> None:
        self._timeout = timeout_seconds
        self._context = context or ssl.create_default_context()
        self._idle: list[tuple[Place, http.client.HTTPConnection]] = []
        self._turn = threading.Lock()

    def close(self) -> None:
        """Close what is idle."""
        with self._turn:
            while self._idle:
                self._idle.pop()[1].close()

    __del__ = close

    def post(self, url: str, body: bytes, headers: Mapping[str, str]) -> Answer:
        """POST. Raises NoAnswer."""
        return self._call("POST", url, body, headers)

    def get(self, url: str) -> Answer:
        """GET. Raises NoAnswer."""
        return self._call("GET", url, b"", {})

    def _call(self, method: str, url: str, body: bytes, headers: Mapping[str, str]) -> Answer:
        parts = urllib.parse.urlsplit(url)
        place = (parts.scheme, parts.hostname or "", parts.port)
        path = urllib.parse.urlunsplit(("", "", parts.path or "/", parts.query, ""))
        kept = self._take_idle(place)
        if kept is not None:
            try:
                return self._ask(kept, place, method, path, body, headers)
            except (http.client.RemoteDisconnected, ConnectionResetError, BrokenPipeError):
                # The other side had closed the idle connection before it read anything: ask on a fresh one.
                kept.close()
            except (OSError, http.client.HTTPException) as error:
                kept.close()
                raise NoAnswer(type(error).__name__) from error
        fresh = self._connect(place)
        try:
            return self._ask(fresh, place, method, path, body, headers)
        except (OSError, http.client.HTTPException) as error:
            fresh.close()
            raise NoAnswer(type(error).__name__) from error

    def _ask(
        self,
        connection: http.client.HTTPConnection,
        place: Place,
        method: str,
        path: str,
        body: bytes,
        headers: Mapping[str, str],
    ) -> Answer:
        connection.request(method, path, body=body or None, headers=dict(headers))
        answered = connection.getresponse()
        read = answered.read(MOST_READ)
        if answered.will_close or not answered.isclosed() or not self._keep_idle(place, connection):
            connection.close()
        return Answer(answered.status, {name.lower(): value for name, value in answered.getheaders()}, read)

    def _connect(self, place: Place) -> http.client.HTTPConnection:
        scheme, host, port = place
        if scheme == "https":
            return http.client.HTTPSConnection(host, port, timeout=self._timeout, context=self._context)
        return http.client.HTTPConnection(host, port, timeout=self._timeout)

    def _take_idle(self, place: Place) -> http.client.HTTPConnection | None:
        with self._turn:
            for index in range(len(self._idle) - 1, -1, -1):  # the one used last is the likeliest to stand still
                if self._idle[index][0] == place:
                    return self._idle.pop(index)[1]
        return None

    def _keep_idle(self, place: Place, connection: http.client.HTTPConnection) -> bool:
        with self._turn:
            if len(self._idle) >= MOST_IDLE:
                return False
            self._idle.append((place, connection))
        return True


def checked_url(field: str, url: str) -> str:
    """`url` itself. Raises Refused unless it is https, or http on this machine."""
    accepted = "an https:// address, or http:// on this machine"
    try:
        parts = urllib.parse.urlsplit(url)
        port_is_read = parts.port  # raises ValueError where it is no number
    except ValueError:
        raise Refused(field, url, accepted) from None
    plain_is_fine = parts.scheme == "http" and parts.hostname in LOOPBACK
    if not parts.hostname or parts.username or not (parts.scheme == "https" or plain_is_fine) or port_is_read == 0:
        raise Refused(field, url, accepted)
    return url
