"""How staff's reading gives way to patients, in a process that serves both.

Promises that of a process's threads staff's pages, files and lists, and what machines read, hold so many at most;
that one of them is made at a time, since two would take turns at the one interpreter and leave a patient's page a
third of it; and that whoever comes beyond that is told so at once, with when to come again, in place of waiting where
a patient would. Nothing that anybody sends (a signature, a form) waits here or is turned away, and nothing of a
patient's, a caregiver's or what comes in from a sensor.

Bounds threads and not requests a minute: how many calls an address may make is the proxy's to say.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import wraps
from typing import Any

from flask import Flask, make_response, render_template, request
from flask.typing import ResponseReturnValue
from flask_babel import gettext

from service.web import problems
from service.web.trail import READING, needed_right

PATIENCE = 20.0  # seconds in line: the longest page several times over, and well within a proxy's minute


class ComeAgain(Exception):
    """As many of staff's pages are being made as this process makes. `answer` is what its reader gets instead."""

    def answer(self) -> ResponseReturnValue:
        if problems.wants_problem():
            response = problems.answer(503, "Others are reading at this moment. Send the same again in a few seconds.")
        else:
            title = gettext("One moment, please")
            text = gettext("Many are reading at this moment, and patients come first. This page opens by itself soon.")
            response = make_response(render_template("errors/page.html", title=title, text=text), 503)
            response.headers["Refresh"] = problems.RETRY_AFTER_SECONDS  # WHATWG HTML, 4.2.5.3: as the meta element
        response.headers["Retry-After"] = problems.RETRY_AFTER_SECONDS
        return response


class _Line:
    def __init__(self, places: int) -> None:
        self._places = threading.BoundedSemaphore(places)
        self._turn = threading.Lock()

    @contextmanager
    def turn(self) -> Iterator[None]:
        if not self._places.acquire(blocking=False):
            raise ComeAgain
        try:
            if not self._turn.acquire(timeout=PATIENCE):
                raise ComeAgain
            try:
                yield
            finally:
                self._turn.release()
        finally:
            self._places.release()


def install(app: Flask, places: int) -> None:
    """Let every view that needs a right of staff or a key give way where it only reads; once all routes are there."""
    line = _Line(places)
    for endpoint, view in app.view_functions.items():
        if needed_right(app, endpoint) is not None:
            app.view_functions[endpoint] = _in_line(line, view)
    app.register_error_handler(ComeAgain, lambda turned: turned.answer())


def _in_line(line: _Line, view: Callable[..., Any]) -> Callable[..., Any]:
    @wraps(view)
    def made(*args: Any, **kwargs: Any) -> Any:
        if request.method not in READING:
            return view(*args, **kwargs)
        with line.turn():
            return view(*args, **kwargs)

    return made
