"""A level that has been high for weeks is looked at until a clinician accepts it; anything new, or the date, ends that.

No outside source: these are the service's own promises.
"""

from __future__ import annotations

import random
from datetime import timedelta

import pytest
from sqlalchemy import Engine, select

from service.domain.signals.facts import Picture
from service.domain.validation import Refused
from service.domain.vocabulary import Lane, SignalKind
from service.reviewing import accepting, refreshing
from service.reviewing.panel import PanelEntry, build_panel
from service.store import panel
from service.store.session import read_session, write_session
from service.store.tables import Acceptance, AuditLine, Patient, Signal
from tests import inwords
from tests.builder import acting
from tests.ward import NOW, ward_of
from tests.ward import open_ward as opened

REASON = "Mitral regurgitation, seen in clinic"


class High:
    """A patient near 23 for three months, whose reference is 18, with the rows and signals the worker makes."""

    def __init__(self, engine: Engine, then: tuple[float, ...] = ()) -> None:
        self.engine = engine
        noise = random.Random(4)
        with write_session(engine) as session:
            ward = opened(session)
            levels = [18.0] * 30 + [18.0 + 5 * min(day / 14, 1) for day in range(110)]
            pressures = [round(level + noise.gauss(0, 0.8), 1) for level in levels]
            patient = ward.patient(
                "Asha", pressures=[*pressures, *then], breathlessness=[1] * 60, reference=18.0, upper=35.0
            )
            panel.begin(session, ward.clinic.id, patient.id, NOW)
            self.clinic_id, self.patient_id, self.nurse = ward.clinic.id, patient.id, ward.nurse
            session.expunge(ward.nurse)
        refreshing.refresh(engine, NOW)

    def accepts(self, days: int = 60, reason: str = REASON) -> None:
        with write_session(self.engine) as session:
            patient = session.get_one(Patient, self.patient_id)
            accepting.accept(acting(session, self.nurse, NOW), patient, reason, NOW.date() + timedelta(days=days))

    def seen(self) -> PanelEntry:
        with read_session(self.engine) as session:
            (entry,) = build_panel(session, self.clinic_id, NOW).entries
        return entry


def test_a_high_level_is_looked_at_and_once_accepted_it_is_settled_with_the_reason(engine: Engine):
    high = High(engine)
    before = high.seen()
    assert (before.lane, before.summary.trend.picture.picture) == (Lane.LOOK_CLOSELY, Picture.HIGH_STEADY)  # type: ignore[union-attr]
    high.accepts()
    after = high.seen()
    assert after.lane is Lane.SETTLED
    assert "High for" in inwords.why(after)
    assert f"Accepted on 25 November by Imogen Vale until 24 January: “{REASON}”" in inwords.why(after)
    with read_session(engine) as session:
        line = session.scalars(select(AuditLine).where(AuditLine.action == "acceptance.set")).one()
        assert REASON not in str(line.detail)


def test_anything_new_breaks_it_for_good_and_silence_does_not(engine: Engine):
    high = High(engine)
    high.accepts()
    with write_session(engine) as session:
        silent = ward_of(session, high.clinic_id).signal(
            session.get_one(Patient, high.patient_id), NOW.date(), NOW.date()
        )
        silent.kind, silent.raised_at = SignalKind.SILENT, NOW + timedelta(minutes=5)
    assert high.seen().accepted is not None
    with write_session(engine) as session:
        new = session.scalars(select(Signal).where(Signal.kind == SignalKind.SILENT)).one()
        new.kind, new.ended_on = SignalKind.WEIGHT_GAIN, NOW.date()
    assert high.seen().accepted is None
    assert high.seen().lane is Lane.LOOK_CLOSELY


def test_its_date_ends_it_and_it_can_be_taken_back(engine: Engine):
    high = High(engine)
    high.accepts(days=0)
    assert high.seen().accepted is not None
    with read_session(engine) as session:
        (tomorrow,) = build_panel(session, high.clinic_id, NOW + timedelta(days=1)).entries
    assert tomorrow.accepted is None
    with write_session(engine) as session:
        accepted = session.scalars(select(Acceptance)).one()
        assert accepting.take_back(acting(session, high.nurse, NOW), accepted)
        assert not accepting.take_back(acting(session, high.nurse, NOW), accepted)
    assert high.seen().lane is Lane.LOOK_CLOSELY


def test_what_is_not_high_cannot_be_accepted_and_a_reason_and_a_date_are_needed(engine: Engine):
    high = High(engine)
    for days, reason, field in ((-1, REASON, "until"), (400, REASON, "until"), (10, "  ", "reason")):
        with pytest.raises(Refused) as refusal:
            high.accepts(days, reason)
        assert refusal.value.field == field
    with write_session(engine) as session:
        session.scalars(select(Signal).where(Signal.kind == SignalKind.HIGH_STEADY)).one().ended_on = NOW.date()
    with pytest.raises(Refused) as refusal:
        high.accepts()
    assert refusal.value.field == "patient"
