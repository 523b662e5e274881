"""One HTTP request, on connections that stay open between requests.

Promises to come back in time, to follow no redirect, and to read no more of an answer
than is of use. HTTPS is checked against the machine's own certificates; plain HTTP is
for a gateway on the same machine. Where the operator names a proxy, every request but
those to this machine goes through it; proxies named elsewhere in the environment are
not looked at. With a `Guard` it connects to none but an address that the guard looked at.
"""

from __future__ import annotations

import http.client
import socket
import ssl
import time
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import timedelta
from functools import cache
from urllib.parse import unquote, urlsplit, urlunsplit

import urllib3

from service.domain.validation import LOOPBACK
from service.transports.outside import Guard, NotOutside

LONGEST_WAIT_SECONDS = 3600
MOST_READ = 64 * 1024  # bytes of an answer
IDLE_CONNECTIONS = 64  # kept open to one host: as many as calls may be in flight
HOSTS = 32  # kept open at all: browsers' push services are several
CLOSED_WHILE_IDLE = (http.client.RemoteDisconnected, ConnectionResetError, BrokenPipeError)
HEADERS = {"User-Agent": "neaptide"}


class NotConnected(urllib3.exceptions.HTTPError):
    """No secured connection came about. TLS may fail later too, when the other side has read the request."""


# So far nothing of a request has been sent.
NOT_SENT = (
    NotConnected,
    urllib3.exceptions.NewConnectionError,
    urllib3.exceptions.ConnectTimeoutError,
    urllib3.exceptions.ProxyError,
)


class _Secured(urllib3.connection.HTTPSConnection):
    """One that tells a failure to connect from all later ones."""

    def connect(self) -> None:
        try:
            super().connect()
        except OSError as error:  # ssl.SSLError is one
            if self.proxy is not None and not self.has_connected_to_proxy:
                raise  # told as the proxy's
            raise NotConnected(type(error).__name__) from error


class _SecuredPool(urllib3.HTTPSConnectionPool):
    ConnectionCls = _Secured


def _guarded(guard: Guard) -> dict[str, type[urllib3.HTTPConnectionPool]]:
    """Pools whose connections look a name up once and go to what was looked at; TLS still asks for the name."""

    class Guarded(urllib3.connection.HTTPConnection):
        def _new_conn(self) -> socket.socket:
            name, failed = self._dns_host, OSError("no address")
            try:
                found = guard.addresses_of(name.strip("[]"), int(self.port or 443))
            except OSError as error:
                raise urllib3.exceptions.NewConnectionError(self, type(error).__name__) from error
            for address in found:
                self._dns_host = address
                try:
                    return super()._new_conn()
                except OSError as error:
                    failed = error
                except urllib3.exceptions.HTTPError as error:
                    failed = OSError(type(error).__name__)
                finally:
                    self._dns_host = name
            raise urllib3.exceptions.NewConnectionError(self, str(failed)) from failed

    class GuardedTls(_Secured, Guarded):
        pass

    class Plain(urllib3.HTTPConnectionPool):
        ConnectionCls = Guarded

    class Tls(urllib3.HTTPSConnectionPool):
        ConnectionCls = GuardedTls

    return {"http": Plain, "https": Tls}


class NoAnswer(Exception):
    """The other side did not answer in time, or not at all.

    What it did with the request is unknown where that `may_have_left`.
    """

    def __init__(self, why: str, *, may_have_left: bool = True) -> None:
        self.may_have_left = may_have_left
        super().__init__(why)


@dataclass(frozen=True)
class Answer:
    status: int
    headers: Mapping[str, str]  # found by names in any case
    body: bytes


class HttpClient:
    """Sends requests, from as many threads as like.

    `proxy` is `http(s)://[user:password@]host:port`, or empty; `context` says which certificates are good; `guard`
    which addresses are: for what strangers ask us to call.
    """

    def __init__(
        self, timeout_seconds: float, proxy: str = "", context: ssl.SSLContext | None = None, guard: Guard | None = None
    ) -> None:
        self._timeout_seconds, self._proxy, self._guard = timeout_seconds, proxy, guard
        self._context = context = context or _of_the_machine()
        self._direct = urllib3.PoolManager(HOSTS, maxsize=IDLE_CONNECTIONS, ssl_context=context)
        self._proxied = _by_proxy(proxy, context) if proxy else self._direct
        for manager in (self._direct, self._proxied):
            manager.pool_classes_by_scheme = {"http": urllib3.HTTPConnectionPool, "https": _SecuredPool}
        if guard is not None:
            self._direct.pool_classes_by_scheme = _guarded(guard)

    def close(self) -> None:
        """Close what is idle."""
        self._direct.clear()
        self._proxied.clear()

    def post(self, url: str, body: bytes, headers: Mapping[str, str]) -> Answer:
        """POST. Raises NoAnswer, and NotOutside where a guard takes the address or what it leads to for none."""
        return self.call("POST", url, body, headers)

    def get(self, url: str) -> Answer:
        """GET. Raises NoAnswer."""
        return self.call("GET", url, None, {})

    def call(
        self, method: str, url: str, body: bytes | None, headers: Mapping[str, str], *, once: bool = False
    ) -> Answer:
        """One request; with `once` on a connection of its own, so that none is made twice. Raises as `post`."""
        if once:
            # Not from the pool: the other side may close a connection, as it was asked to, after it went back there.
            alone = HttpClient(self._timeout_seconds, self._proxy, self._context, self._guard)
            try:
                return alone._call(method, url, body, {**headers, "Connection": "close"}, again=False)
            finally:
                alone.close()
        return self._call(method, url, body, headers, again=True)

    def _call(self, method: str, url: str, body: bytes | None, headers: Mapping[str, str], *, again: bool) -> Answer:
        try:
            try:
                return self._ask(method, url, body, headers)
            except urllib3.exceptions.ProtocolError as error:
                # The other side had closed the idle connection before it read anything: ask on a fresh one.
                if not again or not isinstance(error.args[-1], CLOSED_WHILE_IDLE):
                    raise
                return self._ask(method, url, body, headers)
        except (urllib3.exceptions.HTTPError, OSError) as error:
            why = str(error) if isinstance(error, NotConnected) else type(error).__name__
            raise NoAnswer(why, may_have_left=not isinstance(error, NOT_SENT)) from error

    def _ask(self, method: str, url: str, body: bytes | None, headers: Mapping[str, str]) -> Answer:
        give_up_at = time.monotonic() + self._timeout_seconds
        pool = self._direct if urlsplit(url).hostname in LOOPBACK else self._proxied
        if self._guard is not None and not (self._guard.leads_outside if self._proxy else self._guard.takes)(url):
            raise NotOutside
        response = pool.request(
            method,
            url,
            body=body,
            headers={**HEADERS, **headers},
            timeout=urllib3.Timeout(total=self._timeout_seconds),
            retries=False,
            redirect=False,
            preload_content=False,
            decode_content=False,
        )
        try:
            read, at_end = b"", False
            while not at_end and len(read) < MOST_READ:
                if time.monotonic() > give_up_at:
                    raise TimeoutError("the answer comes too slowly")
                more = response.read1(MOST_READ - len(read))
                read, at_end = read + more, not more
        except BaseException:
            response.close()
            raise
        if at_end:
            response.release_conn()
        else:
            response.close()  # what is not read would be taken for the next answer
        return Answer(response.status, response.headers, read)


def asked_to_wait(answer: Answer) -> timedelta | None:
    """`Retry-After` in seconds, as far as it is a number and not unreasonable."""
    given = answer.headers.get("retry-after", "")
    return timedelta(seconds=min(int(given), LONGEST_WAIT_SECONDS)) if given.isdecimal() else None


@cache
def _of_the_machine() -> ssl.SSLContext:
    """The machine's own certificates, which take a while to read."""
    return ssl.create_default_context()


def _by_proxy(proxy: str, context: ssl.SSLContext) -> urllib3.ProxyManager:
    parts = urlsplit(proxy)
    address = urlunsplit((parts.scheme, parts.netloc.rpartition("@")[2], "", "", ""))
    headers = None
    if parts.username:
        name, password = unquote(parts.username), unquote(parts.password or "")
        headers = urllib3.make_headers(proxy_basic_auth=f"{name}:{password}")
    return urllib3.ProxyManager(
        address, HOSTS, maxsize=IDLE_CONNECTIONS, ssl_context=context, proxy_ssl_context=context, proxy_headers=headers
    )
