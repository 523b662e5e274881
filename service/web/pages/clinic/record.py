"""The record beside the pressures, on a page of its own: what counts now, and plain forms to enter, correct, take back.

Promises that a form is read by the API's own schema, that what was refused is said by its field and is still in
the form, and that nothing is ever changed in place.
"""

from __future__ import annotations

import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from enum import StrEnum
from typing import Any
from zoneinfo import ZoneInfo

from flask import Blueprint, abort, flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from flask_babel import gettext, lazy_gettext
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.care import entries, persons, recorded
from service.domain import localtime, vocabulary
from service.domain.plan import weekdays_of
from service.domain.record import results
from service.domain.record.medicines import Course
from service.domain.record.now import Recorded
from service.domain.rights import Right
from service.domain.validation import Refused
from service.domain.vocabulary import ActorKind, AdjustmentKind, ResultKind
from service.enrolling import baselines
from service.recording import events, next_contacts
from service.reviewing import adjusting
from service.reviewing.adjusting import NewAdjustment
from service.reviewing.panel import PanelEntry
from service.store.arrivals import values_of
from service.store.audit import Act
from service.store.session import read_session
from service.store.tables import (
    EventRow,
    GoalRow,
    MedicineRow,
    NextContact,
    NoResultRow,
    Patient,
    PersonRow,
    ResultLimitRow,
    ResultRow,
    Staff,
)
from service.web import forms
from service.web.api.plans import GoalIn
from service.web.api.record import KINDS, PersonIn
from service.web.auth import own, own_clinic, own_patient, staff_act, staff_only
from service.web.frame import page_language
from service.web.pages.clinic import inputs, refusals
from service.web.pages.clinic.inputs import Form, Input
from service.web.services import services
from service.words.labels import label, title
from service.words.sentences import record, standing
from service.words.sentences.standing import Body, Line

blueprint = Blueprint("record", __name__, url_prefix="/record")

# The kinds of result that are numbers, each with the units it is given in, as people write them.
UNITS = {
    kind: {results.written(unit): unit for unit in (*one.factors, one.unit)} for kind, one in results.MEASURES.items()
}
LISTED = 60  # results, the newest; a file may bring ten thousand


@dataclass(frozen=True)
class Shown:
    """An entry as the page lists it, and what its form begins with when it is corrected."""

    id: uuid.UUID
    sentence: str
    note: str
    filled: Mapping[str, Any] = field(default_factory=dict)
    to_come: bool = False  # a contact that can be noted as done
    beside: str = ""  # a fact beside it


_ = lazy_gettext
NOTE = Input("note", _("Note"))
FORMS = {
    form.name: form
    for form in (
        Form("next-contacts", _("Next contact"), _("Plan the next contact"), (
            Input("due_on", _("Due by"), "date", required=True),
            Input("way", _("How"), words=vocabulary.ContactWay, required=True),
            Input("staff_id", _("Colleague"), "staff"),
            Input("role", _("Or whoever is"), words=vocabulary.CLINICAL_STAFF),
            Input("agreed", _("Agreed with the patient"), "checkbox"), NOTE,
        )),
        Form("events", _("Admissions, urgent visits, death"), _("Enter an event"), (
            Input("kind", _("What"), words=vocabulary.EventKind, required=True,
                  hint=_("An admission pauses readings until discharge. A death ends care: no message leaves.")),
            Input("cause", _("Cause"), words=vocabulary.EventCause, required=True, start="not_known"),
            Input("from_date", _("On, or from"), "date", required=True),
            Input("to_date", _("Discharged on"), "date"), NOTE,
        )),
        Form("medicines", _("Medicines"), _("Enter a medicine"), (
            Input("name", _("Name"), required=True),
            Input("kind", _("Class"), words=vocabulary.MedicineClass, required=True),
            Input("dose", _("Single dose"), "decimal", required=True),
            Input("unit", _("Unit"), required=True, start="mg"),
            Input("times_a_day", _("Times a day"), "decimal", required=True, start="1",
                  hint=_("0.5 is every other day.")),
            Input("route", _("Route"), words=vocabulary.Route, required=True),
            Input("from_date", _("From"), "date", required=True),
            Input("to_date", _("Last day, if it has one"), "date"),
            Input("earlier", _("If they take it already"), words=vocabulary.EarlierCourse,
                  hint=_("A changed dose is a new course; marked as a change, it ends the old one the day before.")),
            Input("chemistry_on", _("Chemistry by"), "date", hint=_("Left empty: by the clinic’s own schedule.")), NOTE,
        )),
        Form("no-results", _("Chemistry due: a reason in place of a result"), _("Give a reason"), (
            Input("due_on", _("Due by"), "date", required=True),
            Input("why", _("Why there is no result"), words=vocabulary.NoResult, required=True),
            Input("done_on", _("Done elsewhere on"), "date"),
            Input("note", _("In words"), hint=_("Why it is not wanted; beside a date elsewhere, whatever is known.")),
        )),
        Form("results", _("Results"), _("Enter a result"), (
            Input("kind", _("What, and its unit"), "measure", required=True),
            Input("value", _("Value"), "decimal", required=True),
            Input("taken_at", _("Taken at, on their clock"), "datetime-local", required=True),
            Input("posture", _("Posture, of an arm pressure"), words=vocabulary.ArmPosture), NOTE,
        )),
        Form("result-limits", _("Limits for results"), _("Set a limit"), (
            Input("kind", _("What, and its unit"), "measure", required=True),
            Input("lower", _("Not below"), "decimal"),
            Input("upper", _("Not above"), "decimal",
                  hint=_("For this patient alone. A newest result beyond it is a task, and calls today.")), NOTE,
        )),
        Form("arm-pressures", _("Arm pressure"), _("Enter an arm pressure"), (
            Input("systolic", _("Systolic, mmHg"), "decimal", required=True),
            Input("diastolic", _("Diastolic, mmHg"), "decimal", required=True),
            Input("posture", _("Posture"), words=vocabulary.ArmPosture, required=True),
            Input("taken_at", _("Taken at, on their clock"), "datetime-local", required=True), NOTE,
        ), "results"),
        Form("rhythms", _("Rhythm"), _("Enter a rhythm"), (
            Input("value", _("Rhythm"), words=vocabulary.Rhythm, required=True),
            Input("taken_at", _("Taken at, on their clock"), "datetime-local", required=True), NOTE,
        ), "results", {"kind": ResultKind.RHYTHM}),
    )
}  # fmt: skip
PERSON = Form("person", _("The person"), _("Change what is known"), (
    Input("born_on", _("Born on"), "date"), Input("sex", _("Sex"), words=vocabulary.Sex),
    Input("height_cm", _("Height, cm"), "number"), Input("implanted_on", _("Sensor implanted on"), "date"),
    Input("implant_side", _("Side"), words=vocabulary.Side),
    Input("altitude_m", _("Lives at, m above the sea"), "number"),
    Input("device", _("Device"), words=vocabulary.Device),
    Input("dialysis_days", _("Dialysis on"), "days", none=_("no dialysis")),
    Input("fluid_ml", _("Fluid agreed, up to mL a day"), "number"),
    Input("sodium_mg", _("Sodium agreed, up to mg a day"), "number",
          hint=_("An adjustment of diet, dialysis or device points at what stands here then.")), NOTE,
))  # fmt: skip


GOAL = Form("goal", _("Goal for PA diastolic"), _("Set a goal"), (
    Input("lower", _("From, mmHg"), "number"), Input("upper", _("Up to, mmHg"), "number"),
    Input("why", _("Why"), required=True), Input("until", _("Until, itself included"), "date", required=True,
          hint=_("Once it has passed, staff have a task to set a newer one.")),
))  # fmt: skip
SINGLE = {PERSON.name: PERSON, GOAL.name: GOAL}


@blueprint.get("")
@staff_only(Right.READ)
def page(patient_id: uuid.UUID) -> ResponseReturnValue:
    """What counts now, and a form for each kind of entry."""
    return _shown(patient_id)


@blueprint.post("/accept-level")
@staff_only(Right.DECIDE)
def accept_level(patient_id: uuid.UUID) -> ResponseReturnValue:
    """Take the level before this patient's events as the upper limit, as it was seen."""
    try:
        with staff_act() as act:
            level = forms.pressure("level")
            baselines.accept_trouble_level(act, own_patient(act.session, patient_id), level or 0.0)
    except Refused as refused:
        flash(gettext("Not accepted: %(accepted)s is accepted.", accepted=refusals.accepted(refused)), "wrong")
    else:
        flash(gettext("Accepted as the upper limit."), "good")
    return redirect(url_for("clinic.patient.record.page", patient_id=patient_id, _anchor="now"), 303)


@blueprint.post("/goal")
@staff_only(Right.DECIDE)
def goal(patient_id: uuid.UUID) -> ResponseReturnValue:
    """Set a goal, or end the one there is (`do`)."""
    return _write(patient_id, GOAL.name)


@blueprint.post("/<name>")
@staff_only(Right.CARE)
def write(patient_id: uuid.UUID, name: str) -> ResponseReturnValue:
    """Enter, correct (`corrects`), take back (`reason`) or note as done; a death asks first (`confirmed`)."""
    if name != PERSON.name and name not in FORMS:
        abort(404)
    return _write(patient_id, name)


def _write(patient_id: uuid.UUID, name: str) -> ResponseReturnValue:
    done = gettext("Recorded.")
    try:
        with staff_act() as act:
            whose = own_patient(act.session, patient_id)
            if name == PERSON.name:
                inputs.hold(act, whose)
                person = persons.person(act.session, patient_id)
                inputs.check_stands(PERSON, _filled(person), whose.zone)
                persons.set_person(act, whose, **inputs.given(PersonIn(), PERSON, whose.zone))
            elif name == GOAL.name:
                _goal(act, whose)
            else:
                form, corrected = FORMS[name], forms.row_id("corrects")
                kind = KINDS[form.enters or name]
                row: Any = None if corrected is None else own(act.session, kind.table, corrected)
                match forms.text("do"):
                    case "withdraw" if row is not None:
                        kind.take_back(act, whose, row, forms.text("reason"))
                        if isinstance(row, EventRow) and row.kind is vocabulary.EventKind.DEATH:
                            done = gettext("Taken back. Care here is still ended until you begin it again.")
                    case "done" if isinstance(row, NextContact):
                        next_contacts.contact_done(act, whose, row, _today(whose, act.now))
                    case _ if name == "arm-pressures":
                        _arm_pressure(act, whose, form)
                    case _:
                        _entered(act, whose, form, row)
    except inputs.Overtaken as overtaken:
        flash(str(overtaken), "wrong")
        return _shown(patient_id, PERSON, str(overtaken), keeps=False), 409
    except events.DeathToConfirm as death:
        return _asked_first(patient_id, death.day)
    except Refused as refused:
        form = SINGLE.get(name) or FORMS[name]
        if refused.field == "id":
            flash(inputs.no_longer_there(form), "wrong")
            return _shown(patient_id), 409
        why = inputs.told(form, refused, reason=gettext("Why it was never so"))
        told = gettext("Not recorded. %(why)s", why=why)
        flash(told, "wrong")
        return _shown(patient_id, form, told), 422
    flash(done, "good")
    return redirect(url_for("clinic.patient.record.page", patient_id=patient_id, _anchor=name), 303)


def _asked_first(patient_id: uuid.UUID, day: date) -> str:
    """Whether it is so, in words, with what was sent."""
    sent = [(name, value) for name, value in request.form.items(multi=True) if name != "csrf_token"]
    with read_session(services().engine) as session:
        return render_template("clinic/death.html", patient=own_patient(session, patient_id), day=day, sent=sent)


def _entered(act: Act, whose: Patient, form: Form, corrects: Any) -> None:
    """Enter or correct what the form holds; a medicine that is a change (`adjusts`) is followed as one. Raises Refused.

    Such a change ends the course before it, where nothing else is said.
    """
    kind = KINDS[form.enters or form.name]
    adjusts = kind.table is MedicineRow and corrects is None and bool(forms.text("adjusts"))
    given = inputs.given(kind.takes(), form, whose.zone)
    if kind.table is EventRow:
        given["confirmed"] = bool(forms.text("confirmed"))
    if adjusts and given["earlier"] is None:
        given["earlier"] = vocabulary.EarlierCourse.ENDED
    entered = kind.record(act, whose, **given, corrects=corrects)
    if adjusts:
        what = record.course(page_language(), recorded.course_of(entered))
        new = NewAdjustment(AdjustmentKind.MEDICINE, what, entered.from_date, medicine_id=entered.id)
        adjusting.record_adjustment(act, whose.id, new)


def _goal(act: Act, whose: Patient) -> None:
    """Set a goal, or end the one there is (`do`). Raises Refused."""
    if forms.text("do") != "end":
        baselines.set_goal(act, whose, **inputs.given(GoalIn(), GOAL, whose.zone))
        return
    ended = forms.row_id("goal")
    if ended is None:
        abort(404)
    baselines.end_goal(act, own(act.session, GoalRow, ended))


def _arm_pressure(act: Act, whose: Patient, form: Form) -> None:
    """Both values of one pressure, each as the result that it is. Raises Refused."""
    typed = {one.name: value for one in form.inputs if (value := inputs.value(one, whose.zone)) is not None}
    both = {kind: typed.pop(kind, None) for kind in (ResultKind.SYSTOLIC, ResultKind.DIASTOLIC)}
    for kind, value in both.items():
        try:
            loaded = inputs.loaded(
                KINDS["results"].takes(), form, typed | {"kind": kind} | ({"value": value} if value else {})
            )
            KINDS["results"].record(act, whose, **loaded)
        except Refused as refused:
            raise refused.of_field(kind if refused.field == "value" else refused.field) from None


def _typed(form: Form) -> dict[str, Any]:
    """What was typed into a form, as `_filled` has it."""
    ticked = set(request.form.getlist("dialysis_days"))
    days = ticked & set("0123456")
    known = {one.name: request.form.get(one.name, "") for one in form.inputs} | {"stood": forms.text("stood")}
    return known | ({"dialysis_days": sum(1 << int(day) for day in days)} if ticked else {})


def _shown(patient_id: uuid.UUID, refused: Form | None = None, told: str = "", *, keeps: bool = True) -> str:
    """The page; after a refusal the form that was sent holds what was typed: a correction stays a correction.

    Where it `keeps` it not, it holds what stands.
    """
    now, say = services().clock.now(), page_language()
    with read_session(services().engine) as session:
        whose = own_patient(session, patient_id)
        known = recorded.load_one(session, patient_id, _today(whose, now))
        said = today(session, whose, known, now)
        one = recorded.told(known, own_clinic(session), whose.zone, now)
        level = _to_accept(session, whose, known, now)
        around = _around_implant(session, whose, known, now)
        local_day = _today(whose, now)
        colleagues = session.execute(
            select(Staff.id, Staff.name).where(Staff.clinic_id == whose.clinic_id, Staff.active).order_by(Staff.name)
        ).all()
        names = dict(colleagues)
        listed = _listed(session, whose, one, names)
        unlisted = _list_results(session, whose, listed)
        person = persons.person(session, patient_id)
    begins_with = _filled(person)
    return render_template(
        "clinic/record.html",
        patient=whose,
        now=said,
        to_accept=level,
        around_implant=around,
        forms=FORMS.values(),
        listed=listed,
        unlisted=unlisted,
        person=PERSON,
        goal=GOAL,
        aim=known.aim,
        aim_by={f"{ActorKind.STAFF}:{one}": name for one, name in names.items()},
        known=_known(person),
        filled=begins_with,
        stood=inputs.mark(begins_with),
        colleagues=colleagues,
        measures=[
            (f"{kind} {unit}", f"{title(say, kind)}{', ' if name else ''}{name}")
            for kind, units in UNITS.items()
            for name, unit in units.items()
        ],
        refused=refused and refused.name,
        told=told,
        refused_of=request.form.get("corrects", ""),
        typed=_typed(refused) if refused and keeps and "do" not in request.form else None,
        due=[record.due(say, due, local_day) for due in one.facts.due],
        starts={"no-results": {"due_on": one.facts.due[0].due_on}} if one.facts.due else {},
        today=local_day,
        weekdays=say.weekdays,
    )


def _listed(
    session: Session, whose: Patient, told: recorded.Told, names: Mapping[uuid.UUID, str]
) -> dict[str, list[Shown]]:
    """What counts of each kind of entry but results; `names` of staff by id."""
    say, day, patient_id = page_language(), told.today, whose.id
    missed = {one.course: record.missed(say, one) for one in told.facts.taking}
    return {
        "result-limits": [
            _limit(row, names, told.where)
            for row in entries.counting(session, ResultLimitRow, patient_id, ResultLimitRow.kind)
        ],
        "next-contacts": [
            Shown(
                row.id, record.contacting(say, recorded.contact_of(row, names), day), row.note,
                _filled(row), to_come=True,
            )
            for row in entries.counting(session, NextContact, patient_id, NextContact.due_on)
            if row.done_on is None
        ],
        "events": [
            Shown(row.id, record.happened(say, recorded.event_of(row)), row.note, _filled(row))
            for row in entries.counting(session, EventRow, patient_id, EventRow.from_date.desc())
        ],
        "medicines": [
            _course(row, missed)
            for row in entries.counting(session, MedicineRow, patient_id, MedicineRow.from_date.desc())
        ],
        "no-results": [
            Shown(row.id, record.in_place(say, recorded.in_place_of(row, told.where)), row.note, _filled(row))
            for row in entries.counting(session, NoResultRow, patient_id, NoResultRow.due_on.desc())
        ],
    }  # fmt: skip


def _list_results(session: Session, whose: Patient, listed: dict[str, list[Shown]]) -> dict[str, int]:
    """Put the newest results and rhythms on the list; how many of each are left out."""
    found = entries.counting(session, ResultRow, whose.id, ResultRow.taken_at.desc())
    rhythms = [row for row in found if row.kind is ResultKind.RHYTHM]
    numbers = [row for row in found if row.kind is not ResultKind.RHYTHM]
    listed |= {"results": [_result(row, whose) for row in numbers[:LISTED]]}
    listed |= {"rhythms": [_result(row, whose) for row in rhythms[:LISTED]]}
    return {"results": len(numbers[LISTED:]), "rhythms": len(rhythms[LISTED:])}


def _course(row: MedicineRow, missed: Mapping[Course, str]) -> Shown:
    """A course, with what the diary says of missed medicines since it began, where it says anything."""
    course = recorded.course_of(row)
    beside = missed.get(course, "")
    return Shown(row.id, record.course(page_language(), course), row.note, _filled(row), beside=beside)


def _limit(row: ResultLimitRow, names: Mapping[uuid.UUID, str], where: ZoneInfo) -> Shown:
    """A limit for results, with who typed it; `names` of staff by id."""
    by = next((name for staff_id, name in names.items() if row.entered_by == f"{ActorKind.STAFF}:{staff_id}"), "")
    sentence = record.result_limit(page_language(), recorded.limit_of(row, where), by)
    return Shown(row.id, sentence, row.note, _filled(row) | {"kind": _measure(row.kind, row.unit)})


def _measure(kind: ResultKind, unit: str) -> str:
    """Kind and unit as the form has them together."""
    return f"{kind} {UNITS.get(kind, {}).get(results.written(unit), unit)}".rstrip()


def _result(row: ResultRow, whose: Patient) -> Shown:
    say, where = page_language(), localtime.zone(whose.zone)
    if row.kind is ResultKind.RHYTHM:
        value, day = label(say, vocabulary.Rhythm(row.value)), say.dated(localtime.local_date(row.taken_at, where))
        sentence = gettext("Rhythm: %(value)s on %(day)s", value=value, day=day)
    else:
        sentence = record.result(say, recorded.result_of(row), where)
    taken = row.taken_at.astimezone(where).strftime("%Y-%m-%dT%H:%M")
    return Shown(row.id, sentence, row.note, _filled(row) | {"taken_at": taken, "kind": _measure(row.kind, row.unit)})


def beside(session: Session, entries: Sequence[PanelEntry], now: datetime) -> dict[uuid.UUID, str]:
    """The record's one line of each patient of the panel, where there is one. A constant number of queries."""
    say, lines = page_language(), {}
    found = recorded.of_patients(session, own_clinic(session), [entry.patient_id for entry in entries], now)
    for entry in entries:
        one, told = found[entry.patient_id], {task.kind for task in entry.tasks}
        lines[entry.patient_id] = record.beside(say, one.facts, one.today, one.where, entry.summary.trend.level, told)
    return {patient_id: line for patient_id, line in lines.items() if line}


NOT_WEIGHED = Body()


@dataclass(frozen=True)
class Today:
    """What the record says of one patient today: what changes how it is read, what is asked first, and the table."""

    died: str  # who died when; empty of the living
    news: list[str]
    glance: list[Line]
    table: list[Line]


def today(
    session: Session,
    whose: Patient,
    known: Recorded,
    now: datetime,
    body: Body = NOT_WEIGHED,
    level: float | None = None,
) -> Today:
    """What the record says of one patient today. `level` is where PA diastolic is now, mmHg; None is not known."""
    say, one = page_language(), recorded.told(known, own_clinic(session), whose.zone, now)
    death = one.facts.death
    return Today(
        "" if death is None else record.died(say, whose.name, death),
        record.today(say, one.facts, one.today, one.where)
        + ([] if death is not None else _accepted_limit(session, whose)),
        [] if death is not None else standing.glance(say, one.facts, one.today, one.where, level),
        standing.table(say, one.facts, body, one.where),
    )


def _accepted_limit(session: Session, whose: Patient) -> list[str]:
    """That the limit in force was accepted from the level before events, and by whom."""
    limits = baselines.newest_limits(session, whose.id)
    if limits is None or limits.origin is None or limits.upper is None:
        return []
    name = session.scalar(select(Staff.name).where(Staff.id == uuid.UUID(limits.set_by.rpartition(":")[2])))
    on = localtime.local_date(limits.set_at, whose.zone)
    return [record.accepted_limit(page_language(), limits.upper, on, name or limits.set_by)]


def _around_implant(session: Session, whose: Patient, known: Recorded, now: datetime) -> str:
    """How often trouble came, before the sensor and since; empty where no event was entered."""
    around = recorded.told(known, own_clinic(session), whose.zone, now).facts.around_implant
    return "" if around is None else record.around_implant(page_language(), around)


def _to_accept(session: Session, whose: Patient, known: Recorded, now: datetime) -> float | None:
    """The level, mmHg, that a clinician may accept as the upper limit; None where there is none, or it is one."""
    facts = recorded.told(known, own_clinic(session), whose.zone, now).facts
    limits = baselines.newest_limits(session, whose.id)
    if facts.trouble is None or facts.death is not None:
        return None
    level = round(facts.trouble.level, 1)
    return None if limits is not None and limits.upper == level else level


def courses_of(session: Session, whose: Patient, now: datetime) -> tuple[list[uuid.UUID], dict[uuid.UUID, str]]:
    """The medicines taken today, and what every row of a course has become in words, but of one that was taken back."""
    say, day = page_language(), _today(whose, now)
    rows = session.scalars(select(MedicineRow).where(MedicineRow.patient_id == whose.id).order_by(MedicineRow.name))
    by_id = {row.id: row for row in rows}
    newer = {row.supersedes_id: row for row in by_id.values()}
    told: dict[uuid.UUID, Course] = {}
    for row_id, row in by_id.items():
        while (next_one := newer.get(row.id)) is not None:
            row = next_one
        if not row.withdrawn:
            told[row_id] = recorded.course_of(row)
    taken = [row_id for row_id, course in told.items() if row_id not in newer and course.is_taken_on(day)]
    return taken, {row_id: record.course(say, course) for row_id, course in told.items()}


def _known(row: PersonRow | None) -> list[tuple[str, str]]:
    """What is known of the person, name and value; what is not is not listed."""
    told = []
    for one in PERSON.inputs:
        value = None if row is None else getattr(row, one.name)
        if value is None or value == "":
            continue
        told.append((str(one.label), _in_words(one, value)))
    return told


def _in_words(one: Input, value: Any) -> str:
    say = page_language()
    if one.kind == "days":
        return say.listed([say.weekdays[day] for day in weekdays_of(value)]) or str(gettext("no day"))
    if isinstance(value, StrEnum):
        return title(say, value)
    return say.full_day(value) if one.kind == "date" else say.figure(value) if one.kind == "number" else str(value)


def _filled(row: Any) -> dict[str, Any]:
    """What a form begins with."""
    return {} if row is None else {name: value for name, value in values_of(row).items() if value is not None}


def _today(whose: Patient, now: datetime) -> Any:
    return localtime.local_date(now, whose.zone)
