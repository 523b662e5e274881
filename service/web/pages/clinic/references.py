"""A settled fortnight proposed as reference, on the patient's page: to accept, keep what counts, or type another."""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from dataclasses import dataclass

from flask import Blueprint, abort, flash, g, redirect, url_for
from flask.typing import ResponseReturnValue
from flask_babel import gettext
from markupsafe import Markup
from sqlalchemy.orm import Session

from service.domain.review import OpenTask
from service.domain.rights import Right
from service.domain.signals.facts import ReferenceProposal
from service.domain.summary import NOTHING, RECEIVED, Strip
from service.domain.tasks import ReferenceProposed, from_json
from service.domain.trend.reference import DIFFERENT
from service.domain.validation import Refused
from service.domain.vocabulary import TaskState
from service.enrolling import baselines
from service.reports import strip
from service.reviewing import inbox
from service.store import histories
from service.store.tables import Patient, Task
from service.web import forms
from service.web.auth import own, own_patient, staff_act, staff_only
from service.web.frame import page_language
from service.web.pages.clinic import refusals

blueprint = Blueprint("reference", __name__, url_prefix="/reference")


@dataclass(frozen=True)
class Proposed:
    """The open proposal of one patient: its task, and its days as a picture with the reference that counts now."""

    task: OpenTask
    proposal: ReferenceProposal
    picture: Markup
    left_at: float | None  # mmHg: where the pressure is now, when it has left the fortnight's level since


def proposed(session: Session, patient: Patient, tasks: Sequence[OpenTask], level: float | None) -> Proposed | None:
    """What is proposed of the patient, where something is, drawn from the days as they are known now.

    `level`, mmHg, is where the pressure is now; None is not known.
    """
    for task in tasks:
        if isinstance(task.facts, ReferenceProposed):
            proposal = task.facts.proposal
            history = histories.load(session, g.clinic_id, [patient.id], proposal.from_day)[patient.id]
            days = history.joined(proposal.from_day, proposal.to_day)
            shown = Strip(
                proposal.from_day,
                tuple(day.pa_diastolic for day in days),
                "".join(RECEIVED if day.readings else NOTHING for day in days),
            )
            # The strip is made of numbers and of text it has escaped itself.
            drawn = Markup(strip.svg(page_language(), shown, strip.Lines(proposal.reference, usual=proposal.value)))  # noqa: S704
            left = level is not None and abs(level - proposal.value) >= DIFFERENT
            return Proposed(task, proposal, drawn, level if left else None)
    return None


@blueprint.post("")
@staff_only(Right.DECIDE)
def decide(patient_id: uuid.UUID) -> ResponseReturnValue:
    """Accept the fortnight, keep what counts now with a reason, or type a reference."""
    try:
        with staff_act() as act:
            patient = own_patient(act.session, patient_id)
            task = own(act.session, Task, forms.row_id("task") or abort(404))
            facts = from_json(task.facts)
            if task.patient_id != patient.id or not isinstance(facts, ReferenceProposed):
                abort(404)
            if task.state is TaskState.CLOSED:
                raise inbox.AlreadyHandled("", task.state)
            match forms.text("decision"):
                case "accept":
                    dates = facts.proposal.from_day, facts.proposal.to_day
                    baselines.set_reference(act, patient, None, None, None, *dates)
                case "type":
                    diastolic, mean, systolic = map(forms.pressure, ("pa_diastolic", "pa_mean", "pa_systolic"))
                    baselines.set_reference(act, patient, diastolic, mean, systolic, None, None)
                case "keep":
                    reason = forms.text("reason")
                    if not reason.strip():
                        raise Refused("reason", reason, "what was decided, in words")
                    inbox.close(act, task.id, reason)
                case other:
                    raise Refused("decision", other, "accept, keep, type")
    except inbox.AlreadyHandled:
        flash(gettext("Somebody has decided this already."), "wrong")
    except Refused as refused:
        flash(gettext("Not changed. %(why)s", why=refusals.plain(refused, _names())), "wrong")
    else:
        flash(gettext("Decided. The reference that counts now stands under Now."), "good")
    return redirect(url_for("clinic.patient.page", patient_id=patient_id, _anchor="now"), 303)


def _names() -> dict[str, str]:
    """What the fields are called on the page."""
    return {
        "pa_diastolic": gettext("PA diastolic, mmHg"),
        "pa_mean": gettext("PA mean, mmHg, if known"),
        "pa_systolic": gettext("PA systolic, mmHg, if known"),
        "reason": gettext("Reason"),
    }
