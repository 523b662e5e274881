"""What machines send: pressure readings, one or a batch, and check-ins; a check-in also by the token of a link."""

from __future__ import annotations

import uuid
from collections.abc import Callable, Sequence
from datetime import datetime
from typing import Any, TypeVar

from flask import Response, g
from marshmallow import Schema, ValidationError, fields, validate
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.domain import diary, vocabulary
from service.domain.diary import AnswerKind, Answers, NewCheckin, Question
from service.domain.readings import IN_ANY_UNIT, NewReading
from service.domain.rights import SCOPES
from service.domain.validation import Refused
from service.domain.vocabulary import ActorKind, IntakeOutcome, LinkPurpose, PatientState, Scope, Source
from service.intake.checkins import RecordedCheckin, record_checkin
from service.intake.readings import RecordedReading, record_reading, record_readings
from service.links import is_over, read_link
from service.store.audit import Act, Actor
from service.store.session import move_to, read_session
from service.store.tables import Checkin, Patient, Reading, Window
from service.store.wall import Gate, through
from service.web import trail
from service.web.api.base import (
    AsSent,
    Blueprint,
    Dates,
    ProblemError,
    instant,
    list_rows,
    measured,
    shows,
    text,
    whole,
    word,
    yes_no,
)
from service.web.api.guards import Call, answered_apart, caller, idempotent, keep_apart, needs, reads
from service.web.auth import Caller
from service.web.problems import Problem, as_error
from service.web.services import services

readings_blueprint = Blueprint("readings", "Pressure readings")
checkins_blueprint = Blueprint("checkins", "Check-ins")


# --- readings -------------------------------------------------------------------------------


class ReadingIn(Schema):
    """Pressures are in `unit` (UCUM). `patient` is the patient's id or the clinic's own reference."""

    patient = text(40)
    taken_at = instant(required=True)
    pa_systolic = measured(IN_ANY_UNIT["pa_systolic"], required=True)
    pa_diastolic = measured(IN_ANY_UNIT["pa_diastolic"], required=True)
    pa_mean = measured(IN_ANY_UNIT["pa_mean"], allow_none=True)
    heart_rate = measured(IN_ANY_UNIT["heart_rate"], allow_none=True)
    unit = text(12, required=False, load_default="mm[Hg]")
    posture = word(vocabulary.Posture, allow_none=True)
    source_ref = text(80, required=False, allow_none=True)
    supersedes = fields.UUID(allow_none=True)


class ReadingBatchIn(Schema):
    """Each row is judged alone: `readings` is taken as it is, and every refusal is told by its place."""

    readings = fields.List(AsSent(ReadingIn), required=True, validate=validate.Length(1, 1000))


RecordedOut = shows("RecordedOut", RecordedReading, "id outcome")


class BatchRowOut(Schema):
    place = fields.Integer()
    outcome = fields.String(validate=validate.OneOf([*IntakeOutcome, "refused"]))
    id = fields.UUID()
    errors = fields.List(fields.Nested(ProblemError))


class BatchOut(Schema):
    results = fields.List(fields.Nested(BatchRowOut))
    taken = fields.Integer()
    duplicates = fields.Integer()
    refused = fields.Integer()


ReadingOut = shows(
    "ReadingOut",
    Reading,
    "id patient_id taken_at received_at local_date pa_systolic pa_diastolic pa_mean mean_is_derived heart_rate posture"
    " source remarks supersedes_id superseded_at",
    remarks=fields.List(fields.String()),
)


ROW, BATCH = ReadingIn(), BatchOut()


@readings_blueprint.post("/readings", allowed=needs(Scope.READINGS))
@readings_blueprint.writes(
    RecordedOut, 201, takes=ReadingIn, there="The same reading was there already.", together=True
)
def add_reading(call: Call, new: dict[str, Any]) -> RecordedReading:
    """Record one reading. 200 instead of 201 when it was there already."""
    recorded = record_reading(Act(call.connection, call.actor, g.clinic_id, call.now), NewReading(**new))
    call.status = 201 if recorded.outcome is IntakeOutcome.RECORDED else 200
    return recorded


@readings_blueprint.post("/readings/batch", allowed=needs(Scope.READINGS))
@readings_blueprint.arguments(ReadingBatchIn)
@readings_blueprint.response(200, BATCH)
def add_readings(batch: dict[str, Any]) -> dict[str, Any] | Response:
    """Record up to 1,000 readings. Bad rows never stop good ones; each is told by its place, from 0.

    Sending a batch again is harmless: what is there already is a duplicate.
    """
    return taken_each(batch["readings"], lambda row: NewReading(**ROW.load(row)), record_readings)


New = TypeVar("New")
Took = RecordedReading | IntakeOutcome | Refused


def taken_each(
    rows: Sequence[dict[str, Any]],
    read: Callable[[dict[str, Any]], New],
    take: Callable[[Engine, uuid.UUID, list[New], Actor, datetime], Sequence[Took]],
) -> dict[str, Any] | Response:
    """What becomes of each row of a batch, by its place; `read` raises ValidationError for one that cannot be read."""
    if answered := answered_apart():
        return answered
    results: list[dict[str, Any]] = [{} for _ in rows]
    sound: list[tuple[int, New]] = []
    for number, row in enumerate(rows):
        try:
            sound.append((number, read(row)))
        except ValidationError as error:
            results[number] = {"outcome": "refused", "errors": _fields(error.messages_dict, row)}
    new = [one for _, one in sound]
    outcomes = take(services().engine, caller().clinic_id, new, caller().actor, services().clock.now())
    for (number, _), outcome in zip(sound, outcomes, strict=True):
        results[number] = _result(outcome)
    counts = [result["outcome"] for result in results]
    answer = {
        "results": [{"place": number, **result} for number, result in enumerate(results)],
        "taken": counts.count("recorded"),
        "duplicates": counts.count("duplicate"),
        "refused": counts.count("refused"),
    }
    keep_apart(answer)
    return answer


class OfAnybody(Dates):
    patient_id = fields.UUID()


@readings_blueprint.get("/readings", allowed=reads(Scope.REVIEW))
@readings_blueprint.lists(ReadingOut, OfAnybody)
def list_all_readings(query: dict[str, Any]) -> dict[str, Any]:
    """Everybody's readings, newest first, superseded ones included and marked."""
    return list_rows(query, Reading, Reading.taken_at.desc())


@readings_blueprint.get("/patients/<uuid:patient_id>/readings", allowed=reads(Scope.REVIEW))
@readings_blueprint.lists(ReadingOut, Dates)
def list_readings(query: dict[str, Any], patient_id: uuid.UUID) -> dict[str, Any]:
    """A patient's readings, newest first, superseded ones included and marked."""
    return list_rows(query, Reading, Reading.taken_at.desc(), patient_id=patient_id)


def _result(outcome: Took) -> dict[str, Any]:
    if isinstance(outcome, Refused):
        return {"outcome": "refused", "errors": [as_error(outcome)]}
    if isinstance(outcome, IntakeOutcome):
        return {"outcome": outcome.value}
    return {"outcome": outcome.outcome.value, "id": str(outcome.id)}


def _fields(messages: dict[str, Any], row: dict[str, Any]) -> list[dict[str, Any]]:
    return [
        as_error(Refused(name, row.get(name), " ".join(map(str, texts)) if isinstance(texts, list) else str(texts)))
        for name, texts in messages.items()
    ]


# --- check-ins ------------------------------------------------------------------------------


def answer_field(question: Question) -> fields.Field[Any]:
    """The field of a schema that takes the question's answer as plain JSON."""
    match question.kind:
        case AnswerKind.SCALE | AnswerKind.CHANGE:
            return whole(question.least, question.most, allow_none=True)
        case AnswerKind.YES_NO:
            return yes_no(allow_none=True)
        case AnswerKind.CHOICE:
            return fields.String(allow_none=True, validate=validate.OneOf(question.options))
        case AnswerKind.SIGNS:
            signs = fields.String(validate=validate.OneOf(question.options))
            return fields.List(signs, allow_none=True, validate=validate.Length(max=len(question.options)))
        case AnswerKind.WEIGHT:
            lows, highs, _ = zip(*diary.WEIGHT_RANGES.values(), strict=True)
            return measured((min(lows), max(highs)), allow_none=True)
        case AnswerKind.NOTE:
            return text(diary.LONGEST_NOTE, required=False)


ANSWERS = {question.key: answer_field(question) for question in diary.QUESTIONS}


class CheckinIn(Schema):
    """`patient` with a key; `token` (from the link in the message) without one. The answers are the diary's table."""

    patient = text(40, required=False)
    token = text(200, required=False)
    local_date = fields.Date(allow_none=True)
    weight_unit = text(8, required=False)
    weight_confirmed = yes_no(allow_none=True)

    class Meta:
        include = ANSWERS


RecordedCheckinOut = shows(
    "RecordedCheckinOut",
    RecordedCheckin,
    "id outcome local_date safety urgency emergency_number contact_line corrects weight_doubt",
)


CheckinOut = shows(
    "CheckinOut",
    Checkin,
    "id patient_id local_date answered_at source weight_kg weight_unit weight_confirmed weight_doubt supersedes_id"
    " superseded_at",
    **{key: answer for key, answer in ANSWERS.items() if key != "weight"},
)


@checkins_blueprint.post("/checkins", allowed=lambda: None)  # it sees to that itself: a link opens one day
@checkins_blueprint.arguments(CheckinIn)
@checkins_blueprint.response(201, RecordedCheckinOut)
@checkins_blueprint.alt_response(
    200, schema=RecordedCheckinOut, description="The same was there already.", success=True
)
@checkins_blueprint.doc(security=[{"key": [Scope.CHECKINS.value]}, {"session": [SCOPES[Scope.CHECKINS].value]}, {}])
def add_checkin(new: dict[str, Any]) -> Response:
    """Record one day's answers. A second check-in of a date corrects the first.

    `safety` true means that a sign of an emergency is among the answers: tell the
    person at once to call `emergency_number`. `urgency` is "emergency" then; where it is
    "same_day", tell them to call the clinic today, `contact_line`. Staff have been told.
    `weight_doubt` is not null where the weight should be asked about: send it again, with
    `weight_confirmed` true or as it should be. Until then it is compared with nothing.
    """
    token, patient, day = new.pop("token", None), new.pop("patient", None), new.pop("local_date", None)
    if token is None:
        needs(Scope.CHECKINS, "A bearer key, a staff session or the token of a link is needed.")()
        if patient is None:
            raise Refused("patient", None, "the patient's id or the clinic's own reference")
        return _record(NewCheckin(patient, _answers(new), day))
    with through(Gate.LINK), read_session(services().engine) as session:
        window = _let_in_by_link(session, token)
    return _record(NewCheckin(window.patient_id, _answers(new), window.local_date, Source.PAGE))


@idempotent(RecordedCheckinOut(), 201, together=True)
def _record(call: Call, new: NewCheckin) -> RecordedCheckin:
    recorded = record_checkin(Act(call.connection, call.actor, g.clinic_id, call.now), new)
    call.status = 201 if recorded.outcome is IntakeOutcome.RECORDED else 200
    return recorded


@checkins_blueprint.get("/checkins", allowed=reads(Scope.REVIEW))
@checkins_blueprint.lists(CheckinOut, OfAnybody)
def list_all_checkins(query: dict[str, Any]) -> dict[str, Any]:
    """Everybody's check-ins, newest first, superseded ones included and marked."""
    return list_rows(query, Checkin, Checkin.local_date.desc(), Checkin.answered_at.desc())


@checkins_blueprint.get("/patients/<uuid:patient_id>/checkins", allowed=reads(Scope.REVIEW))
@checkins_blueprint.lists(CheckinOut, Dates)
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


def _let_in_by_link(session: Session, token: str) -> Window:
    link = read_link(session, token, LinkPurpose.CHECKIN)
    trail.by_link(link)
    move_to(session, link.clinic_id)
    if is_over(link, services().clock.now()):
        raise Problem(403, "The link is over.")
    window = session.scalar(
        select(Window)
        .join(Patient, Patient.id == Window.patient_id)
        .where(Window.id == link.window_id, Patient.state == PatientState.ACTIVE)
    )
    if window is None:
        raise Problem(404, "The link leads nowhere any more.")
    g.clinic_id = window.clinic_id
    g.caller = Caller(Actor(ActorKind.PATIENT, window.patient_id), window.clinic_id, frozenset())
    return window
