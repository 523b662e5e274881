"""Addresses and second steps are encrypted, found all the same, and outlast a change of the secret key."""

from __future__ import annotations

import base64
import re
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, cast

import pytest
from sqlalchemy import JSON, Engine, Select, String, Text, event, func, select, type_coerce, update

from service.delivery import sending
from service.domain.vocabulary import Channel
from service.health import soundness
from service.keyring import KeyFor, Keyring
from service.store import resealing
from service.store.session import open_engine, read_session, write_session
from service.store.tables import Base, Contact
from service.store.types import LegibleFacts
from service.store.vault import HEAD, UNOPENED, Vault
from service.transports.base import OutgoingText, Transport
from tests.ward import open_ward

OLD = Keyring("the secret before it, which was 0123456789")
NEW = Keyring("the one that came after it, 9876543210 abcdef", (OLD.present,))
KNOWS_NEW = Keyring(OLD.present, (NEW.present,))  # a process that has yet to start anew
OTHER = Keyring("one that never sealed a thing here, 13579 xyz")
NUMBER, SECOND = "+15550100123", "+15550100124"
# Called alike, and no person's address: what requests come from, the clinic's own numbers, digests, and the secret of
# a hospital's door, which is sealed under a key of its own (`accounts.hospital`).
NO_ADDRESSES = {
    "access_lines.address",
    "api_keys.secret_hash",
    "clinics.contact_line",
    "clinics.emergency_number",
    "clinics.sender_name",
    "clinics.text_line",
    "emergency_accesses.address",
    "hospital_sign_ins.address_claim",
    "hospital_sign_ins.client_secret",
    "staff_sessions.address",
    "stranger_texts.line",
}


@contextmanager
def by(engine: Engine, keys: Keyring) -> Iterator[Engine]:
    """The same database, as a process with these keys has it."""
    url = engine.url.set(drivername=engine.url.get_backend_name()).render_as_string(hide_password=False)
    own = open_engine(url, vault=Vault(keys.every(KeyFor.CONTACTS)))
    yield own
    own.dispose()


def two_contacts(engine: Engine) -> None:
    with write_session(engine) as session:
        ward = open_ward(session)
        for patient, number in ((ward.patient("Asha"), NUMBER), (ward.patient("Ben"), SECOND)):
            session.execute(update(Contact).where(Contact.patient_id == patient.id).values(address=number))
            if not session.scalars(select(Contact).where(Contact.patient_id == patient.id)).all():
                session.add(
                    Contact(
                        clinic_id=ward.clinic.id, patient_id=patient.id, channel=Channel.TEXT, address=number,
                        secret={"auth": "of a telephone"}, created_at=ward.now,
                    )
                )  # fmt: skip


def found(engine: Engine, *numbers: str) -> list[str]:
    with read_session(engine) as session:
        return sorted(session.scalars(select(Contact.address).where(Contact.address.in_(numbers))))


def plan_of(engine: Engine, query: Select[Any]) -> str:
    """How SQLite looks for it."""
    asked: list[tuple[str, Any]] = []
    with engine.connect() as connection:
        event.listen(connection, "before_cursor_execute", lambda *given: asked.append((given[2], given[3])))
        connection.execute(query)
        statement, values = asked[0]
        return str(connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {statement}", values).all())


def test_it_is_the_cipher_of_the_standard() -> None:
    # RFC 5297, A.1, deterministic authenticated encryption: key, associated data, plaintext, output.
    key = bytes.fromhex("fffefdfcfbfaf9f8f7f6f5f4f3f2f1f0f0f1f2f3f4f5f6f7f8f9fafbfcfdfeff")
    beside = bytes.fromhex("101112131415161718191a1b1c1d1e1f2021222324252627").decode()
    plain, vault = bytes.fromhex("112233445566778899aabbccddee"), Vault((key,))
    sealed = vault.seal(beside, plain)
    expected = "85632d07c6e8f37f950acd320a2ecc9340c02b9690c4dc04daef7f6afe5c"
    assert base64.urlsafe_b64decode(sealed[HEAD:]).hex() == expected
    assert vault.open(beside, sealed) == plain
    assert vault.open("another kind", sealed) is vault.open(beside, sealed[:-4] + "aaaa") is None


def test_every_column_for_an_address_is_encrypted() -> None:
    called = re.compile(r"address|mail|phone|number|endpoint|secret|recipient|sender|code_to|shown_to|typed|line$")
    in_clear = {
        f"{table.name}.{column.name}"
        for table in Base.metadata.sorted_tables
        for column in table.columns
        if called.search(column.name) and isinstance(column.type, String | JSON | LegibleFacts)
    }
    assert in_clear == NO_ADDRESSES
    hidden = {f"{table.name}.{column.name}" for table, column in resealing.hidden_columns()}
    assert hidden >= {"contacts.address", "contacts.secret", "staff.email", "staff.totp_secret", "invitations.said"}


def test_a_secret_is_changed_while_processes_with_either_run(engine: Engine) -> None:
    with by(engine, KNOWS_NEW) as before, by(engine, NEW) as after, by(engine, OTHER) as alone:
        two_contacts(before)
        with write_session(after) as session:  # one is written by who has the new secret
            session.execute(update(Contact).where(Contact.address == SECOND).values(address=SECOND))
        with read_session(after) as session:
            raw = set(session.scalars(select(type_coerce(Contact.address, Text))))
            assert {kept[:10] for kept in raw} >= {Vault((keys.key(KeyFor.CONTACTS),)).heads[0] for keys in (OLD, NEW)}
            assert not any(number[1:] in kept for kept in raw for number in (NUMBER, SECOND))
        for process in (before, after):
            assert found(process, NUMBER, SECOND) == [NUMBER, SECOND]
            assert found(process, NUMBER) == [NUMBER]
            with read_session(process) as session:
                assert session.scalar(select(func.count()).where(Contact.address == NUMBER)) == 1
                others = session.scalars(select(Contact.address).where(Contact.address != NUMBER)).all()
                assert SECOND in others
                assert NUMBER not in others
        if engine.dialect.name == "sqlite":
            assert "(channel=? AND address=?)" in plan_of(
                after, select(Contact.id).where(Contact.channel == Channel.TEXT, Contact.address == NUMBER)
            )
        waited = soundness.opens(after).value
        assert waited
        assert resealing.reseal(after).resealed == waited
        assert resealing.reseal(after) == resealing.Resealed()
        assert soundness.opens(after).value == 0
        assert found(before, NUMBER, SECOND) == [NUMBER, SECOND]
        with by(engine, Keyring(NEW.present)) as later:  # the old secret is named no longer
            assert found(later, NUMBER, SECOND) == [NUMBER, SECOND]
            assert soundness.opens(later).ok
        lost = soundness.opens(alone)
        assert not lost.ok
        assert "contacts.address" in lost.sentence
        assert found(alone, NUMBER) == []
        with read_session(alone) as session:
            assert set(session.scalars(select(Contact.address))) == {UNOPENED}
        with pytest.raises(Exception, match="not written back"), write_session(alone) as session:
            session.add(contact := session.scalars(select(Contact).limit(1)).one())
            session.execute(update(Contact).where(Contact.id == contact.id).values(address=UNOPENED))


def test_what_is_written_meanwhile_stands(engine: Engine, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(resealing, "AT_ONCE", 1)  # so that it is broken off between any two
    with by(engine, OLD) as before:
        two_contacts(before)
    with by(engine, NEW) as after:
        real, calls = resealing._some, []

        def broken_off(*given: object) -> object:
            calls.append(given)
            if len(calls) == 2:
                raise RuntimeError("stopped")
            return real(*given)  # type: ignore[arg-type]

        monkeypatch.setattr(resealing, "_some", broken_off)
        with pytest.raises(RuntimeError):
            resealing.reseal(after)
        assert found(after, NUMBER, SECOND) == [NUMBER, SECOND]
        resealing.reseal(after)
        assert soundness.opens(after).value == 0
        assert found(after, NUMBER, SECOND) == [NUMBER, SECOND]


def test_nothing_is_sent_to_an_address_that_no_key_opens() -> None:
    """It is tried again, and the contact stays as it is: the key may be brought back."""

    class Provider:
        def send(self, text: OutgoingText) -> str:
            raise AssertionError(text.to)

    text = OutgoingText(uuid.uuid4(), UNOPENED, "How are you today?", "Fernmoor")
    result = sending._call(cast(Any, None), text, cast(Transport, Provider()))
    assert (result.permanent, result.ref) == (None, None)
    assert "cannot be opened" in str(result.temporary)
