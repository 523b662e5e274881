"""One patient's page: why they are where they are, the time line, and everything staff can record.

The time line is a picture drawn on the server, beside a table of every value; script lays
a rule over it that tells a day of that table.
"""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from datetime import datetime, timedelta
from itertools import product
from typing import Any

from flask import Blueprint, Response, abort, flash, g, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from flask_babel import gettext
from sqlalchemy import exists, select
from sqlalchemy.orm import Session
from werkzeug.exceptions import NotFound

from service.accounts import trail as who_opened
from service.care import contacts, pauses
from service.domain.review import AFTER_DAYS, Reason, usually_due
from service.domain.rights import Right
from service.domain.seals import Seal
from service.domain.signals.facts import OF_DIARY
from service.domain.validation import NotHere, Refused
from service.domain.vocabulary import AdjustmentKind, ConsentKind, SignalKind
from service.enrolling import transfers
from service.reports import charts, exports
from service.reports.tracks import Timeline
from service.reviewing import accepting, adjusting, desk, episodes, joining, lookback, patient
from service.reviewing.adjusting import NewAdjustment
from service.reviewing.panel import neighbours
from service.reviewing.patient import PatientReview
from service.store import seals
from service.store.session import read_session
from service.store.tables import Acceptance, Patient
from service.web import drawing, forms, handing, trail
from service.web.api.review import change
from service.web.auth import own, own_clinic, own_patient, signed_in, staff_act, staff_only
from service.web.frame import page_language, sorry
from service.web.pages.clinic import (
    messaging,
    openings,
    people,
    plan,
    record,
    references,
    refusals,
    signatures,
    upkeep,
)
from service.web.services import services
from service.words.language import Language
from service.words.sentences import review as words
from service.words.sentences.standing import Body

blueprint = Blueprint("patient", __name__, url_prefix="/patients/<uuid:patient_id>")
blueprint.register_blueprint(plan.blueprint)
blueprint.register_blueprint(openings.of_patient)
blueprint.register_blueprint(references.blueprint)
blueprint.register_blueprint(record.blueprint)
blueprint.register_blueprint(upkeep.blueprint)
blueprint.register_blueprint(people.contacts_blueprint)
blueprint.register_blueprint(people.caregivers_blueprint)

OPENED_LATELY, OPENED_SHOWN = timedelta(days=14), 60  # lines
WIDTHS = {"wide": 880, "middle": 600, "narrow": 336}  # px, of the pictures


@blueprint.errorhandler(404)
def moved_away(error: NotFound) -> ResponseReturnValue:
    """Where a patient went who is looked after here no longer, for whom the list of transfers tells it as well."""
    patient_id, staff = (request.view_args or {}).get("patient_id"), g.get("staff_now")
    if patient_id is None or staff is None or not staff.may(Right.ENROL):
        return sorry(error)
    with read_session(services().engine) as session:
        is_here = session.scalar(select(exists().where(Patient.id == patient_id, Patient.clinic_id == g.clinic_id)))
        gone = None if is_here else transfers.left(session, g.clinic_id, patient_id)
        if gone is None:
            return sorry(error)
        return render_template("clinic/transfer.html", one=gone, zone=own_clinic(session).zone, typed={}), 404


@blueprint.get("")
@staff_only(Right.READ)
def page(patient_id: uuid.UUID) -> ResponseReturnValue:
    """Everything known of one patient over 30, 90 or 365 days."""
    return _page(patient_id)


def _page(patient_id: uuid.UUID, told: str = "") -> str:
    """The page; after a form that could not be taken, with why, and with what was typed into it."""
    if told:
        flash(told, "wrong")
    now = services().clock.now()
    with read_session(services().engine) as session:
        seen = _build(session, patient_id, _days(), now)
        clinic = own_clinic(session)
        at_hand = desk.beside(session, g.clinic_id, seen.days[0].day).get(patient_id, desk.AtHand())
        agreed = contacts.newest_consent(session, patient_id, ConsentKind.MESSAGES)
        agreed_seal = seals.judge(session, agreed) if agreed else Seal.INTACT
        around = neighbours(session, clinic, patient_id, now)
        followed = plan.followed(session, patient_id, now)
        ways = people.ways(session, patient_id)
        weight, weighed_on = seen.weighed or (None, None)
        body = Body(weight, weighed_on, seen.patient.dry_weight_kg)
        taken, courses = record.courses_of(session, seen.patient, now)
        recorded = record.today(session, seen.patient, seen.recorded, now, body, seen.entry.summary.trend.level)
        proposed = references.proposed(session, seen.patient, seen.entry.tasks, seen.entry.summary.trend.level)
        behind = _behind(session, seen, now)
    say = page_language()
    facts = patient.timeline_of(seen, say)
    return render_template(
        "clinic/patient.html",
        typed=request.form,
        seen=seen,
        entered=patient.entered_of(facts),
        entry=seen.entry,
        told=told,
        at_hand=at_hand,
        agreed=agreed,
        agreed_seal=agreed_seal,
        drawn=_drawn(patient_id, facts, say),
        range_links=_range_links(patient_id),
        days=len(seen.days),
        FORTNIGHT=upkeep.FORTNIGHT,
        sentence=charts.describe(facts, say, gettext("The table below holds every value.")),
        caption=charts.caption(facts, say),
        usual={kind: (AFTER_DAYS[kind], usually_due(kind, seen.days[-1].day)) for kind in AFTER_DAYS},
        zone=clinic.zone,
        clinic_name=clinic.name,
        around=around,
        followed=followed,
        proposed=proposed,
        ways=ways,
        recorded=recorded,
        beside=_unsaid(say, recorded.news, seen.entry.reasons),
        medicines=taken,
        courses=courses,
        closable=[signal.kind for signal in seen.entry.summary.trend.signals if signal.kind in OF_DIARY],
        today=seen.days[-1].day,
        **behind,
    )


def _behind(session: Session, seen: PatientReview, now: datetime) -> dict[str, Any]:
    """What lies behind the page: what is new, who did what, what reads differently since, and what can be sent."""
    patient_id, age = seen.patient.id, timedelta(days=len(seen.days))
    audited = signed_in().may(Right.ADMINISTER)
    return {
        "news": lookback.news_since_review(session, seen),
        "audit": lookback.audit_of(session, g.clinic_id, patient_id, age, now) if audited else (),
        "later": patient.later_values(session, g.clinic_id, patient_id, seen.reviews, now),
        "opened": who_opened.of_record(session, own_clinic(session), patient_id, now - OPENED_LATELY, OPENED_SHOWN),
        "closed": episodes.closed_episodes(session, patient_id),
        "paused": pauses.of_patient(session, patient_id, seen.days[0].day, seen.days[-1].day),
        "by_hand": messaging.outlook(session, seen.patient),
    }


def _unsaid(say: Language, news: Sequence[str], reasons: Sequence[Reason]) -> list[str]:
    """What of the record's news no reason has said already."""
    why = " ".join(words.reasons(say, reasons)).casefold()
    return [text for text in news if text.rstrip(".").casefold() not in why]


@blueprint.get("/timeline.svg")
@staff_only(Right.READ)
def timeline_svg(patient_id: uuid.UUID) -> ResponseReturnValue:
    """The time line as a picture: `size` for the screen, `dark` for a dark page, `rate` with the heart rate."""
    seen, say = _seen(patient_id, _days()), page_language()
    width = WIDTHS.get(request.args.get("size", ""), WIDTHS["wide"])
    spec = charts.timeline(patient.timeline_of(seen, say), say, width=width, with_rate="rate" in request.args)
    return Response(charts.hatched(drawing.svg(spec), dark="dark" in request.args), mimetype="image/svg+xml")


@blueprint.get("/joined.csv")
@staff_only(Right.EXPORT, fresh="clinic.patient.page")
def joined_csv(patient_id: uuid.UUID) -> ResponseReturnValue:
    """The joined days of the chosen range."""
    with read_session(services().engine) as session:
        seen = _build(session, patient_id, _days(), services().clock.now())
        joined = joining.joined_of(session, own_clinic(session), seen)
    trail.of_many(1)
    return Response(
        exports.joined_csv([joined]),
        mimetype="text/csv",
        headers={"Content-Disposition": f'attachment; filename="joined-{seen.days[-1].day}.csv"'},
    )


@blueprint.get("/everything.zip")
@staff_only(Right.EXPORT, fresh="clinic.patient.page")
def everything(patient_id: uuid.UUID) -> ResponseReturnValue:
    """Everything that is kept about the patient, as one file to hand to them: it leaves once its line is in the trail.

    No consent is asked for: it is the patient's own.
    """
    return handing.whole_answer(patient_id)


@blueprint.post("/sign")
@staff_only(Right.CARE)
def sign(patient_id: uuid.UUID) -> ResponseReturnValue:
    """Sign this week's review of the patient, or add to it; `then` goes on to the next that is to be done."""
    told = signatures.from_form(patient_id)
    if told.form and not told.good:
        return _page(patient_id, told.text), 422
    flash(told.text, "good" if told.good else "wrong")
    following = forms.row_id("then") if told.good else None
    return redirect(url_for("clinic.patient.page", patient_id=following or patient_id), 303)


@blueprint.post("/message")
@staff_only(Right.CARE)
def message(patient_id: uuid.UUID) -> ResponseReturnValue:
    """Send the patient a message by hand."""
    told = messaging.from_form(patient_id)
    flash(told.text, "good" if told.good else "wrong")
    return redirect(url_for("clinic.patient.page", patient_id=patient_id), 303)


@blueprint.post("/adjustments")
@staff_only(Right.CARE)
def adjust(patient_id: uuid.UUID) -> ResponseReturnValue:
    """Record an adjustment, or correct one (`corrects`)."""
    try:
        new = NewAdjustment(
            kind=forms.word(AdjustmentKind, "kind"),
            what=forms.text("what"),
            made_on=forms.day("made_on"),
            follow_up_on=forms.day("follow_up_on"),
            follow_up_what=forms.text("follow_up_what"),
            medicine_id=forms.row_id("medicine_id"),
        )
        dose, times = forms.text("dose").strip(), forms.text("times_a_day").strip()
        wrong = forms.row_id("corrects")
        with staff_act() as act:
            change(act, own_patient(act.session, patient_id), new, dose, times, wrong)
    except Refused as refused:
        return _page(patient_id, gettext("Not recorded. %(why)s", why=_plain(refused))), 422
    except LookupError:
        abort(404)
    else:
        flash(gettext("Recorded. The response will be told as readings come."), "good")
    return redirect(url_for("clinic.patient.page", patient_id=patient_id, _anchor="adjustments"), 303)


@blueprint.post("/adjustments/<uuid:adjustment_id>/followed-up")
@staff_only(Right.CARE)
def followed_up(patient_id: uuid.UUID, adjustment_id: uuid.UUID) -> ResponseReturnValue:
    """Note that a follow-up was done."""
    try:
        with staff_act() as act:
            noted = adjusting.follow_up_done(act, adjustment_id)
    except LookupError:
        abort(404)
    flash(gettext("Follow-up noted.") if noted else gettext("It had been noted before."), "good")
    return redirect(url_for("clinic.patient.page", patient_id=patient_id, _anchor="adjustments"), 303)


@blueprint.post("/closed-episodes")
@staff_only(Right.CARE)
def close_episode(patient_id: uuid.UUID) -> ResponseReturnValue:
    """Close worse symptoms, or a weight that moved, with a reason."""
    try:
        with staff_act() as act:
            who, kind = own_patient(act.session, patient_id), forms.word(SignalKind, "kind")
            anew = "new_usual" in request.form
            episodes.close_episode(act, who, kind, forms.text("reason"), new_usual=anew)
    except episodes.NotOpen:
        flash(gettext("It had ended, or was closed, before."), "wrong")
    except Refused as refused:
        return _page(patient_id, gettext("Not closed. %(why)s", why=_plain(refused))), 422
    else:
        flash(gettext("Closed. A later answer that is still worse tells it anew."), "good")
    return redirect(url_for("clinic.patient.page", patient_id=patient_id, _anchor="why"), 303)


@blueprint.post("/acceptances")
@staff_only(Right.DECIDE)
def accept(patient_id: uuid.UUID) -> ResponseReturnValue:
    """Accept a level that has been high for weeks."""
    try:
        reason, until = forms.text("reason"), forms.day("until")
        with staff_act() as act:
            accepting.accept(act, own_patient(act.session, patient_id), reason, until)
    except Refused as refused:
        return _page(patient_id, gettext("Not accepted. %(why)s", why=_plain(refused))), 422
    else:
        flash(gettext("Accepted. Anything new, or the date, ends it."), "good")
    return redirect(url_for("clinic.patient.page", patient_id=patient_id), 303)


@blueprint.post("/acceptances/<uuid:acceptance_id>/take-back")
@staff_only(Right.DECIDE)
def take_back(patient_id: uuid.UUID, acceptance_id: uuid.UUID) -> ResponseReturnValue:
    """Take it back."""
    with staff_act() as act:
        done = accepting.take_back(act, own(act.session, Acceptance, acceptance_id))
    flash(gettext("Taken back.") if done else gettext("It had been taken back before."), "good")
    return redirect(url_for("clinic.patient.page", patient_id=patient_id), 303)


# --- helpers ---------------------------------------------------------------------------


def _seen(patient_id: uuid.UUID, days: int) -> PatientReview:
    with read_session(services().engine) as session:
        return _build(session, patient_id, days, services().clock.now())


def _build(session: Session, patient_id: uuid.UUID, days: int, now: datetime) -> PatientReview:
    """The review of these days, or of as many as there is a record of."""
    try:
        if days > min(patient.RANGES):
            days = lookback.days_on_record(session, own_patient(session, patient_id), now, days)
        return patient.build_patient(session, g.clinic_id, patient_id, now, days)
    except NotHere:
        abort(404)


def _days() -> int:
    """How many days are asked for."""
    asked = request.args.get("days", "")
    known = {str(days): days for days in patient.RANGES} | {"all": patient.ALL}
    return known.get(asked, patient.RANGES[0])


def _shown(**other: Any) -> dict[str, Any]:
    """What the address says of the time line, with something else of it instead."""
    asked = {name: request.args[name] for name in ("days", "rate") if name in request.args}
    return {name: value for name, value in (asked | other).items() if value is not None}


def _range_links(patient_id: uuid.UUID) -> list[tuple[str, str, bool]]:
    """Name, address, and whether it is shown now, of each range of days and of the heart rate's switch."""
    names = [(str(days), gettext("%(days)d days", days=days)) for days in patient.RANGES]
    now = _days()
    links = [
        (name, url_for("clinic.patient.page", patient_id=patient_id, **_shown(days=days)), int(days) == now)
        for days, name in names
    ]
    everything = url_for("clinic.patient.page", patient_id=patient_id, **_shown(days="all"))
    is_on = "rate" in request.args
    switch = url_for("clinic.patient.page", patient_id=patient_id, **_shown(rate=None if is_on else "1"))
    return [*links, (gettext("from the start"), everything, now == patient.ALL), (gettext("Heart rate"), switch, is_on)]


def _drawn(patient_id: uuid.UUID, facts: Timeline, say: Language) -> dict[str, Any]:
    """Where each picture of the time line is, and where its days are: px left and right of them, by width."""
    address = {
        (size, dark): url_for("clinic.patient.timeline_svg", patient_id=patient_id, **_shown(size=size, dark=dark))
        for size, dark in product(WIDTHS, (None, "1"))
    }
    sides = [(width, *charts.sides(facts, say, width)) for width in WIDTHS.values()]
    return {
        "at": address,
        "columns": charts.columns(facts),
        "sides": ";".join(" ".join(map(str, one)) for one in sides),
    }


def _plain(refused: Refused) -> str:
    """What is accepted of which field, by the name it has on the page."""
    called = {
        "kind": gettext("Kind"),
        "what": gettext("What changed"),
        "made_on": gettext("Made on"),
        "follow_up_what": gettext("To look at again"),
        "follow_up_on": gettext("To look at again"),
        "medicine_id": gettext("Which medicine of the record"),
        "dose": gettext("New single dose, if it changed"),
        "times_a_day": gettext("New times a day"),
        "reason": gettext("Reason"),
        "until": gettext("Until, itself included"),
    }
    return refusals.plain(refused, called)
