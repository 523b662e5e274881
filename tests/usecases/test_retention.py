"""What goes after some months goes where it is set, and nothing else does. The lengths are an operator's: no source."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest
from sqlalchemy import Engine, func, select, update

from service.domain.retention import Retained, checked_keep
from service.domain.validation import Refused
from service.domain.vocabulary import MessageState
from service.keeping import retention
from service.store.audit import SYSTEM
from service.store.session import read_session, write_session
from service.store.tables import AuditLine, Base, Message, MessageEvent, StaffSession
from tests.house import open_house
from tests.world import World

KEEP = checked_keep("NEAPTIDE_KEEP", "delivery=12, texts=6, sessions=1")
GONE = {"message_events", "staff_sessions", "inbound_texts", "conversations"}


def counts(world: World) -> dict[str, int]:
    with read_session(world.engine) as session:
        tables = Base.metadata.sorted_tables
        return {table.name: session.scalar(select(func.count()).select_from(table)) or 0 for table in tables}


def test_what_is_over_goes_and_what_is_under_way_or_clinical_stays(engine: Engine, tmp_path: Path) -> None:
    house = open_house(engine, tmp_path)
    world, asha = house.world, house.asha
    world.reading(asha)
    world.phone(asha).texts("?")
    member = world.staff("Noor")
    with write_session(world.engine) as session:
        one = {"begun_at": world.now, "seen_at": world.now, "confirmed_at": world.now, "address": "", "browser": ""}
        session.add(StaffSession(staff_id=member.id, **one))
        held = session.scalars(select(Message.id).order_by(Message.id)).first()
    before, now = counts(world), world.now
    for later, some in ((timedelta(hours=2), False), (timedelta(days=400), True)):
        assert bool(sum(one.rows for one in retention.look(world.engine, KEEP, now + later))) is some
    with write_session(world.engine) as session:
        session.execute(update(Message).where(Message.id == held).values(state=MessageState.QUEUED))
    then = now + timedelta(days=400)
    due = {one.kind: one.rows for one in retention.look(world.engine, KEEP, then)}
    assert set(due) == {Retained.DELIVERY, Retained.TEXTS, Retained.SESSIONS}
    assert retention.apply(world.engine, KEEP, SYSTEM, then).done == sum(due.values()) > 2
    after = counts(world)
    assert {name for name in before if after[name] < before[name]} <= GONE
    assert after["staff_sessions"] == 0
    with read_session(world.engine) as session:
        params = {row.id: row.params for row in session.scalars(select(Message))}
        events = session.scalars(select(MessageEvent.message_id)).all()
        lines = session.scalars(select(AuditLine.detail).where(AuditLine.action == "retention.apply")).all()
    assert held is not None
    assert {one for one, said in params.items() if said} <= {held}
    assert set(events) == {held}
    assert {line["kind"] for line in lines} == {kind.value for kind, rows in due.items() if rows}
    assert retention.apply(world.engine, KEEP, SYSTEM, then).done == 0
    assert retention.apply(world.engine, {}, SYSTEM, then).done == 0


@pytest.mark.parametrize("given", ["readings=12", "texts", "texts=0", "texts=241", "texts=12;audit=3"])
def test_a_setting_that_names_no_kind_or_no_months_is_refused(given: str) -> None:
    with pytest.raises(Refused, match="NEAPTIDE_KEEP"):
        checked_keep("NEAPTIDE_KEEP", given)
