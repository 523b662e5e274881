"""Three workers and two web processes on one PostgreSQL database; workers lose power in the middle of a batch.

What the provider counted stands against what the database says. The documented window
(DEVELOPERS.md, "Delivery promise"): a second copy only of what was in a dead worker's
hands past its stamp, and under the same key.
"""

from __future__ import annotations

import uuid
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from pathlib import Path

import pytest
from sqlalchemy import Engine, func, select

from service.domain.vocabulary import MessageKind, MessageState, StepState, TaskKind, WindowState
from service.store.session import read_session
from service.store.tables import (
    AuditLine,
    Checkin,
    MessageEvent,
    QuarantinedRow,
    Reading,
    Silence,
    Step,
    Task,
    Window,
)
from tests.conftest import SERVER
from tests.crash.fleet import UNSETTLED, Fleet, fleet, seven_tomorrow
from tests.crash.gateway import Gateway
from tests.crash.people import Panel, write_people

pytestmark = [
    pytest.mark.postgres,
    pytest.mark.slow,
    pytest.mark.skipif(SERVER is None, reason="needs NEAPTIDE_TEST_DATABASE_URL"),
]
PATIENTS = 90  # three batches, as three workers are to have one each
SEVEN, HOUR = seven_tomorrow(), timedelta(hours=1)


@pytest.fixture
def crew(engine: Engine, tmp_path: Path) -> Iterator[Fleet]:
    with fleet(engine, tmp_path, Gateway(seconds=0.01)) as told:
        yield told


def test_workers_that_lose_power_mid_batch_cost_no_message_and_double_none_unseen(crew: Fleet) -> None:
    panel = write_people(crew.engine, PATIENTS, SEVEN)
    crew.issue_key(panel.clinic_id)
    crew.start_web()
    crew.start_workers("a", "b", "c")

    # Each gets a batch before any is done with one; a answers five of its own, four hang.
    crew.gateway.withhold("b", "c")
    crew.gateway.withhold("a", after=5)
    crew.until(SEVEN)
    crew.wait_until_it_waits("a", 4)
    crew.gateway.answer("b", "c")
    with ThreadPoolExecutor(1) as people:
        answering = people.submit(_answer, crew, panel)
        crew.kill("a")
        answering.result()
    crew.wait_for_messages(PATIENTS, held_by=1)
    (in_as_hands,) = crew.in_hand().values()
    crew.leases_run_out()
    crew.wait_for_messages(PATIENTS)

    crew.until(SEVEN + HOUR)
    silent = PATIENTS - len(_answered(panel))
    crew.wait_for_messages(PATIENTS + silent)
    crew.gateway.withhold("c")
    crew.gateway.withhold("b", after=5)
    crew.until(SEVEN + 2 * HOUR)
    crew.wait_until_it_waits("b", 4)
    crew.gateway.answer("c")
    crew.kill("b")
    crew.start_workers("d")
    crew.wait_for_messages(PATIENTS + 2 * silent, held_by=1)
    (in_bs_hands,) = crew.in_hand().values()
    crew.leases_run_out()
    crew.wait_for_messages(PATIENTS + 2 * silent)
    assert crew.all_run()

    _everything_was_taken_once(crew, panel)
    _every_message_came(crew, set(in_as_hands), set(in_bs_hands))


def _answered(panel: Panel) -> list[uuid.UUID]:
    """A third takes a reading and fills in the diary."""
    return [one.id for one in panel.people[::3]]


def _diary_only(panel: Panel) -> list[uuid.UUID]:
    return [one.id for one in panel.people[1::6]]


def _answer(crew: Fleet, panel: Panel) -> None:
    """Through both web processes, each thing sent twice, as a machine does that heard no answer."""
    taken_at = (crew.clock.now() - timedelta(minutes=1)).isoformat()
    for patient_id in _answered(panel):
        taken = {"patient": str(patient_id), "taken_at": taken_at, "pa_systolic": 38, "pa_diastolic": 18}
        assert [crew.post("/readings", taken).status for _ in range(2)] == [201, 200]
    for patient_id in _answered(panel) + _diary_only(panel):
        assert crew.post("/checkins", {"patient": str(patient_id), "breathlessness": 2}).status == 201


def _everything_was_taken_once(crew: Fleet, panel: Panel) -> None:
    everybody, answered = {one.id for one in panel.people}, set(_answered(panel))
    with read_session(crew.engine) as session:
        # By the rows, and by what the workers wrote down that they did.
        for action, number in (("windows.open", len(everybody)), ("windows.close", len(everybody - answered))):
            counted = session.scalars(select(AuditLine.detail).where(AuditLine.action == action))
            assert sum(detail["windows"] for detail in counted) == number
        windows = session.scalars(select(Window)).all()
        assert Counter(window.patient_id for window in windows) == Counter(everybody)
        assert {one.patient_id for one in windows if one.state is WindowState.ANSWERED} == answered
        silences = session.scalars(select(Silence).where(Silence.missed > 0)).all()
        assert Counter(one.patient_id for one in silences) == Counter(everybody - answered)
        assert {one.missed for one in silences} == {1}
        steps = session.scalars(select(Step)).all()
        assert StepState.PENDING not in {step.state for step in steps}
        assert len(steps) == 4 * PATIENTS
        told = session.scalars(select(Task.patient_id).where(Task.kind == TaskKind.SILENT))
        assert Counter(told) == Counter(everybody - answered)
        assert Counter(session.scalars(select(Reading.patient_id))) == Counter(answered)
        assert set(session.scalars(select(Checkin.patient_id))) == answered | set(_diary_only(panel))
        assert session.scalar(select(func.count()).select_from(QuarantinedRow)) == 0


def _every_message_came(crew: Fleet, in_as_hands: set[uuid.UUID], in_bs_hands: set[uuid.UUID]) -> None:
    messages, times = crew.messages(), crew.gateway.times()
    assert times.keys() <= messages.keys()
    # One thing to say to one person is one key, whoever says it.
    keys = {(messages[call.key].kind, call.to, call.key) for call in crew.gateway.calls()}
    assert set(Counter((kind, to) for kind, to, _ in keys).values()) == {1}
    kinds = Counter(one.kind for one in messages.values())
    silent = PATIENTS - PATIENTS // 3
    assert kinds == {MessageKind.PROMPT: PATIENTS, MessageKind.REMINDER: silent, MessageKind.NUDGE: silent}

    for message_id, one in messages.items():
        assert one.state not in UNSETTLED
        if one.state is MessageState.CANCELLED:
            assert (one.kind, one.reason) == (MessageKind.PROMPT, "answered")
        if one.state is MessageState.SENT:
            assert times[message_id] >= 1
        if one.state is MessageState.UNCERTAIN:
            # A prompt that may have come is not said twice: staff see it instead.
            assert (one.kind, message_id in in_as_hands) == (MessageKind.PROMPT, True)
    assert {messages[one].state for one in in_bs_hands} == {MessageState.SENT}
    twice = {message_id for message_id, count in times.items() if count > 1}
    assert twice == in_bs_hands & crew.gateway.by("b")
    assert len(twice) == 4  # what b had open as it lost power: what was answered is settled call by call
    assert set(times.values()) <= {1, 2}
    with read_session(crew.engine) as session:
        stamped = session.scalars(select(MessageEvent.message_id).where(MessageEvent.event == "handing_over"))
        for message_id, count in Counter(stamped).items():
            assert count == messages[message_id].attempts == 1 + (message_id in twice)
        uncertain = session.scalars(select(Task).where(Task.kind == TaskKind.MESSAGE_UNCERTAIN)).all()
    told = {uuid.UUID(one) for task in uncertain for one in task.facts["messages"]}
    assert told == (in_as_hands & crew.gateway.by("a")) | twice
    assert len(told) == 8  # what either had open; what they only held was never in doubt
