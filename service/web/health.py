"""Whether the process is alive, and whether the service is fit to be used."""

from __future__ import annotations

from flask import Blueprint, Response, jsonify
from flask.typing import ResponseReturnValue

from service.health import checks
from service.health.metrics import exposition
from service.store.session import read_session
from service.web.services import services

blueprint = Blueprint("health", __name__)
DEGRADES = {checks.WAYS_OUT, "writing", "room"}


@blueprint.get("/healthz")
def alive() -> ResponseReturnValue:
    """The process answers. Says nothing of the database."""
    return jsonify(status="alive")


@blueprint.get("/readyz")
def ready() -> ResponseReturnValue:
    """Database, migrations, worker, ways out and clock; 503 with the sentence of what is wrong.

    "degraded" is all well but that some kind of message cannot be sent, or nothing can be written: what is there can be
    read. The nightly check is told beside the rest: what it found makes no process unfit.
    """
    asked = services()
    findings = checks.readiness(
        asked.engine, asked.clock.now(), machine_now=asked.machine_clock.now(), channels=frozenset(asked.transports)
    )
    wrong = {finding.name for finding in findings if not finding.ok}
    status = "ready" if not wrong else "degraded" if wrong <= DEGRADES else "not ready"
    if checks.answers(findings):
        with read_session(asked.engine) as session:
            findings.append(checks.nightly(session, asked.clock.now()))
    return jsonify(status=status, findings=[finding.as_dict() for finding in findings]), 503 if wrong else 200


@blueprint.get("/metrics")
def metrics() -> ResponseReturnValue:
    """Counts for Prometheus, read from the database, so that it does not matter which process answers."""
    asked = services()
    told = exposition(asked.engine, asked.clock.now(), frozenset(asked.transports))
    return Response(told, mimetype="text/plain; version=0.0.4")
