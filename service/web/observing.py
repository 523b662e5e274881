"""Every request, counted and timed by the pattern of its route; and told in the log, where that is asked for.

Promises that a path, a query, an address or what was sent is neither a label nor in a line: a person's link stands in
the path of their page, and the pattern is `/c/<token>`. What no route has is `none`, and a method that nobody knows is
`other`, so that whoever tries thousands of addresses makes no thousand labels. The time goes from the request's first
byte to the answer's last. Each answer bears the id (`X-Request-Id`) that its line has, and each line of the log besides
that was written meanwhile.

The counters are of a process. Where `neaptide serve` runs several, each keeps them in a file of one folder, made anew
at the start, and whichever is asked adds them up (prometheus_client, "Multiprocess Mode"): in the database they would
be a write for each page that only reads.
"""

from __future__ import annotations

import secrets
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

import structlog
from flask import Flask, Response, request
from prometheus_client import CollectorRegistry, Counter, Histogram
from prometheus_client.core import Metric
from prometheus_client.multiprocess import MultiProcessCollector

from service import logs
from service.domain.vocabulary import ActorKind
from service.store import counting
from service.web.trail import who

if TYPE_CHECKING:
    from _typeshed.wsgi import StartResponse, WSGIApplication, WSGIEnvironment

SEEN = "neaptide.seen"  # in a request's environment: what is known of it once it was answered
NO_ROUTE, OTHER = "none", "other"
METHODS = frozenset({"GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS"})
# Seconds: a check-in takes hundredths, a review of 300 tenths, a year's record in PDF seconds.
BUCKETS = (0.01, 0.03, 0.1, 0.3, 1.0, 3.0, 10.0)

_REQUESTS = Counter(
    "neaptide_http_requests", "Requests answered, by route and class of status", ["route", "status"], registry=None
)
_SECONDS = Histogram(
    "neaptide_http_request_seconds",
    "From a request's first byte to the answer's last, by route",
    ["route"],
    buckets=BUCKETS,
    registry=None,
)


def collected(folder: Path | None) -> list[Metric]:
    """What was counted: by every process that shares `folder`, or by this one."""
    if folder is None:
        return [*_REQUESTS.collect(), *_SECONDS.collect(), *counting.written().collect()]
    shared = MultiProcessCollector(CollectorRegistry(), path=str(folder))  # type: ignore[no-untyped-call]
    return list(shared.collect())  # type: ignore[no-untyped-call]


def install(app: Flask, *, is_told: bool) -> None:
    """Observe every request from the outside; `is_told` writes a line of each."""

    @app.after_request
    def note(response: Response) -> Response:
        clinic_id, actor, _session = who()
        is_staff = actor is not None and actor.kind is ActorKind.STAFF
        seen = request.environ.get(SEEN, {})
        seen["route"] = request.url_rule.rule if request.url_rule is not None else NO_ROUTE
        seen["clinic"] = str(clinic_id) if clinic_id else None
        seen["staff"] = str(actor.id) if is_staff and actor is not None else None
        return response

    app.wsgi_app = _Observed(app.wsgi_app, is_told)  # type: ignore[method-assign]


class _Observed:
    def __init__(self, answer: WSGIApplication, is_told: bool) -> None:
        self._answer = answer
        self._is_told = is_told

    def __call__(self, environ: WSGIEnvironment, start_response: StartResponse) -> Iterable[bytes]:
        begun = time.perf_counter()
        seen: dict[str, Any] = {"route": NO_ROUTE, "status": 500}
        environ[SEEN] = seen
        request_id = secrets.token_hex(8)
        structlog.contextvars.bind_contextvars(request=request_id)

        def start(status: str, headers: list[tuple[str, str]], *error: Any) -> Callable[[bytes], object]:
            seen["status"] = int(status[:3])
            return start_response(status, [*headers, ("X-Request-Id", request_id)], *error)

        def ended(size: int) -> None:
            took = time.perf_counter() - begun
            _REQUESTS.labels(seen["route"], f"{seen['status'] // 100}xx").inc()
            _SECONDS.labels(seen["route"]).observe(took)
            if self._is_told:
                method = environ.get("REQUEST_METHOD", "")
                told = {name: seen[name] for name in ("route", "status", "clinic", "staff") if seen.get(name)}
                method = method if method in METHODS else OTHER
                logs.tell_request(request_id, method=method, **told, milliseconds=round(took * 1000, 1), bytes=size)
            structlog.contextvars.unbind_contextvars("request")

        try:
            return _Body(self._answer(environ, start), ended)
        except BaseException:
            ended(0)
            raise


class _Body:
    """An answer's body, which says how long it was at its end, or when whoever reads it has had enough."""

    def __init__(self, parts: Iterable[bytes], ended: Callable[[int], None]) -> None:
        self._parts = parts
        self._ended: Callable[[int], None] | None = ended
        self._size = 0

    def __iter__(self) -> Iterator[bytes]:
        for part in self._parts:
            self._size += len(part)
            yield part
        self._end()

    def close(self) -> None:
        with suppress(AttributeError):
            self._parts.close()  # type: ignore[attr-defined]
        self._end()

    def _end(self) -> None:
        ended, self._ended = self._ended, None
        if ended is not None:
            ended(self._size)
