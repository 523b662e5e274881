"""The caregiver's page over HTTP: one tap, no clinical value, closed when consent is."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest
from sqlalchemy import Engine

from service.care import contacts
from service.domain.vocabulary import CaregiverAnswer, ConsentKind, PauseCause, SafetySign, TaskKind
from service.store.audit import OPERATOR, Act
from service.store.session import write_session
from service.store.tables import Caregiver, CaregiverReply, Patient, Pause, Task
from tests import inwords
from tests.house import House, open_house, words
from tests.statements import writes_of

pytestmark = pytest.mark.databases("sqlite")

CAUSES = {"in_hospital": PauseCause.IN_HOSPITAL, "away": PauseCause.AWAY, "equipment": PauseCause.EQUIPMENT}


@pytest.fixture
def house(engine: Engine, tmp_path: Path) -> House:
    return open_house(engine, tmp_path)


def test_looking_changes_nothing(house: House) -> None:
    path = house.nudged()
    with writes_of(house.engine) as writes:
        assert house.client.get(path).status_code == 200
        house.client.head(path)
        house.client.get(f"{path}/thanks")
    assert writes == []


@pytest.mark.parametrize("answer", list(CaregiverAnswer))
def test_one_tap_is_kept_and_thanked(house: House, answer: CaregiverAnswer) -> None:
    path = house.nudged()
    page = house.client.get(path).get_data(as_text=True)
    assert f'name="answer" value="{answer.value}"' in page
    sent = house.client.post(path, data={"answer": answer.value})
    assert sent.status_code == 303
    thanks = house.client.get(sent.headers["Location"]).get_data(as_text=True)
    assert "Thank you" in words(thanks)
    (reply,) = house.rows(CaregiverReply)
    assert (reply.answer, reply.caregiver_id, reply.patient_id) == (answer, house.ben.id, house.asha.id)
    assert [pause.cause for pause in house.rows(Pause)] == ([CAUSES[answer.value]] if answer.value in CAUSES else [])
    assert TaskKind.CAREGIVER_SAYS in [task.kind for task in house.rows(Task)]


def test_two_taps_are_one_answer(house: House) -> None:
    path = house.nudged()
    for _ in range(2):
        house.client.post(path, data={"answer": "spoke"})
    assert len(house.rows(CaregiverReply)) == 1


def test_a_last_day_and_a_note_can_be_added(house: House) -> None:
    path = house.nudged()
    house.client.post(path, data={"answer": "away"})
    house.world.advance(minutes=1)
    last = house.window().local_date + timedelta(days=20)
    form = {"answer": "away", "until": last.isoformat(), "note": "At the\r\nsea"}
    assert house.client.post(path, data=form).status_code == 303
    (pause,) = house.rows(Pause)
    assert pause.to_date == last
    assert [reply.note for reply in house.rows(CaregiverReply)] == ["", "At the sea"]
    thanks = house.client.get(f"{path}/thanks").get_data(as_text=True)
    assert "Until Sunday 22 March no reading is expected" in words(thanks)  # 2 March 2026 and 20 days
    assert "At the sea" in thanks


def test_who_takes_an_answer_back_is_told_that_reminders_go_on_where_they_do(house: House) -> None:
    path = house.nudged()

    def told(answer: str) -> bool:
        house.world.advance(minutes=1)
        sent = house.client.post(path, data={"answer": answer}, follow_redirects=True)
        return "Readings are expected again" in words(sent.get_data(as_text=True))

    assert [told(answer) for answer in ("spoke", "away", "spoke")] == [False, False, True]
    house.world.pauses(house.asha, house.window().local_date, None)  # by staff: that is theirs to end
    assert not told("spoke")


def test_a_note_that_may_be_an_emergency_is_told_at_once_and_says_whom_to_call(house: House) -> None:
    path = house.nudged()
    form = {"answer": "spoke", "note": "no chest pain, she slept well"}
    house.client.post(path, data=form)
    assert TaskKind.SAFETY_ANSWER not in [task.kind for task in house.rows(Task)]
    for _ in range(2):
        sent = house.client.post(path, data=form | {"note": "She has chest pain"}, follow_redirects=True)
    assert 'href="tel:111"' in sent.get_data(as_text=True).split("Thank you")[1]
    (alarm,) = [task for task in house.rows(Task) if task.kind is TaskKind.SAFETY_ANSWER]
    assert inwords.task(alarm) == (
        "Their caregiver Ben Brook wrote: “She has chest pain”. They were told at once to call 111. Call them."
    )


@pytest.mark.parametrize(
    ("field", "value"), [("until", "2026-03-01"), ("until", "soon"), ("until", "9999-12-31"), ("note", "x" * 501)]
)
def test_what_cannot_be_taken_is_named_and_kept_as_it_was_typed(house: House, field: str, value: str) -> None:
    path = house.nudged()
    house.client.post(path, data={"answer": "in_hospital"})
    form = {"answer": "in_hospital", "until": "", "note": ""} | {field: value}
    answer = house.client.post(path, data=form)
    page = answer.get_data(as_text=True)
    assert answer.status_code == 422
    assert f'id="wrong-{field}"' in page
    assert value in page
    assert len(house.rows(CaregiverReply)) == 1


@pytest.mark.parametrize("answer", ["", "dead", "spoke\x00"])
def test_another_answer_is_refused(house: House, answer: str) -> None:
    path = house.nudged()
    assert house.client.post(path, data={"answer": answer}).status_code == 422
    assert house.rows(CaregiverReply) == []


def test_a_reading_that_came_since_is_said_so(house: House) -> None:
    path = house.nudged()
    house.world.reading(house.asha, diastolic=23.7)
    told = words(house.client.get(path).get_data(as_text=True))
    assert "A reading has arrived since" in told
    assert "nothing more to do" in told
    assert "23.7" not in told


def test_it_shows_no_clinical_value_and_not_the_whole_name(house: House) -> None:
    path = house.nudged()
    house.world.checks_in(house.asha, weight=87.3, breathlessness=9, safety_signs=(SafetySign.CHEST_PAIN,))
    told = words(house.client.get(path).get_data(as_text=True))
    assert "Asha" in told
    for hidden in ("Brook", "87.3", "chest", "mmHg", "heart", "pressure"):
        assert hidden not in told


def test_it_closes_when_the_patient_no_longer_agrees(house: House) -> None:
    path = house.nudged()
    with write_session(house.engine) as session:
        asha, ben = session.get_one(Patient, house.asha.id), session.get_one(Caregiver, house.ben.id)
        contacts.record_consent(
            Act(session, OPERATOR, asha.clinic_id, house.world.now),
            asha,
            ConsentKind.CAREGIVER,
            False,
            "by telephone",
            ben,
        )
    for answer in (house.client.get(path), house.client.post(path, data={"answer": "spoke"})):
        assert answer.status_code == 410
        assert "Asha" not in answer.get_data(as_text=True)
    assert house.rows(CaregiverReply) == []


def test_it_closes_for_somebody_who_is_no_longer_named(house: House) -> None:
    path = house.nudged()
    house.change(house.ben, active=False)
    assert house.client.get(path).status_code == 404


def test_a_link_is_over_when_its_time_is(house: House) -> None:
    path = house.nudged()
    house.world.worker_stops()  # whatever else becomes of these days
    house.world.advance(days=40)
    assert house.client.get(path).status_code == 410


def test_a_changed_link_opens_nothing(house: House) -> None:
    path = house.nudged()
    assert house.client.get(path[:-2] + "aa").status_code == 404


def test_it_speaks_the_caregivers_language_not_the_patients(house: House) -> None:
    house.change(house.ben, language="es")
    page = house.client.get(house.nudged(), headers={"Accept-Language": "en"}).get_data(as_text=True)
    assert '<html lang="es"' in page
    assert "Está en el hospital" in page
