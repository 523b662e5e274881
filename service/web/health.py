"""Whether the process is alive, and whether the service is fit to be used.

That much anybody may ask. What is wrong, and how much of what there is, is for whoever runs it: it needs the bearer
token of NEAPTIDE_METRICS_TOKEN, and without one nobody is told here; `neaptide doctor` tells it at the terminal.
"""

from __future__ import annotations

import hmac

from flask import Blueprint, Response, jsonify, request
from flask.typing import ResponseReturnValue

from service.build import this_build
from service.health import checks
from service.health.metrics import exposition
from service.store.session import read_session
from service.web import observing
from service.web.problems import Problem
from service.web.services import services

blueprint = Blueprint("health", __name__)
DEGRADES = {checks.WAYS_OUT, "writing", "room", "held"}


@blueprint.get("/healthz")
def alive() -> ResponseReturnValue:
    """The process answers, and of which version and commit it is. Says nothing of the database."""
    build = this_build()
    return jsonify(status="alive", version=build.version, commit=build.commit)


@blueprint.get("/readyz")
def ready() -> ResponseReturnValue:
    """Database, migrations, worker, ways out and clock; 503 where something is wrong, and with the token what it is.

    "degraded" is all well but that some kind of message cannot be sent, none is sent since a restored backup is held,
    or nothing can be written: what is there can be read.
    The nightly check is told beside the rest: what it found makes no process unfit.
    """
    asked = services()
    findings = checks.readiness(
        asked.engine, asked.clock.now(), machine_now=asked.machine_clock.now(), channels=frozenset(asked.transports)
    )
    wrong = {finding.name for finding in findings if not finding.ok}
    status = "ready" if not wrong else "degraded" if wrong <= DEGRADES else "not ready"
    if not _is_operator():
        return jsonify(status=status), 503 if wrong else 200
    if checks.answers(findings):
        with read_session(asked.engine) as session:
            findings.append(checks.nightly(session, asked.clock.now()))
    return jsonify(status=status, findings=[finding.as_dict() for finding in findings]), 503 if wrong else 200


@blueprint.get("/metrics")
def metrics() -> ResponseReturnValue:
    """Figures for Prometheus: of the database, and of all processes of this server, whichever answers."""
    if not _is_operator():
        raise Problem(401, "The bearer token of NEAPTIDE_METRICS_TOKEN is needed; where it is not set, this is closed.")
    asked = services()
    counted = observing.collected(asked.counts_in)
    told = exposition(asked.engine, asked.clock.now(), frozenset(asked.transports), counted)
    return Response(told, mimetype="text/plain; version=0.0.4")


def _is_operator() -> bool:
    """Whether the token came along; nobody comes to the demo's pages but from this machine."""
    asked = services().settings
    given = request.headers.get("Authorization", "").partition(" ")
    is_bearer = given[0].lower() == "bearer"
    right = asked.metrics_token.encode()
    return asked.demo or bool(is_bearer and right and hmac.compare_digest(given[2].strip().encode(), right))
