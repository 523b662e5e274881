"""What is sealed cannot be changed unseen: not a field, not a seal, not by whoever may write every row."""

from __future__ import annotations

import hashlib
import json
import uuid
from datetime import UTC, date, datetime, timedelta
from enum import Enum
from typing import Any

import pytest
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.hmac import HMAC
from sqlalchemy import Engine, delete, literal_column, select, text, update

from service.care import contacts
from service.domain.seals import Seal, Sealer
from service.domain.tasks import Found
from service.domain.vocabulary import AdjustmentKind, ConsentKind, Outcome
from service.health import unaltered
from service.keeping.erasing import FATES
from service.keyring import KeyFor, Keyring
from service.reviewing import adjusting, records, refreshing, signing, withdrawing
from service.reviewing.adjusting import NewAdjustment
from service.reviewing.panel import PanelEntry, build_panel
from service.reviewing.patient import adjustments_of, reviews_of
from service.store import seals
from service.store.session import SEALER, read_session, write_session
from service.store.tables import (
    Adjustment,
    AuditLine,
    Clinic,
    Consent,
    ReviewAddition,
    SignOff,
    SignOffWithdrawal,
    Staff,
)
from service.words.language import load_language
from tests.builder import acting
from tests.ward import NOW, Ward, open_ward, ward_of

STEADY = [18.0, 18.5, None, 18.2, 17.8] * 8
RING = Keyring("neither this nor any other secret 0123456789")
AFTER = Keyring("the one that came after it, 9876543210 abcdef", (RING.present,))
OTHER = Keyring("one that never sealed a thing here, 13579 xyz")


def by(engine: Engine, keys: Keyring) -> Engine:
    return engine.execution_options(**{SEALER: keys.sealer()})


def entry_of(ward: Ward, who: uuid.UUID) -> PanelEntry:
    panel = build_panel(ward.session, ward.clinic.id, ward.now)
    return next(entry for entry in panel.entries if entry.patient_id == who)


def three_rows(engine: Engine) -> tuple[uuid.UUID, Any, list[tuple[Any, uuid.UUID]]]:
    """One signed and added to, one taken back."""
    with write_session(engine) as session:
        ward = open_ward(session)
        asha, ben = (ward.patient(name, pressures=STEADY).id for name in ("Asha", "Ben"))
        clinic, nurse = ward.clinic.id, ward.nurse
    refreshing.refresh(engine, NOW)
    with write_session(by(engine, RING)) as session:
        ward = ward_of(session, clinic)
        act = acting(session, nurse, NOW)
        signed = signing.sign(act, asha, Outcome.CALLED, "Rang her: «gut».", date(2026, 12, 1))
        added = signing.add(act, asha, Outcome.CALLED, "Rang again.", entry_of(ward, asha).seen)
        back = withdrawing.take_back(act, signing.sign(act, ben, Outcome.NO_CHANGE, "", None).id)
        return clinic, asha, [(SignOff, signed.id), (ReviewAddition, added.id), (SignOffWithdrawal, back.id)]


def two_rows(engine: Engine) -> tuple[uuid.UUID, list[tuple[Any, uuid.UUID]]]:
    """A consent, and an adjustment with something to look at again."""
    with write_session(by(engine, RING)) as session:
        ward = open_ward(session)
        asha = ward.patient("Asha", pressures=STEADY[:3])
        act = acting(session, ward.nurse, NOW)
        consent = contacts.record_consent(act, asha, ConsentKind.MESSAGES, True, "signed form", on=NOW.date())
        new = NewAdjustment(AdjustmentKind.DIET, "Less salt", NOW.date(), NOW.date(), "Chemistry")
        made = adjusting.record_adjustment(act, asha.id, new)
        return asha.id, [(Consent, consent.id), (Adjustment, made.id)]


def found(engine: Engine, keys: Keyring, table: Any, row_id: uuid.UUID) -> Seal:
    with read_session(by(engine, keys)) as session:
        return seals.judge(session, session.get_one(table, row_id))


# What a change of some other column is found to be: the order in which rows came is the database's own word.
FOUND = {"seal": Seal.UNKNOWN_KEY, "mark": Seal.INTACT}


def test_whatever_is_changed_in_a_sealed_row_is_found(engine):
    _, _, signed = three_rows(engine)
    _, cared_for = two_rows(engine)
    for table, row_id in signed + cared_for:
        assert found(engine, RING, table, row_id) is found(engine, AFTER, table, row_id) is Seal.INTACT
        assert found(engine, OTHER, table, row_id) is found(engine, Keyring("x"), table, row_id) is Seal.UNKNOWN_KEY
        for column in table.__table__.columns:
            with read_session(by(engine, RING)) as session:  # never committed, and foreign keys are not asked
                row = session.get_one(table, row_id)
                was = getattr(row, column.name)
                session.expunge(row)
                setattr(row, column.name, otherwise(was))
                follows = (table, row_id) in cared_for and column.name == "clinic_id"  # its patient, to another clinic
                expected = Seal.INTACT if follows else FOUND.get(column.name, Seal.ALTERED)
                assert seals.judge(session, row) is expected, column.name
                row.seal = ""
                assert seals.judge(session, row) is Seal.UNSEALED
                if column.name == "frozen":  # with the fingerprint made anew, as anybody can
                    setattr(row, column.name, {**was, "why": "All well."})
                    row.frozen_hash = hashlib.sha256(json.dumps(row.frozen).encode()).hexdigest()
                    assert seals.judge(session, row) is not Seal.INTACT


def otherwise(value: Any) -> Any:
    if isinstance(value, datetime):
        return value + timedelta(microseconds=1)
    if isinstance(value, date):
        return value + timedelta(days=1)
    if isinstance(value, Enum):
        return next(one for one in type(value) if one is not value)
    if isinstance(value, bool):
        return not value
    if isinstance(value, dict):
        return {**value, "more": 1}
    kinds = {uuid.UUID: lambda: uuid.uuid4(), int: lambda: value + 1, str: lambda: "x" + value}
    return kinds[type(value)]() if value is not None else NOW


def test_a_seal_is_the_published_code_over_the_fields_as_anybody_would_write_them(engine):
    """HMAC (RFC 2104) with SHA-256, by another library, over JSON written out here."""
    _, _, signed = three_rows(engine)
    table, row_id = signed[2]
    with read_session(by(engine, RING)) as session:
        row = session.get_one(table, row_id)
        text = (
            f'["sign_off_withdrawals",{{"clinic_id":"{row.clinic_id}","id":"{row.id}","patient_id":"{row.patient_id}",'
            f'"sign_off_id":"{row.sign_off_id}","withdrawn_at":"2026-11-25T15:00:00+00:00",'
            f'"withdrawn_by":"{row.withdrawn_by}"}}]'
        )
        code = HMAC(RING.key(KeyFor.SEALS), SHA256())
        code.update(text.encode())
        assert row.withdrawn_at == datetime(2026, 11, 25, 15, tzinfo=UTC)
        assert row.seal.partition(":")[2] == code.finalize().hex()


def test_an_altered_record_is_shown_with_a_warning_wherever_it_is_read(engine):
    clinic, asha, (signed, added, _) = three_rows(engine)
    english = load_language("en")

    def told() -> list[Any]:
        with read_session(by(engine, RING)) as session:
            week = session.get_one(SignOff, signed[1]).week
            weekly = records.weekly_record(session, clinic, week, english).facts
            (one,) = [who for lane in weekly["lanes"] for who in lane["patients"]]
            (past,) = reviews_of(session, session.get_one(Clinic, clinic), asha)
            row = entry_of(ward_of(session, clinic), asha).signed
            assert row is not None
            seal_line = dict(weekly["facts"])["Seals"]
            return [
                past.seal, past.additions[0].seal, row.seal, row.additions[0].seal,
                one["seal"].partition(":")[0], one["additions"][0]["seal"].partition(":")[0], seal_line.partition(" c")[0],
            ]  # fmt: skip

    assert told() == [Seal.INTACT] * 4 + ["Seal checked"] * 2 + ["2 of 2"]
    with write_session(engine) as session:
        session.execute(update(SignOff).where(SignOff.id == signed[1]).values(note="All well."))
        session.execute(update(ReviewAddition).where(ReviewAddition.id == added[1]).values(seal=""))
    assert told() == [
        Seal.ALTERED, Seal.UNSEALED, Seal.ALTERED, Seal.UNSEALED, "Altered", "Without a seal", "0 of 2",
    ]  # fmt: skip


def test_what_is_noted_later_is_sealed_with_the_rest_and_makes_good_nothing_that_was_altered(engine, tmp_path):
    asha, ((_, consent), (_, made)) = two_rows(engine)

    def told() -> list[str]:
        return [one.sentence for one in unaltered.look(by(engine, RING), tmp_path)]

    with write_session(by(engine, RING)) as session:
        nurse = session.scalars(select(Staff)).first()
        act = acting(session, nurse, NOW)
        assert adjusting.follow_up_done(act, made)
        assert not adjusting.follow_up_done(act, made)
        newer = adjusting.record_adjustment(
            act, asha, NewAdjustment(AdjustmentKind.DIET, "Salt", None), corrects=made
        ).id
        with pytest.raises(LookupError, match="no current adjustment"):
            adjusting.record_adjustment(act, asha, NewAdjustment(AdjustmentKind.DIET, "Salt", None), corrects=made)
        seals.change(act, session.get_one(Consent, consent), FATES["consents"].blank)  # as erasing does
        seals.change(act, session.get_one(Adjustment, made), FATES["adjustments"].blank)
    assert told() == []
    with write_session(engine) as session:
        session.execute(update(Adjustment).where(Adjustment.id == newer).values(what="Nothing."))
        session.execute(update(Consent).where(Consent.id == consent).values(given=False))
    with read_session(by(engine, RING)) as session:
        assert [one.seal for one in adjustments_of(session, nurse.clinic_id, asha)] == [Seal.ALTERED]
    with write_session(by(engine, RING)) as session:
        act = acting(session, session.get_one(Staff, nurse.id), NOW)
        adjusting.record_adjustment(act, asha, NewAdjustment(AdjustmentKind.DIET, "Salt", None), corrects=newer)
    assert told() == [f"consent {consent} is altered", f"adjustment {newer} is altered"]
    with write_session(engine) as session:
        session.execute(delete(Consent).where(Consent.id == consent))
        line = session.scalar(select(AuditLine.id).where(AuditLine.subject_id == consent))
    assert f"what line {line} (consent.give) tells of is gone: {consent}" in told()


def test_a_text_that_the_service_erased_is_told_as_erased_and_an_altered_one_still_as_altered(engine):
    clinic, _, ((table, row_id), (other, other_id), _) = three_rows(engine)
    with write_session(engine) as session:
        session.execute(update(other).where(other.id == other_id).values(note="All well."))
    with write_session(by(engine, RING)) as session:
        for kind, which in ((table, row_id), (other, other_id)):
            row = session.get_one(kind, which)
            seals.erase(
                acting(session, ward_of(session, clinic).nurse, NOW),
                row,
                {**row.frozen, "name": "", "why": "", "by": ""},
                "",
            )
    assert found(engine, RING, table, row_id) is Seal.ERASED
    assert found(engine, RING, other, other_id) is Seal.ALTERED
    assert Sealer().judge("", []) is Seal.UNSEALED


def test_a_signed_row_that_nobody_can_read_is_named_and_hides_no_other(engine, tmp_path):
    clinic, _, ((_, signed), (_, added), (_, back)) = three_rows(engine)
    with write_session(engine) as session:
        its = update(SignOff).where(SignOff.id == signed)
        session.execute(its.values(outcome=literal_column("'nonsense'")))
        session.execute(text('UPDATE review_additions SET frozen = \'{"why": "\\ud800"}\''))
        session.execute(update(SignOffWithdrawal).values(withdrawn_at=NOW + timedelta(days=1)))
    told = [one.sentence for one in unaltered.look(by(engine, RING), tmp_path) if one.found is Found.RECORD_ALTERED]
    assert told == [
        f"sign_off {signed} is altered", f"review_addition {added} is altered", f"sign_off_withdrawal {back} is altered",
    ]  # fmt: skip
    with read_session(by(engine, RING)) as session:
        assert [one.id for one in signing.check_frozen(session, clinic) if not one.holds] == [signed, added]
