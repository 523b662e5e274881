"""What patients, caregivers, staff and the provider may do to the household of model.py, at any time."""

from __future__ import annotations

import uuid
from datetime import date, datetime, timedelta
from itertools import count

from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, precondition, rule
from sqlalchemy import Engine, select, update

from service.care import contacts, pauses
from service.domain.diary import Answers, NewCheckin
from service.domain.readings import NewReading
from service.domain.vocabulary import (
    PAUSES_ENTERED,
    ActorKind,
    CaregiverAnswer,
    ConsentKind,
    ContactState,
    MessageKind,
    PauseCause,
    SafetySign,
)
from service.enrolling import people, plans
from service.intake.caregivers import record_caregiver_reply
from service.intake.checkins import record_checkin
from service.intake.readings import record_reading
from service.store import tables
from service.store.audit import OPERATOR, Act, Actor
from service.store.session import read_session, write_session
from tests.crash.household import ASHA_PHONES, BEN_PHONE, CATO_PHONE, Household
from tests.crash.picture import BEGINNINGS, DAY, PLANS, Pause, Person, Plan
from tests.crash.provider import Mood

A_MINUTE, AN_HOUR = timedelta(minutes=1), timedelta(hours=1)
WHO = st.sampled_from([0, 0, 1])
DOWN = st.sampled_from([0 * AN_HOUR, 0 * AN_HOUR, 5 * AN_HOUR, 13 * AN_HOUR])  # no worker there before
MOSTLY = st.sampled_from([True, True, False])


class Happenings(RuleBasedStateMachine):
    """Each rule does something through the service, and changes the picture of it."""

    engine: Engine
    home: Household
    numbers: count[int]  # no two readings of one instant

    @initialize(zone=st.sampled_from(sorted(BEGINNINGS)), forward=st.booleans(), plan=st.sampled_from(PLANS))
    def begins(self, zone: str, forward: bool, plan: Plan) -> None:
        self.home = Household(self.engine, BEGINNINGS[zone][forward], zone, plan)

    # --- the provider -----------------------------------------------------------------

    @rule(moods=st.lists(st.sampled_from(list(Mood)), min_size=1, max_size=4))
    def provider_turns(self, moods: list[Mood]) -> None:
        """For the next messages, to whomever they go."""
        self.home.provider.moods = list(moods)

    @rule(all_again=st.booleans(), mended=st.booleans())
    def receipts_come(self, all_again: bool, mended: bool) -> None:
        """And staff may find that broken contacts work."""
        self.home.provider.lets_late_receipts_come()
        if all_again:
            self.home.provider.repeats_receipts()
        if mended:
            with write_session(self.engine) as session:
                session.execute(update(tables.Contact).values(state=ContactState.OK))

    # --- what people and machines send ---------------------------------------------------

    @rule(who=WHO, ago=st.sampled_from([A_MINUTE, A_MINUTE, 3 * AN_HOUR, 12 * AN_HOUR, DAY, 2 * DAY, 6 * DAY]))
    def reading_arrives(self, who: int, ago: timedelta) -> None:
        self._reads(self.home.people[who], self.home.now - ago)

    @precondition(lambda self: any(person.readings for person in self.home.people))
    @rule(data=st.data(), days=st.sampled_from([0, 1, 1, 3]))
    def reading_is_corrected(self, data: st.DataObject, days: int) -> None:
        """It was of another day."""
        person = data.draw(st.sampled_from([person for person in self.home.people if person.readings]))
        wrong = data.draw(st.sampled_from(list(person.readings)))
        self._reads(person, self.home.now - days * DAY, wrong)

    @rule(who=WHO, days=st.sampled_from([0, 0, 0, 1, 3]), breathless=st.integers(0, 10), safety=st.booleans())
    def checkin_arrives(self, who: int, days: int, breathless: int, safety: bool) -> None:
        """A second one of a date corrects the first."""
        person, now = self.home.people[who], self.home.now
        day = person.day(now) - days * DAY
        signs = (SafetySign.CHEST_PAIN,) if safety else ()
        new = NewCheckin(person.id, Answers(breathlessness=breathless, safety_signs=signs), day)
        with write_session(self.engine) as session:
            record_checkin(Act(session, Actor(ActorKind.PATIENT, person.id), person.clinic_id, now), new)
        person.checkins.add(day)

    @rule(answer=st.sampled_from(list(CaregiverAnswer)))
    def caregiver_answers(self, answer: CaregiverAnswer) -> None:
        """About the day of the newest nudge, whether or not it has left."""
        asha = self.home.people[0]
        with read_session(self.engine) as session:
            row = session.execute(
                select(tables.Window.id, tables.Window.local_date)
                .join(tables.Message, tables.Message.window_id == tables.Window.id)
                .where(tables.Message.kind == MessageKind.NUDGE)
                .order_by(tables.Message.created_at.desc())
                .limit(1)
            ).first()
        if row is None or asha.caregiver_id is None:
            return
        actor = Actor(ActorKind.CAREGIVER, asha.caregiver_id)
        with write_session(self.engine) as session:
            record_caregiver_reply(
                Act(session, actor, asha.clinic_id, self.home.now), asha.caregiver_id, row.id, answer, None, ""
            )
        asha.is_told(row.id, row.local_date, answer, self.home.now)

    @rule(
        phone=st.sampled_from([*ASHA_PHONES, CATO_PHONE, BEN_PHONE]),
        body=st.sampled_from(["STOP", "START", "START", "HELP"]),
    )
    def texts(self, phone: str, body: str) -> None:
        self.home.provider.text(phone, body)

    # --- what staff do -----------------------------------------------------------------------

    @rule(what=st.sampled_from(["asha", "asha", "cato", "ben", "ben allowed"]), given=MOSTLY)
    def consent_changes(self, what: str, given: bool) -> None:
        """A patient's own, a caregiver's own, or what the patient allows the caregiver to be told."""
        home = self.home
        person = home.people[what == "cato"]
        kind = ConsentKind.CAREGIVER if what == "ben allowed" else ConsentKind.MESSAGES
        with write_session(self.engine) as session:
            patient = session.get_one(tables.Patient, person.id)
            ben = session.get(tables.Caregiver, person.caregiver_id) if what.startswith("ben") else None
            contacts.record_consent(
                Act(session, OPERATOR, patient.clinic_id, home.now), patient, kind, given, "told", caregiver=ben
            )
        if what == "ben":
            home.ben_agreed = given
        elif what == "ben allowed":
            home.ben_allowed = given
        else:
            person.agreed = given

    @rule(
        who=WHO,
        begins=st.integers(-3, 1),
        lasts=st.sampled_from([0, 0, 1, 4, None]),
        cause=st.sampled_from(PAUSES_ENTERED),
    )
    def pause_begins(self, who: int, begins: int, lasts: int | None, cause: PauseCause) -> None:
        person = self.home.people[who]
        first = person.day(self.home.now) + begins * DAY
        last = None if lasts is None else first + lasts * DAY
        with write_session(self.engine) as session:
            patient = session.get_one(tables.Patient, person.id)
            held = pauses.add_pause(
                Act(session, OPERATOR, patient.clinic_id, self.home.now), patient, cause, first, last, ""
            )
        person.pauses.append(Pause(first, last or date.max, cause, self.home.now, held.id))

    @precondition(lambda self: any(pause.id for person in self.home.people for pause in person.pauses))
    @rule(data=st.data(), after=st.integers(-2, 1))
    def pause_ends(self, data: st.DataObject, after: int) -> None:
        person = data.draw(st.sampled_from([one for one in self.home.people if any(p.id for p in one.pauses)]))
        pause = data.draw(st.sampled_from([pause for pause in person.pauses if pause.id]))
        last = person.day(self.home.now) + after * DAY
        with write_session(self.engine) as session:
            held = session.get_one(tables.Pause, pause.id)
            pauses.end_pause(Act(session, OPERATOR, held.clinic_id, self.home.now), held, last)
        if last < pause.first:
            person.pauses.remove(pause)
        else:
            pause.last = last

    @rule(who=WHO, zone=st.sampled_from([*BEGINNINGS, "America/New_York", "Asia/Kolkata"]), down=DOWN)
    def patient_moves(self, who: int, zone: str, down: timedelta) -> None:
        self._goes_on(down)
        person = self.home.people[who]
        with write_session(self.engine) as session:
            patient = session.get_one(tables.Patient, person.id)
            people.change_patient(Act(session, OPERATOR, patient.clinic_id, self.home.now), patient, {"zone": zone})
        person.plans_anew(self.home.now, zone=zone)

    @rule(who=WHO, plan=st.sampled_from(PLANS), down=DOWN)
    def plan_changes(self, who: int, plan: Plan, down: timedelta) -> None:
        self._goes_on(down)
        person = self.home.people[who]
        with write_session(self.engine) as session:
            patient = session.get_one(tables.Patient, person.id)
            plans.set_plan(
                Act(session, OPERATOR, patient.clinic_id, self.home.now),
                patient,
                plans.NewPlan(**vars(plan), opens_again=plan.opens),
            )
        person.plans_anew(self.home.now, plan=plan)

    # --- helpers ---

    def _goes_on(self, by: timedelta) -> None:
        self.home.clock.advance(by)
        self.home.latest = max(self.home.latest, self.home.now)

    def _reads(self, person: Person, taken_at: datetime, wrong: uuid.UUID | None = None) -> None:
        taken_at += timedelta(milliseconds=next(self.numbers))
        new = NewReading(person.id, taken_at, 40.0, 18.0, supersedes=wrong)
        with write_session(self.engine) as session:
            done = record_reading(Act(session, Actor(ActorKind.KEY), person.clinic_id, self.home.now), new)
        if wrong is not None:
            del person.readings[wrong]
        person.readings[done.id] = person.day(taken_at)
