"""The panel: everyone in one of four lanes, in a constant number of queries."""

from __future__ import annotations

import uuid
from dataclasses import dataclass, replace
from datetime import timedelta

import pytest
from sqlalchemy import Engine, select

from service.care.tasks import close_tasks, raise_task
from service.domain.review import Lacking, Placement, Reason
from service.domain.vocabulary import (
    AdjustmentKind,
    Lane,
    Outcome,
    PauseCause,
    SilenceCause,
    TaskKind,
    TaskSettled,
)
from service.reviewing import adjusting, inbox, refreshing, signing
from service.reviewing.adjusting import NewAdjustment
from service.reviewing.panel import Neighbour, Neighbours, PanelEntry, build_panel, neighbours
from service.reviewing.placing import rank_of
from service.store.session import read_session, write_session
from service.store.tables import Clinic, PanelRow, Patient, Task
from tests import inwords
from tests.builder import acting
from tests.carried import made_again
from tests.statements import statements_of
from tests.ward import NOW, Ward, open_ward

STEADY = [18.0, 18.5, 17.5, 18.2, 17.8] * 12
WELL = [1] * 20


@dataclass(frozen=True)
class Signer:
    id: uuid.UUID
    clinic_id: uuid.UUID
    name: str


def entry(ward: Ward, name: str) -> PanelEntry:
    panel = build_panel(ward.session, ward.clinic.id, ward.now)
    (found,) = [entry for entry in panel.entries if entry.name == name]
    return found


def test_a_patient_without_any_data_is_on_the_panel_and_says_so(ward):
    ward.patient("Nobody Yet")
    found = entry(ward, "Nobody Yet")
    assert found.lane is Lane.NOT_HEARD_FROM
    assert inwords.why(found).startswith("No reading yet since enrolment on")
    assert found.summary.strip.marks == "-" * 30
    assert str(found.summary.adherence) == "0 of 0"


def test_a_patient_nobody_asks_is_not_called_settled(ward):
    ward.patient("Unplanned", planned=False)
    assert entry(ward, "Unplanned").lane is Lane.NOT_HEARD_FROM


def test_a_safety_answer_is_called_today_first_of_all(ward):
    steady = ward.patient("Steady", pressures=STEADY, breathlessness=WELL)
    above = ward.patient("Above", pressures=[*STEADY[:-7], *[27.0] * 7], upper=25.0)
    chest = ward.patient("Chest", pressures=STEADY)
    ward.task(chest, TaskKind.SAFETY_ANSWER, "Answered that there is chest pain today.")
    panel = build_panel(ward.session, ward.clinic.id, ward.now)
    assert [entry.patient_id for entry in panel.lanes[Lane.CALL_TODAY]] == [chest.id, above.id]
    assert [entry.patient_id for entry in panel.lanes[Lane.SETTLED]] == [steady.id]
    assert "Answered that there is chest pain today." in inwords.why(panel.lanes[Lane.CALL_TODAY][0])


def test_a_silence_of_the_clinics_days_is_not_heard_from_with_its_cause(ward):
    quiet = ward.patient("Quiet", pressures=[*STEADY[:-4], None, None, None, None])
    ward.silence(quiet, 4, SilenceCause.NOT_DELIVERED)
    found = entry(ward, "Quiet")
    assert found.lane is Lane.NOT_HEARD_FROM
    assert inwords.why(found).startswith("No reading for 4 planned days (last on 21 November)")
    assert "our messages did not arrive" in inwords.why(found)
    assert str(found.summary.adherence) == "26 of 30"


def test_a_diary_whose_breathlessness_is_asked_weekly_is_compared_over_two_weeks(ward):
    weekly = [1 if ago % 7 == 2 else None for ago in range(42)]
    ward.patient("Weekly", pressures=STEADY, breathlessness=weekly[::-1][:33] + [None] * 9)
    assert entry(ward, "Weekly").lane is Lane.NOT_HEARD_FROM  # daily, and nothing for nine days
    ward.clinic.asks = {**ward.clinic.asks, "daily": ["safety_signs"], "weekly": ["breathlessness"]}
    ward.session.flush()
    assert entry(ward, "Weekly").lane is Lane.SETTLED


def test_one_missed_reading_is_not_yet_a_silence(ward):
    ward.silence(ward.patient("Once", pressures=[*STEADY[:-1], None], breathlessness=WELL), 1)
    assert entry(ward, "Once").lane is Lane.SETTLED


def test_a_stay_in_hospital_is_told_and_is_in_neither_number(ward):
    stay = ward.patient("Stay", pressures=STEADY[:-5])
    today = ward.today(stay)
    ward.pause(stay, PauseCause.IN_HOSPITAL, today - timedelta(days=4), None)
    found = entry(ward, "Stay")
    assert found.lane is Lane.NOT_HEARD_FROM
    assert inwords.why(found).startswith("In hospital since 21 November")
    assert found.summary.strip.marks.endswith("r")  # readings that came anyway are kept
    assert found.summary.adherence.received == found.summary.adherence.expected == 30


def test_days_are_each_patients_own(ward):
    # 15:00 UTC on 25 November is 26 November in Auckland.
    ward.patient("Far", zone="Pacific/Auckland", pressures=STEADY)
    found = entry(ward, "Far")
    assert found.summary.today.isoformat() == "2026-11-26"
    assert found.summary.strip.values[-1] == STEADY[-1]


def test_every_patient_is_in_exactly_one_lane(ward):
    names = {f"P{number}" for number in range(12)}
    for number, name in enumerate(sorted(names)):
        ward.patient(name, pressures=STEADY[: number * 5])
    panel = build_panel(ward.session, ward.clinic.id, ward.now)
    assert sorted(entry.name for entry in panel.entries) == sorted(names)


def test_another_clinics_patients_are_never_there(ward):
    other = open_ward(ward.session)
    other.patient("Elsewhere", pressures=STEADY)
    ward.patient("Here", pressures=STEADY)
    panel = build_panel(ward.session, ward.clinic.id, ward.now)
    assert [entry.name for entry in panel.entries] == ["Here"]


@pytest.mark.parametrize("refreshed", [False, True])
def test_the_number_of_queries_does_not_grow_with_the_panel(engine, refreshed):
    counts = []
    for patients in (1, 3):
        with write_session(engine) as session:
            ward = open_ward(session)
            clinic_id = ward.clinic.id
            for number in range(patients):
                ward.patient(f"P{number}", pressures=STEADY)
        if refreshed:
            assert refreshing.refresh(engine, NOW).done == patients
        with read_session(engine) as session, statements_of(engine) as statements:
            panel = build_panel(session, clinic_id, NOW)
        assert len(panel.entries) == patients
        assert len(made_again(engine, clinic_id, NOW)) == (0 if refreshed else patients)
        counts.append(len(statements))
    assert counts[0] == counts[1]
    assert counts[0] <= (8 if refreshed else 24)


def test_reading_the_panel_writes_nothing(engine):
    with write_session(engine) as session:
        ward = open_ward(session)
        clinic_id = ward.clinic.id
        ward.patient("P", pressures=STEADY)
        before = session.execute(select(PanelRow.__table__)).all()
    with read_session(engine) as session, statements_of(engine) as statements:
        build_panel(session, clinic_id, NOW)
        assert session.execute(select(PanelRow.__table__)).all() == before
    assert all(statement.lstrip().upper().startswith(("SELECT", "BEGIN")) for statement in statements)


def test_there_is_no_panel_of_a_clinic_that_does_not_exist(engine):
    with read_session(engine) as session, pytest.raises(LookupError):
        build_panel(session, uuid.uuid4(), NOW)


# --- neighbours ---------------------------------------------------------------------------


def clinic_with_everybody(engine: Engine, many: int) -> tuple[Ward, list[str]]:
    """A clinic whose patients stand in every lane, some of them signed, and the names as the panel has them."""
    to_sign = []
    with write_session(engine) as session:
        ward = open_ward(session)
        for number in range(many):
            pressures = [STEADY[: number * 3], STEADY, [*STEADY[:-7], *[27.0 + number] * 7]][number % 3]
            patient = ward.patient(f"P{number:02d}", pressures=pressures, upper=25.0)
            if number % 7 == 2:
                ward.task(patient, TaskKind.SAFETY_ANSWER, "Answered that there is chest pain today.")
            if number % 4 == 1:
                to_sign.append(patient.id)
    refreshing.refresh(engine, NOW)
    with write_session(engine) as session:
        staff = Signer(ward.nurse.id, ward.clinic.id, ward.nurse.name)
        seen = {entry.patient_id: entry.seen for entry in build_panel(session, ward.clinic.id, NOW).entries}
        for patient_id in to_sign:
            act = acting(session, staff, NOW)
            signing.sign(act, patient_id, Outcome.CALLED, "", None, seen=seen[patient_id])
    with read_session(engine) as session:
        return ward, [entry.name for entry in build_panel(session, ward.clinic.id, NOW).entries]


def test_whoever_walks_from_neighbour_to_neighbour_meets_everybody_in_the_panels_order(engine):
    ward, order = clinic_with_everybody(engine, 20)
    with read_session(engine) as session:
        clinic = session.get_one(Clinic, ward.clinic.id)
        ids = {entry.name: entry.patient_id for entry in build_panel(session, clinic.id, NOW).entries}
        signed = {entry.name for entry in build_panel(session, clinic.id, NOW).entries if entry.signed}
        assert 0 < len(signed) < len(order)
        for at, name in enumerate(order):
            found = neighbours(session, clinic, ids[name], NOW)
            assert (found.before and found.before.name) == (order[at - 1] if at else None)
            assert (found.after and found.after.name) == (order[at + 1] if at + 1 < len(order) else None)
            waiting = [other for other in (*order[at + 1 :], *order[:at]) if other not in signed]
            assert found.to_do is not None
            assert found.to_do.name == waiting[0]


def test_a_patient_of_another_clinic_or_who_has_ended_has_no_neighbours(engine):
    ward, _ = clinic_with_everybody(engine, 3)
    other, _ = clinic_with_everybody(engine, 2)
    with read_session(engine) as session:
        strangers = build_panel(session, other.clinic.id, NOW).entries
        found = neighbours(session, session.get_one(Clinic, ward.clinic.id), strangers[0].patient_id, NOW)
    assert found == Neighbours(None, None, None)


def test_a_signal_that_ends_in_the_pass_that_makes_the_row_counts_in_its_rank(engine):
    with write_session(engine) as session:
        ward = open_ward(session)
        ward.patient("Asha", pressures=STEADY)
        ben = ward.patient("Ben", pressures=STEADY)
        ward.signal(ben, ward.today(ben) - timedelta(days=1), ward.today(ben) - timedelta(days=3))
    refreshing.refresh(engine, NOW)
    with read_session(engine) as session:
        clinic = session.get_one(Clinic, ward.clinic.id)
        order = [entry.name for entry in build_panel(session, clinic.id, NOW).entries]
        assert order == ["Ben", "Asha"]
        assert neighbours(session, clinic, ben.id, NOW).before is None


@pytest.mark.parametrize("by_staff", [True, False])
def test_a_task_moves_its_patient_among_the_neighbours_when_raised_and_when_closed(engine, by_staff: bool):
    with write_session(engine) as session:
        ward = open_ward(session)
        ben = [ward.patient(name, pressures=STEADY) for name in ("Asha", "Ben")][1].id
        nurse = Signer(ward.nurse.id, ward.clinic.id, ward.nurse.name)
    refreshing.refresh(engine, NOW)

    def first() -> bool:
        refreshing.refresh(engine, NOW)
        with read_session(engine) as session:
            clinic = session.get_one(Clinic, ward.clinic.id)
            order = [entry.patient_id for entry in build_panel(session, clinic.id, NOW).entries]
            assert (neighbours(session, clinic, ben, NOW).before is None) is (order[0] == ben)
            return order[0] == ben

    assert not first()
    with write_session(engine) as session:
        facts = inwords.about(TaskKind.CAREGIVER_SAYS)
        task_id = raise_task(session, ward.clinic.id, ben, facts, "of this test", NOW)
        assert task_id is not None
    assert first()
    with write_session(engine) as session:
        if by_staff:
            inbox.close(acting(session, nurse, NOW), task_id, "Rang back.")
        else:
            close_tasks(session, Task.id == task_id, TaskSettled.ARRIVAL_KNOWN, NOW)
    assert not first()


def test_a_follow_up_done_moves_its_patient_among_the_neighbours(engine):
    with write_session(engine) as session:
        ward = open_ward(session)
        ben = [ward.patient(name, pressures=STEADY) for name in ("Asha", "Ben")][1]
        day = ward.today(ben)
        new = NewAdjustment(AdjustmentKind.MEDICINE, "Tablet halved", day - timedelta(days=9), day, "Chemistry")
        made = adjusting.record_adjustment(acting(session, ward.nurse, NOW), ben.id, new).id
        nurse = Signer(ward.nurse.id, ward.clinic.id, ward.nurse.name)
    seen = []
    for done in (False, True):
        if done:
            with write_session(engine) as session:
                assert adjusting.follow_up_done(acting(session, nurse, NOW), made)
        refreshing.refresh(engine, NOW)
        with read_session(engine) as session:
            seen.append(neighbours(session, session.get_one(Clinic, ward.clinic.id), ben.id, NOW).before)
    assert seen[0] is None
    assert seen[1] is not None


def test_a_patient_without_a_row_stands_where_nobody_overlooks_them(engine):
    ward, order = clinic_with_everybody(engine, 4)
    with write_session(engine) as session:
        clinic = session.get_one(Clinic, ward.clinic.id)
        new = replace(ward, session=session, clinic=clinic).patient("Newest")
        first = session.scalars(select(Patient).where(Patient.name == order[0])).one()
        found = neighbours(session, clinic, first.id, NOW)
    assert found.before == Neighbour(new.id, "Newest")


@pytest.mark.parametrize(
    "numbers",
    [[float("-inf"), -1e300, -2.5, -0.0, 0.0, 1e-300, 0.5, 1.0, 14.2, 1e300, float("inf")]],
)
def test_a_rank_sorts_as_its_numbers_do(numbers):
    # IEEE 754-2019 section 5.10: the order of doubles is that of their bits, sign aside.
    ranks = [rank_of(Placement(uuid.uuid4(), (Reason(Lane.SETTLED, Lacking.PLAN),), (number,))) for number in numbers]
    assert ranks == sorted(ranks)
    assert len(set(ranks)) == len(set(numbers))
