"""The web application: pages for people, the API for machines, and what watches over both.

The composition root of the web processes. Whatever a view needs is handed in here;
nothing below reads the environment or asks the time.
"""

from __future__ import annotations

import uuid
from collections.abc import Callable, Mapping
from datetime import timedelta
from pathlib import Path
from typing import Any

from flask import Flask, redirect, request
from flask.typing import ResponseReturnValue
from flask_wtf.csrf import CSRFProtect
from itsdangerous import Signer
from sqlalchemy import Engine
from werkzeug.exceptions import HTTPException, InternalServerError
from werkzeug.middleware.proxy_fix import ProxyFix

from service.clock import Clock, SystemClock
from service.config import Settings
from service.domain.vocabulary import Channel
from service.keyring import SHA_256, KeyFor
from service.links import Links
from service.store.access import Trail
from service.store.troubles import trouble_of
from service.transports.base import Transport
from service.transports.openid import OpenId
from service.transports.outside import Guard
from service.web import (
    auth,
    brake,
    callbacks,
    frame,
    gates,
    giving_way,
    health,
    observing,
    problems,
    security,
    trail,
    transfer,
)
from service.web.api import register
from service.web.api.base import MOST_BYTES
from service.web.pages import calendar, demo, emergency, hospital, invited, passkeys, phone, push, signin
from service.web.pages.clinic import panel
from service.web.pages.opening import LinkClosed
from service.web.services import Services

# Pages opened by a link need no cookie: whoever cannot read the link cannot forge its form either;
# a provider's call proves itself.
BY_LINK = ("/c/", "/g/", "/i/", "/cal/", "/push/", "/callbacks/")


class Application(transfer.StaticFiles):
    """Flask without anything asynchronous: at every request it would look for that nine times."""

    def ensure_sync(self, func: Callable[..., Any]) -> Callable[..., Any]:
        return func


def create_app(
    settings: Settings,
    engine: Engine,
    clock: Clock,
    transports: Mapping[Channel, Transport],
    at_terminal: uuid.UUID | None = None,
    staff_threads: int = 4,
    counts_in: Path | None = None,
    standby: Engine | None = None,
) -> Flask:
    """The WSGI application, in which staff's reading holds `staff_threads` threads at most.

    `counts_in` is where the processes of one server keep what they count; None where there is one.
    What is long and decides nothing is read from `standby`, where there is one.
    With `at_terminal` every request is that staff account's: never to listen.
    """
    app = Application(__name__, template_folder="web/templates", static_folder="web/static")
    app.config.update(
        MAX_CONTENT_LENGTH=MOST_BYTES,
        MAX_FORM_MEMORY_SIZE=MOST_BYTES,
        SESSION_COOKIE_NAME=auth.cookie_name(settings.base_url),
        SESSION_COOKIE_HTTPONLY=True,
        SESSION_COOKIE_SAMESITE="Lax",
        SESSION_COOKIE_SECURE=settings.base_url.startswith("https://"),
        PERMANENT_SESSION_LIFETIME=timedelta(hours=12),
        WTF_CSRF_TIME_LIMIT=None,  # the session it belongs to has its own end
        WTF_CSRF_CHECK_DEFAULT=False,
        WTF_CSRF_SSL_STRICT=False,  # referrers are not sent, by our own policy
    )
    app.session_interface = auth.Sessions(problems.API)
    app.json.sort_keys = False  # type: ignore[attr-defined]
    hand_in(app, settings, engine, clock, transports, at_terminal, counts_in, standby)
    gates.install(app)
    brake.install(app, _answer_error)
    transfer.install(app)
    security.install(app)
    frame.install(app)
    _protect_forms(app)
    register.install(app)
    app.before_request(problems.check_content_type)
    for pages in (health, callbacks, signin, passkeys, hospital, emergency, phone, invited, push, calendar, panel):
        app.register_blueprint(pages.blueprint)
    if settings.demo:
        app.register_blueprint(demo.blueprint)
    app.after_request(auth.keep_session)
    app.register_error_handler(LinkClosed, lambda closed: closed.page())
    app.register_error_handler(Exception, _answer_error)

    @app.get("/")
    def home() -> ResponseReturnValue:
        return redirect("/demo/" if settings.demo else "/clinic/")

    trail.install(app, _answer_error)
    giving_way.install(app, staff_threads)
    if settings.trust_proxy:
        app.wsgi_app = ProxyFix(app.wsgi_app, x_for=1, x_proto=1)  # type: ignore[method-assign]
    if at_terminal is None:
        observing.install(app, is_told=settings.access_log)
    return app


def hand_in(
    app: Flask,
    settings: Settings,
    engine: Engine,
    clock: Clock,
    transports: Mapping[Channel, Transport],
    at_terminal: uuid.UUID | None = None,
    counts_in: Path | None = None,
    standby: Engine | None = None,
) -> None:
    """Give the application all that its views work with, in place of what it had."""
    # The last one signs: the library tries those before it too.
    *previous, present = settings.keys.oldest_first(KeyFor.SESSIONS)
    app.config.update(SECRET_KEY=present, SECRET_KEY_FALLBACKS=previous)
    app.config.update(WTF_CSRF_SECRET_KEY=settings.keys.oldest_first(KeyFor.FORMS))
    machine_clock = SystemClock()
    door_clock = machine_clock if settings.demo else clock
    app.extensions["neaptide"] = Services(
        settings=settings,
        engine=engine,
        clock=clock,
        door_clock=door_clock,
        machine_clock=machine_clock,
        transports=transports,
        links=Links(settings.base_url, settings.keys),
        trail=Trail(engine, clock.now),
        openid=OpenId(door_clock.now, Guard(settings.sign_in_hosts, settings.outgoing_hosts), settings.proxy),
        standby=standby,
        at_terminal=at_terminal,
        counts_in=counts_in,
    )


def _protect_forms(app: Flask) -> None:
    Signer.default_digest_method = SHA_256  # the forms' library takes the default, which is SHA-1
    csrf = CSRFProtect(app)

    @app.before_request
    def check_form() -> None:
        if request.method in {"GET", "HEAD", "OPTIONS"} or request.path.startswith(BY_LINK):
            return
        # A bearer key is never sent by a browser on its own, so a forged form cannot carry one;
        # the token of a link in the body stands for itself.
        if request.path.startswith(problems.API) and not auth.has_session():
            return
        csrf.protect()


def _answer_error(error: Exception) -> ResponseReturnValue:
    if problems.wants_problem():
        return problems.answer_for(error)
    if isinstance(error, HTTPException):
        return frame.sorry(error)
    problems.log_surprise(error)
    if problems.is_of_database(error):
        return frame.not_saved(trouble_of(error))
    return frame.sorry(InternalServerError())
