"""What a patient may ask of the clinic: everything that is kept about them, as one file.

Promises that it leaves by the hand of whoever may take files out, who showed lately that it is they, and not before its
line is in the trail of who opened what. No consent is asked for: it is the patient's own.
"""

from __future__ import annotations

import uuid

from flask import Blueprint
from flask.typing import ResponseReturnValue

from service.domain.rights import Right
from service.web import handing
from service.web.auth import staff_only

blueprint = Blueprint("keeping", __name__)


@blueprint.get("/everything.zip")
@staff_only(Right.EXPORT, fresh="clinic.patient.page")
def everything(patient_id: uuid.UUID) -> ResponseReturnValue:
    """Everything that is kept about the patient: JSON, tables, a dictionary, and a PDF in their language."""
    return handing.whole_answer(patient_id)
