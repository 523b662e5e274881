"""The machine's clock is set back by an hour: what is over stays over, and what was said last counts. Found by model.py."""

from __future__ import annotations

from datetime import timedelta

from sqlalchemy import select

from service.domain.vocabulary import ActorKind, CaregiverAnswer, WindowState
from service.intake.caregivers import record_caregiver_reply
from service.store.audit import Act, Actor
from service.store.session import read_session, write_session
from service.store.tables import CaregiverReply, Window
from tests.world import World, nudge, prompt, reminder


def test_a_window_that_was_missed_is_not_open_again(world: World) -> None:
    asha = world.patient("Asha")
    world.at(asha, "10:00")
    world.phone(asha).expects(prompt(), reminder())
    today = world.clinic.sees(asha).windows[-1][0]
    world.clock.advance(timedelta(hours=-1))
    # Something that has her windows decided anew, and is not about today.
    world.pauses(asha, today + timedelta(days=5), today + timedelta(days=6))
    seen = world.clinic.sees(asha)
    assert seen.windows == [(today, WindowState.MISSED)]
    assert seen.silence is not None
    assert seen.silence.missed == 1


def test_a_caregivers_last_answer_is_the_one_said_last(world: World) -> None:
    asha = world.patient("Asha")
    ben = world.caregiver(asha, "Ben")
    world.at(asha, "10:00")
    world.phone(asha).expects(prompt(), reminder())
    world.phone(ben).expects(nudge())
    with read_session(world.engine) as session:
        window_id = session.scalars(select(Window.id)).one()

    def says(answer: CaregiverAnswer) -> None:
        actor = Actor(ActorKind.CAREGIVER, ben.id)
        with write_session(world.engine) as session:
            record_caregiver_reply(Act(session, actor, asha.clinic_id, world.now), ben.id, window_id, answer, None, "")

    says(CaregiverAnswer.IN_HOSPITAL)
    world.clock.advance(timedelta(hours=-1))
    says(CaregiverAnswer.SPOKE)
    says(CaregiverAnswer.IN_HOSPITAL)
    with read_session(world.engine) as session:
        answers = session.scalars(select(CaregiverReply.answer).order_by(CaregiverReply.at)).all()
    assert answers == [CaregiverAnswer.IN_HOSPITAL, CaregiverAnswer.SPOKE, CaregiverAnswer.IN_HOSPITAL]
    assert [state for _, state in world.clinic.sees(asha).windows] == [WindowState.EXCUSED]
