"""A reply or receipt that could not be taken in waits for an operator, and is then taken in as what it was."""

from __future__ import annotations

import json
from datetime import timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner
from sqlalchemy import select
from sqlalchemy.exc import OperationalError

from service.care.contacts import has_consent
from service.commands import operate
from service.delivery import receiving as delivery_receiving
from service.domain.vocabulary import ConsentKind, MessageKind, MessageState
from service.intake.texts import patients, receiving
from service.intake.texts.receiving import take_text
from service.store import quarantine
from service.store.session import read_session, write_session
from service.store.tables import Checkin, DeadLetter, InboundText, Message, QuarantinedRow, Task
from service.transports.base import Receipt
from service.transports.base import TextReply as Reply
from tests.post import NOON, PATIENT_PHONE, SECOND_PHONE, Post
from tests.servers import SECRET

POISON = ZeroDivisionError("as if a row had gone wrong")


@pytest.fixture
def poisoned(monkeypatch: pytest.MonkeyPatch) -> pytest.MonkeyPatch:
    """Patients' messages cannot be taken in, until `undo`."""

    def fail(*_: object) -> None:
        raise POISON

    monkeypatch.setattr(patients, "take", fail)
    return monkeypatch


def quarantined(post: Post) -> list[QuarantinedRow]:
    with read_session(post.engine) as session:
        return list(session.scalars(select(QuarantinedRow).where(QuarantinedRow.released_at.is_(None))))


def release(post: Post) -> None:
    for row in quarantined(post):
        with write_session(post.engine) as session:
            assert quarantine.release(session, (row.subject_kind, row.subject_id), post.clock.now())


def all_of(post: Post, table) -> list:
    with read_session(post.engine) as session:
        return list(session.scalars(select(table)))


def weights(post: Post) -> dict[str, float | None]:
    rows = [row for row in all_of(post, Checkin) if row.superseded_at is None]
    return {row.local_date.isoformat(): row.weight_kg for row in rows}


def test_what_is_released_is_read_again_once_and_its_words_are_kept_no_longer(post: Post, poisoned) -> None:
    post.gateway.reply(PATIENT_PHONE, "82.4")
    assert post.listen(take_text).quarantined == 1
    (row,) = quarantined(post)
    assert row.subject_kind == delivery_receiving.DEAD_LETTER
    assert "82.4" not in row.error  # what is noted of a failure holds no value
    assert [kept.id for kept in all_of(post, DeadLetter)] == [row.subject_id]
    assert post.listen(take_text).seen == 0  # not before somebody has looked
    poisoned.undo()
    assert post.listen(take_text).seen == 0
    release(post)
    assert post.listen(take_text).done == 1
    assert weights(post) == {"2026-11-25": 82.4}
    assert (all_of(post, DeadLetter), quarantined(post)) == ([], [])
    assert post.listen(take_text).seen == 0


def test_what_fails_again_is_set_aside_again_under_the_same_id(post: Post, poisoned) -> None:
    post.gateway.reply(PATIENT_PHONE, "82.4")
    post.listen(take_text)
    first = quarantined(post)[0].subject_id
    release(post)
    assert post.listen(take_text).quarantined == 1
    assert [row.subject_id for row in quarantined(post)] == [first]
    poisoned.undo()
    release(post)
    assert post.listen(take_text).done == 1
    assert weights(post) == {"2026-11-25": 82.4}


def test_it_is_about_the_day_it_was_said_on_and_replaces_nothing_said_since(post: Post, poisoned) -> None:
    post.gateway.reply(PATIENT_PHONE, "82.4 b3")
    post.listen(take_text)
    poisoned.undo()
    post.clock.advance(timedelta(hours=1))
    post.gateway.reply(PATIENT_PHONE, "83.1")
    post.listen(take_text)
    post.clock.advance(timedelta(days=2))
    release(post)
    assert post.listen(take_text).done == 1
    (kept,) = [row for row in all_of(post, Checkin) if row.superseded_at is None]
    assert (kept.local_date.isoformat(), kept.weight_kg, kept.breathlessness) == ("2026-11-25", 83.1, 3)


def test_an_old_sign_of_an_emergency_still_alarms(post: Post, poisoned) -> None:
    post.gateway.reply(PATIENT_PHONE, "chest pain")
    post.listen(take_text)
    poisoned.undo()
    post.clock.advance(timedelta(hours=1))
    post.gateway.reply(PATIENT_PHONE, "no chest pain, 82.4")
    post.listen(take_text)
    post.clock.advance(timedelta(hours=5))
    release(post)
    post.listen(take_text)
    assert [task.kind.value for task in all_of(post, Task)] == ["safety_answer"]
    assert [message.kind for message in all_of(post, Message) if message.kind is MessageKind.SAFETY]


def test_an_old_start_undoes_no_later_stop_and_an_old_stop_stops(post: Post, monkeypatch) -> None:
    def agrees() -> bool:
        with read_session(post.engine) as session:
            return has_consent(session, post.patient.id, ConsentKind.MESSAGES)

    with monkeypatch.context() as broken:
        broken.setattr(receiving, "_start", lambda *_: 1 / 0)
        post.gateway.reply(PATIENT_PHONE, "START")
        assert post.listen(take_text).quarantined == 1
    post.clock.advance(timedelta(minutes=1))
    post.gateway.reply(PATIENT_PHONE, "STOP")
    post.listen(take_text)
    post.clock.advance(timedelta(days=1))
    release(post)
    assert post.listen(take_text).done == 1
    assert not agrees()

    with write_session(post.engine) as session:
        post.consent(session, ConsentKind.MESSAGES, True)
    with monkeypatch.context() as broken:
        broken.setattr(receiving, "_stop", lambda *_: 1 / 0)
        post.gateway.reply(PATIENT_PHONE, "STOP")
        assert post.listen(take_text).quarantined == 1
    assert agrees()
    release(post)
    post.listen(take_text)
    assert not agrees()


def test_a_receipt_set_aside_is_taken_in_again_too(post: Post, monkeypatch) -> None:
    sent = post.write(MessageKind.PROMPT)
    post.deliver()
    with monkeypatch.context() as broken:
        broken.setattr("service.delivery.receiving.after_receipt", lambda *_: 1 / 0)
        assert post.listen().quarantined == 1
    assert post.message(sent).state is MessageState.SENT
    release(post)
    assert post.listen().done == 1
    assert post.message(sent).state is MessageState.DELIVERED
    assert all_of(post, DeadLetter) == []


def test_a_receipt_that_fails_is_kept_before_anything_later_can_go_wrong(post: Post, monkeypatch) -> None:
    """The list is read on past it with the next one: by then it must lie with the dead letters."""
    sent = [post.write(MessageKind.PROMPT, to=to) for to in (PATIENT_PHONE, SECOND_PHONE)]
    post.deliver()
    assert {post.message(one).state for one in sent} == {MessageState.SENT}
    take, seen = delivery_receiving._take_receipts, []

    def poison_then_away(session, receipts, now):
        if len(receipts) > 1:
            raise POISON
        seen.append(receipts[0])
        if len(seen) == 1:
            raise POISON
        if len(seen) == 2:
            raise OperationalError("SELECT", {}, Exception("the server is gone"))
        return take(session, receipts, now)

    with monkeypatch.context() as broken:
        broken.setattr(delivery_receiving, "_take_receipts", poison_then_away)
        with pytest.raises(OperationalError):
            post.listen()
    assert [row.subject_kind for row in quarantined(post)] == ["dead_letter"]
    release(post)
    assert post.listen().done == 2  # the one that was away, and the one that was kept
    assert [post.message(one).state for one in sent] == [MessageState.DELIVERED] * 2


def test_a_receipt_that_is_called_in_and_cannot_be_taken_in_holds_up_no_other(post: Post, monkeypatch) -> None:
    """Refused as a whole, the provider would call the same again for ever, and the good ones would never count."""
    good, bad = post.write(MessageKind.PROMPT), post.write(MessageKind.REMINDER)
    for message_id in (good, bad):
        with write_session(post.engine) as session:
            row = session.get_one(Message, message_id)
            row.state, row.handed_over_at = MessageState.SENT, NOON
    receipts = [Receipt(message_id, outcome, NOON) for message_id, outcome in ((bad, "failed"), (good, "delivered"))]
    with monkeypatch.context() as broken:
        broken.setattr("service.delivery.settling.try_next_contact", lambda *_: 1 / 0)
        assert delivery_receiving.take_receipts(post.engine, receipts, NOON) == 1
        assert delivery_receiving.take_receipts(post.engine, receipts, NOON) == 0  # the provider calls once more
    assert (post.message(good).state, post.message(bad).state) == (MessageState.DELIVERED, MessageState.SENT)
    assert len(quarantined(post)) == len(all_of(post, DeadLetter)) == 1
    release(post)
    assert post.listen().done == 1
    assert post.message(bad).state is MessageState.FAILED


def test_what_a_provider_calls_in_is_set_aside_alone_and_the_next_is_taken(post: Post, poisoned) -> None:
    def poison_first(session, ref, *rest, **more) -> object:
        if ref == "in-1":
            raise POISON
        return take_text(session, ref, *rest, **more)

    poisoned.undo()
    replies = [Reply(f"in-{number}", PATIENT_PHONE, text, NOON) for number, text in ((1, "82.4"), (2, "b3"))]
    tally = delivery_receiving.take_replies(post.engine, replies, poison_first, NOON)
    assert (tally.done, tally.quarantined) == (1, 1)
    again = delivery_receiving.take_replies(
        post.engine, replies[:1], poison_first, NOON
    )  # the provider calls once more
    assert (again.quarantined, len(quarantined(post)), len(all_of(post, DeadLetter))) == (1, 1, 1)
    release(post)
    assert post.listen(take_text).done == 1
    assert weights(post) == {"2026-11-25": 82.4}
    assert sorted(row.gateway_ref for row in all_of(post, InboundText)) == ["in-1", "in-2"]


def test_any_characters_can_be_kept_aside(post: Post) -> None:
    body = "a\x00b \ud800 \U0001f600 ñ"  # a NUL and half of a surrogate pair: no database takes them as text
    with write_session(post.engine) as session:
        delivery_receiving.keep_dead_letter(
            session, "text.inbound", "1", Reply("in-1", PATIENT_PHONE, body, NOON), POISON, NOON
        )
    (kept,) = all_of(post, DeadLetter)
    assert kept.said.isascii()
    assert json.loads(kept.said)["body"] == body
    heard: list[str] = []
    release(post)
    post.listen(lambda _session, _ref, _sender, said, _now, **_more: heard.append(said))
    assert heard == [body]


def test_an_operator_lists_and_releases_by_command(post: Post, poisoned, tmp_path: Path) -> None:
    post.gateway.reply(PATIENT_PHONE, "82.4")
    post.listen(take_text)
    poisoned.undo()
    (row,) = quarantined(post)
    env = {
        "NEAPTIDE_DATA": str(tmp_path),
        "NEAPTIDE_SECRET_KEY": SECRET,
        "NEAPTIDE_DATABASE_URL": post.engine.url.render_as_string(hide_password=False),
    }
    listed = CliRunner().invoke(operate.quarantined, ["list"], env=env)
    assert f"dead_letter  {row.subject_id}" in listed.output
    assert "82.4" not in listed.output
    released = CliRunner().invoke(operate.quarantined, ["release", "dead_letter", str(row.subject_id)], env=env)
    assert released.output == f"released: dead_letter {row.subject_id}\n"
    assert post.listen(take_text).done == 1
    assert weights(post) == {"2026-11-25": 82.4}
    assert (
        CliRunner().invoke(operate.quarantined, ["release", "dead_letter", str(row.subject_id)], env=env).exit_code == 1
    )
