"""No room left on the disk, at each boundary of delivery and wherever else the service writes. SQLite.

A file that may not grow (setrlimit(2), RLIMIT_FSIZE) stands in for a full disk: no
commit finds room in the write-ahead log, which a reader keeps from being begun anew.
A request is answered 507 (RFC 4918, 11.5) as problem details (RFC 9457).
"""

from __future__ import annotations

import json
import resource
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing, contextmanager
from itertools import count
from pathlib import Path

import pytest
from sqlalchemy import Engine, func, select
from sqlalchemy.exc import OperationalError

from service.delivery.sending import Boundary
from service.domain.vocabulary import Channel, MessageKind, MessageState, TaskKind, WindowState
from service.store.due import LEASE
from service.store.session import read_session
from service.store.tables import AuditLine, Base, Checkin, MessageEvent, Reading
from service.transports.base import OutgoingText
from tests.conftest import SERVER
from tests.crash.test_killed import EXPECTED
from tests.house import open_house
from tests.post import CAREGIVER_PHONE, PATIENT_PHONE, Post
from tests.world import World, nudge, prompt, reminder

pytestmark = pytest.mark.skipif(SERVER is not None, reason="on PostgreSQL the disk is the server's")
B = Boundary
# How far a message has come, for certain, when the disk fills at a boundary.
STANDS = {
    B.BEFORE_CLAIM: (MessageState.QUEUED, []),
    B.CLAIMING: (MessageState.QUEUED, []),
    B.CLAIMED: (MessageState.CLAIMED, []),
    B.RECHECKING: (MessageState.CLAIMED, []),
    B.STAMPING: (MessageState.CLAIMED, []),
    B.STAMPED: (MessageState.HANDING_OVER, ["handing_over"]),
    B.CALLING: (MessageState.HANDING_OVER, ["handing_over"]),
    B.CALLED: (MessageState.HANDING_OVER, ["handing_over"]),
    B.HANDED_OVER: (MessageState.HANDING_OVER, ["handing_over"]),
    B.SETTLING: (MessageState.HANDING_OVER, ["handing_over"]),
    B.SETTLED: (MessageState.SENT, ["handing_over", "sent"]),
}


@contextmanager
def no_room(engine: Engine) -> Iterator[None]:
    """No file of this process may grow beyond the database's log as it is."""
    database = Path(engine.url.database or "")
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    # The disk may fill in a thread that calls a provider, and has room again in the test's own.
    with closing(sqlite3.connect(database, isolation_level=None, check_same_thread=False)) as reader:
        reader.execute("BEGIN")
        reader.execute("SELECT count(*) FROM clinics").fetchone()
        size = database.with_name(f"{database.name}-wal").stat().st_size
        resource.setrlimit(resource.RLIMIT_FSIZE, (size, before[1]))
        try:
            yield
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, before)


def write_a_log(engine: Engine) -> None:
    """The log of a database that was lived in: longer than whatever else this process writes, which no_room limits too."""
    with engine.begin() as connection:
        for statement in ("CREATE TABLE room (a)", "INSERT INTO room VALUES (zeroblob(400000))", "DROP TABLE room"):
            connection.exec_driver_sql(statement)


@contextmanager
def filling(engine: Engine, where: Boundary, time: int = 1) -> Iterator[Callable[[Boundary], None]]:
    """What is told of every boundary: the disk fills when `where` is reached for the `time`th time."""
    reached = count(1)  # threads that call reach it too: each gets a number of its own
    with ExitStack() as full:

        def fills(boundary: Boundary) -> None:
            if boundary is where and next(reached) == time:
                full.enter_context(no_room(engine))

        yield fills


class Taker:
    """A provider whose memory needs no disk."""

    def __init__(self) -> None:
        self.taken: list[object] = []

    def send(self, text: OutgoingText) -> str:
        self.taken.append(text.message_id)
        return "ref"


def counted(engine: Engine, *tables: type[Base]) -> list[int | None]:
    with read_session(engine) as session:
        return [session.scalar(select(func.count()).select_from(table)) for table in tables]


@pytest.mark.parametrize("kind", [MessageKind.PROMPT, MessageKind.NUDGE], ids=str)
@pytest.mark.parametrize("where", list(Boundary), ids=str)
def test_full_at(engine: Engine, tmp_path: Path, where: Boundary, kind: MessageKind) -> None:
    post, provider = Post(engine, tmp_path / "gateway.sqlite3"), Taker()
    post.transports = {Channel.TEXT: provider}
    message_id = post.write(kind, to=PATIENT_PHONE if kind is MessageKind.PROMPT else CAREGIVER_PHONE)
    with filling(engine, where) as fills, pytest.raises(OperationalError, match="disk"):
        post.deliver(at=fills)
        post.write(MessageKind.REPLY)  # where the last settling was in time, the next write fails
    state, events = STANDS[where]
    assert post.message(message_id).state is state
    assert post.events(message_id) == events
    assert (post.message(message_id).claim_token is None) is (state in {MessageState.QUEUED, MessageState.SENT})
    # There is room again.
    for _ in range(2):
        post.clock.advance(LEASE)
        post.deliver()
    ends, handed_over = EXPECTED[where][kind is MessageKind.NUDGE]
    handed_over += where in {B.STAMPED, B.CALLING}  # unlike a process that is killed there, this one goes on to call
    assert post.message(message_id).state is ends
    assert provider.taken == [message_id] * handed_over
    unsure = state is MessageState.HANDING_OVER
    assert post.tasks() == ([TaskKind.MESSAGE_UNCERTAIN] if unsure else [])


def test_full_while_rechecking_leaves_nothing_decided(engine: Engine, tmp_path: Path) -> None:
    post, provider = Post(engine, tmp_path / "gateway.sqlite3"), Taker()
    post.transports = {Channel.TEXT: provider}
    ids = [post.write(MessageKind.PROMPT) for _ in range(2)]  # rechecking writes that one carries the other
    with filling(engine, B.RECHECKING) as fills, pytest.raises(OperationalError, match="disk"):
        post.deliver(at=fills)
    assert [post.message(one).state for one in ids] == [MessageState.CLAIMED] * 2
    assert [post.events(one) for one in ids] == [[], []]
    assert provider.taken == []
    post.clock.advance(LEASE)
    post.deliver()
    assert {post.message(one).state for one in ids} == {MessageState.SENT, MessageState.CANCELLED}
    assert provider.taken == [one for one in ids if post.message(one).state is MessageState.SENT]
    assert post.tasks() == []


@pytest.mark.parametrize("where", list(B)[list(B).index(B.STAMPING) :], ids=str)
def test_full_among_many_nothing_is_lost_or_sent_twice(engine: Engine, tmp_path: Path, where: Boundary) -> None:
    post, provider, at_once = Post(engine, tmp_path / "gateway.sqlite3"), Taker(), 4
    post.transports = {Channel.TEXT: provider}
    ids = [post.write(MessageKind.REPLY, params={"text": "x"}) for _ in range(3 * at_once)]
    # The second time: some are settled by then or about to be, and some not yet stamped.
    with filling(engine, where, time=2) as fills, pytest.raises(OperationalError, match="disk"):
        post.deliver(at=fills, at_once=at_once)
    for _ in range(2):
        post.clock.advance(LEASE)
        post.deliver()
    states = {one: post.message(one).state for one in ids}
    in_doubt = {one for one in ids if states[one] is MessageState.UNCERTAIN}
    assert set(states.values()) <= {MessageState.SENT, MessageState.UNCERTAIN}
    assert len(in_doubt) <= at_once
    assert in_doubt or where in {B.STAMPING, B.SETTLED}  # only there may no call have been open
    assert len(set(provider.taken)) == len(provider.taken)
    # What was stamped in time was called all the same, and what was not waited for its turn.
    assert set(provider.taken) == set(ids)
    assert set(post.tasks()) == ({TaskKind.MESSAGE_UNCERTAIN} if in_doubt else set())


@pytest.mark.parametrize(
    ("part", "at"), [("open", "07:00"), ("step", "08:30"), ("close", "10:00")], ids=["opening", "reminding", "closing"]
)
def test_a_pass_without_room_says_so_and_the_next_makes_it_good(world: World, part: str, at: str) -> None:
    asha = world.patient("Asha")
    ben = world.caregiver(asha, "Ben")
    calm = [message for message, by in ((prompt(), "08:30"), (reminder(), "10:00")) if at >= by]
    world.working = at != "07:00"  # whatever comes before goes its way
    world.at(asha, {"07:00": "06:59", "08:30": "08:29", "10:00": "09:59"}[at])
    world.working = False
    world.phone(asha).expects(*calm)
    world.at(asha, at)
    tables = list(Base.registry.mappers)
    before = counted(world.engine, *(mapper.class_ for mapper in tables))
    with no_room(world.engine):
        for _ in range(2):
            done = world.worker.tick()
            assert part not in done
    assert counted(world.engine, *(mapper.class_ for mapper in tables)) == before, "half a pass was written"
    world.phone(asha).expects_nothing()
    # Room again: once, as if nothing had been.
    done = world.worker.tick()
    assert done[part].done == 1
    assert done[part].quarantined == 0
    if at == "10:00":
        world.phone(ben).expects(nudge())
        seen = world.clinic.sees(asha)
        assert [state for _, state in seen.windows] == [WindowState.MISSED]
        assert seen.silence is not None
        assert seen.silence.missed == 1
    else:
        world.phone(asha).expects(prompt() if at == "07:00" else reminder())
    world.worker.tick()
    world.phone(asha).expects_nothing()
    world.phone(ben).expects_nothing()


def test_a_checkin_without_room_is_answered_507_and_taken_once_when_sent_again(engine: Engine, tmp_path: Path) -> None:
    house = open_house(engine, tmp_path)
    write_a_log(engine)
    token = house.link(house.asha).rsplit("/", 1)[-1]
    body = {"token": token, "breathlessness": 3, "safety_signs": ["fainting"]}

    def sends() -> tuple[int, str, str | None, dict[str, object]]:
        answer = house.client.post("/api/v1/checkins", json=body, headers={"Idempotency-Key": "one"})
        return answer.status_code, answer.mimetype, answer.headers.get("Retry-After"), json.loads(answer.data)

    before = counted(engine, *(mapper.class_ for mapper in Base.registry.mappers))
    with no_room(engine):
        status, mimetype, again_in, problem = sends()
    assert (status, mimetype) == (507, "application/problem+json")
    assert again_in is not None
    assert int(again_in) > 0
    assert (problem["status"], problem["title"]) == (507, "No room left")
    assert counted(engine, *(mapper.class_ for mapper in Base.registry.mappers)) == before
    assert [sends()[0], sends()[0]] == [201, 201]
    with read_session(engine) as session:
        (kept,) = session.scalars(select(Checkin))
    assert kept.breathlessness == 3


def test_a_diary_page_without_room_says_sorry_and_keeps_nothing(engine: Engine, tmp_path: Path) -> None:
    house = open_house(engine, tmp_path)
    write_a_log(engine)
    path = house.link(house.asha)
    before = counted(engine, Checkin, AuditLine, MessageEvent, Reading)
    with no_room(engine):
        answer = house.client.post(path, data={"breathlessness": "3"})
    assert (answer.status_code, answer.mimetype) == (507, "text/html")
    assert "There is no room left to keep anything. Not saved yet." in answer.text
    assert counted(engine, Checkin, AuditLine, MessageEvent, Reading) == before
    house.client.post(path, data={"breathlessness": "3"})
    assert len(house.checkins()) == 1
