"""A brake on what anybody may open: so many requests of one address in a while, each process for itself.

For where no proxy brakes; with the numbers of `deploy/nginx.conf`, whose count is the whole machine's. Promises that
what a family, a ward or a telephone company's one address asks in earnest passes, that no more than `MOST_PLACES`
addresses are kept in mind, and that nothing but memory is asked. It counts requests, right or wrong: tries at a
password, a code or a date of birth are counted by `accounts.throttle` besides, in the database; and a link is 128
random bits, which nobody tries out. Whoever signed in, or shows a bearer key, is not braked here: they are known.

This machine's own addresses are not counted either. Where a proxy stands before us and its word is not taken
(NEAPTIDE_TRUST_PROXY), everybody would be one of them.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from ipaddress import ip_address

from flask import Flask, make_response, request
from flask.typing import ResponseReturnValue
from werkzeug.exceptions import TooManyRequests

from service.accounts.throttle import network_of
from service.web.trail import needed_right

A_SECOND = 30
AT_ONCE = 300
MOST_PLACES = 10_000
# Public, and not braked here: by endpoint, or by all that begins so.
SPARED = {
    "static": "files that a browser keeps",
    "health.": "a balancer asks as often as it likes, and nothing is read for it",
    "phone.": "whoever is unwell, or looks after them, is not turned away here for what others behind their address do",
    "called_back.": "a provider calls as fast as messages go, and has to prove itself before anything is read",
    "api_callbacks.": "as the line before",
    "demo.": "of this machine alone",
}


class Brake:
    """How much of its allowance each address has used (the generic cell rate algorithm, ITU-T I.371, annex A)."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._free_at: dict[str, float] = {}  # when an address will have its whole allowance again; the oldest first

    def wait_of(self, place: str, now: float) -> float:
        """Seconds until the next request from there is taken; zero takes this one. `now` is in seconds, as it goes."""
        with self._lock:
            free_at = max(self._free_at.pop(place, now), now)
            wait = free_at - now - (AT_ONCE - 1) / A_SECOND
            if wait <= 0:
                free_at += 1 / A_SECOND
            self._free_at[place] = free_at
            if len(self._free_at) > MOST_PLACES:
                del self._free_at[next(iter(self._free_at))]
            return max(wait, 0.0)


def install(app: Flask, refuse: Callable[[Exception], ResponseReturnValue]) -> None:
    """Brake every route that needs no right, but for `SPARED`: 429 with when to come again, in place of the view."""
    brake = Brake()
    braked: dict[str, bool] = {}

    @app.before_request
    def hold() -> ResponseReturnValue | None:
        endpoint = request.endpoint
        if endpoint is None or "Authorization" in request.headers:
            return None
        if endpoint not in braked:
            braked[endpoint] = is_braked(app, endpoint)
        if not braked[endpoint] or _is_here(request.remote_addr or ""):
            return None
        wait = brake.wait_of(network_of(request.remote_addr or ""), time.monotonic())
        if not wait:
            return None
        response = make_response(refuse(TooManyRequests()))
        response.headers["Retry-After"] = str(int(wait) + 1)
        return response


def is_braked(app: Flask, endpoint: str) -> bool:
    """Whether a route is one that anybody may open, and for which nothing is stated."""
    is_spared = any(endpoint == one or (one.endswith(".") and endpoint.startswith(one)) for one in SPARED)
    return needed_right(app, endpoint) is None and not is_spared


def _is_here(address: str) -> bool:
    try:
        return ip_address(address).is_loopback
    except ValueError:
        return False  # counted together, whatever they are
