"""Check-ins: with a machine's key for any patient of the clinic, or with the token of a link for one day."""

from __future__ import annotations

import uuid
from typing import Any

from flask import Response, g
from marshmallow import Schema, fields, validate
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.domain import diary, vocabulary
from service.domain.diary import AnswerKind, Answers, NewCheckin, Question
from service.domain.validation import Refused
from service.domain.vocabulary import ActorKind, IntakeOutcome, PatientState, Scope, Source
from service.intake.checkins import RecordedCheckin, record_checkin
from service.links import Purpose
from service.store.audit import Act, Actor
from service.store.session import read_session
from service.store.tables import Checkin, Patient, Window
from service.web.api.base import Blueprint, Dates, instant, list_rows, text, whole, word
from service.web.api.guards import Call, idempotent, needs
from service.web.auth import Caller, machine_or_staff
from service.web.problems import Problem
from service.web.services import services

blueprint = Blueprint("checkins", "Check-ins")


def answer_field(question: Question) -> fields.Field[Any]:
    """The field of a schema that takes the question's answer as plain JSON."""
    match question.kind:
        case AnswerKind.SCALE | AnswerKind.CHANGE:
            return whole(question.least, question.most, allow_none=True)
        case AnswerKind.YES_NO:
            return fields.Boolean(allow_none=True, truthy={True}, falsy={False})
        case AnswerKind.CHOICE:
            return fields.String(allow_none=True, validate=validate.OneOf(question.options))
        case AnswerKind.SIGNS:
            signs = fields.String(validate=validate.OneOf(question.options))
            return fields.List(signs, allow_none=True, validate=validate.Length(max=len(question.options)))
        case AnswerKind.WEIGHT:
            return fields.Float(allow_none=True, allow_nan=False)
        case AnswerKind.NOTE:
            return text(diary.LONGEST_NOTE, required=False)


ANSWERS = {question.key: answer_field(question) for question in diary.QUESTIONS}


class CheckinIn(Schema):
    """`patient` with a key; `token` (from the link in the message) without one. The answers are the diary's table."""

    patient = text(40, required=False)
    token = text(200, required=False)
    local_date = fields.Date(allow_none=True)
    weight_unit = text(8, required=False)

    class Meta:
        include = ANSWERS


class RecordedCheckinOut(Schema):
    id = fields.UUID()
    outcome = fields.String()
    local_date = fields.Date()
    safety = fields.Boolean()
    emergency_number = fields.String()
    corrects = fields.UUID(allow_none=True)
    remarks = fields.List(fields.String())


class CheckinOut(Schema):
    id = fields.UUID()
    patient_id = fields.UUID()
    local_date = fields.Date()
    answered_at = instant()
    source = word(vocabulary.Source)
    weight_kg = fields.Float(allow_none=True)
    supersedes_id = fields.UUID(allow_none=True)
    superseded_at = instant(allow_none=True)

    class Meta:
        include = {key: answer for key, answer in ANSWERS.items() if key != "weight"}


@blueprint.post("/checkins")
@blueprint.arguments(CheckinIn)
@blueprint.response(201, RecordedCheckinOut)
def record(new: dict[str, Any]) -> Response:
    """Record one day's answers. A second check-in of a date corrects the first.

    `safety` true means that a sign of an emergency is among the answers: tell the
    person at once to call `emergency_number`. Staff have been told.
    """
    token, patient, day = new.pop("token", None), new.pop("patient", None), new.pop("local_date", None)
    if token is None:
        _let_in_by_key()
        if patient is None:
            raise Refused("patient", None, "the patient's id or the clinic's own reference")
        return _record(NewCheckin(patient, _answers(new), day))
    with read_session(services().engine) as session:
        window = _let_in_by_link(session, token)
    return _record(NewCheckin(window.patient_id, _answers(new), window.local_date, Source.PAGE))


@idempotent(RecordedCheckinOut(), 201)
def _record(call: Call, new: NewCheckin) -> RecordedCheckin:
    recorded = record_checkin(Act(call.connection, call.actor, g.clinic_id, call.now), new)
    call.status = 201 if recorded.outcome is IntakeOutcome.RECORDED else 200
    return recorded


@blueprint.get("/patients/<uuid:patient_id>/checkins")
@needs(Scope.REVIEW)
@blueprint.lists(CheckinOut, Dates)
def list_checkins(query: dict[str, Any], patient_id: uuid.UUID) -> dict[str, Any]:
    """A patient's check-ins, newest first, superseded ones included and marked."""
    newest = (Checkin.local_date.desc(), Checkin.answered_at.desc())
    return list_rows(query, Checkin, *newest, patient_id=patient_id)


def _answers(given: dict[str, Any]) -> Answers:
    """Raises the first of the diary's refusals: a machine mends its whole request."""
    answers, refused = diary.read_answers(given)
    if refused:
        raise refused[0]
    return answers


def _let_in_by_key() -> None:
    found = machine_or_staff()
    if found is None:
        raise Problem(401, "A bearer key, a staff session or the token of a link is needed.")
    if Scope.CHECKINS not in found.scopes:
        raise Problem(403, f"The key has no scope {Scope.CHECKINS.value!r}.")
    g.caller, g.clinic_id = found, found.clinic_id


def _let_in_by_link(session: Session, token: str) -> Window:
    opened = services().links.read(token, Purpose.CHECKIN)
    if opened.is_over(services().clock.now()):
        raise Problem(403, "The link is over.")
    window = session.scalar(
        select(Window)
        .join(Patient, Patient.id == Window.patient_id)
        .where(Window.id == opened.subject_id, Patient.state == PatientState.ACTIVE)
    )
    if window is None:
        raise Problem(404, "The link leads nowhere any more.")
    g.clinic_id = window.clinic_id
    g.caller = Caller(Actor(ActorKind.PATIENT, window.patient_id), window.clinic_id, frozenset())
    return window
