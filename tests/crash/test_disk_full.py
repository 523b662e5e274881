"""No room left on the disk, at each boundary of delivery and wherever else the service writes. SQLite.

A file that may not grow (setrlimit(2), RLIMIT_FSIZE) stands in for a full disk: no
commit finds room in the write-ahead log, which a reader keeps from being begun anew.
A request is answered 503 (RFC 9110, 15.6.4) as problem details (RFC 9457).
"""

from __future__ import annotations

import json
import resource
import sqlite3
from collections.abc import Iterator
from contextlib import ExitStack, closing, contextmanager
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
from tests.world import World, nudge, prompt, reminder, world

__all__ = ["world"]

pytestmark = pytest.mark.skipif(SERVER is not None, reason="on PostgreSQL the disk is the server's")
B = Boundary
# How far a message has come, for certain, when the disk fills at a boundary.
STANDS = {
    B.BEFORE_CLAIM: (MessageState.QUEUED, []),
    B.CLAIMING: (MessageState.QUEUED, []),
    B.CLAIMED: (MessageState.CLAIMED, []),
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
    with closing(sqlite3.connect(database, isolation_level=None)) as reader:
        reader.execute("BEGIN")
        reader.execute("SELECT count(*) FROM clinics").fetchone()
        size = database.with_name(f"{database.name}-wal").stat().st_size
        resource.setrlimit(resource.RLIMIT_FSIZE, (size, before[1]))
        try:
            yield
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, before)


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
    with ExitStack() as full:

        def fills(boundary: Boundary) -> None:
            if boundary is where and not full_since:
                full_since.append(boundary)
                full.enter_context(no_room(engine))

        full_since: list[Boundary] = []
        with pytest.raises(OperationalError, match="disk"):
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


def test_a_checkin_without_room_is_answered_503_and_taken_once_when_sent_again(engine: Engine, tmp_path: Path) -> None:
    house = open_house(engine, tmp_path)
    token = house.link(house.asha).rsplit("/", 1)[-1]
    body = {"token": token, "breathlessness": 3, "safety_signs": ["fainting"]}

    def sends() -> tuple[int, str, str | None, dict[str, object]]:
        answer = house.client.post("/api/v1/checkins", json=body, headers={"Idempotency-Key": "one"})
        return answer.status_code, answer.mimetype, answer.headers.get("Retry-After"), json.loads(answer.data)

    before = counted(engine, *(mapper.class_ for mapper in Base.registry.mappers))
    with no_room(engine):
        status, mimetype, again_in, problem = sends()
    assert (status, mimetype) == (503, "application/problem+json")
    assert again_in is not None
    assert int(again_in) > 0
    assert problem["status"] == 503
    assert "disk" not in json.dumps(problem).lower()  # nothing of the machine's inside
    assert counted(engine, *(mapper.class_ for mapper in Base.registry.mappers)) == before
    assert [sends()[0], sends()[0]] == [201, 201]
    with read_session(engine) as session:
        (kept,) = session.scalars(select(Checkin))
    assert kept.breathlessness == 3


def test_a_diary_page_without_room_says_sorry_and_keeps_nothing(engine: Engine, tmp_path: Path) -> None:
    house = open_house(engine, tmp_path)
    path = house.link(house.asha)
    before = counted(engine, Checkin, AuditLine, MessageEvent, Reading)
    with no_room(engine):
        answer = house.client.post(path, data={"breathlessness": "3"})
    assert answer.status_code == 503
    assert answer.mimetype == "text/html"
    assert counted(engine, Checkin, AuditLine, MessageEvent, Reading) == before
    house.client.post(path, data={"breathlessness": "3"})
    assert len(house.checkins()) == 1
