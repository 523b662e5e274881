"""The record beside the pressures: events, medicines, results, the person, who is in touch next.

Every entry has the same three ways: entered, corrected by a newer row, taken back with a reason. A list shows
what counts; with `all=true` also what was corrected or taken back.
"""

from __future__ import annotations

import uuid
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Any

from flask import Response, g
from marshmallow import Schema, fields, validate
from sqlalchemy import select

from service.care import entries, persons, recorded
from service.domain import vocabulary
from service.domain.localtime import local_date
from service.domain.plan import weekdays_of
from service.domain.record.kidney import KidneyInjury
from service.domain.record.limits import ResultBeyond
from service.domain.record.medicines import Course, LoopSum
from service.domain.record.now import (
    ChemistryDue,
    Contacting,
    Egfr,
    Happened,
    PersonNow,
    RecordNow,
    RhythmNow,
    Taking,
)
from service.domain.record.rates import AroundImplant, EventRate
from service.domain.record.results import NewResult, TimedResult
from service.domain.record.standing import Among, ArmPressure, Catheter, PosturePair
from service.domain.record.trouble import TroubleLevel
from service.domain.rights import Right
from service.domain.validation import Refused
from service.domain.vocabulary import ActorKind, Scope, Source
from service.intake import results
from service.recording import chemistry, events, limits, medicines, next_contacts
from service.store.arrivals import values_of
from service.store.session import read_session
from service.store.tables import (
    EventRow,
    MedicineRow,
    NextContact,
    NoResultRow,
    Patient,
    PersonRow,
    ResultLimitRow,
    ResultRow,
)
from service.web import trail
from service.web.api.base import (
    AsSent,
    Blueprint,
    Listed,
    instant,
    list_rows,
    number,
    shows,
    text,
    told,
    whole,
    word,
    yes_no,
)
from service.web.api.guards import Call, caller, for_staff, needs, reads
from service.web.api.intake import BatchOut, taken_each
from service.web.auth import own, own_clinic, own_patient, signed_in
from service.web.services import services

blueprint = Blueprint("record", "Events, medicines, results, the person, next contacts")
ENTERED = "note entered_by entered_at supersedes_id superseded_at withdrawn"


class EntryList(Listed):
    """Which entries: those that count, or all that were ever entered."""

    all = fields.Boolean(load_default=False)


class Withdrawal(Schema):
    reason = text(entries.LONGEST_NOTE)


class EventIn(Schema):
    """An admission has a `to_date`, the day of discharge, once it is over; the others are of one date.

    A `death` ends care here at once, cancels what is waiting to be sent, and is taken only with `confirmed` true.
    """

    kind = word(vocabulary.EventKind, required=True)
    from_date = fields.Date(required=True)
    to_date = fields.Date(allow_none=True, load_default=None)
    cause = word(vocabulary.EventCause, load_default=vocabulary.EventCause.NOT_KNOWN)
    confirmed = yes_no(load_default=False)
    note = text(entries.LONGEST_NOTE, required=False, load_default="")


class MedicineIn(Schema):
    """`dose` is a single one in `unit` (UCUM); `times_a_day` 0.5 is every other day. Both are decimals, as text.

    `chemistry_on`: the clinician's own date for chemistry after it; null takes the clinic's schedule. `earlier` is
    needed where another course of this medicine and route is taken on the same days, and says what becomes of that:
    `ended`, the day before this one begins, or taken `beside` it.
    """

    name = text(80)
    kind = word(vocabulary.MedicineClass, required=True)
    dose = text(16)
    unit = text(16, required=False, load_default="mg")
    times_a_day = text(16)
    route = word(vocabulary.Route, load_default=vocabulary.Route.ORAL)
    from_date = fields.Date(required=True)
    to_date = fields.Date(allow_none=True, load_default=None)
    chemistry_on = fields.Date(allow_none=True, load_default=None)
    earlier = word(vocabulary.EarlierCourse, allow_none=True, load_default=None)
    note = text(entries.LONGEST_NOTE, required=False, load_default="")


class ResultIn(Schema):
    """A result of a `kind`, or of a LOINC `code`; `value` a decimal as text, or a word for a rhythm."""

    kind = word(vocabulary.ResultKind, allow_none=True, load_default=None)
    code = text(16, required=False, allow_none=True, load_default=None)
    value = text(24)
    unit = text(24, required=False, allow_none=True, load_default=None)
    taken_at = instant(required=True)
    posture = word(vocabulary.ArmPosture, allow_none=True, load_default=None)
    note = text(entries.LONGEST_NOTE, required=False, load_default="")


class ResultRowIn(ResultIn):
    """`patient` is the patient's id or the clinic's own reference."""

    patient = text(40)


class ResultBatchIn(Schema):
    """Each row is judged alone; every refusal is told by its place."""

    results = fields.List(AsSent(ResultRowIn), required=True, validate=validate.Length(1, 1000))


class PersonIn(Schema):
    """All that is known now; what is left out is not known. `dialysis_days` counts from Monday = 0; [] is none.

    `fluid_ml` and `sodium_mg`: up to how much a day, as agreed with the patient. An adjustment of diet, dialysis or
    device points at the row as it was then, so change this first.
    """

    born_on = fields.Date(allow_none=True, load_default=None)
    sex = word(vocabulary.Sex, allow_none=True, load_default=None)
    height_cm = number(persons.LEAST_HEIGHT, persons.MOST_HEIGHT, allow_none=True, load_default=None)
    implanted_on = fields.Date(allow_none=True, load_default=None)
    implant_side = word(vocabulary.Side, allow_none=True, load_default=None)
    altitude_m = whole(persons.LOWEST, persons.HIGHEST, allow_none=True, load_default=None)
    device = word(vocabulary.Device, allow_none=True, load_default=None)
    dialysis_days = fields.List(whole(0, 6), allow_none=True, load_default=None, validate=validate.Length(max=7))
    fluid_ml = whole(persons.LEAST_FLUID, persons.MOST_FLUID, allow_none=True, load_default=None)
    sodium_mg = whole(persons.LEAST_SODIUM, persons.MOST_SODIUM, allow_none=True, load_default=None)
    note = text(entries.LONGEST_NOTE, required=False, load_default="")


class NextContactIn(Schema):
    """Due on a local date; for a colleague, or for whoever has a role."""

    due_on = fields.Date(required=True)
    way = word(vocabulary.ContactWay, load_default=vocabulary.ContactWay.CALL)
    staff_id = fields.UUID(allow_none=True, load_default=None)
    role = word(vocabulary.Role, allow_none=True, load_default=None)
    agreed = yes_no(load_default=False)
    note = text(entries.LONGEST_NOTE, required=False, load_default="")


class ContactQuery(Listed):
    """`mine`: handed to you by name, or to a role of yours. `staff_id`, `role`: handed to either."""

    mine = fields.Boolean(load_default=False)
    staff_id = fields.UUID()
    role = word(vocabulary.Role)


class NoResultIn(Schema):
    """A reason in place of a result: `done_elsewhere` with its `done_on`, or `not_wanted` with a note that says why."""

    due_on = fields.Date(required=True)
    why = word(vocabulary.NoResult, required=True)
    done_on = fields.Date(allow_none=True, load_default=None)
    note = text(entries.LONGEST_NOTE, required=False, load_default="")


class ResultLimitIn(Schema):
    """A clinician's own limit for one kind of result of this patient: decimals as text, one end may be open.

    Of each kind one counts; another is its correction. The newest result that is beyond it is a task, and calls today.
    """

    kind = word(vocabulary.ResultKind, required=True)
    lower = text(24, required=False, allow_none=True, load_default=None)
    upper = text(24, required=False, allow_none=True, load_default=None)
    unit = text(24, required=False, allow_none=True, load_default=None)
    note = text(entries.LONGEST_NOTE, required=False, load_default="")


class ContactDone(Schema):
    done_on = fields.Date(required=True)
    note = text(entries.LONGEST_NOTE, required=False, load_default="")


EventOut = shows("EventOut", EventRow, f"id kind cause from_date to_date source before pause_id {ENTERED}")
MedicineOut = shows(
    "MedicineOut", MedicineRow, f"id name kind dose unit times_a_day route from_date to_date chemistry_on {ENTERED}"
)
ResultOut = shows("ResultOut", ResultRow, f"id kind taken_at value unit posture source {ENTERED}")
PersonOut = shows(
    "PersonOut",
    PersonRow,
    f"id born_on sex height_cm implanted_on implant_side altitude_m device dialysis_days fluid_ml sodium_mg {ENTERED}",
    dialysis_days=fields.Function(
        lambda row: None if row.dialysis_days is None else weekdays_of(row.dialysis_days),
        metadata={"type": ["array", "null"], "items": {"type": "integer"}},
    ),
)
NoResultOut = shows("NoResultOut", NoResultRow, f"id due_on why done_on {ENTERED}")
ResultLimitOut = shows("ResultLimitOut", ResultLimitRow, f"id kind lower upper unit {ENTERED}")
NextContactOut = shows(
    "NextContactOut", NextContact, f"id due_on way staff_id role agreed done_on discharged_on {ENTERED}"
)


ContactToMakeOut = shows(
    "ContactToMakeOut",
    next_contacts.ContactToMake,
    "id patient_id name due_on way staff_id role agreed note done_on superseded_at withdrawn",
)


CourseOut = shows(
    "CourseOut", Course, "name kind dose unit times_a_day route from_date to_date",
    dose=fields.String(), times_a_day=fields.String(),
)  # fmt: skip
EventNowOut = shows("EventNowOut", Happened, "kind cause from_date to_date level_before")
AS_TEXT = {name: fields.String(attribute=f"result.{name}") for name in ("value", "unit", "compared")}
ResultNowOut = shows(
    "ResultNowOut", TimedResult, "at result.kind result.value result.unit result.compared posture before",
    before=shows("ResultBeforeOut", TimedResult, "at result.value result.unit result.compared", **AS_TEXT), **AS_TEXT,
)  # fmt: skip
MeasuredOut = shows("MeasuredOut", TimedResult, "at result.value result.unit result.compared posture", **AS_TEXT)
ArmOut = shows("ArmPressureOut", ArmPressure, "on systolic diastolic", systolic=MeasuredOut, diastolic=MeasuredOut)
AmongOut = shows(
    "AmongOut", Among, "kind knowledge earlier least most since above", least=MeasuredOut, most=MeasuredOut
)
LoopOut = shows(
    "LoopOut", LoopSum, "mg factors unknown", mg=fields.String(),
    factors=fields.Function(lambda loop: {which: str(factor) for which, factor in loop.factors},
                            metadata={"type": "object", "additionalProperties": {"type": "string"}}),
)  # fmt: skip
RateOut = shows("EventRateOut", EventRate, "events days a_year low high")
RecordNowOut = shows(
    "RecordNowOut",
    RecordNow,
    "age newest beyond egfr injury taking loop changed changed_days_ago due in_hospital_since discharged_on"
    " day_after_stay last_event trouble around_implant contact among arm pair catheter heard person death",
    newest=ResultNowOut,
    beyond=shows("ResultBeyondOut", ResultBeyond, "kind value unit on up limit limit_unit set_on"),
    egfr=shows("EgfrOut", Egfr, "value on computed"),
    injury=shows("KidneyInjuryOut", KidneyInjury, "stage earlier newest", earlier=ResultNowOut, newest=ResultNowOut),
    taking=shows("TakingOut", Taking, "course missed answered", course=CourseOut),
    loop=LoopOut,
    changed=CourseOut,
    due=shows("ChemistryDueOut", ChemistryDue, "due_on medicine kind changed_on answered_to"),
    last_event=EventNowOut,
    trouble=shows("TroubleLevelOut", TroubleLevel, "level sd events newest_on newest_level"),
    around_implant=shows("AroundImplantOut", AroundImplant, "implanted_on before since", before=RateOut, since=RateOut),
    contact=shows("ContactingOut", Contacting, "due_on way who role agreed"),
    among=AmongOut,
    arm=ArmOut,
    pair=shows("PosturePairOut", PosturePair, "lying standing", lying=ArmOut, standing=ArmOut),
    catheter=shows(
        "CatheterOut", Catheter, "on gradient at_implant is_raised diastolic wedge",
        gradient=fields.String(), diastolic=MeasuredOut, wedge=MeasuredOut,
    ),
    heard=shows("HeardOut", RhythmNow, "rhythm on"),
    person=shows(
        "PersonNowOut", PersonNow,
        "height_cm implanted_on implant_side altitude_m device dialysis_days fluid_ml sodium_mg",
        dialysis_days=fields.List(fields.Integer(), allow_none=True),
    ),
    death=EventNowOut,
)  # fmt: skip


@dataclass(frozen=True)
class Kind:
    """One kind of entry, as API and page have it: its rows, what it takes, and who writes it."""

    name: str
    table: type[entries.AnyRow]
    takes: type[Schema]
    shape: type[Schema]
    what: str
    order: Any
    record: Callable[..., Any]
    take_back: Callable[..., Any] = entries.withdraw


KINDS = {
    kind.name: kind
    for kind in (
        Kind(
            "events", EventRow, EventIn, EventOut, "events", EventRow.from_date.desc(), events.record_event,
            events.withdraw_event,
        ),
        Kind(
            "medicines", MedicineRow, MedicineIn, MedicineOut, "courses of medicine", MedicineRow.from_date.desc(),
            medicines.record_medicine,
        ),
        Kind("results", ResultRow, ResultIn, ResultOut, "results", ResultRow.taken_at.desc(), results.record_result),
        Kind(
            "result-limits", ResultLimitRow, ResultLimitIn, ResultLimitOut, "limits for results",
            ResultLimitRow.entered_at.desc(), limits.set_result_limit,
        ),
        Kind(
            "no-results", NoResultRow, NoResultIn, NoResultOut, "reasons in place of a result",
            NoResultRow.due_on.desc(), chemistry.record_reason,
        ),
        Kind(
            "next-contacts", NextContact, NextContactIn, NextContactOut, "next contacts", NextContact.due_on.desc(),
            next_contacts.plan_contact,
        ),
    )
}  # fmt: skip


def _addresses(kind: Kind) -> None:
    """The addresses that every kind of entry has."""
    table = kind.table

    def listed(query: dict[str, Any], patient_id: uuid.UUID) -> dict[str, Any]:
        every = query.pop("all") or "updated_since" in query  # whoever has a row is told that it counts no more
        only = () if every else (table.superseded_at.is_(None), table.withdrawn.is_(False))
        return list_rows(query, table, kind.order, table.entered_at, patient_id=patient_id, only=only)

    def entered(call: Call, new: dict[str, Any], patient_id: uuid.UUID) -> Any:
        return _own_words(call, kind.record(call.act, own_patient(call.session, patient_id), **new))

    def corrected(call: Call, new: dict[str, Any], entry_id: uuid.UUID) -> Any:
        row = own(call.session, table, entry_id)
        return kind.record(call.act, call.session.get_one(Patient, row.patient_id), **new, corrects=row)

    def withdrawn(call: Call, how: dict[str, Any], entry_id: uuid.UUID) -> Any:
        row = own(call.session, table, entry_id)
        return kind.take_back(call.act, call.session.get_one(Patient, row.patient_id), row, **how)

    what, name = kind.what, kind.name
    listed.__doc__ = f"{what.capitalize()} of a patient, newest first: what counts now, or all that was ever entered."
    entered.__doc__ = f"Enter one of the {what}. Clinical staff only."
    corrected.__doc__ = f"Correct one of the {what} by a newer row; the row that it corrects stays on record."
    withdrawn.__doc__ = f"Take one of the {what} back, with the reason: it was never so. It stays on record."
    ours, one = f"/patients/<uuid:patient_id>/{name}", f"/{name}/<uuid:entry_id>"
    may = for_staff(Right.CARE)
    enters = needs(Scope.RESULTS) if table is ResultRow else may
    several = name.replace("-", "_")
    listed.__name__ = f"list_{several}"
    for view, does in ((entered, "enter"), (corrected, "correct"), (withdrawn, "withdraw")):
        view.__name__ = f"{does}_{several.removesuffix('s')}"
    blueprint.get(ours, allowed=reads(Scope.REVIEW))(blueprint.lists(kind.shape, EntryList)(listed))
    blueprint.post(ours, allowed=enters)(blueprint.writes(kind.shape, 201, takes=kind.takes)(entered))
    blueprint.post(f"{one}/correct", allowed=may)(blueprint.writes(kind.shape, 201, takes=kind.takes)(corrected))
    blueprint.post(f"{one}/withdraw", allowed=may)(blueprint.writes(kind.shape, 201, takes=Withdrawal)(withdrawn))


def _own_words(call: Call, row: Any) -> Any:
    """A machine whose result was there already is told nothing of what another wrote beside it."""
    if call.actor.kind is not ActorKind.KEY or row.entered_by == str(call.actor):
        return row
    return type(row)(**values_of(row) | {"note": "", "entered_by": ""})


for each in KINDS.values():
    _addresses(each)


RESULT_ROW = ResultRowIn()


@blueprint.post("/results/batch", allowed=needs(Scope.RESULTS))
@blueprint.arguments(ResultBatchIn)
@blueprint.response(200, BatchOut)
def enter_results_batch(batch: dict[str, Any]) -> dict[str, Any] | Response:
    """Enter up to 1,000 results, each a `ResultIn` with its `patient`. Bad rows never stop good ones.

    Sending a batch again is harmless: what is there already is a duplicate; another value of the same kind, moment
    and posture is refused. A key with the scope `results` may call this and enter single results, and read nothing.
    """
    return taken_each(
        batch["results"],
        lambda row: NewResult(**RESULT_ROW.load(row)),
        partial(results.record_results, source=Source.API),
    )


@blueprint.get("/next-contacts", allowed=reads(Scope.REVIEW))
@blueprint.lists(ContactToMakeOut, ContactQuery)
def list_contacts_to_make(query: dict[str, Any]) -> dict[str, Any]:
    """The contacts still to come with everybody who is looked after, the earliest first; or those handed to somebody.

    A contact is handed on with `POST /next-contacts/{entry_id}/correct`. By arrival, those come too that were made,
    corrected or taken back since.
    """
    staff_id, roles = query.get("staff_id"), [query["role"]] if "role" in query else []
    if query["mine"]:
        if caller().actor.kind is not ActorKind.STAFF:
            raise Refused("mine", "true", "false, or a session of staff: a key is handed nothing")
        staff_id, roles = signed_in().id, list(signed_in().roles)
    with read_session(services().engine) as session:
        whose = next_contacts.handed_to(g.clinic_id, staff_id, roles)
        shown = partial(next_contacts.to_make, session, whose)
        found = told(session, query, select(NextContact).where(*whose), NextContact, shown)
    trail.of_many(len(found["items"]))
    return found


@blueprint.post("/next-contacts/<uuid:entry_id>/done", allowed=for_staff(Right.CARE))
@blueprint.writes(NextContactOut, 201, takes=ContactDone)
def note_contact_done(call: Call, how: dict[str, Any], entry_id: uuid.UUID) -> NextContact:
    """The contact took place, on a local date."""
    row = own(call.session, NextContact, entry_id)
    return next_contacts.contact_done(call.act, call.session.get_one(Patient, row.patient_id), row, **how)


@blueprint.get("/patients/<uuid:patient_id>/person", allowed=reads(Scope.REVIEW))
@blueprint.lists(PersonOut, EntryList)
def list_person(query: dict[str, Any], patient_id: uuid.UUID) -> dict[str, Any]:
    """What is known of the person: one row, or none yet; with `all=true` every row that was, newest first."""
    every = query.pop("all") or "updated_since" in query
    only = () if every else (PersonRow.superseded_at.is_(None),)
    return list_rows(query, PersonRow, PersonRow.entered_at.desc(), patient_id=patient_id, only=only)


@blueprint.put("/patients/<uuid:patient_id>/person", allowed=needs(Scope.ENROL))
@blueprint.writes(PersonOut, takes=PersonIn)
def set_person(call: Call, new: dict[str, Any], patient_id: uuid.UUID) -> PersonRow:
    """Say what is known of the person, whole; the row before stays on record."""
    return persons.set_person(call.act, own_patient(call.session, patient_id), **new)


@blueprint.get("/patients/<uuid:patient_id>/record", allowed=reads(Scope.REVIEW))
@blueprint.response(200, RecordNowOut)
def show_record(patient_id: uuid.UUID) -> RecordNow:
    """What the record says today: results with the one before, diuretic, what is due, the day after a stay."""
    now = services().clock.now()
    with read_session(services().engine) as session:
        whose = own_patient(session, patient_id)
        known = recorded.load_one(session, patient_id, local_date(now, whose.zone))
        return recorded.told(known, own_clinic(session), whose.zone, now).facts
