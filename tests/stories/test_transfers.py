"""A patient goes from one clinic to another: nothing is sent twice or missed, and each reads what is theirs.

No outside source: the promises are this service's own (service/enrolling/transfers.py).
"""

from __future__ import annotations

import itertools
import uuid
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

import pytest
from sqlalchemy import select

from service.care import contacts
from service.domain.measures import Share
from service.domain.tasks import WordsUnsent
from service.domain.validation import Refused
from service.domain.vocabulary import Channel, ConsentKind, MessageKind, Outcome, Role, TaskKind, TransferState
from service.enrolling import baselines, transfers
from service.intake.texts.receiving import take_text
from service.reviewing import covering, inbox, measuring, panel, signing, withdrawing
from service.reviewing.patient import build_patient
from service.reviewing.records import weekly_record
from service.store import outbox
from service.store.session import read_session, write_session
from service.store.tables import (
    AuditLine,
    Base,
    Caregiver,
    Contact,
    Message,
    Patient,
    SignOff,
    Staff,
    Transfer,
)
from service.words.language import load_language
from tests.builder import AUCKLAND, acting, building
from tests.world import Expected, World, nudge, prompt, reminder

HOUR = timedelta(hours=1)
THEIR_LINE, OUR_LINE = "+6499990800", "+6499990801"
REPLY, SAFETY = Expected(MessageKind.REPLY), Expected(MessageKind.SAFETY)


@dataclass
class Two:
    """Asha of one clinic, whose caregiver is Ben; and another clinic that is to take her over."""

    world: World
    asha: Patient
    ben: Caregiver
    nurse: Staff
    physician: Staff  # of the other clinic

    def does(self, staff: Staff, what: Any, *args: Any) -> Any:
        with write_session(self.world.engine) as session:
            return what(acting(session, staff, self.world.now), *args)

    def of_asha(self, what: Any, *args: Any) -> Any:
        """Something that Asha's own clinic does."""
        with write_session(self.world.engine) as session:
            act = acting(session, self.nurse, self.world.now)
            return what(act, session.get_one(Patient, self.asha.id), *args)

    def asks(self) -> uuid.UUID:
        found: Transfer = self.of_asha(transfers.ask, self.physician.clinic_id, "signed form", None)
        return found.id

    def owners(self) -> dict[str, set[uuid.UUID]]:
        """Whose each row is that is about Asha or Ben, by table."""
        found: dict[str, set[uuid.UUID]] = {}
        with read_session(self.world.engine) as session:
            for table in Base.metadata.sorted_tables:
                if "clinic_id" not in table.c:
                    continue
                about = [table.c[name] == one for name, one in (("patient_id", self.asha.id), ("caregiver_id", self.ben.id))
                         if name in table.c]  # fmt: skip
                for which in about:
                    owners = set(session.scalars(select(table.c.clinic_id).where(which)))
                    found[table.name] = found.get(table.name, set()) | owners
        return found

    def tasks(self, staff: Staff) -> list[inbox.Item]:
        with read_session(self.world.engine) as session:
            return inbox.inbox(session, staff.clinic_id)


@pytest.fixture
def two(world: World) -> Two:
    world.begins("2026-03-02T06:00", "Pacific/Auckland")
    world.opens_clinic(text_line=THEIR_LINE)
    asha = world.patient("Asha Rowan")
    ben = world.caregiver(asha, "Ben Rowan")
    nurse = world.staff_without_phone("Nurse Invented")
    with building(world.engine, world.now) as build:
        other = build.clinic("Saltmarsh Clinic", **{**AUCKLAND, "sender_name": "Saltmarsh", "text_line": OUR_LINE})
        physician = build.staff(other, "Dr Invented", Role.PHYSICIAN)
    told = Two(world, asha, ben, nurse, physician)
    told.of_asha(baselines.set_limits, 26.0, 14.0)
    return told


def test_nothing_is_sent_twice_or_missed_on_the_day_of_a_transfer(two: Two) -> None:
    world, asha, ben = two.world, two.asha, two.ben
    world.at(asha, "07:00")
    world.phone(asha).expects(prompt())
    page = world.phone(asha).follows_link()
    transfer = two.asks()
    assert [item.kind for item in two.tasks(two.physician)] == [TaskKind.TRANSFER]
    assert asha.name not in str(two.tasks(two.physician)[0].facts)  # who it is, stands on its page alone
    world.advance(minutes=30)
    before = two.owners()
    two.does(two.physician, transfers.accept, transfer, "S-7")

    world.at(asha, "08:30")
    world.phone(asha).expects(reminder())
    with read_session(world.engine) as session:
        last = session.scalars(select(Message).where(Message.kind == MessageKind.REMINDER)).one()
        assert last.clinic_id == two.physician.clinic_id
    assert "Saltmarsh" in world.gateway.messages_to(world.phone(asha).number)[-1].body
    world.at(asha, "10:00")
    world.phone(ben).expects(nudge())
    page.checks_in(safety_signs=())  # the link of this morning's prompt still opens
    world.phone(ben).follows_link().answers("spoke to them")
    world.at(asha, "07:00")
    world.phone(asha).expects(prompt())
    world.phone(ben).expects_nothing()
    # Every row is the other clinic's now, but what the first answers for; and there was some of nearly every kind.
    after = two.owners()
    kept = {str(table) for table in transfers.STAYS} | {"audit_lines"}
    assert {name for name, owners in before.items() if owners} - kept <= {
        name for name, owners in after.items() if owners
    }
    assert {name for name, owners in after.items() if two.asha.clinic_id in owners} <= kept
    assert {"windows", "steps", "messages", "contacts", "caregivers", "consents", "plans", "link_keys", "tasks",
            "patient_limits", "caregiver_replies", "silences"} <= {name for name, owners in after.items() if owners}  # fmt: skip


def test_every_table_of_a_patient_is_known_to_move_or_to_stay() -> None:
    """A new one moves: add it here, or to what stays."""
    assert {str(table) for table in transfers.STAYS} == {
        "sign_offs", "sign_off_withdrawals", "review_additions", "audit_lines", "access_lines", "transfers",
    }  # fmt: skip
    assert {table.name for table in transfers.tables_that_move()} == {
        "acceptances", "adjustments", "caregiver_replies", "caregivers", "checkins", "consents", "contacts",
        "context_tags", "conversations", "episode_closings", "events", "goals", "link_keys", "medicines", "message_events",
        "messages", "moves", "next_contacts", "no_results", "panel_rows", "patient_limits", "patient_references", "pauses",
        "persons", "plans", "readings", "result_limits", "results", "signals", "silences", "steps", "tasks", "windows",
        "invitations",
    }  # fmt: skip


def test_a_text_to_the_old_line_is_for_whoever_looks_after_them(two: Two) -> None:
    world, asha = two.world, two.asha
    refs = itertools.count()

    def texts(body: str) -> None:
        with write_session(world.engine) as session:
            take_text(session, f"r-{next(refs)}", world.phone(asha).number, body, world.now, line=THEIR_LINE)
        world.tick()

    world.at(asha, "07:00")
    world.phone(asha).expects(prompt())
    two.does(two.physician, transfers.accept, two.asks(), "S-7")
    texts("I have chest pain")
    world.phone(asha).expects(SAFETY)
    (told,) = (item for item in two.tasks(two.physician) if item.kind is TaskKind.SAFETY_ANSWER)
    assert told.patient_id == asha.id
    assert {item.kind for item in two.tasks(two.nurse)} == {TaskKind.TRANSFER}


def test_each_clinic_reads_its_own_and_the_history_goes_along(two: Two) -> None:
    world, asha, home = two.world, two.asha, two.asha.clinic_id
    for day in range(1, 4):
        world.at(asha, "07:00")
        world.phone(asha).expects(prompt())
        world.reading(asha, 18.0 + day)
    world.tick()
    signed: SignOff = two.does(two.nurse, signing.sign, asha.id, Outcome.CALLED, "calls on Friday", None)
    two.does(two.physician, transfers.accept, two.asks(), "S-7")
    world.tick()

    with read_session(world.engine) as session:
        assert panel.build_panel(session, home, world.now).entries == ()
        with pytest.raises(LookupError):
            build_patient(session, home, asha.id, world.now)
        seen = build_patient(session, two.physician.clinic_id, asha.id, world.now)
        assert [day.pa_diastolic for day in seen.days if day.pa_diastolic is not None] == [19.0, 20.0, 21.0]
        (past,) = seen.reviews
        assert (past.id, past.by, past.frozen) == (signed.id, "Nurse Invented, Fernmoor Clinic", signed.frozen)
        assert seen.entry.signed is None  # whoever takes over looks for themselves
        # Of three readings in three windows one is of a day on which they were looked after here.
        measured = measuring.measure(session, two.physician.clinic_id, world.now).weeks[-1].figures
        why = measuring.why_readings_stop(session, two.physician.clinic_id, world.now)
        assert (measured.readings, measured.patient_days, why.received, why.expected) == (Share(1, 1), 1, 1, 1)
        (row,) = why.calendar
        assert (row.received, row.expected, row.marks.strip(), sum(why.hours)) == (1, 1, "r", 1)
        # The first clinic's record of its week is as it was.
        assert "calls on Friday" in str(weekly_record(session, home, signed.week, load_language("en")).facts)
        for clinic, actions in (
            (home, ["transfer.ask", "transfer.leave"]),
            (two.physician.clinic_id, ["transfer.accept"]),
        ):
            lines = select(AuditLine.action).where(AuditLine.clinic_id == clinic, AuditLine.subject_kind == "transfer")
            assert list(session.scalars(lines.order_by(AuditLine.at, AuditLine.action))) == actions
        took = next(one for one in seen.entry.tasks if one.kind is TaskKind.TRANSFER)
        assert took.facts.decided  # type: ignore[union-attr]
    two.does(two.physician, signing.sign, asha.id, Outcome.CALLED, "taken over", None)  # the same week
    with pytest.raises(withdrawing.StillStands):
        two.does(two.nurse, withdrawing.take_back, signed.id)
    # And back again: under the number they had.
    back = two.does(two.physician, lambda act: transfers.ask(act, act.session.get_one(Patient, asha.id), home, "form"))
    two.does(two.nurse, transfers.accept, back.id, asha.clinic_ref)
    assert {name for name, owners in two.owners().items() if home not in owners and owners} == set()


def test_each_clinic_answers_for_the_weeks_in_which_it_looked_after_them(two: Two) -> None:
    """Enrolled on Monday 2 March, taken over on Wednesday of the next week, back on the Monday after that."""
    home, away, begun = two.nurse.clinic_id, two.physician.clinic_id, two.world.now

    def passes(asked_by: Staff, accepted_by: Staff, days: int, ref: str) -> None:
        with write_session(two.world.engine) as session:
            act = acting(session, asked_by, begun + timedelta(days=days))
            asked = transfers.ask(act, session.get_one(Patient, two.asha.id), accepted_by.clinic_id, "form")
            transfers.accept(acting(session, accepted_by, act.now), asked.id, ref)

    def unsigned(clinic: uuid.UUID, days: int) -> list[tuple[str, ...]]:
        """Of each week from the first on."""
        with read_session(two.world.engine) as session:
            return [week.unsigned for week in covering.coverage(session, clinic, begun + timedelta(days=days), 4)][::-1]

    def left(clinic: uuid.UUID, days: int) -> list[int]:
        """Of how many it is told that they left, in each week from the first on."""
        with read_session(two.world.engine) as session:
            weeks = covering.coverage(session, clinic, begun + timedelta(days=days), 4)
            return [len(week.left_unsigned) for week in weeks][::-1]

    here, nobody = (two.asha.name,), ()
    passes(two.nurse, two.physician, 9, "S-7")
    assert unsigned(home, 9)[2:] == [here, here]  # the running week too is of whoever was there in it
    assert unsigned(home, 21) == [here, here, nobody, nobody]
    assert unsigned(away, 21) == [nobody, here, here, here]
    passes(two.physician, two.nurse, 21, "F-8")
    assert unsigned(home, 21) == [here, here, nobody, here]
    assert unsigned(away, 21) == [nobody, here, here, here]  # on the Monday too, the day she went
    assert (left(home, 21), left(away, 21)) == ([0, 1, 0, 0], [0, 0, 0, 1])
    with read_session(two.world.engine) as session:
        facts = weekly_record(session, home, date(2026, 3, 2), load_language("en")).facts
        (line,) = facts["everybody"]
        assert line[0] == f"Asha Rowan, {two.asha.clinic_ref}"  # as they went, not as they came back


def test_what_was_in_hand_when_they_went_follows_them(two: Two) -> None:
    """A row that somebody writes who had begun before the other clinic accepted; and words written by hand."""
    world, asha = two.world, two.asha
    world.at(asha, "07:00")
    world.phone(asha).expects(prompt())
    with building(world.engine, world.now) as build:
        contact = build.session.scalars(select(Contact).where(Contact.patient_id == asha.id)).one()
        new = outbox.NewMessage(asha.clinic_id, contact.id, MessageKind.FROM_CLINIC, Channel.TEXT, "by hand",
                                world.now + HOUR, world.now + 5 * HOUR, patient_id=asha.id,
                                params={"text": "Come on Friday."})  # fmt: skip
        by_hand = outbox.enqueue(build.session, new, world.now)
    assert by_hand is not None
    two.does(two.physician, transfers.accept, two.asks(), "S-7")
    told = {item.kind: item for item in two.tasks(two.physician)}
    assert told[TaskKind.NOT_SENT].facts == WordsUnsent(by_hand, "Come on Friday.")
    world.pauses(asha, date(2026, 3, 20), None)  # by the clinic that `asha` was of when she was read
    assert two.owners()["pauses"] == {two.nurse.clinic_id}
    world.worker.maintain()
    assert two.owners()["pauses"] == {two.physician.clinic_id}
    world.advance(hours=2)
    world.phone(asha).expects(reminder())


def test_until_it_is_accepted_nothing_moves(two: Two) -> None:
    world, asha = two.world, two.asha
    transfer, before = two.asks(), two.owners()
    for refused in (lambda: two.asks(), lambda: two.of_asha(transfers.ask, asha.clinic_id, "form")):
        with pytest.raises(Refused):
            refused()
    with pytest.raises(LookupError):  # it is not the asking clinic's to accept
        two.does(two.nurse, transfers.accept, transfer, "F-9")
    two.of_asha(contacts.record_consent, ConsentKind.TRANSFER, False, "by telephone")
    with pytest.raises(Refused, match="agrees"):
        two.does(two.physician, transfers.accept, transfer, "S-7")
    two.does(two.physician, transfers.decline, transfer, "no bed")
    assert [item.kind for item in two.tasks(two.nurse)] == [TaskKind.TRANSFER]
    assert two.tasks(two.physician) == []
    with pytest.raises(Refused):
        two.does(two.physician, transfers.accept, transfer, "S-7")
    world.advance(minutes=1)
    again = two.asks()
    two.does(two.nurse, transfers.call_back, again)
    with read_session(world.engine) as session:
        assert [one.transfer.state for one in transfers.of_clinic(session, asha.clinic_id)] == [
            TransferState.CALLED_BACK, TransferState.DECLINED,
        ]  # fmt: skip
        assert session.get_one(Patient, asha.id).clinic_id == asha.clinic_id
    assert {name: owners for name, owners in two.owners().items() if name != "transfers" and name != "tasks"} == {
        name: owners for name, owners in before.items() if name != "transfers" and name != "tasks"
    }
