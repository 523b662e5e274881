"""Tell a watcher outside that the worker is alive: what raises the alarm is that this stops."""

from __future__ import annotations

from service.transports.calling import Caller, NoAnswer

PING_TIMEOUT_SECONDS = 5.0


def ping(url: str) -> bool:
    """Ask `url` once. Whether it answered well; a watcher out of reach is no trouble of ours."""
    try:
        return Caller(PING_TIMEOUT_SECONDS).get(url).status < 400
    except NoAnswer:
        return False
