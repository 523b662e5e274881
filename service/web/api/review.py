"""The weekly review: the panel, one patient, signatures, adjustments, coverage and measures."""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from datetime import date
from typing import Any

from flask import Response
from marshmallow import Schema
from sqlalchemy.orm import Session

from service.domain import days, review
from service.domain.days import Day
from service.domain.review import Amendment, amendments
from service.domain.vocabulary import CLINICAL_STAFF, Scope
from service.reviewing import adjusting, measuring, patient, signing
from service.reviewing.adjusting import NewAdjustment
from service.reviewing.panel import build_panel
from service.reviewing.patient import SignedReview
from service.store.session import read_session
from service.store.tables import Adjustment, Patient
from service.web.api import finding
from service.web.api.fields import Page, listing
from service.web.api.guards import caller, for_staff, needs, once
from service.web.api.resource import Blueprint
from service.web.api.reviewschemas import (
    AdjustmentIn,
    AdjustmentOut,
    CoverageOut,
    MeasuresOut,
    PanelOut,
    PanelQuery,
    PatientReviewOut,
    ReviewQuery,
    SignOffIn,
    SignOffOut,
)
from service.web.auth import CurrentStaff, current_staff
from service.web.problems import Problem
from service.web.services import services

blueprint = Blueprint("api_review", __name__, url_prefix="/api/v1", description="The weekly review")
ADJUSTMENT, SIGNED = AdjustmentOut(), SignOffOut()
WEEKS = 12


@blueprint.route("/review", methods=["GET"])
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


@blueprint.route("/review/coverage", methods=["GET"])
@needs(Scope.REVIEW)
@blueprint.response(200, CoverageOut)
def coverage() -> dict[str, Any]:
    """Who was reviewed in each of the last weeks, and who was not."""
    with read_session(services().engine) as session:
        return {"weeks": measuring.coverage(session, caller().clinic_id, services().clock.now(), WEEKS)}


@blueprint.route("/review/measures", methods=["GET"])
@needs(Scope.REVIEW)
@blueprint.response(200, MeasuresOut)
def measures() -> measuring.Measures:
    """How the clinic is doing over the last weeks."""
    with read_session(services().engine) as session:
        return measuring.measure(session, caller().clinic_id, services().clock.now(), WEEKS)


@blueprint.route("/patients/<uuid:patient_id>/review", methods=["GET"])
@needs(Scope.REVIEW)
@blueprint.arguments(ReviewQuery, location="query")
@blueprint.response(200, PatientReviewOut)
def one(query: dict[str, Any], patient_id: uuid.UUID) -> patient.PatientReview:
    """One patient: where they are and why, and every day with diary and pressures joined."""
    with read_session(services().engine) as session:
        finding.own(session, Patient, patient_id)
        now = services().clock.now()
        return patient.build_patient(session, caller().clinic_id, patient_id, now, query["days"])


@blueprint.route("/patients/<uuid:patient_id>/sign-offs", methods=["GET"])
@needs(Scope.REVIEW)
@blueprint.arguments(Page, location="query")
@blueprint.response(200, listing(SignOffOut))
def signed(query: dict[str, int], patient_id: uuid.UUID) -> dict[str, Any]:
    """The patient's signed reviews, newest first, each with what became known of its days since."""
    with read_session(services().engine) as session:
        finding.own(session, Patient, patient_id)
        told = _part(patient.reviews_of(session, finding.own_clinic(session), patient_id), query)
        known = _known(session, told["items"], patient_id)
    return told | {"items": [_as_mapping(one) | {"amendments": _amended(one, known)} for one in told["items"]]}


@blueprint.route("/patients/<uuid:patient_id>/sign-offs", methods=["POST"])
@for_staff(*CLINICAL_STAFF)
@blueprint.arguments(SignOffIn)
@blueprint.response(201, SIGNED)
def sign(new: dict[str, Any], patient_id: uuid.UUID) -> Response:
    """Sign this week's review. 409 names who had signed it before: one signature a week stands."""
    with once() as call:
        if call.answered:
            return call.answered
        finding.own(call.session, Patient, patient_id)
        try:
            signing.sign(
                call.session, caller().clinic_id, patient_id, _staff(), new["outcome"], new["note"], new["next_look"],
                services().clock.now(),
            )  # fmt: skip
        except signing.AlreadySigned as first:
            raise Problem(409, str(first)) from None
        newest = patient.reviews_of(call.session, finding.own_clinic(call.session), patient_id)[0]
        return call.answer(SIGNED, _as_mapping(newest) | {"amendments": []})


@blueprint.route("/patients/<uuid:patient_id>/adjustments", methods=["GET"])
@needs(Scope.REVIEW)
@blueprint.arguments(Page, location="query")
@blueprint.response(200, listing(AdjustmentOut))
def adjustments(query: dict[str, int], patient_id: uuid.UUID) -> dict[str, Any]:
    """What was changed, newest first; what was corrected is not among them."""
    with read_session(services().engine) as session:
        finding.own(session, Patient, patient_id)
        return _part(patient.adjustments_of(session, caller().clinic_id, patient_id), query)


@blueprint.route("/patients/<uuid:patient_id>/adjustments", methods=["POST"])
@for_staff(*CLINICAL_STAFF)
@blueprint.arguments(AdjustmentIn)
@blueprint.response(201, ADJUSTMENT)
def adjust(new: dict[str, Any], patient_id: uuid.UUID) -> Response:
    """Record what was changed, or correct an earlier record of it."""
    corrects = new.pop("corrects")
    with once() as call:
        if call.answered:
            return call.answered
        finding.own(call.session, Patient, patient_id)
        try:
            made = adjusting.record_adjustment(
                call.session, caller().clinic_id, patient_id, NewAdjustment(**new), _staff(), services().clock.now(),
                corrects=corrects,
            )  # fmt: skip
        except LookupError:
            raise Problem(422, "corrects: accepted is a current adjustment of this patient") from None
        return call.answer(ADJUSTMENT, _made(call.session, made))


@blueprint.route("/adjustments/<uuid:adjustment_id>/followed-up", methods=["POST"])
@for_staff(*CLINICAL_STAFF)
@blueprint.arguments(Schema.from_dict({}, name="NothingToFollowUp"))
@blueprint.response(200, ADJUSTMENT)
def followed_up(_nothing: dict[str, Any], adjustment_id: uuid.UUID) -> Response:
    """Note that the follow-up was done; the first note stands."""
    with once() as call:
        if call.answered:
            return call.answered
        made = finding.own(call.session, Adjustment, adjustment_id)
        try:
            adjusting.follow_up_done(call.session, caller().clinic_id, adjustment_id, _staff(), services().clock.now())
        except LookupError:
            raise Problem(409, "This adjustment has no follow-up, or was corrected.") from None
        call.session.refresh(made)
        return call.answer(ADJUSTMENT, _made(call.session, made), 200)


def _part(found: Sequence[Any], page: dict[str, int]) -> dict[str, Any]:
    """One page of what one patient has: a few dozen at most, so it is read whole."""
    first = (page["page"] - 1) * page["page_size"]
    return {"items": list(found[first : first + page["page_size"]]), "total": len(found), **page}


def _staff() -> CurrentStaff:
    staff = current_staff()
    if staff is None:
        raise Problem(403, "For signed-in staff.")
    return staff


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
