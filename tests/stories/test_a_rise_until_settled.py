"""The story the service is for: a rise seen early, a call, an adjustment, and the numbers back where they were.

Six weeks of one patient, reviewed each Wednesday. Invented person; the size of the rise is of the
published order (estimated PA diastolic 17→22 mmHg before an event, Zile 2008, Circulation 118:1433–41).
"""

from __future__ import annotations

import random
from datetime import date, timedelta

from sqlalchemy import Engine, select

from service.domain import seals
from service.domain.vocabulary import AdjustmentKind, Lane, Outcome, Response, SignalKind, WindowState
from service.reviewing import adjusting, measuring, refreshing, signing
from service.reviewing.adjusting import NewAdjustment
from service.reviewing.panel import PanelEntry, build_panel
from service.reviewing.patient import build_patient
from service.store import panel
from service.store.session import read_session, write_session
from service.store.tables import Clinic, Patient, Signal, SignOff, Staff
from tests import inwords
from tests.builder import acting
from tests.carried import made_again
from tests.ward import NOW, Ward, open_ward

START = NOW - timedelta(days=42)  # a Wednesday


class Weeks:
    """A clinic that lets the days go by, the worker keeping its rows fresh."""

    def __init__(self, engine: Engine) -> None:
        self.engine = engine
        self.now = START
        self.noise = random.Random(11)
        with write_session(engine) as session:
            ward = open_ward(session, now=START)
            quiet = [round(18.0 + self.noise.gauss(0, 0.9), 1) for _ in range(60)]
            patient = ward.patient("Asha", pressures=quiet, reference=18.0, upper=26.0, breathlessness=[1] * 20)
            panel.begin(session, ward.clinic.id, patient.id, START)
            self.clinic_id, self.patient_id, self.nurse_id = ward.clinic.id, patient.id, ward.nurse.id
        refreshing.refresh(engine, self.now)

    def live(self, *pressures: float) -> None:
        """A day passes with each reading and a diary that says all is as usual."""
        for value in pressures:
            self.now += timedelta(days=1)
            with write_session(self.engine) as session:
                ward = self._ward(session)
                patient = session.get_one(Patient, self.patient_id)
                ward.window(patient, ward.today(patient), WindowState.ANSWERED)
                ward.reading(patient, ward.today(patient), round(value + self.noise.gauss(0, 0.5), 1))
                ward.checkin(patient, ward.today(patient), {"breathlessness": 1, "weight_kg": 80.0})
                panel.mark_stale(session, [self.patient_id], self.now)
            refreshing.refresh(self.engine, self.now)

    def seen(self) -> PanelEntry:
        with read_session(self.engine) as session:
            (entry,) = build_panel(session, self.clinic_id, self.now).entries
        assert made_again(self.engine, self.clinic_id, self.now) == []
        return entry

    def signs(self, outcome: Outcome, note: str = "") -> None:
        with write_session(self.engine) as session:
            act = acting(session, session.get_one(Staff, self.nurse_id), self.now)
            signing.sign(act, self.patient_id, outcome, note, None)
        refreshing.refresh(self.engine, self.now)

    def adjusts(self, what: str) -> None:
        with write_session(self.engine) as session:
            again = self.now.date() + timedelta(days=10)
            new = NewAdjustment(AdjustmentKind.MEDICINE, what, self.now.date(), again, "Chemistry")
            act = acting(session, session.get_one(Staff, self.nurse_id), self.now)
            adjusting.record_adjustment(act, self.patient_id, new)
        refreshing.refresh(self.engine, self.now)

    def _ward(self, session) -> Ward:
        clinic = session.get_one(Clinic, self.clinic_id)
        return Ward(session, clinic, session.get_one(Staff, self.nurse_id), self.now)


def test_a_rise_is_seen_while_the_patient_is_well_called_adjusted_and_followed_until_settled(engine):
    weeks = Weeks(engine)

    # Week 0: nothing to tell.
    assert weeks.seen().lane is Lane.SETTLED
    weeks.signs(Outcome.NO_CHANGE)

    # Two weeks in which the pressure climbs and the diary says nothing.
    weeks.live(*[18.0 + 0.45 * day for day in range(1, 15)])
    risen = weeks.seen()
    assert risen.lane in {Lane.CALL_TODAY, Lane.LOOK_CLOSELY}
    assert inwords.why(risen).startswith("Pressure up, diary unchanged")
    assert "as usual on" in inwords.diary_week(risen.summary.trend.picture)
    with read_session(engine) as session:
        signal = session.scalars(select(Signal).where(Signal.kind == SignalKind.RISING)).first()
        assert signal is not None
        assert signal.raised_on > START.date() - timedelta(days=1)
        assert signal.seen_at is None

    # The call and the adjustment, and a signature that keeps what was seen.
    weeks.adjusts("Evening water tablet added")
    weeks.signs(Outcome.ADJUSTED, "Rang her. Will weigh daily.")
    with read_session(engine) as session:
        signed = session.scalars(select(SignOff).order_by(SignOff.week.desc())).first()
        assert signed is not None
        frozen = seals.fingerprint(signed.frozen)
        assert signed.frozen["why"] == inwords.why(weeks.seen())
        assert all(row.seen_by == weeks.nurse_id for row in session.scalars(select(Signal)))

    # It turns; the follow-up is still ahead.
    weeks.live(*[24.3 - 0.6 * day for day in range(1, 8)])
    turning = weeks.seen()
    assert turning.adjustment is not None
    assert inwords.response(turning.adjustment.response)
    assert not any("Chemistry" in sentence for sentence in inwords.reasons(turning))

    # Then back at the reference; the follow-up comes due and is done.
    weeks.live(*[max(18.0, 20.1 - 0.4 * day) for day in range(1, 8)])
    due = weeks.seen()
    assert due.adjustment is not None
    assert due.adjustment.response_word in {Response.SETTLING, Response.SETTLED}
    assert any("Chemistry after the change" in sentence for sentence in inwords.reasons(due))
    with write_session(engine) as session:
        made = build_patient(session, weeks.clinic_id, weeks.patient_id, weeks.now).adjustments[0]
        adjusting.follow_up_done(acting(session, session.get_one(Staff, weeks.nurse_id), weeks.now), made.id)
    weeks.signs(Outcome.NO_CHANGE)
    weeks.live(*[18.0] * 14)
    back = weeks.seen()
    assert back.adjustment is not None
    assert back.adjustment.response_word is Response.SETTLED
    assert back.lane is Lane.SETTLED

    # Through all of it, what was signed at the height of the rise is what it was.
    with read_session(engine) as session:
        kept = session.get_one(SignOff, signed.id)
        assert seals.fingerprint(kept.frozen) == frozen == kept.frozen_hash
        assert refreshing.differing(session, weeks.clinic_id, weeks.now) == []
        told = measuring.measure(session, weeks.clinic_id, weeks.now, weeks=8)
    assert told.lately.to_settled.known == 1
    assert told.lately.first_contact.median_days is not None
    assert told.lately.first_contact.median_days <= 14
    assert isinstance(signal.raised_on, date)
