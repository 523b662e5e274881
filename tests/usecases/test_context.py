"""Goals and tags as staff enter them: on record, audited, judged from their dates on however late they come.

No outside source: these are the service's own promises.
"""

from __future__ import annotations

import random
import uuid
from datetime import date, timedelta

import pytest
from sqlalchemy import Engine, select

from service.care import entries
from service.domain.signals.facts import Picture
from service.domain.validation import Refused
from service.domain.vocabulary import ActorKind, ContextKind, Lane, ResultKind
from service.enrolling import baselines, contexts
from service.intake.results import record_result
from service.reviewing import refreshing
from service.reviewing.panel import PanelEntry, build_panel
from service.reviewing.patient import build_patient, timeline_of
from service.store import panel
from service.store.audit import Act, Actor
from service.store.session import read_session, write_session
from service.store.tables import AuditLine, GoalRow, PanelRow, Patient, ResultRow
from tests import inwords
from tests.carried import made_again
from tests.copies import made_once
from tests.inwords import ENGLISH
from tests.ward import NOW
from tests.ward import open_ward as opened

pytestmark = pytest.mark.databases("sqlite")

TODAY = NOW.date()


class Followed:
    """A patient near 18, whose last twelve days are near `then`; with the rows that the worker makes."""

    def __init__(self, engine: Engine, then: float = 24.0) -> None:
        self.engine = engine

        def followed() -> tuple[uuid.UUID, uuid.UUID, uuid.UUID]:
            noise = random.Random(4)
            with write_session(engine) as session:
                ward = opened(session)
                levels = [18.0] * 70 + [then] * 12
                pressures = [round(one + noise.gauss(0, 0.8), 1) for one in levels]
                patient = ward.patient("Asha", pressures=pressures, upper=40.0)
                ward.reference(patient, 18.0)
                panel.begin(session, ward.clinic.id, patient.id, NOW)
                ids = ward.clinic.id, patient.id, ward.nurse.id
            refreshing.refresh(engine, NOW)
            return ids

        self.clinic_id, self.patient_id, nurse = made_once(engine, ("followed", then), followed)
        self.actor = Actor(ActorKind.STAFF, nurse)

    def does(self, what, *given: object, **more: object) -> None:  # type: ignore[no-untyped-def]
        with write_session(self.engine) as session:
            act = Act(session, self.actor, self.clinic_id, NOW)
            what(act, session.get_one(Patient, self.patient_id), *given, **more)

    def seen(self) -> PanelEntry:
        refreshing.refresh(self.engine, NOW)
        with read_session(self.engine) as session:
            assert refreshing.differing(session, self.clinic_id, NOW) == []
            (entry,) = build_panel(session, self.clinic_id, NOW).entries
        assert made_again(self.engine, self.clinic_id, NOW) == []
        return entry


def ago(days: int) -> date:
    return TODAY - timedelta(days=days)


def test_travel_entered_late_is_judged_from_its_dates_on(engine: Engine):
    followed = Followed(engine)
    risen = followed.seen().summary.trend.picture
    assert risen is not None
    assert risen.pressure.rising or risen.pressure.jump
    followed.does(contexts.record, ContextKind.TRAVEL, ago(12))
    with read_session(engine) as session:
        assert session.scalars(select(PanelRow.changed_from)).one() == ago(12)
    entry = followed.seen()
    assert entry.summary.trend.picture is not None
    assert entry.summary.trend.picture.picture is Picture.TRAVELLING
    assert entry.lane is Lane.LOOK_CLOSELY
    assert "noted: travel or altitude since 13 November" in inwords.why(entry)


def test_a_recalibration_brings_readings_and_reference_to_the_new_scale(engine: Engine):
    followed = Followed(engine, then=24.0)
    followed.does(contexts.record, ContextKind.RECALIBRATED, ago(11), offset_mmhg=6.0)
    pressure = followed.seen().summary.trend.pressure
    assert pressure.broken is None
    assert pressure.jump is None
    assert pressure.level == pytest.approx(24.0, abs=2.0)
    assert pressure.reference is not None
    assert pressure.reference.value == pytest.approx(24.0)


def test_a_tag_taken_back_counts_for_nothing_and_stays_on_record(engine: Engine):
    followed = Followed(engine)
    before = followed.seen().summary.trend.picture
    with write_session(engine) as session:
        act = Act(session, followed.actor, followed.clinic_id, NOW)
        tag = contexts.record(act, session.get_one(Patient, followed.patient_id), ContextKind.TRAVEL, ago(12))
        contexts.end(act, tag, ago(13))
        with pytest.raises(Refused):
            contexts.end(act, tag, ago(1))
    assert followed.seen().summary.trend.picture == before
    with read_session(engine) as session:
        actions = set(session.scalars(select(AuditLine.action)))
    assert {"context.record", "context.end"} <= actions


def test_a_rhythm_in_the_record_that_is_not_sinus_rhythm_is_a_tag_from_its_day_until_it_is_taken_back(engine: Engine):
    followed = Followed(engine)
    followed.does(record_result, kind=ResultKind.RHYTHM, value="paced", taken_at=NOW - timedelta(days=2))
    assert "noted: paced or irregular rhythm since 23 November" in inwords.why(followed.seen())
    with write_session(engine) as session:
        act = Act(session, followed.actor, followed.clinic_id, NOW)
        entries.withdraw(
            act, session.get_one(Patient, followed.patient_id), session.scalars(select(ResultRow)).one(), "no"
        )
    assert "paced" not in inwords.why(followed.seen())


def test_tags_and_goals_are_drawn_on_the_axis(engine: Engine):
    followed = Followed(engine)
    followed.does(contexts.record, ContextKind.INFECTION, ago(5), ago(3))
    followed.does(contexts.record, ContextKind.RECALIBRATED, ago(11), offset_mmhg=-1.5)
    followed.does(baselines.set_goal, 12.0, 20.0, "dry at 17", TODAY + timedelta(days=90))
    with read_session(engine) as session:
        drawn = timeline_of(build_patient(session, followed.clinic_id, followed.patient_id, NOW), ENGLISH)
    told = [(mark.first, mark.last, mark.label) for mark in drawn.marks if mark.row == "context"]
    assert told == [
        (ago(11), ago(11), "sensor recalibrated: reads −1.5 mmHg"),
        (ago(5), ago(3), "infection"),
    ]
    assert (drawn.goal_lower, drawn.goal_upper) == (12.0, 20.0)


def test_the_newest_goal_counts_until_it_is_ended(engine: Engine):
    followed = Followed(engine, then=18.0)
    assert "no goal" not in inwords.why(followed.seen())  # a limit was typed in
    followed.does(baselines.set_goal, None, 20.0, "first", TODAY + timedelta(days=90))
    with write_session(engine) as session:
        act = Act(session, followed.actor, followed.clinic_id, NOW + timedelta(minutes=1))
        patient = session.get_one(Patient, followed.patient_id)
        baselines.set_goal(act, patient, 10.0, 22.0, "second", TODAY + timedelta(days=30))
    goal = followed.seen().summary.trend.pressure.goal
    assert goal is not None
    assert (goal.lower, goal.upper, goal.from_day) == (10.0, 22.0, TODAY)
    with write_session(engine) as session:
        newest = session.scalars(select(GoalRow).where(GoalRow.why == "second")).one()
        act = Act(session, followed.actor, followed.clinic_id, NOW)
        baselines.end_goal(act, newest)
        with pytest.raises(Refused):
            baselines.end_goal(act, newest)
    assert followed.seen().summary.trend.pressure.goal is None


@pytest.mark.parametrize(
    ("kind", "given", "field"),
    [
        (ContextKind.TRAVEL, {"from_date": TODAY + timedelta(days=1)}, "from_date"),
        (ContextKind.TRAVEL, {"from_date": TODAY, "to_date": ago(1)}, "to_date"),
        (ContextKind.TRAVEL, {"from_date": TODAY, "offset_mmhg": 2.0}, "offset_mmhg"),
        (ContextKind.RECALIBRATED, {"from_date": TODAY}, "offset_mmhg"),
        (ContextKind.RECALIBRATED, {"from_date": TODAY, "offset_mmhg": 60.0}, "offset_mmhg"),
        (ContextKind.RECALIBRATED, {"from_date": ago(3), "to_date": TODAY, "offset_mmhg": 2.0}, "to_date"),
    ],
)
def test_a_tag_that_cannot_be_is_refused_by_field(
    engine: Engine, kind: ContextKind, given: dict[str, object], field: str
):
    with pytest.raises(Refused) as refusal:
        Followed(engine).does(contexts.record, kind, **given)
    assert refusal.value.field == field


@pytest.mark.parametrize(
    ("lower", "upper", "why", "until", "field"),
    [
        (None, None, "why", TODAY, "upper"),
        (20.0, 18.0, "why", TODAY, "lower"),
        (10.0, 18.0, "why", ago(1), "until"),
        (10.0, 18.0, "", TODAY, "why"),
        (10.0, 180.0, "why", TODAY, "upper"),
    ],
)
def test_a_goal_that_cannot_be_is_refused_by_field(
    engine: Engine, lower: float | None, upper: float | None, why: str, until: date, field: str
):
    with pytest.raises(Refused) as refusal:
        Followed(engine).does(baselines.set_goal, lower, upper, why, until)
    assert refusal.value.field == field
