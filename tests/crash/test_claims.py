"""A claim takes its share of what is due and says how much that was, however the database runs it."""

from __future__ import annotations

import uuid
from pathlib import Path

import pytest
from sqlalchemy import Engine, text

from service.delivery import sending
from service.domain.vocabulary import MessageKind
from service.store.session import write_session
from tests.post import Post

# Planner settings that make PostgreSQL run a subquery again for every row it is compared with.
BY_LOOPS = [f"SET LOCAL enable_{way} = off" for way in ("hashjoin", "mergejoin", "hashagg", "sort", "material")]


@pytest.mark.parametrize("settings", [[], BY_LOOPS], ids=["as it likes", "by loops"])
def test_a_claim_takes_its_share_and_no_more(engine: Engine, tmp_path: Path, settings: list[str]) -> None:
    if settings and engine.dialect.name != "postgresql":
        pytest.skip("SQLite has no such settings")
    post = Post(engine, tmp_path / "gateway.sqlite3")
    written = {post.write(MessageKind.REPLY, params={"text": "x"}) for _ in range(25)}
    taken = []
    for share in (10, 10, 5, 0):
        token = uuid.uuid4()
        with write_session(engine) as session:
            for setting in settings:
                session.execute(text(setting))
            assert len(sending.claim(session, token, post.clock.now(), 10)) == share
        taken += [one for one in written if post.message(one).claim_token == token]
    assert sorted(taken) == sorted(written)
