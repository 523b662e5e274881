"""The application, made once in a process: its routes and templates take as long to make as several tests to run."""

from __future__ import annotations

import uuid
from collections.abc import Mapping

from flask import Flask
from jinja2 import FileSystemBytecodeCache
from sqlalchemy import Engine

from service.app import create_app, hand_in
from service.clock import Clock
from service.config import Settings
from service.domain.vocabulary import Channel
from service.store.wall import WEB
from service.transports.base import Transport
from tests.servers import as_role

# Several applications are made in each of several processes, and each would compile the same templates.
_COMPILED = FileSystemBytecodeCache()
_made: dict[tuple[object, ...], Flask] = {}


def serve(
    settings: Settings,
    engine: Engine,
    clock: Clock,
    transports: Mapping[Channel, Transport],
    at_terminal: uuid.UUID | None = None,
) -> Flask:
    """What `create_app` makes; whoever was served before with settings and channels like these is served the same now.

    On PostgreSQL it serves as the web's own role, behind the wall between clinics; a terminal is the owner's.
    """
    if at_terminal is None and not settings.demo:
        engine = as_role(engine, WEB)
    secure = settings.base_url.startswith("https://")  # of its base address an application itself knows no more
    shape = (settings.demo, settings.trust_proxy, secure, settings.access_log, frozenset(transports))
    if shape not in _made:
        _made[shape] = create_app(settings, engine, clock, transports)
        _made[shape].jinja_env.bytecode_cache = _COMPILED
    app = _made[shape]
    hand_in(app, settings, engine, clock, transports, at_terminal)
    return app
