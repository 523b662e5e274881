"""The first message that reaches a telephone says who writes and why it is safe; no later one does."""

from __future__ import annotations

from sqlalchemy import select

from service.domain.vocabulary import MessageState
from service.store.session import write_session
from service.store.tables import Message
from tests.faulty import Fault
from tests.world import World, nudge, prompt

ZONE = "Pacific/Auckland"
WHO = "Fernmoor here, as agreed with you: we write when a reading is due."
TO_CAREGIVERS = "Fernmoor here, as agreed with you: we write when an expected reading has not come."


def first_line(world: World, person: object) -> str:
    return world.gateway.messages_to(world.phone(person).number)[-1].body.split("\n")[0]  # type: ignore[arg-type]


def test_once_to_the_patient_and_once_to_the_caregiver(world: World) -> None:
    world.begins("2026-03-02T06:00", ZONE)
    asha = world.patient("Asha Rowan")
    ben = world.caregiver(asha, "Ben Rowan")
    world.at(asha, "07:00")
    assert first_line(world, asha).startswith(WHO)
    assert "call +64 9 999 0100" in first_line(world, asha)
    world.phone(asha).expects(prompt("reading", "checkin"))
    world.at(asha, "10:01")
    assert first_line(world, ben).startswith(TO_CAREGIVERS)
    world.phone(ben).expects(nudge())
    for kept in world.gateway.messages_to(world.phone(asha).number)[1:]:
        assert kept.body.startswith("Fernmoor: there is still time for today's reading and check-in: ")
    world.at(asha, "07:00")
    assert first_line(world, asha).startswith("Fernmoor: good morning. Time for today's reading and check-in: ")
    world.phone(asha)._looked_at = len(world.gateway.messages_to(world.phone(asha).number))


def test_a_first_message_that_was_refused_for_now_says_it_when_it_comes(world: World) -> None:
    world.begins("2026-03-02T06:00", ZONE)
    asha = world.patient("Asha Rowan")
    world.gateway.misbehave(Fault.TEMPORARY, times=1)
    world.at(asha, "07:30")
    assert first_line(world, asha).startswith(WHO)
    world.phone(asha).expects(prompt())
    world.reading(asha)
    world.checks_in(asha)


def test_after_one_that_never_came_it_is_said_again(world: World) -> None:
    world.begins("2026-03-02T06:00", ZONE)
    asha = world.patient("Asha Rowan")
    world.gateway.misbehave(Fault.NO_RECEIPT, times=1)
    world.at(asha, "07:00")
    world.phone(asha).expects(prompt())
    world.reading(asha)
    world.checks_in(asha)
    with write_session(world.engine) as session:
        for message in session.scalars(select(Message)):
            message.state = MessageState.FAILED
    world.at(asha, "07:00")
    assert first_line(world, asha).startswith(WHO)
    world.phone(asha).expects(prompt())
    world.reading(asha)
    world.checks_in(asha)
