"""What is kept up beside a patient, on one page: particulars, contacts, consents, plan, pauses, baselines, tags, care.

Promises that each form is read by the API's own schema and written by the use case behind it, that what was refused
is said by its field and is still in the form, and that who is never asked or sent anything is said, with the reason.
"""

from __future__ import annotations

import uuid
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from flask import Blueprint, abort, flash, g, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from flask_babel import gettext, lazy_gettext
from sqlalchemy import or_, select
from sqlalchemy.orm import Session

from service.care import contacts, ending, entries, pauses
from service.domain import steps as step_rules
from service.domain import vocabulary
from service.domain.localtime import local_date
from service.domain.plan import WindowAhead
from service.domain.readings import UNITS_OF_WEIGHT
from service.domain.rights import Right
from service.domain.seals import Seal
from service.domain.validation import Refused
from service.domain.vocabulary import Channel, ConsentKind, PatientState
from service.enrolling import baselines, contexts, enrolment, people, plans, transfers
from service.store import seals
from service.store.audit import Act
from service.store.session import read_session
from service.store.tables import (
    Caregiver,
    Clinic,
    Consent,
    Contact,
    ContextTagRow,
    Limits,
    Patient,
    Pause,
    Plan,
    Reference,
)
from service.web import forms
from service.web.api.enrolment import HelperIn, helper_of
from service.web.api.people import BeginIn, ConsentIn, PatientChange
from service.web.api.plans import ContextTagIn, LimitsIn, PauseIn, PlanIn, ReferenceIn, new_plan
from service.web.api.transfers import TransferIn
from service.web.auth import own, own_clinic, own_patient, staff_act, staff_only
from service.web.frame import page_language
from service.web.pages.clinic import enrol, followup, inputs, refusals
from service.web.pages.clinic.inputs import Form, Input
from service.web.pages.clinic.people import ways
from service.web.services import services
from service.words.labels import title

blueprint = Blueprint("upkeep", __name__, url_prefix="/upkeep")
AHEAD_DAYS = 7
FORTNIGHT = 14  # days
WHOLE = {"particulars", "plan"}  # the forms that hold all of what stands
_ = lazy_gettext


def _everybody() -> list[tuple[str, str]]:
    """The patient and the caregivers of the page that is made."""
    return [(str(person.id) if isinstance(person, Caregiver) else "", person.name) for person in g.people]


FORMS = {
    form.name: form
    for form in (
        Form("particulars", _("Particulars"), _("Change"), (
            Input("name", _("Name"), required=True),
            Input("language", _("Language of their messages"), "choice", choices=enrol.spoken, required=True),
            Input("zone", _("Time zone where they live"), choices=enrol.zones, required=True,
                  hint=_("After a move the next window opens there.")),
            Input("dry_weight_kg", _("Dry weight, kg"), "number", empties=True),
            Input("usual_pillows", _("Pillows they usually sleep on"), "number", empties=True),
            Input("weight_unit", _("They weigh themselves in"), "choice", required=True,
                  choices=lambda: [(unit, "lb" if unit == "[lb_av]" else unit) for unit in UNITS_OF_WEIGHT]),
            Input("says_back", _("A reply by text repeats what was understood"), "yes", required=True),
        )),
        Form("contacts", _("Contacts"), _("Add a contact"), (
            Input("caregiver_id", _("Whose"), "choice", choices=_everybody),
            Input("channel", _("Way"), words=(Channel.TEXT, Channel.EMAIL), required=True),
            Input("address", _("Number or mailbox"), required=True),
        )),
        Form("consents", _("Consents"), _("Record a consent, or its end"), (
            Input("kind", _("To what"), words=ConsentKind, required=True),
            Input("caregiver_id", _("Of, or about"), "choice", choices=_everybody),
            Input("given", _("Given"), "yes", required=True),
            Input("how", _("How"), choices=enrol.ways_to_agree, required=True), Input("on", _("When"), "date"),
        )),
        Form("caregivers", _("Caregivers"), _("Add a caregiver"), (
            *enrol.HELPER[:4], Input("how", _("How the patient agreed"), choices=enrol.ways_to_agree),
            Input("on", _("When"), "date"), enrol.HELPER[4],
        )),
        Form("plan", _("Plan"), _("Change the plan"), (
            Input("weekdays", _("Ask on"), "days"),
            Input("opens", _("They are asked at"), "time", required=True),
            Input("due", _("Reminded at"), "time", required=True),
            Input("closes", _("A caregiver is asked, or you are told, from"), "time", required=True),
            Input("opens_again", _("At night: the first hour once more"), "time"),
            Input("wants_reading", _("A reading is expected"), "checkbox"),
            Input("wants_checkin", _("A check-in is expected"), "checkbox"),
            Input("silent_days", _("You are told after so many missed days"), "number", empties=True,
                  hint=_("Empty: as the clinic has it.")),
        )),
        Form("pauses", _("Pauses"), _("Begin or plan a pause"), (
            Input("cause", _("Why"), words=vocabulary.PAUSES_ENTERED, required=True),
            Input("from_date", _("From"), "date", required=True),
            Input("to_date", _("Last day, if it is known"), "date"), Input("note", _("Note")),
        )),
        Form("begin", _("Begin care again"), _("Begin care again"), (
            Input("from_date", _("From"), "date", required=True, hint=_("The plan asks from then on.")),
            Input("why", _("Why"), words=vocabulary.BeginsAgain, required=True),
        )),
        Form("reference", _("Reference"), _("Set a reference"), (
            Input("pa_diastolic", _("PA diastolic, mmHg"), "number"),
            Input("pa_mean", _("PA mean, mmHg, if known"), "number"),
            Input("pa_systolic", _("PA systolic, mmHg, if known"), "number"),
            Input("from_date", _("Or the mean from"), "date"), Input("to_date", _("to, that day included"), "date"),
        )),
        Form("limits", _("Limits for PA diastolic"), _("Set limits"), (
            Input("lower", _("Lower, mmHg"), "number"), Input("upper", _("Upper, mmHg"), "number",
                  hint=_("An empty field is no limit on that side.")),
        )),
        Form("tags", _("Context: what else was so"), _("Tag some dates"), (
            Input("kind", _("What"), words=vocabulary.ContextKind, required=True),
            Input("from_date", _("From"), "date", required=True),
            Input("to_date", _("Last day, if it has one"), "date"),
            Input("offset_mmhg", _("Of a recalibration: reads higher by, mmHg"), "number"), Input("note", _("Note")),
        )),
        Form("transfer", _("Transfer to another clinic"), _("Ask another clinic to take over"), (
            Input("to_clinic_id", _("Clinic"), "choice", choices=lambda: [(str(one.id), one.name) for one in g.others],
                  required=True),
            Input("how", _("How the patient agreed"), choices=enrol.ways_to_agree, required=True),
            Input("on", _("When"), "date"),
        )),
    )
}  # fmt: skip


@dataclass(frozen=True)
class Agreement:
    """One kind of consent of one person as it stands, with every record of it, newest first."""

    words: str
    records: list[tuple[Consent, Seal]]


@blueprint.get("")
@staff_only(Right.READ)
def page(patient_id: uuid.UUID) -> ResponseReturnValue:
    """What is kept now, and a form for each part of it."""
    return _shown(patient_id)


@blueprint.post("/limits", endpoint="limits")
@blueprint.post("/reference", endpoint="reference")
@staff_only(Right.DECIDE)
def decide(patient_id: uuid.UUID) -> ResponseReturnValue:
    """A reference, typed or from some dates, or limits."""
    name = request.path.rpartition("/")[2]

    def write(act: Act, whose: Patient, form: Form) -> None:
        if name == "limits":
            baselines.set_limits(act, whose, **inputs.given(LimitsIn(), form, whose.zone))
        else:
            baselines.set_reference(act, whose, **inputs.given(ReferenceIn(), form, whose.zone))

    return _written(patient_id, name, write)


@blueprint.post("/tags")
@staff_only(Right.CARE)
def tag(patient_id: uuid.UUID) -> ResponseReturnValue:
    """Tag some dates, or give a tag its last one (`end`)."""

    def write(act: Act, whose: Patient, form: Form) -> None:
        ended = forms.row_id("end")
        if ended is None:
            contexts.record(act, whose, **inputs.given(ContextTagIn(), form, whose.zone))
        else:
            contexts.end(act, _of(act.session, ContextTagRow, ended, whose), _needed_day("last_day"))

    return _written(patient_id, "tags", write)


@blueprint.post("/end")
@staff_only(Right.ENROL)
def end(patient_id: uuid.UUID) -> ResponseReturnValue:
    """The end of care here, once it was ticked."""
    if not forms.text("sure"):
        flash(gettext("Not ended: tick that it is meant."), "wrong")
        return redirect(url_for("clinic.patient.upkeep.page", patient_id=patient_id, _anchor="end"), 303)
    with staff_act() as act:
        ending.end_patient(act, own_patient(act.session, patient_id))
    flash(gettext("Care here has ended: nothing is asked for, and nothing is sent."), "good")
    return redirect(url_for("clinic.patient.page", patient_id=patient_id), 303)


@blueprint.post("/contacts", defaults={"name": "contacts"}, endpoint="reach")
@blueprint.post("/caregivers", defaults={"name": "caregivers"}, endpoint="reach")
@blueprint.post("/transfer", defaults={"name": "transfer"}, endpoint="reach")
@staff_only(Right.ENROL, fresh="clinic.patient.upkeep.page")
def reach(patient_id: uuid.UUID, name: str) -> ResponseReturnValue:
    """Where links are sent to, to whom else, and who takes over: by somebody who showed lately that it is they."""
    return _written(patient_id, name, WRITES[name])


@blueprint.post("/<name>")
@staff_only(Right.ENROL)
def write(patient_id: uuid.UUID, name: str) -> ResponseReturnValue:
    """One of the other forms."""
    return _written(patient_id, name, WRITES.get(name) or abort(404))


def _written(patient_id: uuid.UUID, name: str, write: Callable[[Act, Patient, Form], None]) -> ResponseReturnValue:
    form = FORMS[name]
    try:
        with staff_act() as act:
            whose = own_patient(act.session, patient_id)
            if name in WHOLE:
                inputs.hold(act, whose)
                stands = _standing(whose, _plan_of(act.session, patient_id))[name]
                besides = {"steps": (gettext("Follow-up steps"), _own_steps() or "")} if name == "plan" else {}
                inputs.check_stands(form, stands, whose.zone, **besides)
            write(act, whose, form)
    except inputs.Overtaken as overtaken:
        flash(str(overtaken), "wrong")
        return _shown(patient_id, name, str(overtaken), keeps=False), 409
    except Refused as refused:
        why = inputs.told(form, refused, last_day=gettext("Last day"), steps=gettext("Follow-up steps"))
        told = gettext("Not changed. %(why)s", why=why)
        flash(told, "wrong")
        return _shown(patient_id, name, told), 422
    done = {
        "begin": gettext("Begun again: the plan asks from the day you named."),
        "transfer": gettext("Asked. Until the other clinic accepts, you look after them."),
    }
    flash(done.get(name) or gettext("Changed."), "good")
    return redirect(url_for("clinic.patient.upkeep.page", patient_id=patient_id, _anchor=name), 303)


def _particulars(act: Act, whose: Patient, form: Form) -> None:
    people.change_patient(act, whose, inputs.given(PatientChange(), form, whose.zone))


def _contacts(act: Act, whose: Patient, form: Form) -> None:
    region = people.region_of(own_clinic(act.session))
    mended = forms.row_id("mend")
    if mended is not None:
        contact = own(act.session, Contact, mended)
        if (_whose(act.session, contact.caregiver_id, whose)).id not in (contact.patient_id, contact.caregiver_id):
            abort(404)
        inputs.hold(act, contact)
        inputs.check_stands(form, {"address": contact.address}, whose.zone)
        people.mend_contact(act, contact, people.checked_address("address", contact.channel, _address(), region))
        return
    channel = forms.word(Channel, "channel")
    address = people.checked_address("address", channel, _address(), region)
    person = _whose(act.session, forms.row_id("caregiver_id"), whose)
    people.add_contact(act, person, people.NewContact(channel, address))


def _consents(act: Act, whose: Patient, form: Form) -> None:
    new = inputs.given(ConsentIn(), form, whose.zone)
    about = new.get("caregiver_id")
    person = _whose(act.session, about, whose)
    caregiver = person if isinstance(person, Caregiver) else None
    contacts.record_consent(act, whose, new["kind"], new["given"], new["how"], caregiver, new["on"])


def _caregivers(act: Act, whose: Patient, form: Form) -> None:
    typed = enrol.helper_typed(people.region_of(own_clinic(act.session)))
    if typed is None:
        raise refusals.needed("caregiver.name")
    enrolment.add_helper(act, whose, helper_of(inputs.loaded(HelperIn(), form, typed)))


def _plan(act: Act, whose: Patient, form: Form) -> None:
    held = _plan_of(act.session, whose.id)
    given = inputs.given(PlanIn(), form, whose.zone)
    new = vars(new_plan(given | {"phases": []})) | {"steps": _own_steps()}
    if held is not None:
        today = local_date(act.now, whose.zone)
        new["phases"] = tuple(one for one in held.rule.phases if one.to_date is None or one.to_date >= today)
        if new["opens"] == held.opens:
            new["opens_again"] = held.opens  # said before, where it is at night
    plans.set_plan(act, whose, plans.NewPlan(**new))


def _begin(act: Act, whose: Patient, form: Form) -> None:
    new = inputs.given(BeginIn(), form, whose.zone)
    ending.begin_again(act, whose, new["from_date"], new["why"])


def _transfer(act: Act, whose: Patient, form: Form) -> None:
    transfers.ask(act, whose, **inputs.given(TransferIn(), form, whose.zone))


def _pauses(act: Act, whose: Patient, form: Form) -> None:
    today = local_date(act.now, whose.zone)
    moved = forms.row_id("pause")
    if moved is None:
        pauses.add_pause(act, whose, **inputs.given(PauseIn(), form, whose.zone))
        return
    pause = _of(act.session, Pause, moved, whose)
    if forms.text("do") == "home":
        pauses.end_pause(act, pause, today - timedelta(days=1))
    elif (last := forms.day("last_day")) is None:
        pauses.move_pause(act, pause, None)
    else:
        pauses.end_pause(act, pause, last)


WRITES: dict[str, Callable[[Act, Patient, Form], None]] = {
    "particulars": _particulars, "contacts": _contacts, "consents": _consents, "caregivers": _caregivers,
    "plan": _plan, "pauses": _pauses, "begin": _begin, "transfer": _transfer,
}  # fmt: skip


def _own_steps() -> Any:
    return followup.typed() if forms.text("own_steps") else None


def _plan_of(session: Session, patient_id: uuid.UUID) -> Plan | None:
    return session.scalar(select(Plan).where(Plan.patient_id == patient_id))


def _of(session: Session, table: Any, row_id: uuid.UUID, whose: Patient) -> Any:
    row = own(session, table, row_id)
    if row.patient_id != whose.id:
        abort(404)
    return row


def _whose(session: Session, caregiver_id: uuid.UUID | None, whose: Patient) -> Patient | Caregiver:
    if caregiver_id is None:
        return whose
    caregiver: Caregiver = _of(session, Caregiver, caregiver_id, whose)
    return caregiver


def _address() -> str:
    return forms.text("address").strip()


def _needed_day(name: str) -> date:
    found = forms.day(name)
    if found is None:
        raise refusals.needed(name)
    return found


# --- what the page shows ---------------------------------------------------------------------


def _shown(patient_id: uuid.UUID, refused: str = "", told: str = "", *, keeps: bool = True) -> str:
    """The page; the form that was `refused` holds what was typed, unless it `keeps` it not: then what stands."""
    now = services().clock.now()
    with read_session(services().engine) as session:
        whose, clinic = own_patient(session, patient_id), own_clinic(session)
        g.others = transfers.destinations(session, clinic.id)
        g.clinic_zone, today = clinic.zone, local_date(now, whose.zone)
        reached = ways(session, patient_id)
        g.people = [whose, *(one.caregiver for one in reached.people if one.caregiver)]
        plan = _plan_of(session, patient_id)
        shown = {
            "agreements": _agreements(session, whose),
            "ahead": _ahead(plans.windows_to_come(session, patient_id, now, AHEAD_DAYS), plan, clinic),
            "pauses": _now_or_to_come(session, Pause, whose, today),
            "tags": _now_or_to_come(session, ContextTagRow, whose, today - timedelta(days=90)),
            "reference": _newest(session, Reference, patient_id),
            "limits": _newest(session, Limits, patient_id),
            "chosen": _chosen(session, whose),
            "tests": enrol.tests_of(session, patient_id),
            "transfer": transfers.waiting(session, patient_id),
            "others": g.others,
            "died": entries.died_on(session, patient_id),
            "agrees": contacts.has_consent(session, patient_id, ConsentKind.MESSAGES, None),
        }
    return render_template(
        "clinic/upkeep.html",
        patient=whose,
        plan=plan,
        ways=reached,
        forms=FORMS,
        has_ended=whose.state is PatientState.ENDED,
        refused=refused,
        told=told,
        typed=request.form | {"weekdays": _days()} if refused and keeps else {},
        filled=_filled(whose, plan, today, shown["chosen"]),
        stood={name: inputs.mark(begins_with) for name, begins_with in _standing(whose, plan).items()},
        mark=inputs.mark,
        steps=followup.rows(clinic.steps if plan is None or plan.steps is None else plan.steps),
        own_steps=plan is not None and plan.steps is not None,
        weekdays=page_language().weekdays,
        today=today,
        **shown,
    )


def _ahead(windows: list[WindowAhead], plan: Plan | None, clinic: Clinic) -> list[tuple[WindowAhead, list[Any]]]:
    """Each window with the steps of its follow-up as (kind, instant), those of the usual pace."""
    rules = step_rules.from_json(clinic.steps if plan is None or plan.steps is None else plan.steps)
    return [
        (one, [] if one.paused else [(kind, at) for _place, kind, at in step_rules.freeze(rules, one.times)])
        for one in windows
    ]


def _days() -> int:
    return sum(1 << int(day) for day in set(request.form.getlist("weekdays")) & set("0123456"))


@dataclass(frozen=True)
class ChosenFortnight:
    """A fortnight that was chosen on the chart, with its mean; None where too few of its dates have a reading."""

    from_date: date
    to_date: date
    pa_diastolic: float | None


def _chosen(session: Session, whose: Patient) -> ChosenFortnight | None:
    try:
        first = date.fromisoformat(request.args.get("fortnight", ""))
        last = first + timedelta(days=FORTNIGHT - 1)
    except (ValueError, OverflowError):
        return None
    try:
        (diastolic, _mean, _systolic), _sd = baselines.mean_of_dates(session, whose, first, last)
    except Refused:
        return ChosenFortnight(first, last, None)
    return ChosenFortnight(first, last, diastolic)


def _standing(whose: Patient, plan: Plan | None) -> dict[str, dict[str, Any]]:
    """What stands, of each form that holds the whole of it."""
    particulars = {one.name: getattr(whose, one.name) for one in FORMS["particulars"].inputs}
    hours: dict[str, Any] = {"weekdays": 127, "wants_reading": True, "wants_checkin": True}
    if plan is not None:
        hours = {one.name: getattr(plan, one.name, "") for one in FORMS["plan"].inputs}
        hours |= {name: f"{getattr(plan, name):%H:%M}" for name in ("opens", "due", "closes")}
    hours["steps"] = None if plan is None else plan.steps
    held = {"particulars": particulars, "plan": hours}
    return {form: {name: "" if value is None else value for name, value in of.items()} for form, of in held.items()}


def _filled(
    whose: Patient, plan: Plan | None, today: date, chosen: ChosenFortnight | None
) -> dict[str, dict[str, Any]]:
    """What each form begins with."""
    on = today.isoformat()
    return _standing(whose, plan) | {
        "consents": {"on": on}, "caregivers": {"on": on}, "pauses": {"from_date": on}, "tags": {"from_date": on},
        "begin": {"from_date": on}, "transfer": {"on": on},
        "reference": {} if chosen is None else
                     {"from_date": chosen.from_date.isoformat(), "to_date": chosen.to_date.isoformat()},
    }  # fmt: skip


def _agreements(session: Session, whose: Patient) -> list[Agreement]:
    """Every consent of the patient and about their caregivers, by kind and person. One query."""
    say = page_language()
    names = {caregiver.id: caregiver.name for caregiver in g.people if isinstance(caregiver, Caregiver)}
    found: dict[tuple[ConsentKind, uuid.UUID | None], list[tuple[Consent, Seal]]] = {}
    rows = session.scalars(select(Consent).where(Consent.patient_id == whose.id).order_by(Consent.at.desc()))
    for row in rows:
        if row.caregiver_id is None or row.caregiver_id in names:
            found.setdefault((row.kind, row.caregiver_id), []).append((row, seals.judge(session, row)))
    told = []
    for (kind, caregiver_id), records in found.items():
        name = whose.name if caregiver_id is None else names[caregiver_id]
        told.append(Agreement(f"{name}: {title(say, kind)}", records))
    return told


def _now_or_to_come(session: Session, table: Any, whose: Patient, since: date) -> list[Any]:
    """Those that were not taken back and reach to that date or beyond it, by their first date."""
    query = select(table).where(
        table.patient_id == whose.id,
        table.cancelled_at.is_(None),
        or_(table.to_date.is_(None), table.to_date >= since),
    )
    return list(session.scalars(query.order_by(table.from_date, table.id)))


def _newest(session: Session, table: Any, patient_id: uuid.UUID) -> Any:
    return session.scalar(select(table).where(table.patient_id == patient_id).order_by(table.set_at.desc()).limit(1))
