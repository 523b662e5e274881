"""Whether the process is alive, and whether the service is fit to be used."""

from __future__ import annotations

from flask import Blueprint, Response, jsonify
from flask.typing import ResponseReturnValue

from service.health import checks
from service.health.metrics import exposition
from service.web.services import services

blueprint = Blueprint("health", __name__)


@blueprint.get("/healthz")
def alive() -> ResponseReturnValue:
    """The process answers. Says nothing of the database."""
    return jsonify(status="alive")


@blueprint.get("/readyz")
def ready() -> ResponseReturnValue:
    """Database, migrations, worker and clock; 503 with the sentence of what is wrong."""
    asked = services()
    findings = checks.readiness(asked.engine, asked.clock.now(), machine_now=asked.machine_clock.now())
    ok = all(finding.ok for finding in findings)
    body = {"status": "ready" if ok else "not ready", "findings": [finding.as_dict() for finding in findings]}
    return jsonify(body), 200 if ok else 503


@blueprint.get("/metrics")
def metrics() -> ResponseReturnValue:
    """Counts for Prometheus, read from the database, so that it does not matter which process answers."""
    return Response(exposition(services().engine, services().clock.now()), mimetype="text/plain; version=0.0.4")
