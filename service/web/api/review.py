"""The weekly review: the panel, one patient, signatures, adjustments, coverage and measures."""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from datetime import date
from typing import Any

from flask import g
from marshmallow import Schema, fields
from sqlalchemy.orm import Session

from service.domain import days, review
from service.domain.days import Day
from service.domain.review import Amendment, Raised, Reason, amendments
from service.domain.signals.facts import PictureFacts, ResponseFacts
from service.domain.vocabulary import (
    CLINICAL_STAFF,
    AdjustmentKind,
    Lane,
    Outcome,
    PauseCause,
    SafetySign,
    Scope,
    SignalKind,
    SilenceCause,
    Swelling,
    TaskKind,
    WindowState,
)
from service.domain.vocabulary import (
    Response as Settling,
)
from service.reviewing import adjusting, measuring, patient, signing
from service.reviewing.adjusting import NewAdjustment
from service.reviewing.panel import build_panel
from service.reviewing.patient import SignedReview
from service.store.session import read_session
from service.store.tables import Adjustment
from service.web.api.base import (
    Blueprint,
    Words,
    WordsList,
    asked,
    instant,
    own,
    own_clinic,
    own_patient,
    part_of,
    text,
    word,
)
from service.web.api.guards import Call, caller, for_staff, needs
from service.web.frame import page_language
from service.web.problems import Problem
from service.web.services import services
from service.words.language import Language
from service.words.sentences import review as words
from service.words.sentences import signals, tasks

blueprint = Blueprint("review", "The weekly review")


def _signal(say: Language, raised: Raised) -> str:
    return signals.signal(say, raised.kind, raised.facts)


def _picture(say: Language, facts: PictureFacts | None) -> str:
    return signals.picture(say, facts) if facts else ""


def _response(say: Language, facts: ResponseFacts | None) -> str:
    return signals.response(say, facts) if facts else ""


def _why(say: Language, reasons: Sequence[Reason]) -> str:
    return words.reasons(say, reasons)[0]


def _also(say: Language, reasons: Sequence[Reason]) -> list[str]:
    return words.reasons(say, reasons)[1:]


class PanelQuery(Schema):
    lane = word(Lane)


class ReviewQuery(Schema):
    days = asked(1, 366, load_default=30)


class AdherenceOut(Schema):
    """Readings received of those expected; excused days are in neither number."""

    received = fields.Integer()
    expected = fields.Integer()
    excused = fields.Integer()


class SilenceNowOut(Schema):
    first_day = fields.Date()
    last_day = fields.Date()
    missed = fields.Integer()
    cause = word(SilenceCause)


class PauseNowOut(Schema):
    cause = word(PauseCause)
    from_day = fields.Date()
    to_day = fields.Date(allow_none=True)


class SignalOut(Schema):
    kind = word(SignalKind)
    sentence = Words(_signal, whole=True)
    since = fields.Date()


class TrendOut(Schema):
    """Where the pressure is, and where it may be going; null is "not known"."""

    level = fields.Float(allow_none=True)
    reference = fields.Float(allow_none=True)
    reference_is_set = fields.Boolean()
    days_to_limit = fields.Float(allow_none=True)
    sentence = Words(_picture, attribute="picture")
    signals = fields.List(fields.Nested(SignalOut))
    response = word(Settling, attribute="response_word", allow_none=True)
    response_sentence = Words(_response, attribute="response")


class WeightOut(Schema):
    now_kg = fields.Float()
    change_kg = fields.Float()
    on = fields.Date()


class OpenTaskOut(Schema):
    id = fields.UUID()
    kind = word(TaskKind)
    sentence = Words(tasks.task, attribute="facts")
    since = fields.Date()


class LastAdjustmentOut(Schema):
    made_on = fields.Date()
    what = fields.String()
    response = word(Settling, attribute="response_word", allow_none=True)
    response_sentence = Words(_response, attribute="response")
    follow_up_on = fields.Date(allow_none=True)
    follow_up_what = fields.String()


class SignedOut(Schema):
    id = fields.UUID()
    by = fields.String()
    at = instant()
    outcome = word(Outcome)


class EntryOut(Schema):
    """One patient's row of the weekly review."""

    patient_id = fields.UUID()
    name = fields.String()
    clinic_ref = fields.String()
    lane = word(Lane)
    why = Words(_why, attribute="reasons")
    also = WordsList(_also, attribute="reasons")
    today = fields.Date(attribute="summary.today")
    adherence = fields.Nested(AdherenceOut, attribute="summary.adherence")
    trend = fields.Nested(TrendOut, attribute="summary.trend")
    upper = fields.Float(attribute="summary.upper", allow_none=True)
    lower = fields.Float(attribute="summary.lower", allow_none=True)
    last_reading_on = fields.Date(attribute="summary.last_reading_on", allow_none=True)
    last_diary_on = fields.Date(attribute="summary.last_diary_on", allow_none=True)
    weight = fields.Nested(WeightOut, attribute="summary.weight", allow_none=True)
    symptoms = Words(words.symptoms, attribute="summary.symptoms")
    silence = fields.Nested(SilenceNowOut, attribute="summary.silence", allow_none=True)
    pause = fields.Nested(PauseNowOut, attribute="summary.pause", allow_none=True)
    adjustment = fields.Nested(LastAdjustmentOut, allow_none=True)
    tasks = fields.List(fields.Nested(OpenTaskOut))
    signed = fields.Nested(SignedOut, allow_none=True)
    carried_over = fields.Boolean()
    days_since_review = fields.Integer(allow_none=True)


class LaneOut(Schema):
    lane = word(Lane)
    patients = fields.List(fields.Nested(EntryOut))


class PanelOut(Schema):
    """The weekly review: every active patient, in four lanes, in the order of attention."""

    week = fields.Date()
    today = fields.Date()
    as_of = instant()
    signed = fields.Integer()
    patients = fields.Integer()
    lanes = fields.List(fields.Nested(LaneOut))


class DayOut(Schema):
    """One local date; null is "nothing was given"."""

    day = fields.Date()
    window = word(WindowState, allow_none=True)
    wants_reading = fields.Boolean()
    readings = fields.Integer()
    pa_systolic = fields.Float(allow_none=True)
    pa_diastolic = fields.Float(allow_none=True)
    pa_mean = fields.Float(allow_none=True)
    heart_rate = fields.Float(allow_none=True)
    remarks = fields.List(fields.String())
    checkin = fields.Boolean()
    breathlessness = fields.Integer(allow_none=True)
    extra_pillows = fields.Integer(allow_none=True)
    woke_breathless = fields.Boolean(allow_none=True)
    swelling = word(Swelling, allow_none=True)
    weight_kg = fields.Float(allow_none=True)
    light_headed = fields.Boolean(allow_none=True)
    tiredness = fields.Integer(allow_none=True)
    missed_medicines = fields.Boolean(allow_none=True)
    safety_signs = fields.List(word(SafetySign))
    note = fields.String()
    pause = word(PauseCause, allow_none=True)


class SilencePastOut(Schema):
    first_day = fields.Date()
    last_day = fields.Date()
    missed = fields.Integer()
    cause = word(SilenceCause)
    ended_at = instant(allow_none=True)


class AdjustmentOut(Schema):
    id = fields.UUID()
    kind = word(AdjustmentKind)
    what = fields.String()
    made_on = fields.Date()
    by = fields.String()
    recorded_at = instant()
    follow_up_on = fields.Date(allow_none=True)
    follow_up_what = fields.String()
    followed_up_at = instant(allow_none=True)


class AmendmentOut(Schema):
    """What became known of a signed day after it was signed."""

    day = fields.Date()
    sentence = Words(words.amendment, whole=True)


class SignOffOut(Schema):
    """A signed review, with what was seen frozen in it."""

    id = fields.UUID()
    week = fields.Date()
    by = fields.String()
    at = instant()
    outcome = word(Outcome)
    note = fields.String()
    next_look = fields.Date(allow_none=True)
    frozen = fields.Dict()
    frozen_hash = fields.String()
    amendments = fields.List(fields.Nested(AmendmentOut))


class PatientReviewOut(Schema):
    """One patient: the row of the panel, and every day asked for with diary and pressures joined."""

    entry = fields.Nested(EntryOut)
    days = fields.List(fields.Nested(DayOut))
    silences = fields.List(fields.Nested(SilencePastOut))
    adjustments = fields.List(fields.Nested(AdjustmentOut))
    as_of = instant()


class SignOffIn(Schema):
    outcome = word(Outcome, required=True)
    note = text(4000, required=False, load_default="")
    next_look = fields.Date(load_default=None, allow_none=True)


class AdjustmentIn(Schema):
    """What changed, in free text including any dose; `corrects` names an adjustment that this one supersedes."""

    kind = word(AdjustmentKind, required=True)
    what = text(2000)
    made_on = fields.Date(required=True)
    follow_up_on = fields.Date(load_default=None, allow_none=True)
    follow_up_what = text(2000, required=False, load_default="")
    corrects = fields.UUID(load_default=None, allow_none=True)


class WeekOut(Schema):
    """Who was reviewed in a week, and who was not."""

    first = fields.Date()
    signed = fields.Integer()
    enrolled = fields.Integer()
    unsigned = fields.List(fields.String())


class CoverageOut(Schema):
    weeks = fields.List(fields.Nested(WeekOut))


class ShareOut(Schema):
    part = fields.Integer()
    whole = fields.Integer()


class WaitingOut(Schema):
    median_days = fields.Float(allow_none=True)
    known = fields.Integer()
    open = fields.Integer()


class MeasuresOut(Schema):
    """How the clinic is doing over the last weeks; null is "cannot be known"."""

    readings = fields.Nested(ShareOut)
    reviews = fields.Nested(ShareOut)
    first_contact = fields.Nested(WaitingOut)
    to_settled = fields.Nested(WaitingOut)
    signals = fields.Integer()
    episodes = fields.Integer()
    signals_per_100 = fields.Float(allow_none=True)
    patient_weeks = fields.Float()
    nights = fields.Integer()


WEEKS = 12


@blueprint.get("/review")
@needs(Scope.REVIEW)
@blueprint.arguments(PanelQuery, location="query")
@blueprint.response(200, PanelOut)
def panel(query: dict[str, Any]) -> dict[str, Any]:
    """Every active patient in four lanes, each with the reason in a sentence. Nobody is left out for want of data."""
    with read_session(services().engine) as session:
        built = build_panel(session, caller().clinic_id, services().clock.now())
    wanted = query.get("lane")
    return {
        "week": built.week,
        "today": built.today,
        "as_of": built.as_of,
        "signed": built.signed,
        "patients": len(built.entries),
        "lanes": [
            {"lane": lane, "patients": built.lanes[lane]} for lane in review.LANES if wanted is None or lane is wanted
        ],
    }


@blueprint.get("/review/coverage")
@needs(Scope.REVIEW)
@blueprint.response(200, CoverageOut)
def coverage() -> dict[str, Any]:
    """Who was reviewed in each of the last weeks, and who was not."""
    with read_session(services().engine) as session:
        return {"weeks": measuring.coverage(session, caller().clinic_id, services().clock.now(), WEEKS)}


@blueprint.get("/review/measures")
@needs(Scope.REVIEW)
@blueprint.response(200, MeasuresOut)
def measures() -> measuring.Measures:
    """How the clinic is doing over the last weeks."""
    with read_session(services().engine) as session:
        return measuring.measure(session, caller().clinic_id, services().clock.now(), WEEKS)


@blueprint.get("/patients/<uuid:patient_id>/review")
@needs(Scope.REVIEW)
@blueprint.arguments(ReviewQuery, location="query")
@blueprint.response(200, PatientReviewOut)
def one(query: dict[str, Any], patient_id: uuid.UUID) -> patient.PatientReview:
    """One patient: where they are and why, and every day with diary and pressures joined."""
    with read_session(services().engine) as session:
        own_patient(session, patient_id)
        now = services().clock.now()
        return patient.build_patient(session, caller().clinic_id, patient_id, now, query["days"])


@blueprint.get("/patients/<uuid:patient_id>/sign-offs")
@needs(Scope.REVIEW)
@blueprint.lists(SignOffOut)
def signed(query: dict[str, Any], patient_id: uuid.UUID) -> dict[str, Any]:
    """The patient's signed reviews, newest first, each with what became known of its days since."""
    with read_session(services().engine) as session:
        own_patient(session, patient_id)
        listed = part_of(patient.reviews_of(session, own_clinic(session), patient_id), query)
        known = _known(session, listed["items"], patient_id)
    return listed | {"items": [_as_mapping(one) | {"amendments": _amended(one, known)} for one in listed["items"]]}


@blueprint.post("/patients/<uuid:patient_id>/sign-offs")
@for_staff(*CLINICAL_STAFF)
@blueprint.writes(SignOffOut, 201, takes=SignOffIn)
def sign(call: Call, new: dict[str, Any], patient_id: uuid.UUID) -> dict[str, Any]:
    """Sign this week's review. 409 names who had signed it before: one signature a week stands."""
    own_patient(call.session, patient_id)
    try:
        signing.sign(
            call.session,
            g.clinic_id,
            patient_id,
            call.staff,
            new["outcome"],
            new["note"],
            new["next_look"],
            call.now,
            page_language(),
        )
    except signing.AlreadySigned as first:
        raise Problem(409, str(first)) from None
    newest = patient.reviews_of(call.session, own_clinic(call.session), patient_id)[0]
    return _as_mapping(newest) | {"amendments": []}


@blueprint.get("/patients/<uuid:patient_id>/adjustments")
@needs(Scope.REVIEW)
@blueprint.lists(AdjustmentOut)
def adjustments(query: dict[str, Any], patient_id: uuid.UUID) -> dict[str, Any]:
    """What was changed, newest first; what was corrected is not among them."""
    with read_session(services().engine) as session:
        own_patient(session, patient_id)
        return part_of(patient.adjustments_of(session, g.clinic_id, patient_id), query)


@blueprint.post("/patients/<uuid:patient_id>/adjustments")
@for_staff(*CLINICAL_STAFF)
@blueprint.writes(AdjustmentOut, 201, takes=AdjustmentIn)
def adjust(call: Call, new: dict[str, Any], patient_id: uuid.UUID) -> Any:
    """Record what was changed, or correct an earlier record of it."""
    corrects = new.pop("corrects")
    own_patient(call.session, patient_id)
    try:
        made = adjusting.record_adjustment(
            call.session, g.clinic_id, patient_id, NewAdjustment(**new), call.staff, call.now, corrects=corrects
        )
    except LookupError:
        raise Problem(422, "corrects: accepted is a current adjustment of this patient") from None
    return _made(call.session, made)


@blueprint.post("/adjustments/<uuid:adjustment_id>/followed-up")
@for_staff(*CLINICAL_STAFF)
@blueprint.writes(AdjustmentOut)
def followed_up(call: Call, adjustment_id: uuid.UUID) -> Any:
    """Note that the follow-up was done; the first note stands."""
    made = own(call.session, Adjustment, adjustment_id)
    try:
        adjusting.follow_up_done(call.session, g.clinic_id, adjustment_id, call.staff, call.now)
    except LookupError:
        raise Problem(409, "This adjustment has no follow-up, or was corrected.") from None
    call.session.refresh(made)
    return _made(call.session, made)


def _made(session: Session, made: Adjustment) -> Any:
    """The adjustment with its author's name, as lists give it."""
    found = patient.adjustments_of(session, made.clinic_id, made.patient_id)
    return next(one for one in found if one.id == made.id)


def _as_mapping(past: SignedReview) -> dict[str, Any]:
    """A signed review as a mapping."""
    return {name: getattr(past, name) for name in SignedReview.__slots__}


def _known(session: Session, past: Sequence[SignedReview], patient_id: uuid.UUID) -> tuple[Day, ...]:
    """The days of all these reviews as they read now; one read, whatever their number."""
    firsts = [date.fromisoformat(one.frozen["days"][0]["day"]) for one in past]
    if not firsts:
        return ()
    return patient.days_since(session, caller().clinic_id, patient_id, min(firsts), services().clock.now())


def _amended(past: SignedReview, known: Sequence[Day]) -> list[Amendment]:
    return amendments([days.from_json(day) for day in past.frozen["days"]], known)
