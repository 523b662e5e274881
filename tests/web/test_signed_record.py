"""Whatever is corrected or taken back in the record, what was signed before stays as it was, byte for byte."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from datetime import date, timedelta
from typing import Any

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import select

from service.care import entries, persons
from service.domain import seals
from service.domain.validation import Refused
from service.domain.vocabulary import EventKind, MedicineClass, NoResult, ResultKind, Route
from service.enrolling import baselines
from service.intake.results import record_result
from service.recording import chemistry, events, medicines
from service.reviewing.records import weekly_record
from service.store.audit import OPERATOR, Act
from service.store.session import read_session, write_session
from service.store.tables import EventRow, MedicineRow, NoResultRow, Patient, ResultRow, SignOff
from service.words.language import load_language
from tests.ward import NOW
from tests.web.test_clinic_pages import Clinic, clinic  # noqa: F401 - the fixture

ENTRIES = (EventRow, MedicineRow, ResultRow, NoResultRow)
TODAY = date(2026, 11, 25)
DAYS = st.integers(0, 30).map(lambda ago: TODAY - timedelta(days=ago))
Write = Callable[[Act, Patient], object]


def _medicine(day: date, dose: int) -> Write:
    new = {"name": "Bumetanide", "kind": MedicineClass.LOOP_DIURETIC, "unit": "mg", "times_a_day": "1"}
    whole = new | {"dose": str(dose), "route": Route.ORAL, "from_date": day}
    return lambda act, who: medicines.record_medicine(act, who, **whole, corrects=_any(act, who, MedicineRow))


def _result(day: date, value: int) -> Write:
    taken = NOW - timedelta(days=(TODAY - day).days)
    return lambda act, who: record_result(
        act, who, kind=ResultKind.CREATININE, value=str(value), taken_at=taken, corrects=_any(act, who, ResultRow)
    )


def _stay(day: date, _: int) -> Write:
    return lambda act, who: events.record_event(act, who, kind=EventKind.ADMISSION, from_date=day, to_date=TODAY)


def _reason(day: date, _: int) -> Write:
    return lambda act, who: chemistry.record_reason(
        act, who, due_on=day + timedelta(days=14), why=NoResult.NOT_WANTED, note="comfort"
    )


def _person(day: date, centimetres: int) -> Write:
    return lambda act, who: persons.set_person(act, who, implanted_on=day, height_cm=100.0 + centimetres)


def _goal(day: date, upper: int) -> Write:
    until = TODAY + (TODAY - day)
    return lambda act, who: baselines.set_goal(act, who, None, float(upper), "lower", until)


def _withdrawal(_: date, number: int) -> Write:
    def do(act: Act, who: Patient) -> None:
        row = _any(act, who, ENTRIES[number % len(ENTRIES)])
        if isinstance(row, EventRow):
            events.withdraw_event(act, who, row, "never so")
        elif row is not None:
            entries.withdraw(act, who, row, "never so")

    return do


def _any(act: Act, who: Patient, table: Any) -> Any:
    return next(iter(entries.counting(act.session, table, who.id)), None)


WRITES = st.tuples(
    st.sampled_from([_medicine, _result, _stay, _reason, _person, _goal, _withdrawal]), DAYS, st.integers(20, 90)
)


def signed(clinic: Clinic) -> tuple[str, str, str]:  # noqa: F811
    """What was signed, as the database and so the API have it, as the page shows it, and as the PDF's facts."""
    who = clinic.ids["Asha"]
    with read_session(clinic.engine) as session:
        row = session.scalars(select(SignOff).where(SignOff.patient_id == who)).one()
        kept = json.dumps([row.frozen, row.frozen_hash, row.outcome, row.note, row.standing], sort_keys=True)
        assert seals.fingerprint(row.frozen) == row.frozen_hash
        printed = weekly_record(session, clinic.clinic_id, row.week, load_language("en")).facts
    page = clinic.get(clinic.path("Asha"))
    past = re.search(r'<section class="card" aria-labelledby="past">.*?</section>', page, re.S)
    assert past is not None
    # Which days read differently since is said beside what was signed, in a list of its own.
    shown = re.sub(r'<details class="quiet">.*?</details>', "", past[0], flags=re.S)
    return kept, shown, json.dumps(printed, sort_keys=True, default=str)


@settings(max_examples=6, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(writes=st.lists(WRITES, min_size=1, max_size=4))
def test_what_was_signed_stays_whatever_the_record_becomes(clinic: Clinic, writes: list[Any]) -> None:  # noqa: F811
    with read_session(clinic.engine) as session:
        is_signed = session.scalar(select(SignOff.id).where(SignOff.patient_id == clinic.ids["Asha"]))
    if is_signed is None:
        clinic.post(clinic.path("Asha", "/sign"), clinic.path("Asha"), outcome="called", note="Rang her.")
    before = signed(clinic)
    for number, (make, day, figure) in enumerate(writes):
        try:
            with write_session(clinic.engine) as session:
                act = Act(session, OPERATOR, clinic.clinic_id, NOW + timedelta(seconds=number))
                make(day, figure)(act, session.get_one(Patient, clinic.ids["Asha"]))
        except Refused:
            continue
    assert signed(clinic) == before
