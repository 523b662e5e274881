"""Whatever somebody writes into a signed record, every page opens: the record is told as altered, all others stand.

What is asked of an answer (a page that opens, the warning of a seal that does not hold) is our own rule; no source.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import literal_column, select, update
from sqlalchemy.orm import Session

from service.accounts.keys import issue_key
from service.care import contacts
from service.clock import FixedClock
from service.config import Settings
from service.domain.seals import Seal, fingerprint
from service.domain.vocabulary import AdjustmentKind, ConsentKind, Outcome, Scope
from service.keyring import Keyring
from service.reviewing import adjusting, signing
from service.reviewing.adjusting import NewAdjustment
from service.reviewing.lookback import news_since_review
from service.reviewing.panel import build_panel
from service.reviewing.patient import build_patient, later_values
from service.reviewing.records import patient_record, weekly_record
from service.reviewing.refreshing import refresh
from service.store import seals
from service.store.audit import OPERATOR, Act
from service.store.session import SEALER, read_session, write_session
from service.store.tables import Adjustment, Consent, Patient, ReviewAddition, SignOff
from service.words.language import load_language
from tests.builder import acting
from tests.served import serve
from tests.ward import NOW, ward_of
from tests.web.test_clinic_pages import Clinic, clinic  # noqa: F401 - the fixture

pytestmark = pytest.mark.databases("sqlite")
SECRET = "a secret that only this test knows, 32+ characters"
ENGLISH = load_language("en")
WARNING = "Altered: this is not as it was written. Do not rely on it."


def _mark(act: Act, who: Any) -> str:
    panel = build_panel(act.session, act.clinic_id, NOW)
    return next(entry.seen for entry in panel.entries if entry.patient_id == who)


def _alterations(page: dict[str, Any]) -> list[Any]:
    """What somebody may write in place of a page: a member that is missing, or holds what it cannot."""
    facts = page["facts"]
    return [
        *({name: page[name] for name in page if name != missing} for missing in ("by", "name", "facts", "why")),
        {**page, "lane": "nonsense"}, {**page, "born_on": "long ago"}, {**page, "days": "none"}, {**page, "also": None},
        {**page, "days": [{**page["days"][0], "pa_diastolic": "high"}]}, {**page, "facts": {**facts, "known": {}}},
        {**page, "facts": {**facts, "zone": 1, "patient_id": None}}, {**page, "adjustments": [{}]}, [1],
    ]  # fmt: skip


NO_JSON = {"frozen": literal_column("'{'")}
NO_TEXT = {"frozen": literal_column("""'{"by": "\\ud800"}'""")}
NO_WORD = {"outcome": literal_column("'nonsense'")}
NO_STANDING = {"standing": {"lane": "nonsense"}}


def test_no_altered_record_breaks_a_page_or_is_shown_as_true(clinic: Clinic, tmp_path: Path) -> None:  # noqa: F811
    asha, ben = clinic.ids["Asha"], clinic.ids["Ben"]
    sealing = clinic.engine.execution_options(**{SEALER: Keyring(SECRET).sealer()})
    serve(
        Settings.from_env({"NEAPTIDE_DATA": str(tmp_path), "NEAPTIDE_SECRET_KEY": SECRET}), sealing, FixedClock(NOW), {}
    )
    with write_session(sealing) as session:
        act = acting(session, ward_of(session, clinic.clinic_id).nurse, NOW)
        for who in (asha, ben):
            signed = signing.sign(act, who, Outcome.CALLED, "Rang them.", None, seen=_mark(act, who))
        signed = session.scalars(select(SignOff).where(SignOff.patient_id == asha)).one()
        added = signing.add(act, asha, Outcome.CALLED, "Rang again.", _mark(act, asha))
        rows = [(type(one), one.id, one.frozen, one.standing) for one in (signed, added)]
        week = signed.week
    get = _reader(clinic, week)
    assert get() == dict.fromkeys(get(), (200, False))
    for table, row_id, page, standing in rows:
        made = [{"frozen": one} for one in _alterations(page)]
        for one in (*(made if table is SignOff else made[::4]), NO_JSON, NO_TEXT, NO_WORD, NO_STANDING):
            with write_session(clinic.engine) as session:
                session.execute(update(table).where(table.id == row_id).values(**one))
            if table is SignOff and one in (made[0], NO_WORD):
                pages = get()
                assert {name for name, (status, _) in pages.items() if status != 200} == set(), one
                assert {name for name, (_, warns) in pages.items() if warns} >= {"page"}, one
            with read_session(sealing) as session:
                assert _weekly(session, clinic, week) == (
                    {"Asha": True, "Ben": False},
                    ["Asha Okoro", "Ben Lindqvist"],
                ), one
                told, seen = patient_record(session, clinic.clinic_id, asha, None, NOW, ENGLISH)
                assert any(WARNING in review["head"] for review in told.facts["reviews"]), one
                later_values(session, clinic.clinic_id, asha, seen.reviews, NOW)
                its = seen.reviews[0] if table is SignOff else seen.reviews[0].additions[0]
                assert its.seal is Seal.ALTERED
                if one is NO_STANDING:  # what nobody can read is not taken for having known the reasons of today
                    assert news_since_review(session, seen) == ()  # but the other of the two still does
                else:
                    assert (its.frozen, its.note, its.outcome, its.by) == ({}, "", None, "–"), one
            with write_session(clinic.engine) as session:
                as_it_was = {"frozen": page, "standing": standing, "outcome": Outcome.CALLED}
                session.execute(update(table).where(table.id == row_id).values(**as_it_was))
    with write_session(clinic.engine) as session:
        session.execute(update(SignOff).values(**NO_STANDING))
        session.execute(update(ReviewAddition).values(**NO_STANDING))
        seen = build_patient(session, clinic.clinic_id, asha, NOW)
        assert news_since_review(session, seen) == seen.entry.reasons
        assert seen.entry.since == seen.entry.reasons
    with write_session(sealing) as session:  # where the seal holds it is a fault of ours, which no page may hide
        row = session.get_one(SignOff, rows[0][1])
        row.standing, row.frozen = rows[0][3], _alterations(rows[0][2])[1]
        row.frozen_hash = fingerprint(row.frozen)
        seals.sealed(acting(session, ward_of(session, clinic.clinic_id).nurse, NOW), row)
    clinic.app.testing = False
    with read_session(sealing) as session, pytest.raises(KeyError, match="name"):
        _weekly(session, clinic, week)
    assert clinic.client.get(f"/clinic/records/week/{week}.pdf").status_code == 500
    with write_session(sealing) as session:  # erasing may leave no days, which is no fault
        row = session.get_one(SignOff, rows[0][1])
        seals.erase(acting(session, ward_of(session, clinic.clinic_id).nurse, NOW), row, rows[0][2] | {"days": []}, "")
        seen = build_patient(session, clinic.clinic_id, asha, NOW)
        assert seen.reviews[0].seal is Seal.ERASED
        assert later_values(session, clinic.clinic_id, asha, seen.reviews, NOW) == {row.id: []}


def _weekly(session: Session, clinic: Clinic, week: date) -> tuple[dict[str, bool], list[str]]:  # noqa: F811
    """Who has the warning in the table of everybody, and who stands below it."""
    weekly = weekly_record(session, clinic.clinic_id, week, ENGLISH).facts
    signed = [line for line in weekly["everybody"] if line[4] != "not signed"]
    warned = {line[0].partition(" ")[0]: f". {line[4]}".endswith(f". {WARNING}") for line in signed}
    return warned, sorted(who["name"] for lane in weekly["lanes"] for who in lane["patients"])


def _reader(clinic: Clinic, week: date) -> Callable[[], dict[str, tuple[int, bool]]]:  # noqa: F811
    """Of each page, file and paper, and of the API: its status, and whether it warns."""
    asha = clinic.ids["Asha"]
    with write_session(clinic.engine) as session:
        key = issue_key(Act(session, OPERATOR, clinic.clinic_id, NOW), "review", [Scope.REVIEW])[1]
    paths = {
        "page": clinic.path("Asha"), "panel": "/clinic/review", "joined": clinic.path("Asha", "/joined.csv"),
        "measures": "/clinic/measures", "week": f"/clinic/records/week/{week}.pdf",
        "patient": f"/clinic/records/patient/{asha}.pdf", "api": f"/api/v1/patients/{asha}/sign-offs",
    }  # fmt: skip
    machine = clinic.app.test_client()

    def get() -> dict[str, tuple[int, bool]]:
        found = {}
        for name, path in paths.items():
            headers = {"Authorization": f"Bearer {key}"} if name == "api" else {}
            answer = (machine if name == "api" else clinic.client).get(path, headers=headers)
            found[name] = (answer.status_code, WARNING.encode() in answer.data)
        return found

    return get


def test_a_consent_and_an_adjustment_that_are_altered_are_told_beside_what_they_say(clinic: Clinic) -> None:  # noqa: F811
    asha, path = clinic.ids["Asha"], clinic.path("Asha")
    with write_session(clinic.engine) as session:
        act = acting(session, ward_of(session, clinic.clinic_id).nurse, NOW)
        contacts.record_consent(act, session.get_one(Patient, asha), ConsentKind.MESSAGES, True, "signed form")
        made_on = NOW.date() - timedelta(days=8)
        adjusting.record_adjustment(act, asha, NewAdjustment(AdjustmentKind.DIET, "Less salt", made_on))
        key = issue_key(act, "both", [Scope.REVIEW, Scope.ENROL])[1]
    machine, headers = clinic.app.test_client(), {"Authorization": f"Bearer {key}"}

    def told() -> tuple[Any, ...]:
        consents = machine.get(f"/api/v1/patients/{asha}/consents", headers=headers).get_json()["items"]
        review = machine.get(f"/api/v1/patients/{asha}/review", headers=headers).get_json()
        newest = review["entry"]["adjustment"]
        return consents[0]["seal"], newest["seal"], newest["response"] is None, clinic.get(path).count(WARNING)

    refresh(clinic.engine, NOW)
    assert told() == ("intact", "intact", False, 0)
    with write_session(clinic.engine) as session:
        session.execute(update(Consent).where(Consent.patient_id == asha).values(how="said so"))
        session.execute(update(Adjustment).where(Adjustment.patient_id == asha).values(what="More salt"))
    consent, adjustment, says_nothing_of_what_came_after, warnings = told()
    assert (consent, adjustment, says_nothing_of_what_came_after) == ("altered", "altered", True)
    assert warnings >= 3  # the consent, the newest change beside the pressures, and in the list of changes
