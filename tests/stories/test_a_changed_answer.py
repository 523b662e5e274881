"""A caregiver answers, and later answers otherwise: the pause of the first answer ends, and stays on record."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from sqlalchemy import select, update

from service.care.pauses import PauseEvent, history
from service.domain.vocabulary import ActorKind, CaregiverAnswer, PauseCause, TaskKind, TaskState, WindowState
from service.intake.caregivers import record_caregiver_reply
from service.store.audit import Act, Actor
from service.store.session import read_session, write_session
from service.store.tables import AuditLine, CaregiverReply, Patient, Pause, Task, Window
from tests import inwords
from tests.world import Page, World, nudge, prompt, reminder

MONDAY = date(2026, 3, 2)
DAY = timedelta(days=1)


@pytest.fixture
def asha(world: World) -> Patient:
    world.begins("2026-03-01T20:00", "Pacific/Auckland")
    return world.patient("Asha")


def nudged(world: World, asha: Patient, name: str = "Ben") -> Page:
    """Asha sends nothing on Monday; Ben opens the link of his nudge."""
    ben = world.caregiver(asha, name)
    world.at(asha, "10:00")
    world.phone(asha).expects(prompt(), reminder())
    return world.phone(ben).expects(nudge()).follows_link()


def pauses(world: World) -> list[tuple[PauseCause, date, date | None, bool]]:
    with read_session(world.engine) as session:
        rows = session.scalars(select(Pause).order_by(Pause.recorded_at))
        return [(row.cause, row.from_date, row.to_date, row.cancelled_at is not None) for row in rows]


def changes(world: World) -> list[tuple[str, PauseEvent, date | None, date | None]]:
    """Of the pauses, in the order they began: by what kind of person, what, the last day before and after."""
    with read_session(world.engine) as session:
        begun = session.scalars(select(Pause.id).order_by(Pause.recorded_at)).all()
        return [
            (change.by.partition(":")[0], change.event, change.was_to, change.to_date)
            for pause_id in begun
            for change in history(session, pause_id)
        ]


def test_every_answer_that_makes_moves_or_ends_a_pause_leaves_its_line(world: World, asha: Patient) -> None:
    page = nudged(world, asha)
    page.answers("away")  # seven days, when none is given
    world.advance(hours=1)
    page.answers("away", until=MONDAY + 2 * DAY)
    world.advance(hours=1)
    page.answers("spoke to them")
    assert changes(world) == [
        ("caregiver", PauseEvent.ADDED, None, MONDAY + 6 * DAY),
        ("caregiver", PauseEvent.MOVED, MONDAY + 6 * DAY, MONDAY + 2 * DAY),
        ("caregiver", PauseEvent.CANCELLED, MONDAY + 2 * DAY, MONDAY + 2 * DAY),
    ]


def test_in_hospital_then_spoke_to_them_on_the_same_day_takes_the_pause_back(world: World, asha: Patient) -> None:
    page = nudged(world, asha)
    page.answers("in hospital")
    assert world.clinic.sees(asha).windows == [(MONDAY, WindowState.EXCUSED)]
    world.advance(hours=1)
    page.answers("spoke to them")

    assert pauses(world) == [(PauseCause.IN_HOSPITAL, MONDAY, None, True)]  # cancelled, and still there
    seen = world.clinic.sees(asha)
    assert seen.windows == [(MONDAY, WindowState.MISSED)]
    assert seen.silence is not None
    assert seen.tasks == [TaskKind.CAREGIVER_SAYS]
    with read_session(world.engine) as session:
        assert len(session.scalars(select(CaregiverReply)).all()) == 2
        told = session.scalars(select(Task).order_by(Task.raised_at.desc())).first()
        assert told is not None
        assert "takes back an earlier answer: readings are expected again" in inwords.task(told)
        assert session.scalars(select(AuditLine).where(AuditLine.action == "pause.end")).one().actor_kind == "caregiver"
    world.at(asha, "07:00")
    world.phone(asha).expects(prompt())  # Tuesday is asked for again
    world.reading(asha)


def test_a_changed_answer_opens_the_task_again_that_somebody_took_and_is_a_new_one_after_it_was_closed(
    world: World, asha: Patient
) -> None:
    page = nudged(world, asha)
    page.answers("spoke to them")
    with write_session(world.engine) as session:
        session.execute(update(Task).values(state=TaskState.TAKEN, taken_at=world.now, escalates_at=None))
    world.advance(hours=1)
    page.answers("in hospital")
    with write_session(world.engine) as session:
        (task,) = session.scalars(select(Task))
        assert (task.state, task.taken_at) == (TaskState.OPEN, None)
        assert task.escalates_at == world.now + DAY
        assert inwords.task(task).startswith("Ben says they are in hospital.")
        task.state = TaskState.CLOSED
    world.advance(hours=1)
    page.answers("spoke to them")
    with read_session(world.engine) as session:
        states = list(session.scalars(select(Task.state).order_by(Task.raised_at)))
    assert states == [TaskState.CLOSED, TaskState.OPEN]


def test_days_later_what_was_excused_stays_so_and_from_today_on_it_is_asked_again(world: World, asha: Patient) -> None:
    page = nudged(world, asha)
    page.answers("in hospital")
    world.advance(days=2)
    world.phone(asha).expects_nothing()
    page.answers("spoke to them")  # on Wednesday, at ten
    assert pauses(world) == [(PauseCause.IN_HOSPITAL, MONDAY, MONDAY + DAY, False)]
    states = [state for _, state in world.clinic.sees(asha).windows]
    assert states[:2] == [WindowState.EXCUSED, WindowState.EXCUSED]
    world.at(asha, "07:00")
    world.phone(asha).expects(prompt())
    world.reading(asha)


def test_another_reason_takes_the_place_of_the_first(world: World, asha: Patient) -> None:
    page = nudged(world, asha)
    page.answers("in hospital")
    page.answers("equipment trouble")
    assert pauses(world) == [
        (PauseCause.IN_HOSPITAL, MONDAY, None, True),
        (PauseCause.EQUIPMENT, MONDAY, MONDAY + 2 * DAY, False),
    ]


def test_back_to_the_first_answer_after_all(world: World, asha: Patient) -> None:
    page = nudged(world, asha)
    page.answers("in hospital")
    world.advance(days=2)
    page.answers("spoke to them")
    world.advance(hours=1)
    page.answers("in hospital")
    assert pauses(world) == [(PauseCause.IN_HOSPITAL, MONDAY, None, False)]
    world.advance(days=1)
    world.phone(asha).expects_nothing()


def test_what_another_caregiver_still_says_stands(world: World, asha: Patient) -> None:
    page = nudged(world, asha)
    page.answers("in hospital")
    cleo = world.caregiver(asha, "Cleo")
    with write_session(world.engine) as session:
        window_id = session.scalars(select(Window.id).where(Window.patient_id == asha.id)).one()
        act = Act(session, Actor(ActorKind.CAREGIVER, cleo.id), cleo.clinic_id, world.now)
        record_caregiver_reply(act, cleo.id, window_id, CaregiverAnswer.IN_HOSPITAL, None, "")
    page.answers("spoke to them")
    assert pauses(world) == [(PauseCause.IN_HOSPITAL, MONDAY, None, False)]


def test_a_pause_that_staff_recorded_is_not_a_caregivers_to_end(world: World, asha: Patient) -> None:
    page = nudged(world, asha)
    world.pauses(asha, MONDAY, None, PauseCause.IN_HOSPITAL)
    page.answers("in hospital")
    page.answers("spoke to them")
    assert pauses(world) == [(PauseCause.IN_HOSPITAL, MONDAY, None, False)]
