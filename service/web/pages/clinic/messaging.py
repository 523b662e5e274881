"""The form with which staff send a patient a message by hand, in the row of the review and on the patient's page."""

from __future__ import annotations

import uuid

from flask import abort
from flask_babel import gettext
from sqlalchemy.orm import Session

from service.domain.validation import Refused
from service.reviewing import messaging
from service.reviewing.messaging import Outlook
from service.store.tables import Patient
from service.web import forms
from service.web.auth import own_patient, staff_act
from service.web.frame import page_language
from service.web.pages.clinic.signatures import Became
from service.web.services import services
from service.words.sentences import reaching


def outlook(session: Session, patient: Patient) -> Outlook:
    """What can be sent to the patient now, with each wording in the reader's language beside it."""
    made = services()
    return messaging.outlook(session, patient, made.transports.keys(), made.clock.now(), page_language().code)


def from_form(patient_id: uuid.UUID) -> Became:
    """Send what was chosen."""
    try:
        with staff_act() as act:
            phrase_id = forms.row_id("phrase_id")
            if phrase_id is None:
                return Became(gettext("Not sent. Please choose a wording."), False, True)
            messaging.send(act, own_patient(act.session, patient_id), phrase_id, services().transports.keys())
    except messaging.CannotLeave as cannot:
        return Became(reaching.cannot_leave(page_language(), cannot.why), False)
    except messaging.SentToday:
        return Became(gettext("Not sent again: the same words went to this patient today."), False)
    except messaging.EnoughToday:
        return Became(gettext("Not sent: enough went to this patient by hand today. Please call them."), False)
    except Refused:
        return Became(gettext("Not sent. The list of wordings has changed: please choose again."), False, True)
    except LookupError:
        abort(404)
    return Became(gettext("It is on its way. What becomes of it stands among the patient's messages."))
