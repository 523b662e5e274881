"""What a patient may ask of the clinic, by API. For staff."""

from __future__ import annotations

import uuid
from typing import Any

from flask import Response, after_this_request
from marshmallow import Schema, fields

from service.domain.rights import Right
from service.domain.vocabulary import EraseWhy
from service.keeping import erasing
from service.web import handing
from service.web.api.base import Blueprint, text, word
from service.web.api.guards import Call, for_staff
from service.web.auth import own_patient

blueprint = Blueprint("keeping", "What a patient may ask of the clinic")
ZIP = {"type": "string", "format": "binary"}


@blueprint.get("/patients/<uuid:patient_id>/everything", allowed=for_staff(Right.EXPORT, fresh=True))
@blueprint.response(200, ZIP, content_type="application/zip")
def hand_out_everything(patient_id: uuid.UUID) -> Response:
    """Everything that is kept about the patient: a ZIP archive with JSON, CSV, a dictionary and a PDF."""
    return handing.whole_answer(patient_id)


class ErasureIn(Schema):
    """`confirm` is the clinic's own number for the patient, typed once more."""

    why = word(EraseWhy, required=True)
    confirm = text(40)


class ErasureOut(Schema):
    """By what the rest is found from now on, and what it is called."""

    id = fields.UUID()
    name = fields.String()


@blueprint.post("/patients/<uuid:patient_id>/erase", allowed=for_staff(Right.ADMINISTER, fresh=True))
@blueprint.writes(ErasureOut, takes=ErasureIn)
def erase_patient(call: Call, given: dict[str, Any], patient_id: uuid.UUID) -> dict[str, Any]:
    """Take out for good what tells who a patient was whose care has ended; measured and coded data stay, by the id.

    Nothing may be open of them, neither a task nor a message. It cannot be undone, and reaches no backup.
    """
    patient = own_patient(call.session, patient_id)
    called = erasing.erase(call.act, patient, given["why"], given["confirm"], handing.forget)
    after_this_request(_through)
    return {"id": patient_id, "name": called}


def _through(response: Response) -> Response:
    handing.after_erasing()
    return response
