"""The audit trail as a chain: what is deleted, changed, moved or slipped in is named; what the service drops is not."""

from __future__ import annotations

import json
import random
import threading
import uuid
from collections.abc import Callable
from datetime import datetime, timedelta

import pytest
from sqlalchemy import Engine, delete, func, select, text, update
from sqlalchemy.orm import Session

from service.clock import SharedClock
from service.config import Settings
from service.domain.validation import Refused
from service.domain.vocabulary import ActorKind, Channel
from service.health import heads
from service.store import chain
from service.store.audit import SYSTEM, Act, Actor, note_outside_clinics
from service.store.chain import Head, Wrong
from service.store.session import read_session, write_session
from service.store.tables import AuditLine, AuditSeal
from service.transports.base import OutgoingText, TemporaryFailure
from service.worker import Worker
from tests.builder import Builder
from tests.ward import NOW

DAY = timedelta(days=1)


def clinic_with(engine: Engine, *hours: float) -> uuid.UUID:
    """A clinic whose lines were written so long before NOW, each hour's sealed at once."""
    with write_session(engine) as session:
        clinic_id = Builder(session, NOW - timedelta(days=400)).clinic().id
        session.execute(delete(AuditLine))
    for ago in sorted(hours, reverse=True):
        write(engine, clinic_id, NOW - timedelta(hours=ago))
        chain.seal_new(engine, NOW - timedelta(hours=ago))
    return clinic_id


def write(engine: Engine, clinic_id: uuid.UUID, now: datetime, many: int = 3) -> None:
    with write_session(engine) as session:
        act = Act(session, Actor(ActorKind.STAFF, uuid.uuid4()), clinic_id, now)
        act.note_each("thing.do", [("thing", uuid.uuid4(), {"was": number, "now": "ü"}) for number in range(many)])


def found(engine: Engine, heads: list[Head] | None = None) -> list[tuple[Wrong, str]]:
    return [(flaw.wrong, flaw.sentence) for one in chain.verify(engine, heads or []) for flaw in one.flaws]


def line(session: Session, number: int) -> AuditLine:
    return session.scalars(select(AuditLine).where(AuditLine.number == number)).one()


def test_whatever_is_done_to_a_sealed_line_is_named(engine):
    clinic_id = clinic_with(engine, 30, 29, 1)
    assert found(engine) == []
    with read_session(engine) as session:
        ids = {number: line(session, number).id for number in range(1, 10)}

    def told(do: Callable[[Session], object]) -> list[tuple[Wrong, str]]:
        with write_session(engine) as session:
            kept = [(table, [dict(row) for row in session.execute(select(table.__table__)).mappings()])
                    for table in (AuditLine, AuditSeal)]  # fmt: skip
            do(session)
        its = found(engine)
        with write_session(engine) as session:
            for table, rows in kept:
                session.execute(delete(table))
                session.execute(table.__table__.insert(), rows)
        return its

    of = {number: AuditLine.id == ids[number] for number in ids}
    assert told(lambda s: s.execute(delete(AuditLine).where(of[5]))) == [
        (Wrong.DELETED, f"line 5 is deleted, after line {ids[4]}")
    ]
    gone = told(lambda s: s.execute(delete(AuditLine).where(AuditLine.number > 7)))
    assert gone == [(Wrong.DELETED, f"lines 8 to 9 are deleted, after line {ids[7]}")]
    for column in AuditLine.__table__.columns:
        if column.name in {"number", "clinic_id", "mark"}:
            continue

        def change(session: Session, name: str = column.name) -> None:
            row = line(session, 3)
            values = {"id": uuid.uuid4(), "at": row.at + DAY, "actor_kind": ActorKind.SYSTEM, "actor_id": None,
                      "subject_id": None, "patient_id": uuid.uuid4(), "detail": {"was": 9}, "code": b"", "action": "x", "subject_kind": "x"}  # fmt: skip
            session.execute(update(AuditLine).where(of[3]).values({name: values[name]}))

        ((wrong, sentence),) = told(change)
        assert (wrong, sentence.partition(" (")[0]) == (Wrong.CHANGED, "line 3"), column.name

    def swap(session: Session) -> None:
        for number, place in ((2, 99), (3, 2), (2, 3)):
            session.execute(update(AuditLine).where(of[number]).values(number=place))

    moved = told(swap)
    assert [wrong for wrong, _ in moved] == [Wrong.MOVED] * 2
    assert [f"{ids[3]}" in moved[0][1], moved[0][1].endswith("was sealed as line 3")] == [True, True]

    def slip_in(session: Session, number: int) -> None:
        values = {name: getattr(line(session, 4), name) for name in AuditLine.__table__.columns.keys()}  # noqa: SIM118
        session.add(AuditLine(**values | {"id": uuid.uuid4(), "number": number}))

    assert [wrong for wrong, _ in told(lambda s: slip_in(s, 4))] == [Wrong.ADDED]
    assert [wrong for wrong, _ in told(lambda s: slip_in(s, 10))] == [Wrong.ADDED]
    assert told(lambda s: slip_in(s, 0)) == []  # on the chain's first day: it is unsealed, and counted so
    first_day = AuditSeal.first == 1
    assert [wrong for wrong, _ in told(lambda s: s.execute(delete(AuditSeal).where(first_day)))] == [Wrong.SEAL]
    for name, value in {"last": 5, "day": NOW.date(), "sealed_at": NOW, "follows": "x", "lines": "0" * 64}.items():
        change_seal = update(AuditSeal).where(first_day).values({name: value})
        assert Wrong.SEAL in dict(told(lambda s, which=change_seal: s.execute(which))), name  # type: ignore[misc]
    # Taken off the end with its seals, so that nothing within the database tells: the head taken outside does.
    with read_session(engine) as session:
        last = session.scalars(select(AuditSeal).order_by(AuditSeal.first.desc())).first()
        assert last is not None
        head = Head(clinic_id, last.last, last.seal)
    with write_session(engine) as session:
        session.execute(delete(AuditSeal).where(~first_day))
        session.execute(delete(AuditLine).where(AuditLine.number > 6))
    assert found(engine) == []
    assert [wrong for wrong, _ in found(engine, [head])] == [Wrong.HEAD]


def test_lines_older_than_the_chain_are_unsealed_and_new_ones_wait_for_the_worker(engine):
    clinic_id = clinic_with(engine)
    write(engine, clinic_id, NOW - 3 * DAY)
    write(engine, clinic_id, NOW - timedelta(minutes=2))
    with write_session(engine) as session:
        note_outside_clinics(session, SYSTEM, "quarantine.release", ("thing", uuid.uuid4()), NOW)
    with read_session(engine) as session:
        marks = set(session.scalars(select(AuditLine.mark)))
    assert chain.seal_new(engine, NOW).done == 4
    with read_session(engine) as session:
        assert set(session.scalars(select(AuditLine.mark))) == marks  # no news for who reads lists by arrival
    write(engine, clinic_id, NOW)
    told = {one.clinic_id: one for one in chain.verify(engine)}
    counts = [(one.sealed, one.older, one.waiting, one.flaws) for one in (told[clinic_id], told[None])]
    assert counts == [(3, 3, 3, []), (1, 0, 0, [])]


def test_whole_days_are_dropped_and_what_is_left_is_verified_as_before(engine):
    clinic_id = clinic_with(engine, 96, 72, 48, 1)
    kept = NOW - timedelta(hours=60)
    with read_session(engine) as session:
        assert chain.droppable(session, clinic_id, kept) == 6
    assert chain.drop_before(engine, clinic_id, kept, NOW, SYSTEM) == 6
    assert chain.drop_before(engine, clinic_id, kept, NOW, SYSTEM) == 0
    chain.seal_new(engine, NOW)
    (one,) = [one for one in chain.verify(engine) if one.clinic_id == clinic_id]
    assert (one.dropped, one.sealed, one.flaws) == (6, 8, [])  # each day dropped wrote its own line
    # Of a day of which something is wrong nothing is dropped.
    with write_session(engine) as session:
        session.execute(update(AuditLine).where(AuditLine.number == 7).values(action="x"))
    assert chain.drop_before(engine, clinic_id, NOW, NOW, SYSTEM) == 0
    with write_session(engine) as session:
        session.execute(update(AuditLine).where(AuditLine.number == 7).values(action="thing.do"))
        assert chain.droppable(session, clinic_id, NOW) == 8 - 2
    assert chain.drop_before(engine, clinic_id, NOW, NOW, SYSTEM) == 3
    # Nobody without the key can drop a day more.
    with write_session(engine) as session:
        session.execute(update(AuditSeal).where(AuditSeal.first == 1).values(last=12))
        session.execute(delete(AuditLine).where(AuditLine.number <= 12))
    assert Wrong.SEAL in dict(found(engine))


def test_two_workers_seal_no_line_twice_and_leave_none(engine):
    clinic_id = clinic_with(engine)
    ready = threading.Barrier(2)

    def work() -> None:
        ready.wait()
        for _ in range(6):
            chain.seal_new(engine, NOW)

    def writing() -> None:
        for _ in range(random.Random(1).randint(6, 9)):
            write(engine, clinic_id, NOW, many=40)

    threads = [threading.Thread(target=each) for each in (work, work, writing)]
    for each in threads:
        each.start()
    for each in threads:
        each.join()
    chain.seal_new(engine, NOW)
    with read_session(engine) as session:
        written = session.scalar(select(func.count()).select_from(AuditLine))
    (one,) = [one for one in chain.verify(engine) if one.clinic_id == clinic_id]
    assert (one.sealed, one.last, one.waiting, one.flaws) == (written, written, 0, [])


class Mailbox:
    """What the mail server took, or that it is away."""

    def __init__(self) -> None:
        self.taken: list[OutgoingText] = []
        self.is_away = False

    def send(self, text: OutgoingText) -> str:
        if self.is_away:
            raise TemporaryFailure("away")
        self.taken.append(text)
        return ""


def test_the_heads_go_outside_once_a_day_and_a_mail_server_that_is_away_spoils_nothing(engine, tmp_path):
    clinic_id = clinic_with(engine)
    mailbox, clock = Mailbox(), SharedClock(tmp_path / "clock")
    write(engine, clinic_id, clock.now() - DAY)
    chain.seal_new(engine, clock.now() - DAY)
    env = {
        "NEAPTIDE_DATA": str(tmp_path),
        "NEAPTIDE_MAIL_SERVER": "127.0.0.1:465",
        "NEAPTIDE_MAIL_FROM": "us@fm.example",
    }
    with pytest.raises(Refused, match="NEAPTIDE_HEADS_TO"):
        Settings.from_env({"NEAPTIDE_DATA": str(tmp_path), "NEAPTIDE_HEADS_TO": "imogen@elsewhere.example"})
    settings = Settings.from_env(env | {"NEAPTIDE_HEADS_TO": "imogen@elsewhere.example"})
    worker = Worker(engine, clock, {Channel.EMAIL: mailbox}, lambda *_: "", settings)  # type: ignore[dict-item]
    worker.check_nightly()
    worker.check_nightly()
    mailbox.is_away = True
    clock.advance(DAY)
    worker.check_nightly()
    (mail,) = mailbox.taken
    kept = (tmp_path / heads.FILE).read_text().splitlines()
    assert (mail.to, mail.body) == ("imogen@elsewhere.example", kept[0])
    assert [json.loads(line)["last"] for line in kept] == [3, 3]  # the second day's too, which could not be mailed


def test_what_nobody_can_read_is_named_and_hides_nothing_else(engine):
    """A row that cannot be read must not stop the look at all others, nor the sealing of lines that come after."""
    clinic_id = clinic_with(engine, 2)
    write(engine, clinic_id, NOW)
    with write_session(engine) as session:
        session.execute(text("UPDATE audit_lines SET actor_kind = 'nobody' WHERE number = 2"))
        session.execute(text("UPDATE audit_lines SET action = 'x' WHERE number = 3"))
        session.execute(text('UPDATE audit_lines SET detail = \'{"was": "\\ud800"}\' WHERE number IS NULL'))
    write(engine, clinic_id, NOW)
    chain.seal_new(engine, NOW)
    with write_session(engine) as session:
        session.execute(text("UPDATE audit_lines SET action = 'y' WHERE number = 9"))
        session.execute(text("UPDATE audit_seals SET last = 2000000000"))  # which nobody counts up to
    named = [(wrong, sentence.partition(" (")[0]) for wrong, sentence in found(engine)]
    assert [number for wrong, number in named if wrong is Wrong.CHANGED] == [f"line {n}" for n in (2, 3, 4, 5, 6, 9)]
    assert {wrong for wrong, _ in named} == {Wrong.CHANGED, Wrong.DELETED, Wrong.SEAL}
