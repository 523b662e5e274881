"""A file taken back: nothing deleted, nothing taken from under what was built on it, each line that stays with why."""

from __future__ import annotations

import io
import threading
import uuid
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import pytest
from sqlalchemy import Engine, func, select, update

from service.domain.diary import Answers, NewCheckin
from service.domain.readings import NewReading
from service.domain.validation import Refused
from service.domain.vocabulary import Channel, Keeps, MessageKind, TaskState, WindowState
from service.enrolling import people
from service.filing import importing, imports, undoing
from service.filing.importing import Intake
from service.filing.kinds import KINDS
from service.intake.checkins import record_checkin
from service.intake.readings import record_reading
from service.store import outbox
from service.store.audit import OPERATOR, Act
from service.store.session import read_session, write_session
from service.store.tables import (
    AuditLine,
    Checkin,
    Contact,
    EventRow,
    Import,
    Limits,
    Message,
    PanelRow,
    Patient,
    Pause,
    Reading,
    ResultRow,
    SignOff,
    Task,
    Window,
)
from tests.waiting import PATIENCE_SECONDS
from tests.ward import NOW, open_ward, ward_of

WHY = "of the wrong clinic"
LATER = NOW + timedelta(hours=1)


@pytest.fixture
def clinic_id(engine: Engine) -> uuid.UUID:
    with write_session(engine) as session:
        ward = open_ward(session)
        for ref in ("U-1", "U-2"):
            ward.patient(ref, zone="UTC").clinic_ref = ref
        return ward.clinic.id


def take(engine: Engine, clinic_id: uuid.UUID, kind: str, text: str, taken: int, **said: Any) -> uuid.UUID:
    report = KINDS[kind].run(Intake(engine, clinic_id, OPERATOR, NOW), io.BytesIO(text.encode()), **said)
    assert (report.taken, report.refused) == (taken, [])
    assert report.import_id
    return report.import_id


def undo(engine: Engine, clinic_id: uuid.UUID, import_id: uuid.UUID) -> tuple[int, int, list[tuple[int, Keeps]]]:
    """As it was foretold."""
    _, would = undoing.look(engine, clinic_id, import_id)
    told = undoing.undo(engine, clinic_id, import_id, OPERATOR, LATER, WHY)
    assert vars(would) == vars(told)
    return told.taken_back, told.before, [(one.line, one.why) for one in told.kept]


def patient_of(session: Any, ref: str) -> Patient:
    found: Patient = session.scalars(select(Patient).where(Patient.clinic_ref == ref)).one()
    return found


def actions(engine: Engine) -> list[str]:
    with read_session(engine) as session:
        return list(session.scalars(select(AuditLine.action).where(AuditLine.action.startswith("import."))))


READINGS = "patient,taken_at,pa_systolic,pa_diastolic\n" + "".join(
    f"U-{1 + number % 2},2026-11-{20 + number // 2}T07:15:00+00:00,40,19\n" for number in range(8)
)


def test_readings_go_with_what_was_made_of_them_and_stay_where_somebody_built_on_them(
    engine: Engine, clinic_id: uuid.UUID
) -> None:
    with write_session(engine) as session:
        ward, one = ward_of(session, clinic_id), patient_of(session, "U-1")
        for day in (20, 21):
            ward.window(one, date(2026, 11, day), WindowState.MISSED)
    taken = take(engine, clinic_id, "readings", READINGS, 8, unit="mm[Hg]")
    with write_session(engine) as session:
        act, one = Act(session, OPERATOR, clinic_id, NOW + timedelta(minutes=1)), patient_of(session, "U-1")
        wrong = session.scalars(
            select(Reading).where(Reading.local_date == date(2026, 11, 22), Reading.patient_id == one.id)
        ).one()
        record_reading(act, NewReading(one.id, wrong.taken_at, 41.0, 19.0, None, None, "mm[Hg]", supersedes=wrong.id))
        two = patient_of(session, "U-2")
        session.add(
            SignOff(
                clinic_id=clinic_id,
                patient_id=two.id,
                week=date(2026, 11, 23),
                signed_by=ward_of(session, clinic_id).nurse.id,
                signed_at=act.now,
                outcome="no_change",
                as_of=act.now,
                frozen={},
                frozen_hash="",
                standing={},
                seal="",
            )
        )
        session.execute(update(PanelRow).values(stale_since=None))
    signed = [(line, Keeps.SIGNED) for line in (3, 5, 7, 9)]
    assert undo(engine, clinic_id, taken) == (3, 0, sorted([(6, Keeps.CORRECTED), *signed]))
    with read_session(engine) as session:
        one = patient_of(session, "U-1")
        assert session.scalar(select(func.count(Reading.id))) == 9  # nothing is deleted
        left = select(Reading.local_date).where(Reading.patient_id == one.id, Reading.superseded_at.is_(None))
        assert session.scalars(left).all() == [date(2026, 11, 22)]
        assert set(session.scalars(select(Window.state))) == {WindowState.MISSED}
        stale = select(PanelRow.patient_id).where(PanelRow.stale_since.is_not(None))
        assert session.scalars(stale).all() == [one.id]
        run = session.get_one(Import, taken)
        assert (run.undone, run.undone_why, run.undone_by) == (3, WHY, "operator")
    assert undo(engine, clinic_id, taken)[:2] == (0, 3)
    assert sorted(actions(engine)) == ["import.take", "import.undo", "import.undo"]


def test_a_task_that_nobody_has_seen_is_closed_with_its_reading_and_one_that_was_taken_keeps_it(
    engine: Engine, clinic_id: uuid.UUID
) -> None:
    with write_session(engine) as session:
        for ref in ("U-1", "U-2"):
            who = patient_of(session, ref)
            session.add(
                Limits(clinic_id=clinic_id, patient_id=who.id, upper=15, set_by="x", set_at=NOW - timedelta(days=9))
            )
    text = READINGS.replace("2026-11-2", "2026-11-1") + "".join(
        f"U-{one},2026-11-25T07:15:00+00:00,40,19\n" for one in (1, 2)
    )
    taken = take(engine, clinic_id, "readings", text, 10, unit="mm[Hg]")
    with write_session(engine) as session:
        two = patient_of(session, "U-2")
        nurse = ward_of(session, clinic_id).nurse
        session.execute(update(Task).where(Task.patient_id == two.id).values(state=TaskState.TAKEN, taken_by=nurse.id))
    assert undo(engine, clinic_id, taken) == (9, 0, [(11, Keeps.ACTED)])
    with read_session(engine) as session:
        found = {task.patient_id: (task.state, task.close_reason) for task in session.scalars(select(Task))}
        one, two = patient_of(session, "U-1").id, patient_of(session, "U-2").id
        assert found == {one: (TaskState.CLOSED, "import_undone"), two: (TaskState.TAKEN, None)}


def test_what_somebody_has_been_told_of_stays(engine: Engine, clinic_id: uuid.UUID) -> None:
    day = NOW.date()
    taken = take(engine, clinic_id, "checkins", f"patient,local_date,safety_signs\nU-1,{day},chest_pain\n", 1)
    with write_session(engine) as session:
        task = session.scalars(select(Task)).one()
        contact = Contact(
            clinic_id=clinic_id, staff_id=ward_of(session, clinic_id).nurse.id, channel=Channel.TEXT,
            address="+447700900099", created_at=NOW,
        )  # fmt: skip
        session.add(contact)
        session.flush()
        outbox.enqueue(
            session,
            outbox.NewMessage(
                clinic_id=clinic_id, contact_id=contact.id, kind=MessageKind.STAFF_TASK, channel=Channel.TEXT,
                dedupe_key="told", due_at=NOW, expires_at=LATER, staff_id=contact.staff_id, task_id=task.id,
            ),
            NOW,
        )  # fmt: skip
    assert vars(undoing.look(engine, clinic_id, taken)[1])["taken_back"] == 1  # queued is not told
    with write_session(engine) as session:
        session.execute(update(Message).values(handed_over_at=NOW))
    assert undo(engine, clinic_id, taken) == (0, 0, [(2, Keeps.TOLD)])


def test_a_diary_that_corrected_another_gives_way_to_it_again(engine: Engine, clinic_id: uuid.UUID) -> None:
    day = date(2026, 11, 24)
    with write_session(engine) as session:
        act = Act(session, OPERATOR, clinic_id, NOW - timedelta(days=1))
        record_checkin(act, NewCheckin("U-1", Answers(breathlessness=2), day))
    text = f"patient,local_date,breathlessness\nU-1,{day},7\nU-2,{day},8\n"
    taken = take(engine, clinic_id, "checkins", text, 2, may_correct=True)
    assert undo(engine, clinic_id, taken) == (2, 0, [])
    with read_session(engine) as session:
        current = select(Checkin.breathlessness).where(Checkin.superseded_at.is_(None))
        assert session.scalars(current).all() == [2]
    assert undo(engine, clinic_id, taken) == (0, 2, [])
    assert take(engine, clinic_id, "checkins", text, 2, may_correct=True) != taken


def test_results_and_events_are_withdrawn_with_the_reason_and_a_stay_with_its_pause(
    engine: Engine, clinic_id: uuid.UUID
) -> None:
    text = "patient,taken_at,kind,value\nU-1,2026-11-20T09:00+00:00,potassium,4.4\nU-2,2026-11-20T09:00+00:00,potassium,4.9\n"
    taken = take(engine, clinic_id, "results", text, 2)
    assert undo(engine, clinic_id, taken) == (2, 0, [])
    assert take(engine, clinic_id, "results", text, 2) != taken  # the right file may come now
    head = "patient,kind,from_date,to_date,cause,note\n"
    text = f"{head}U-1,Admission,2026-11-10,2026-11-14,heart failure,\nU-2,urgent visit,2026-11-12,,,fell\n"
    taken = take(engine, clinic_id, "events", text, 2)
    into = Intake(engine, clinic_id, OPERATOR, NOW)
    again = KINDS["events"].run(into, io.BytesIO(text.encode()))
    assert (again.taken, again.duplicates, again.import_id) == (0, 2, None)
    wrong = f"{head}U-1,death,2026-11-15,,,\nU-1,admission,2026-11-10,2026-11-13,,\nU-9,urgent_visit,2026-11-12,,,\nU-1,visit,2026-11-12,,,\n"
    wrong += "U-1,urgent_visit,2027-11-12,,,\n"
    for dry_run in (True, False):
        told = KINDS["events"].run(replace(into, dry_run=dry_run), io.BytesIO(wrong.encode()))
        assert [(one.line, one.field) for one in told.refused] == [
            (2, "kind"), (3, "from_date"), (4, "patient"), (5, "kind"), (6, "from_date")]  # fmt: skip
    assert undo(engine, clinic_id, taken) == (2, 0, [])
    with read_session(engine) as session:
        withdrawn = session.scalars(select(EventRow.note).where(EventRow.withdrawn)).all()
        assert withdrawn == [WHY, WHY]
        assert (
            session.scalar(select(func.count(EventRow.id)).where(EventRow.superseded_at.is_(None), ~EventRow.withdrawn))
            == 0
        )
        assert (
            session.scalars(select(Pause.cancelled_at).where(Pause.from_date == date(2026, 11, 10))).one() is not None
        )
        assert session.scalar(select(func.count(ResultRow.id)).where(ResultRow.withdrawn)) == 2


def test_an_enrolment_taken_back_frees_its_number_and_one_in_use_stays(engine: Engine, clinic_id: uuid.UUID) -> None:
    text = "clinic_ref,name,born_on,telephone,agreed_how\n" + "".join(
        f"R-{one},Mara Invented,19{one + 40}-03-09,+4477009000{one:02d},form\n" for one in range(1, 4)
    )
    taken = take(engine, clinic_id, "roster", text, 3)
    with write_session(engine) as session:
        act = Act(session, OPERATOR, clinic_id, NOW + timedelta(minutes=1))
        people.change_patient(act, patient_of(session, "R-2"), {"name": "Noor Invented"})
    assert undo(engine, clinic_id, taken) == (2, 0, [(3, Keeps.IN_USE)])
    with read_session(engine) as session:
        gone = session.scalars(select(Patient).where(Patient.withdrawn)).all()
        assert sorted(one.clinic_ref[:7] for one in gone) == ["R-1 (x ", "R-3 (x "]
        assert {one.state.value for one in gone} == {"ended"}
    again = KINDS["roster"].run(Intake(engine, clinic_id, OPERATOR, LATER), io.BytesIO(text.encode()))
    assert (again.taken, [(one.line, one.field) for one in again.refused]) == (2, [(3, "clinic_ref")])


def test_an_import_cut_off_can_be_taken_back_and_an_old_or_foreign_one_cannot(
    engine: Engine, clinic_id: uuid.UUID, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(importing, "READINGS_AT_ONCE", 4)
    whole, calls = importing.record_readings, []

    def cut_off(*given: Any) -> Any:
        calls.append(1)
        if len(calls) == 2:
            raise KeyboardInterrupt
        return whole(*given)

    monkeypatch.setattr(importing, "record_readings", cut_off)
    with pytest.raises(KeyboardInterrupt):
        take(engine, clinic_id, "readings", READINGS, 8, unit="mm[Hg]")
    (run,) = imports.of_clinic(engine, clinic_id)
    assert run.finished_at is None
    with pytest.raises(LookupError):
        undoing.look(engine, uuid.uuid4(), run.id)
    with pytest.raises(Refused, match="30 days"):
        undoing.undo(engine, clinic_id, run.id, OPERATOR, NOW + undoing.WITHIN + timedelta(seconds=1), WHY)
    with pytest.raises(Refused, match="why"):
        undoing.undo(engine, clinic_id, run.id, OPERATOR, LATER, " ")
    assert undo(engine, clinic_id, run.id) == (4, 0, [])


def test_people_who_are_alike_are_met_however_far_apart_they_stand(engine: Engine, clinic_id: uuid.UUID) -> None:
    """A dry run wrote fifty rows at a time and met no two further apart: the last button said otherwise."""
    rows = [f"A-{one},Person {'abcdefghijklmnopqrstuvwxyz'[one % 26] * (1 + one // 26)},," for one in range(60)]
    rows += ["A-60,Invented Mara,1948-03-09,", "A-61,x,,+447700900001", "A-62,y,,+447700900001", "A-5,z,,"]
    rows.insert(0, "A-99,Mara Invented,1948-03-09,")
    text = "clinic_ref,name,born_on,telephone\n" + "\n".join(rows)
    told = []
    for dry_run in (True, False):
        report = KINDS["roster"].run(
            Intake(engine, clinic_id, OPERATOR, NOW, dry_run=dry_run), io.BytesIO(text.encode())
        )
        told.append((report.taken, [(one.line, one.field, one.value) for one in report.refused]))
    assert told[0] == told[1]
    assert told[0][1] == [(63, "is_other", "A-99"), (65, "is_other", "A-61"), (66, "clinic_ref", "A-5")]


def test_of_two_who_take_a_file_back_at_once_each_row_goes_once(
    engine: Engine, clinic_id: uuid.UUID, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Both have looked before either writes: the second finds done what the first did, and says so."""
    taken = take(engine, clinic_id, "roster", "clinic_ref,name,zone\nZ-1,Mara,UTC\nZ-2,Lund,UTC\n", 2)
    both, each = threading.Barrier(2), undoing.guarded_each

    def together(*given: Any) -> Any:
        both.wait(PATIENCE_SECONDS)
        return each(*given)

    monkeypatch.setattr(undoing, "guarded_each", together)
    with ThreadPoolExecutor(2) as pool:
        undo_it = (engine, clinic_id, taken, OPERATOR, LATER, WHY)
        told = [one.result() for one in [pool.submit(undoing.undo, *undo_it) for _ in range(2)]]
    assert sum(one.taken_back for one in told) == 2
    assert [one.taken_back + one.before for one in told] == [2, 2]
    with read_session(engine) as session:
        gone = session.scalars(select(Patient).where(Patient.withdrawn)).all()
        assert sorted(one.clinic_ref for one in gone) == sorted(
            f"{ref} (x {one.id.hex[:8]})" for one in gone for ref in ("Z-1", "Z-2") if one.clinic_ref.startswith(ref)
        )
        lines = session.scalars(select(AuditLine.action).where(AuditLine.action == "patient.withdraw")).all()
        assert len(lines) == 2
        assert session.get_one(Import, taken).undone == 2
