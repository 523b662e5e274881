"""Pressure readings: one, a batch, and the list."""

from __future__ import annotations

import uuid
from typing import Any

from flask import Response
from marshmallow import Schema, ValidationError, fields, validate

from service.domain import vocabulary
from service.domain.readings import NewReading
from service.domain.validation import Refused
from service.domain.vocabulary import IntakeOutcome, Scope
from service.intake.readings import RecordedReading, record_reading, record_readings
from service.store.tables import Reading
from service.web.api.base import Blueprint, Dates, instant, list_rows, text, word
from service.web.api.guards import Call, answered_apart, caller, keep_apart, needs
from service.web.problems import as_error
from service.web.services import services

blueprint = Blueprint("readings", "Pressure readings")


class ReadingIn(Schema):
    """Pressures are in `unit` (UCUM). `patient` is the patient's id or the clinic's own reference."""

    patient = text(40)
    taken_at = instant(required=True)
    pa_systolic = fields.Float(required=True, allow_nan=False)
    pa_diastolic = fields.Float(required=True, allow_nan=False)
    pa_mean = fields.Float(allow_none=True, allow_nan=False)
    heart_rate = fields.Float(allow_none=True, allow_nan=False)
    unit = text(12, required=False, load_default="mm[Hg]")
    posture = word(vocabulary.Posture, allow_none=True)
    source_ref = text(80, required=False, allow_none=True)
    supersedes = fields.UUID(allow_none=True)


class ReadingBatchIn(Schema):
    """Each row is judged alone: `readings` is taken as it is, and every refusal is told by its place."""

    readings = fields.List(fields.Dict(), required=True, validate=validate.Length(1, 1000))


class RecordedOut(Schema):
    id = fields.UUID()
    outcome = fields.String()


class BatchOut(Schema):
    results = fields.List(fields.Dict())
    taken = fields.Integer()
    duplicates = fields.Integer()
    refused = fields.Integer()


class ReadingOut(Schema):
    id = fields.UUID()
    patient_id = fields.UUID()
    taken_at = instant()
    received_at = instant()
    local_date = fields.Date()
    pa_systolic = fields.Float()
    pa_diastolic = fields.Float()
    pa_mean = fields.Float()
    mean_is_derived = fields.Boolean()
    heart_rate = fields.Float(allow_none=True)
    posture = word(vocabulary.Posture, allow_none=True)
    source = word(vocabulary.Source)
    remarks = fields.List(fields.String())
    supersedes_id = fields.UUID(allow_none=True)
    superseded_at = instant(allow_none=True)


ROW, BATCH = ReadingIn(), BatchOut()


@blueprint.post("/readings")
@needs(Scope.READINGS)
@blueprint.writes(RecordedOut, 201, takes=ReadingIn)
def record(call: Call, new: dict[str, Any]) -> RecordedReading:
    """Record one reading. 200 instead of 201 when it was there already."""
    recorded = record_reading(call.act, NewReading(**new))
    call.status = 201 if recorded.outcome is IntakeOutcome.RECORDED else 200
    return recorded


@blueprint.post("/readings/batch")
@needs(Scope.READINGS)
@blueprint.arguments(ReadingBatchIn)
@blueprint.response(200, BATCH)
def record_batch(batch: dict[str, Any]) -> dict[str, Any] | Response:
    """Record up to 1,000 readings. Bad rows never stop good ones; each is told by its place, from 0.

    Sending a batch again is harmless: what is there already is a duplicate.
    """
    if answered := answered_apart():
        return answered
    results: list[dict[str, Any]] = [{} for _ in batch["readings"]]
    sound: list[tuple[int, NewReading]] = []
    for number, row in enumerate(batch["readings"]):
        try:
            sound.append((number, NewReading(**ROW.load(row))))
        except ValidationError as error:
            results[number] = {"outcome": "refused", "errors": _fields(error.messages_dict, row)}
    outcomes = record_readings(
        services().engine, caller().clinic_id, [new for _, new in sound], caller().actor, services().clock.now()
    )
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


@blueprint.get("/patients/<uuid:patient_id>/readings")
@needs(Scope.REVIEW)
@blueprint.lists(ReadingOut, Dates)
def list_readings(query: dict[str, Any], patient_id: uuid.UUID) -> dict[str, Any]:
    """A patient's readings, newest first, superseded ones included and marked."""
    return list_rows(query, Reading, Reading.taken_at.desc(), patient_id=patient_id)


def _result(outcome: RecordedReading | Refused) -> dict[str, Any]:
    if isinstance(outcome, Refused):
        return {"outcome": "refused", "errors": [as_error(outcome)]}
    return {"outcome": outcome.outcome.value, "id": str(outcome.id)}


def _fields(messages: dict[str, Any], row: dict[str, Any]) -> list[dict[str, Any]]:
    return [
        as_error(Refused(name, row.get(name), " ".join(map(str, texts)) if isinstance(texts, list) else str(texts)))
        for name, texts in messages.items()
    ]
