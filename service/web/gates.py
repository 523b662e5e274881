"""Whose every transaction of a request is: of the clinic of who asks, once that is known, and before then of nobody.

Promises that a request begins outside every clinic and ends there, whatever it was, so that the next one on the same
thread inherits nothing. Where somebody is not known yet, or a page is about two clinics, its endpoint names the gate
of `store.wall` that it goes through; no view opens one for itself.
"""

from __future__ import annotations

import uuid
from collections.abc import Mapping

from flask import Flask, g, request

from service.store import wall
from service.store.wall import Gate

# A blueprint's name with its full stop stands for all its views.
BEFORE_WHO: Mapping[str, Gate] = {
    "signin.": Gate.SIGN_IN, "passkeys.": Gate.SIGN_IN, "hospital.": Gate.SIGN_IN, "emergency.": Gate.SIGN_IN,
    "called_back.": Gate.CALLED_IN, "api_callbacks.": Gate.CALLED_IN,
    "push.renewed": Gate.PHONE, "health.": Gate.WATCH,
}  # fmt: skip
BETWEEN_TWO: Mapping[str, Gate] = {"clinic.transfers.": Gate.TRANSFER, "api_transfers.": Gate.TRANSFER}


def install(app: Flask) -> None:
    """Before every other function of the application."""

    @app.before_request
    def come_in() -> None:
        wall.stand(gate=_of(BEFORE_WHO))

    @app.teardown_request
    def go_out(_error: BaseException | None) -> None:
        wall.stand()


def stand_in(clinic_id: uuid.UUID) -> None:
    """It is known for which clinic somebody asks: `g.clinic_id`, and what transactions are of from here on."""
    g.clinic_id = clinic_id
    wall.stand(clinic_id, _of(BETWEEN_TWO))


def _of(gates: Mapping[str, Gate]) -> Gate | None:
    name = request.endpoint or ""
    return next((gate for endpoint, gate in gates.items() if name.startswith(endpoint)), None)
