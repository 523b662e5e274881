"""The weekly review: the panel, one patient, signatures, adjustments, coverage and measures."""

from __future__ import annotations

import uuid
from dataclasses import replace
from functools import partial
from typing import Any

from flask import g
from marshmallow import Schema, fields
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.domain import review
from service.domain.days import Day, Paused
from service.domain.localtime import local_date
from service.domain.measures import Figures, Share, Waiting
from service.domain.record.goals import InRange
from service.domain.rights import Right
from service.domain.signals.facts import Compared, Episode, WeightWeek
from service.domain.since import LaterDay
from service.domain.summary import Adherence, SilenceNow, TrendSummary
from service.domain.validation import Refused
from service.domain.vocabulary import AdjustmentKind, Lane, Outcome, Scope, SignalKind
from service.domain.vocabulary import Response as Settling
from service.recording import medicines
from service.reviewing import (
    accepting,
    adjusting,
    covering,
    episodes,
    joining,
    measuring,
    messaging,
    patient,
    signing,
    withdrawing,
)
from service.reviewing.adjusting import NewAdjustment
from service.reviewing.panel import PanelEntry, build_panel
from service.reviewing.patient import SignedReview
from service.reviewing.placing import current_week
from service.store import signatures
from service.store.audit import Act
from service.store.histories import GoalSet, SilencePast
from service.store.session import read_session
from service.store.staffwork import AddedRow, SignedRow
from service.store.tables import (
    Acceptance,
    Adjustment,
    EpisodeClosing,
    MedicineRow,
    Message,
    Patient,
    ReviewAddition,
    SignOff,
    SignOffWithdrawal,
)
from service.web import trail
from service.web.api.base import Blueprint, asked, instant, list_rows, said, shows, text, told, word, yes_no
from service.web.api.guards import Call, for_staff, reads
from service.web.auth import own, own_clinic, own_patient
from service.web.frame import page_language
from service.web.problems import Problem
from service.web.services import services
from service.words.sentences import diary, signals, tasks
from service.words.sentences import record as record_words
from service.words.sentences import review as words

blueprint = Blueprint("review", "The weekly review")


# --- answers: null is "not known", "nothing was given" or "cannot be known" ---------------------

_RESPONSE: dict[str, Any] = {
    "response": word(Settling, attribute="response_word", allow_none=True),
    "response_sentence": said(lambda say, to: signals.response(say, to.response) if to.response else ""),
}
AdherenceOut = shows("AdherenceOut", Adherence, "received expected excused")
SilenceNowOut = shows("SilenceNowOut", SilenceNow, "first_day last_day missed cause")
PauseNowOut = shows("PauseNowOut", Paused, "cause from_day to_day")
SignalOut = shows(
    "SignalOut",
    Episode,
    "kind sentence since",
    sentence=said(lambda say, raised: signals.signal(say, raised.kind, raised.facts)),
    since=fields.Date(attribute="began_on"),
)
TrendOut = shows(
    "TrendOut",
    TrendSummary,
    "level reference reference_is_set days_to_limit sentence signals response response_sentence",
    sentence=said(lambda say, trend: signals.picture(say, trend.picture) if trend.picture else ""),
    signals=SignalOut,
    **_RESPONSE,
)
# One of the four states of knowledge, and on how many of the last days it was compared and unchanged.
ComparedOut = shows("ComparedOut", Compared, "knowledge days heard of last_on")
WeightOut = shows("WeightOut", WeightWeek, "kg change_kg")
ClosedEpisodeOut = shows("ClosedEpisodeOut", episodes.ClosedEpisode, "id kind closed_on known_to reason by new_usual")
OpenTaskOut = shows(
    "OpenTaskOut",
    review.OpenTask,
    "id kind sentence since",
    sentence=said(lambda say, task: tasks.task(say, task.facts)),
)
LastAdjustmentOut = shows(
    "LastAdjustmentOut",
    review.LastAdjustment,
    "made_on what response response_sentence follow_up_on follow_up_what seal",
    **_RESPONSE,
)
AddedOut = shows("AddedOut", AddedRow, "id by at outcome note seal")
SignedOut = shows("SignedOut", SignedRow, "id by at outcome seal additions", additions=AddedOut)
EntryOut = shows(
    "EntryOut",
    PanelEntry,
    "patient_id name clinic_ref lane why also summary.today summary.adherence summary.trend summary.upper summary.lower"
    " summary.last_reading_on summary.last_diary_on pressure diary weighed weight symptoms summary.silence"
    " summary.pause adjustment tasks signed to_do since_signed seen must_be_opened carried_over days_since_review",
    why=said(lambda say, entry: words.reasons(say, entry.reasons)[0]),
    also=said(lambda say, entry: words.reasons(say, entry.reasons)[1:], type="array", items={"type": "string"}),
    since_signed=said(lambda say, entry: words.since(say, entry.reviewed_on, entry.since)),
    symptoms=said(lambda say, entry: diary.diary_week(say, entry.summary.trend.picture)),
    pressure=fields.Nested(ComparedOut, attribute="summary.trend.pressure.compared"),
    diary=fields.Nested(ComparedOut, attribute="summary.trend.diary.compared"),
    weighed=fields.Nested(ComparedOut, attribute="summary.trend.diary.weighed"),
    adherence=AdherenceOut,
    trend=TrendOut,
    weight=fields.Nested(WeightOut, attribute="summary.trend.diary.weight"),
    silence=SilenceNowOut,
    pause=PauseNowOut,
    adjustment=LastAdjustmentOut,
    tasks=OpenTaskOut,
    signed=SignedOut,
)
DayOut = shows(
    "DayOut",
    Day,
    "day window wants_reading readings pa_systolic pa_diastolic pa_mean heart_rate remarks checkin breathlessness"
    " extra_pillows woke_breathless slept_in_chair swelling full_belly weight_kg weight_doubt light_headed tiredness"
    " missed_medicines safety_signs note pause",
)
SilencePastOut = shows("SilencePastOut", SilencePast, "first_day last_day missed cause ended_at")
AdjustmentOut = shows(
    "AdjustmentOut",
    patient.AdjustmentShown,
    "id kind what made_on by recorded_at follow_up_on follow_up_what followed_up_at medicine_id person_id"
    " superseded_at seal",
)
PatientReviewOut = shows(
    "PatientReviewOut",
    patient.PatientReview,
    "entry days silences adjustments goal in_range as_of",
    goal=shows("GoalInForceOut", GoalSet, "lower upper why until set_at"),
    in_range=shows(
        "InRangeOut", InRange, "days first read within above sentence", sentence=said(record_words.in_range)
    ),
    entered=fields.Function(
        lambda seen: {day.isoformat(): list(said) for day, said in joining.entered_words(seen).items()},
        metadata={"type": "object", "additionalProperties": {"type": "array", "items": {"type": "string"}}},
    ),
    entry=fields.Nested(EntryOut, attribute="placed", allow_none=True),
    days=DayOut,
    silences=SilencePastOut,
    adjustments=AdjustmentOut,
)
# A signed day that reads differently now, whether or not that would have changed anything.
LaterOut = shows("LaterOut", LaterDay, "day sentence", sentence=said(words.later_day))
AdditionOut = shows("AdditionOut", patient.AddedReview, "id number by at outcome note frozen frozen_hash seal")
SignOffOut = shows(
    "SignOffOut",
    SignedReview,
    "id week by at outcome note next_look frozen frozen_hash seal taken_back_at additions",
    additions=AdditionOut,
    later_values=fields.List(fields.Nested(LaterOut)),
)
WithdrawalOut = shows("WithdrawalOut", SignOffWithdrawal, "id sign_off_id withdrawn_by withdrawn_at")
WeekOut = shows("WeekOut", covering.Covered, "first signed enrolled unsigned left_unsigned")
ShareOut = shows("ShareOut", Share, "part whole")
WaitingOut = shows("WaitingOut", Waiting, "median_days known open")
FiguresOut = shows(
    "FiguresOut",
    Figures,
    "weeks readings reviews first_contact to_settled signals episodes signals_per_100 patient_weeks nights",
    readings=ShareOut,
    reviews=ShareOut,
    first_contact=WaitingOut,
    to_settled=WaitingOut,
)
MeasuredWeekOut = shows("MeasuredWeekOut", measuring.Week, "first running figures", figures=FiguresOut)
MeasuresOut = shows(
    "MeasuresOut",
    measuring.Measures,
    "lately before weeks",
    lately=FiguresOut,
    before=FiguresOut,
    weeks=MeasuredWeekOut,
    as_of=instant(),
)


class LaneOut(Schema):
    lane = word(Lane)
    patients = fields.List(fields.Nested(EntryOut))


class PanelOut(Schema):
    """The weekly review: every active patient, in four lanes, in the order of attention."""

    week = fields.Date()
    today = fields.Date()
    as_of = instant()
    signed = fields.Integer()
    to_do = fields.Integer()
    patients = fields.Integer()
    lanes = fields.List(fields.Nested(LaneOut))


class CoverageOut(Schema):
    """Who was reviewed in each week, and who was not."""

    weeks = fields.List(fields.Nested(WeekOut))


# --- what is asked and sent ---------------------------------------------------------------------


class PanelQuery(Schema):
    lane = word(Lane)
    to_do = fields.Boolean()


class ReviewQuery(Schema):
    days = asked(1, 366, load_default=30)


class SignOffIn(Schema):
    outcome = word(Outcome, required=True)
    note = text(4000, required=False, load_default="")
    next_look = fields.Date(load_default=None, allow_none=True)
    seen = text(16, required=False, load_default=None, allow_none=True)


class AdditionIn(Schema):
    """What was done about what came since; `seen` is the mark of the entry as it was read."""

    outcome = word(Outcome, required=True)
    note = text(4000, required=False, load_default="")
    seen = text(16)


class EpisodeClosingIn(Schema):
    """Which episode of the diary is closed, and why, though no answers have closed it.

    `new_usual`: the answers, or weighings, of the last week are this patient's usual from now on.
    """

    kind = word(SignalKind, required=True)
    reason = text(episodes.LONGEST_REASON)
    new_usual = yes_no(load_default=False)


class AdjustmentIn(Schema):
    """What changed, in free text including any dose; `corrects` names an adjustment that this one supersedes.

    `medicine_id` is the course of the record that it began; with a `dose`, the course that it ended: the next is
    recorded in the same act. A change of diet, dialysis or device points at what was known of the person then, in
    `person_id`: set fluid, sodium, dialysis days or device there first.
    """

    kind = word(AdjustmentKind, required=True)
    what = text(2000)
    made_on = fields.Date(required=True)
    follow_up_on = fields.Date(load_default=None, allow_none=True)
    follow_up_what = text(2000, required=False, load_default="")
    medicine_id = fields.UUID(load_default=None, allow_none=True)
    dose = text(16, required=False, allow_none=True, load_default=None)
    times_a_day = text(16, required=False, allow_none=True, load_default=None)
    corrects = fields.UUID(load_default=None, allow_none=True)


class AcceptanceIn(Schema):
    """Why a level that has been high for weeks is known, and the last day on which that holds."""

    reason = text(accepting.LONGEST_REASON)
    until = fields.Date(required=True)


AcceptanceOut = shows("AcceptanceOut", Acceptance, "id reason until accepted_by accepted_at taken_back_at")


WEEKS = 12


@blueprint.get("/review", allowed=reads(Scope.REVIEW))
@blueprint.arguments(PanelQuery, location="query")
@blueprint.response(200, PanelOut)
def show_review(query: dict[str, Any]) -> dict[str, Any]:
    """Every active patient in four lanes, each with the reason in a sentence. Nobody is left out for want of data."""
    with read_session(services().engine) as session:
        built = build_panel(session, g.clinic_id, services().clock.now())
    trail.of_many(len(built.entries))
    wanted, to_do = query.get("lane"), query.get("to_do")
    return {
        "week": built.week,
        "today": built.today,
        "as_of": built.as_of,
        "signed": built.signed,
        "to_do": built.to_do,
        "patients": len(built.entries),
        "lanes": [
            {"lane": lane, "patients": [one for one in built.lanes[lane] if to_do in {None, one.to_do}]}
            for lane in review.LANES
            if wanted is None or lane is wanted
        ],
    }


@blueprint.get("/review/coverage", allowed=reads(Scope.REVIEW))
@blueprint.response(200, CoverageOut)
def show_coverage() -> dict[str, Any]:
    """Who was reviewed in each of the last weeks, and who was not."""
    with read_session(services().engine) as session:
        weeks = covering.coverage(session, g.clinic_id, services().clock.now(), WEEKS)
    trail.of_many(max((len(week.unsigned) for week in weeks), default=0))
    return {"weeks": weeks}


@blueprint.get("/review/measures", allowed=reads(Scope.REVIEW))
@blueprint.response(200, MeasuresOut)
def show_measures() -> dict[str, Any]:
    """How the clinic is doing: week by week, `lately` (13 whole weeks) and `before` them (as many, if there are)."""
    where, now = services().for_long_reads(), services().clock.now()
    with read_session(where.engine) as session:
        found = measuring.measure(session, g.clinic_id, now)
    return {"as_of": where.as_of or now, "lately": found.lately, "before": found.before, "weeks": found.weeks}


@blueprint.get("/patients/<uuid:patient_id>/review", allowed=reads(Scope.REVIEW))
@blueprint.arguments(ReviewQuery, location="query")
@blueprint.response(200, PatientReviewOut)
def show_patient_review(query: dict[str, Any], patient_id: uuid.UUID) -> patient.PatientReview:
    """One patient: where they are and why, and every day with diary and pressures joined."""
    with read_session(services().engine) as session:
        own_patient(session, patient_id)
        now = services().clock.now()
        return patient.build_patient(session, g.clinic_id, patient_id, now, query["days"])


@blueprint.get("/patients/<uuid:patient_id>/sign-offs", allowed=reads(Scope.REVIEW))
@blueprint.lists(SignOffOut)
def list_sign_offs(query: dict[str, Any], patient_id: uuid.UUID) -> dict[str, Any]:
    """The patient's signed reviews, newest first, each with what was added, and which days read differently now."""
    with read_session(services().engine) as session:
        own_patient(session, patient_id)
        news, shown = signatures.news(patient_id), partial(patient.reviews_of, session, own_clinic(session), patient_id)
        wanted = select(SignOff).join(news, news.c.id == SignOff.id)
        listed = told(session, query, wanted, news.c, shown)
        later = patient.later_values(session, g.clinic_id, patient_id, listed["items"], services().clock.now())
    return listed | {"items": [_as_mapping(one) | {"later_values": later[one.id]} for one in listed["items"]]}


@blueprint.post("/patients/<uuid:patient_id>/sign-offs", allowed=for_staff(Right.CARE))
@blueprint.writes(SignOffOut, 201, takes=SignOffIn)
def sign_review(call: Call, new: dict[str, Any], patient_id: uuid.UUID) -> dict[str, Any]:
    """Sign this week's review. 409 names who had signed it before: one signature a week stands.

    Give `seen`, the mark of the patient's entry as it was read, and 409 also tells that something came since.
    Where `must_be_opened` is true it has to be given, with an outcome other than "no_change" or a note.
    """
    own_patient(call.session, patient_id)
    try:
        signing.sign(call.act, patient_id, **new, say=page_language())
    except signing.AlreadySigned as first:
        raise Problem(409, str(first)) from None
    except signing.LookAgain as changed:
        raise Problem(409, str(changed), kind="look-again") from None
    newest = patient.reviews_of(call.session, own_clinic(call.session), patient_id)[0]
    return _as_mapping(newest) | {"later_values": []}


@blueprint.post("/sign-offs/<uuid:sign_off_id>/take-back", allowed=for_staff(Right.CARE))
@blueprint.writes(WithdrawalOut)
def take_signature_back(call: Call, sign_off_id: uuid.UUID) -> Any:
    """Take a signature back within minutes of giving it, with what was done in the same act. It stays on record.

    409 tells why it stands: it is another's, it is older, or something was added to it.
    """
    own(call.session, SignOff, sign_off_id)
    try:
        return withdrawing.take_back(call.act, sign_off_id)
    except withdrawing.StillStands as stands:
        raise Problem(409, str(stands)) from None


@blueprint.post("/sign-offs/<uuid:sign_off_id>/additions", allowed=for_staff(Right.CARE))
@blueprint.writes(AdditionOut, 201, takes=AdditionIn)
def add_to_review(call: Call, new: dict[str, Any], sign_off_id: uuid.UUID) -> Any:
    """Add what came since to this week's signature. 409 tells that the entry is no longer what was read: look again."""
    signed = own(call.session, SignOff, sign_off_id)
    if signed.week != current_week(own_clinic(call.session), call.now):
        raise Problem(409, "The week of this signature is over.", kind="not-now")
    try:
        added = signing.add(call.act, signed.patient_id, **new, say=page_language(), to=sign_off_id)
    except signing.LookAgain as changed:
        raise Problem(409, str(changed), kind="look-again") from None
    except signing.NotSigned as taken_back:
        raise Problem(409, str(taken_back)) from None
    (made,) = patient.additions_of(call.session, own_clinic(call.session), ReviewAddition.id == added.id).values()
    return made[0]


@blueprint.get("/patients/<uuid:patient_id>/adjustments", allowed=reads(Scope.REVIEW))
@blueprint.lists(AdjustmentOut)
def list_adjustments(query: dict[str, Any], patient_id: uuid.UUID) -> dict[str, Any]:
    """What was changed, newest first; what was corrected is not among them."""
    with read_session(services().engine) as session:
        own_patient(session, patient_id)
        wanted = select(Adjustment).where(Adjustment.clinic_id == g.clinic_id, Adjustment.patient_id == patient_id)
        shown = partial(patient.adjustments_of, session, g.clinic_id, patient_id)
        return told(session, query, wanted, Adjustment, shown)


@blueprint.post("/patients/<uuid:patient_id>/adjustments", allowed=for_staff(Right.CARE))
@blueprint.writes(AdjustmentOut, 201, takes=AdjustmentIn)
def record_adjustment(call: Call, new: dict[str, Any], patient_id: uuid.UUID) -> Any:
    """Record what was changed, or correct an earlier record of it."""
    corrects, whose = new.pop("corrects"), own_patient(call.session, patient_id)
    dose, times = new.pop("dose"), new.pop("times_a_day")
    try:
        made = change(call.act, whose, NewAdjustment(**new), dose, times, corrects)
    except LookupError:
        raise Problem(422, "corrects: accepted is a current adjustment of this patient") from None
    return _made(call.session, made)


@blueprint.post("/adjustments/<uuid:adjustment_id>/followed-up", allowed=for_staff(Right.CARE))
@blueprint.writes(AdjustmentOut)
def note_follow_up(call: Call, adjustment_id: uuid.UUID) -> Any:
    """Note that the follow-up was done; the first note stands."""
    made = own(call.session, Adjustment, adjustment_id)
    try:
        adjusting.follow_up_done(call.act, adjustment_id)
    except LookupError:
        raise Problem(409, "This adjustment has no follow-up, or was corrected.", kind="not-now") from None
    call.session.refresh(made)
    return _made(call.session, made)


@blueprint.get("/patients/<uuid:patient_id>/closed-episodes", allowed=reads(Scope.REVIEW))
@blueprint.lists(ClosedEpisodeOut)
def list_closed_episodes(query: dict[str, Any], patient_id: uuid.UUID) -> dict[str, Any]:
    """The episodes of the diary that staff closed, newest first, each with its reason."""
    with read_session(services().engine) as session:
        own_patient(session, patient_id)
        wanted = select(EpisodeClosing).where(EpisodeClosing.patient_id == patient_id)
        return told(session, query, wanted, EpisodeClosing, partial(episodes.closed_episodes, session, patient_id))


@blueprint.post("/patients/<uuid:patient_id>/closed-episodes", allowed=for_staff(Right.CARE))
@blueprint.writes(ClosedEpisodeOut, 201, takes=EpisodeClosingIn)
def close_episode(call: Call, new: dict[str, Any], patient_id: uuid.UUID) -> episodes.ClosedEpisode:
    """Close worse symptoms or a weight that moved, with a reason. A later answer that is still worse raises it anew."""
    who = own_patient(call.session, patient_id)
    try:
        return episodes.close_episode(call.act, who, **new)
    except episodes.NotOpen:
        raise Problem(409, "No such episode of this patient is open.", kind="not-now") from None


@blueprint.get("/patients/<uuid:patient_id>/acceptances", allowed=reads(Scope.REVIEW))
@blueprint.lists(AcceptanceOut)
def list_acceptances(query: dict[str, Any], patient_id: uuid.UUID) -> dict[str, Any]:
    """What was accepted, newest first. Only the newest may be in force: a new signal, or its date, ends it."""
    return list_rows(query, Acceptance, Acceptance.accepted_at.desc(), patient_id=patient_id)


@blueprint.post("/patients/<uuid:patient_id>/acceptances", allowed=for_staff(Right.DECIDE))
@blueprint.writes(AcceptanceOut, 201, takes=AcceptanceIn)
def accept_level(call: Call, new: dict[str, Any], patient_id: uuid.UUID) -> Acceptance:
    """Accept a level that has been high for weeks. Whatever is new after it breaks it."""
    return accepting.accept(call.act, own_patient(call.session, patient_id), **new)


@blueprint.post("/acceptances/<uuid:acceptance_id>/take-back", allowed=for_staff(Right.DECIDE))
@blueprint.writes(AcceptanceOut)
def take_acceptance_back(call: Call, acceptance_id: uuid.UUID) -> Acceptance:
    """Take it back; the first time stands."""
    accepted = own(call.session, Acceptance, acceptance_id)
    accepting.take_back(call.act, accepted)
    call.session.refresh(accepted)
    return accepted


ChoiceOut = shows("ChoiceOut", messaging.Choice, "phrase_id text")
ByHandOut = shows("ByHandOut", messaging.ByHand, "text written_at state reason")
OutlookOut = shows(
    "OutlookOut", messaging.Outlook, "can_leave why until choices today", choices=ChoiceOut, today=ByHandOut
)
SentByHandOut = shows("SentByHandOut", Message, "id channel state created_at expires_at next_try_at")


class MessageByHandIn(Schema):
    phrase_id = fields.UUID(required=True, metadata={"description": "One of the `choices`."})


@blueprint.get("/patients/<uuid:patient_id>/message", allowed=for_staff(Right.READ))
@blueprint.response(200, OutlookOut)
def message_outlook(patient_id: uuid.UUID) -> messaging.Outlook:
    """Whether a message by hand can leave now, what can be said, and what was sent today."""
    with read_session(services().engine) as session:
        whose = own_patient(session, patient_id)
        return messaging.outlook(session, whose, services().transports.keys(), services().clock.now())


@blueprint.post("/patients/<uuid:patient_id>/message", allowed=for_staff(Right.CARE))
@blueprint.writes(SentByHandOut, 201, takes=MessageByHandIn)
def send_message(call: Call, new: dict[str, Any], patient_id: uuid.UUID) -> Message:
    """Send the patient one of the clinic's wordings. It is dropped at the end of the patient's day.

    409 tells why it would not leave, or that the same words, or as many as may, went to them today.
    """
    whose = own_patient(call.session, patient_id)
    try:
        return messaging.send(call.act, whose, new["phrase_id"], services().transports.keys())
    except messaging.CannotLeave as cannot:
        raise Problem(409, f"{cannot}.", kind="not-now") from None
    except messaging.SentToday:
        raise Problem(409, "The same words went to this patient today.", kind="not-now") from None
    except messaging.EnoughToday:
        enough = f"At most {messaging.MOST_A_DAY} messages a day go to a patient by hand."
        raise Problem(409, enough, kind="not-now") from None


def change(
    act: Act, whose: Patient, new: NewAdjustment, dose: str | None, times: str | None, corrects: uuid.UUID | None
) -> Adjustment:
    """The adjustment and, with another dose, the course that it began. Raises Refused or LookupError."""
    if dose or times:
        taken = None if new.medicine_id is None else own(act.session, MedicineRow, new.medicine_id)
        if taken is None or taken.patient_id != whose.id:
            raise Refused("medicine_id", None, "the medicine whose dose was changed")
        on = new.made_on or local_date(act.now, whose.zone)
        now = {"dose": dose or taken.dose, "times_a_day": times or taken.times_a_day}
        began = medicines.change_dose(act, whose, taken, **now, from_date=on)
        new = replace(new, medicine_id=began.id)
    return adjusting.record_adjustment(act, whose.id, new, corrects=corrects)


def _made(session: Session, made: Adjustment) -> Any:
    """The adjustment with its author's name, as lists give it."""
    (found,) = patient.adjustments_of(session, made.clinic_id, made.patient_id, [made.id])
    return found


def _as_mapping(past: SignedReview) -> dict[str, Any]:
    """A signed review as a mapping."""
    return {name: getattr(past, name) for name in SignedReview.__slots__}
