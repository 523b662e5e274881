"""What comes after a signature: one story from signature to addition, and two who add at once."""

from __future__ import annotations

import csv
import io
from dataclasses import replace
from datetime import timedelta

import pytest
from sqlalchemy import delete, select
from sqlalchemy.orm import Session

from service.domain import review
from service.domain import tasks as task_facts
from service.domain.signals.facts import Episode, Picture, PictureFacts
from service.domain.signals.picture import name_of
from service.domain.summary import TrendSummary
from service.domain.validation import Refused
from service.domain.vocabulary import Lane, Outcome, SafetySign, SignalKind, TaskKind, TaskState
from service.health import invariants
from service.health.invariants import Broken
from service.reports import exports, pdf
from service.reviewing import inbox, placing, records, refreshing, signing
from service.reviewing.joining import everybody, joined_days
from service.reviewing.panel import PanelEntry, build_panel, neighbours
from service.reviewing.patient import build_patient
from service.store.session import read_session, write_session
from service.store.tables import AuditLine, Patient, ReviewAddition, SignOff, Staff, Task
from service.words.language import load_language
from service.words.sentences import review as words
from tests import inwords
from tests.builder import acting
from tests.ward import NOW, Ward, at_once, open_ward, ward_of

QUIET = [18.0, 18.4, 17.6, 18.2, 17.8] * 8
ENGLISH = load_language("en")
MONDAY, WEDNESDAY = NOW - timedelta(days=2), NOW


def entry(ward: Ward, patient: Patient) -> PanelEntry:
    return build_patient(ward.session, ward.clinic.id, patient.id, ward.now).entry


def sign(ward: Ward, patient: Patient, **changes: object) -> SignOff:
    new = {"outcome": Outcome.NO_CHANGE, "note": "", "next_look": None, "now": ward.now} | changes
    return signing.sign(acting(ward.session, ward.nurse, new.pop("now")), patient.id, **new)  # type: ignore[arg-type]


def add(ward: Ward, patient: Patient, seen: str, note: str = "", **changes: object) -> ReviewAddition:
    new = {"outcome": Outcome.CALLED, "note": note, "seen": seen, "now": ward.now, "staff": ward.nurse} | changes
    act = acting(ward.session, new.pop("staff"), new.pop("now"))  # type: ignore[arg-type]
    return signing.add(act, patient.id, **new)  # type: ignore[arg-type]


def since(shown: PanelEntry) -> str:
    return words.since(ENGLISH, shown.reviewed_on, shown.since)


def test_chest_pain_two_days_after_the_signature_brings_her_back_until_it_is_added_to(engine):
    with write_session(engine) as session:
        ward = open_ward(session, now=MONDAY)
        asha = ward.patient("Asha", pressures=QUIET, reference=18.0, breathlessness=[1] * 30)
        ben = ward.patient("Ben", pressures=QUIET, reference=18.0, breathlessness=[1] * 30)
        assert entry(ward, asha).lane is Lane.SETTLED
        signed, clinic, asha_id, ben_id = sign(ward, asha), ward.clinic, asha.id, ben.id
        ref = asha.clinic_ref
        sign(ward, ben)
    refreshing.refresh(engine, MONDAY)

    # On Tuesday an ordinary reading and diary: one grey line, and nothing to do.
    with write_session(engine) as session:
        ward = ward_of(session, clinic.id)
        ward.now = WEDNESDAY
        asha = session.get_one(Patient, asha_id)
        for ago in (1, 0):
            ward.reading(asha, ward.today(asha) - timedelta(days=ago), 18.1)
        ward.checkin(asha, ward.today(asha) - timedelta(days=1), {"breathlessness": 1})
        plain = entry(ward, asha)
        assert (plain.to_do, plain.since) == (False, ())
        assert plain.signed is not None
        grey = words.came_since(ENGLISH, plain.signed.stood[-1], plain.summary, plain.lane)
        assert grey == "Since then: last reading 25 November, last diary 24 November."

    # On Wednesday chest pain: a task at once, and the row is back among those to do, above who is done.
    with write_session(engine) as session:
        ward = ward_of(session, clinic.id)
        ward.checkin(session.get_one(Patient, asha_id), WEDNESDAY.date(), {"safety_signs": (SafetySign.CHEST_PAIN,)})
    refreshing.refresh(engine, WEDNESDAY)
    with write_session(engine) as session:
        ward = ward_of(session, clinic.id)
        asha = session.get_one(Patient, asha_id)
        (task,) = session.scalars(select(Task)).all()  # of the sign itself, and no second for entering the lane
        assert task.kind is TaskKind.SAFETY_ANSWER
        panel = build_panel(session, clinic.id, WEDNESDAY)
        assert (panel.signed, panel.to_do, panel.since) == (2, 1, 1)
        shown = panel.entries[0]
        assert (shown.patient_id, shown.lane, shown.to_do) == (asha_id, Lane.CALL_TODAY, True)
        assert since(shown).startswith("Signed 23 November; since then: Check-in of 25 November: chest pain")
        found = neighbours(session, ward.clinic, ben_id, WEDNESDAY).to_do
        assert found is not None
        assert found.name == "Asha"

        # "No change" alone does not answer that; what was seen is frozen with the answer, and she is done.
        with pytest.raises(Refused, match="since the signature"):
            add(ward, asha, shown.seen, outcome=Outcome.NO_CHANGE)
        added = add(ward, asha, shown.seen, "Rang her; the ambulance is on its way.")
        assert (added.sign_off_id, added.number) == (signed.id, 1)
        assert added.frozen["since"][0].startswith("Check-in of 25 November: chest pain")
        assert added.frozen["lane"] == "call_today"
        assert "Rang" not in str(
            session.scalars(select(AuditLine.detail).where(AuditLine.action == "review.add")).one()
        )
        done = entry(ward, asha)
        assert (done.to_do, done.lane) == (False, Lane.CALL_TODAY)
        assert neighbours(session, ward.clinic, ben_id, WEDNESDAY).to_do is None
        # The same page sent twice is one addition.
        assert add(ward, asha, shown.seen, "Rang her; the ambulance is on its way.").id == added.id
        with pytest.raises(signing.LookAgain, match="Imogen Vale"):
            add(ward, asha, shown.seen, staff=ward.staff("Rowan Pell"))
    refreshing.refresh(engine, WEDNESDAY)
    with write_session(engine) as session:
        ward = ward_of(session, clinic.id)
        asha = session.get_one(Patient, asha_id)
        assert neighbours(session, ward.clinic, ben_id, WEDNESDAY).to_do is None
        inbox.close(acting(session, ward.nurse, WEDNESDAY), task.id, "In hospital now")
        assert not entry(ward, asha).to_do  # a task that staff closed is no news

        # Another sign is.
        ward.now = WEDNESDAY + timedelta(hours=2)
        ward.task(asha, TaskKind.SAFETY_ANSWER, "I fainted.")
        again = entry(ward, asha)
        assert since(again).startswith(
            "Signed 23 November, last added to 25 November; since then: They wrote: “I fainted.”"
        )

    with read_session(engine) as session:
        record = records.weekly_record(session, clinic.id, signed.week, ENGLISH)
        (told,) = [one for lane in record.facts["lanes"] for one in lane["patients"] if one["name"] == "Asha"]
        assert ["Added since signed", "Called 1"] in record.facts["facts"]
        (addition,) = told["additions"]
        assert addition["why"] == added.frozen["since"]
        assert ["Note", "Rang her; the ambulance is on its way."] in addition["facts"]
        assert pdf.write("weekly", record.facts, record.written).startswith(b"%PDF")
        thirty, _seen = records.patient_record(session, clinic.id, asha_id, None, WEDNESDAY, ENGLISH)
        assert [told["head"].partition(":")[0] for told in thirty.facts["reviews"]] == [
            "Week from 23 Nov 2026",
            "Added",
        ]
        found = joined_days(session, clinic, everybody(session, clinic.id), WEDNESDAY, 3)
        joined = csv.DictReader(io.StringIO("".join(exports.joined_csv(found))))
        answers = {
            row["local_date"]: (row["signed"], row["added_since_signed"]) for row in joined if row["clinic_ref"] == ref
        }
        assert answers["2026-11-23"] == ("no_change", "")
        assert answers["2026-11-25"] == ("", "called: Rang her; the ambulance is on its way.")
        assert [one.holds and not one.differs for one in signing.check_frozen(session, clinic.id)] == [True] * 3
    with write_session(engine) as session:
        kept = session.get_one(ReviewAddition, added.id)
        kept.frozen = kept.frozen | {"why": "All well."}
        session.flush()
        altered = [one.id for one in signing.check_frozen(session, clinic.id) if not one.holds]
        assert altered == [added.id]
        session.rollback()


def test_whoever_enters_call_today_is_a_task_once_a_day_and_improving_closes_nothing(engine, tmp_path):
    with write_session(engine) as session:
        ward = open_ward(session)
        # A rise that she feels, and no limit is set.
        rising, usual = [*QUIET, *[19 + 0.7 * day for day in range(14)]], [*[1] * 28, None, None]
        asha = ward.patient("Asha", pressures=rising, reference=18.0, breathlessness=usual)
        asha_id, clinic_id = asha.id, ward.clinic.id
    refreshing.refresh(engine, NOW)
    with write_session(engine) as session:
        ward = ward_of(session, clinic_id)
        asha = session.get_one(Patient, asha_id)
        assert session.scalars(select(Task)).all() == []
        for ago in (1, 0):
            ward.checkin(asha, ward.today(asha) - timedelta(days=ago), {"breathlessness": 7})
    for _ in range(3):
        refreshing.refresh(engine, NOW)
    with write_session(engine) as session:
        ward = ward_of(session, clinic_id)
        asha = session.get_one(Patient, asha_id)
        (task,) = session.scalars(select(Task)).all()
        facts = task_facts.from_json(task.facts)
        assert isinstance(facts, task_facts.EnteredCallToday)
        assert facts.because[0].picture is Picture.UP_AND_WORSE  # type: ignore[union-attr]
        assert inwords.task(task).startswith("In Call today since 25 November: Pressure up and feeling worse:")
        assert (task.escalates_at, task.state) == (NOW, TaskState.OPEN)
        assert [reason.because for reason in entry(ward, asha).reasons[:1]] != [task.facts]
        inbox.close(acting(session, ward.nurse, NOW), task.id, "Spoke to her")
    for hours in (1, 24):  # she stays there: no second, that day or the next
        refreshing.refresh(engine, NOW + timedelta(hours=hours))
    with read_session(engine) as session:
        assert len(session.scalars(select(Task).where(Task.kind == TaskKind.CALL_TODAY)).all()) == 1

    def untold() -> list[Broken]:
        return [one for one in invariants.look(engine, NOW) if one.found is task_facts.Found.CALL_UNTOLD]

    # The nightly check takes a call that staff have closed for told, and one that is lost for untold.
    assert untold() == []
    with write_session(engine) as session:
        session.execute(delete(Task))
    assert [(one.patient_id, one.clinic_id) for one in untold()] == [(asha_id, clinic_id)]
    invariants.check_nightly(engine, NOW, lambda: None, tmp_path)
    with read_session(engine) as session:
        assert "In Call today on 26 November, and nobody was told: see why on the review, and call them." in [
            inwords.task(task).partition(". The")[0] + "."
            for task in session.scalars(select(Task).where(Task.kind == TaskKind.CALL_TODAY, Task.escalates_at == NOW))
        ]
    assert untold() == []


def test_another_reason_is_told_beside_the_first_while_that_call_is_open_and_anew_when_it_was_closed(ward):
    patient, today = ward.patient("Asha"), NOW.date()
    calls = (Picture.UP_AND_WORSE, Picture.JUMP_GOES_ON, Picture.DOWN_AND_LIGHT_HEADED)
    worse, jump, light = (PictureFacts(one, today) for one in calls)
    above = Episode(SignalKind.ABOVE_LIMIT, today, today, PictureFacts(Picture.UP_AND_WELL, today))
    left = replace(entry(ward, patient).summary, trend=TrendSummary(signals=(above,)))

    def enters(*because: PictureFacts | Episode) -> list[tuple[TaskState, list[str]]]:
        placing.call_for(ward.session, ward.clinic.id, {patient.id: placing.Placed(calls=because)}, NOW)
        found = ward.session.scalars(select(Task).order_by(Task.raised_at, Task.dedupe_key)).all()
        return [(one.state, review.called_for(task_facts.from_json(one.facts))) for one in found]

    def close() -> None:
        (call,) = ward.session.scalars(select(Task).where(Task.state != TaskState.CLOSED)).all()
        inbox.close(acting(ward.session, ward.nurse, NOW), call.id, "Spoke to her")

    assert enters(above) == [(TaskState.OPEN, ["above_limit"])]
    (call,) = ward.session.scalars(select(Task.id)).all()
    inbox.take(acting(ward.session, ward.nurse, NOW), call)
    both = ["above_limit", "up_and_worse"]
    assert enters(worse) == [(TaskState.OPEN, both)]
    # What staff have done about the second is no answer to the first.
    placing.settle_calls(ward.session, patient.id, left, NOW)
    assert enters(worse) == [(TaskState.OPEN, both)]
    close()
    assert enters(above) == enters(worse) == [(TaskState.CLOSED, both)]  # the same, the same day
    assert enters(jump) == [(TaskState.CLOSED, both), (TaskState.OPEN, ["jump_goes_on"])]
    close()
    assert {state for state, _ in enters(jump)} == {TaskState.CLOSED}
    # Staff close the episode and a later answer is still worse, the same day: that is told anew.
    enters(light)
    placing.settle_calls(ward.session, patient.id, left, NOW)
    assert [state for state, told in enters(light) if told == [name_of(light)]] == [TaskState.CLOSED, TaskState.OPEN]


def test_who_signs_or_adds_to_what_is_no_longer_so_must_look_again(ward):
    patient = ward.patient("Asha", pressures=QUIET)
    stale = entry(ward, patient).seen
    with pytest.raises(signing.NotSigned):
        add(ward, patient, stale)
    ward.task(patient, TaskKind.SAFETY_ANSWER, "Chest pain.")
    with pytest.raises(signing.LookAgain):
        sign(ward, patient, seen=stale)
    sign(ward, patient, seen=entry(ward, patient).seen, outcome=Outcome.NOT_REACHED)
    shown = entry(ward, patient)
    assert not shown.to_do
    ward.task(patient, TaskKind.SAFETY_ANSWER, "Chest pain again.")
    with pytest.raises(signing.LookAgain):
        add(ward, patient, shown.seen)
    add(ward, patient, entry(ward, patient).seen, outcome=Outcome.CALLED)
    # What was added is the week's last word: nobody is carried over who was reached since.
    ward.now += timedelta(days=6)
    assert not entry(ward, patient).carried_over


def test_what_was_added_last_week_has_its_own_date_and_answers_the_look_that_was_planned(ward):
    asha, ben = (ward.patient(name, pressures=QUIET, breathlessness=[1] * 30) for name in ("Asha", "Ben"))
    for patient, outcome in ((asha, Outcome.NOT_REACHED), (ben, Outcome.CALLED)):
        sign(ward, patient, outcome=Outcome.CALLED, next_look=ward.today(patient) + timedelta(days=1))
        ward.now += timedelta(days=1)
        add(ward, patient, entry(ward, patient).seen, outcome=outcome, note="Rang.")
        assert entry(ward, patient).days_since_review == 0
        ward.now -= timedelta(days=1)
    ward.now += timedelta(days=6)  # the next week
    told = words.reasons(ENGLISH, entry(ward, asha).reasons)
    assert "Carried over: could not be reached on 26 November." in told
    assert entry(ward, ben).days_since_review == 5
    assert not any("planned for 26" in one for one in words.reasons(ENGLISH, entry(ward, ben).reasons))


def test_another_look_planned_within_the_week_is_to_do_on_its_day(ward):
    patient = ward.patient("Asha", pressures=QUIET, breathlessness=[1] * 30)
    sign(ward, patient, next_look=ward.today(patient) + timedelta(days=1))
    assert not entry(ward, patient).to_do
    ward.now += timedelta(days=1)
    shown = entry(ward, patient)
    assert since(shown) == "Signed 25 November; since then: Another look was planned for 26 November."
    add(ward, patient, shown.seen, "Looked.")
    assert not entry(ward, patient).to_do


def test_an_addition_in_the_thirty_days_is_told_though_its_signature_was_before_them(ward):
    patient = ward.patient("Asha", pressures=QUIET, breathlessness=[1] * 30)
    signed_on = ward.today(patient)
    sign(ward, patient)
    ward.now += timedelta(days=1)
    add(ward, patient, entry(ward, patient).seen, "Rang her.")
    for late, heads in ((29, ["Week from 23 Nov 2026", "Added"]), (30, ["Added"]), (31, [])):
        until, now = signed_on + timedelta(days=late), ward.now + timedelta(days=40)
        record, _ = records.patient_record(ward.session, ward.clinic.id, patient.id, until, now, ENGLISH)
        assert [told["head"].partition(":")[0] for told in record.facts["reviews"]] == heads


def test_of_two_who_add_at_once_one_is_told_to_look_again(engine):
    with write_session(engine) as session:
        ward = open_ward(session)
        patient = ward.patient("Asha", pressures=QUIET)
        sign(ward, patient)
        people = [ward.nurse.id, ward.staff("Rowan Pell").id]
        patient_id, seen = patient.id, entry(ward, patient).seen

    def adds(session: Session, staff: Staff) -> str:
        try:
            signing.add(acting(session, staff, NOW), patient_id, Outcome.CALLED, "", seen)
        except signing.LookAgain as other:
            return f"look again, {other.by}"
        return "added"

    outcomes = at_once(engine, people, adds)
    assert sorted(outcomes)[0] == "added"
    assert sorted(outcomes)[1] in {"look again, Imogen Vale", "look again, Rowan Pell"}
    with read_session(engine) as session:
        assert len(session.scalars(select(ReviewAddition)).all()) == 1
