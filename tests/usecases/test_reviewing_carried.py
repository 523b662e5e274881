"""The carried rows: stale when they should be, made again by the worker, never in anybody's way."""

from __future__ import annotations

import threading
from dataclasses import replace
from datetime import date, time, timedelta

import pytest
from sqlalchemy import Engine, delete, select
from sqlalchemy.exc import OperationalError

from service.domain.review import BeingWorkedOut
from service.domain.signals.facts import Episode, Picture, PictureFacts, PressureFacts
from service.domain.vocabulary import Lane, SignalKind
from service.reviewing import refreshing
from service.reviewing.panel import FEW, build_panel
from service.store import panel, signal_rows
from service.store.session import read_session, write_session
from service.store.tables import CarriedStateRow, PanelRow, Patient, QuarantinedRow, Signal
from tests import inwords
from tests.carried import made_again
from tests.waiting import PATIENCE_SECONDS
from tests.ward import NOW, open_ward, ward_of

STEADY = [18.0, 18.5, 17.5, 18.2, 17.8] * 8


def build(engine: Engine, *names: str, **given: object):
    with write_session(engine) as session:
        ward = open_ward(session)
        ids = {name: ward.patient(name, pressures=STEADY, **given).id for name in names}  # type: ignore[arg-type]
        clinic_id = ward.clinic.id
    refreshing.refresh(engine, NOW)
    return clinic_id, ids


def panel_of(engine, clinic_id, now=NOW):
    with read_session(engine) as session:
        return {entry.name: entry for entry in build_panel(session, clinic_id, now).entries}


def test_a_carried_row_is_what_the_rows_say_and_the_audit_agrees(engine):
    clinic_id, _ = build(engine, "Asha", "Ben")
    carried = panel_of(engine, clinic_id)
    assert made_again(engine, clinic_id, NOW) == []
    with write_session(engine) as session:
        for row in session.scalars(select(PanelRow)):
            panel.mark_stale(session, [row.patient_id], NOW)
    made_now = panel_of(engine, clinic_id)
    assert made_again(engine, clinic_id, NOW) == ["Asha", "Ben"]
    assert {name: entry.summary for name, entry in carried.items()} == {
        name: entry.summary for name, entry in made_now.items()
    }
    refreshing.refresh(engine, NOW)
    with read_session(engine) as session:
        assert refreshing.differing(session, clinic_id, NOW) == []


def test_the_audit_finds_a_row_that_nobody_marked(engine):
    clinic_id, ids = build(engine, "Asha", "Ben")
    with write_session(engine) as session:
        patient = session.get_one(Patient, ids["Asha"])
        ward = ward_of(session, clinic_id)
        ward.unnoticed_reading(patient, ward.today(patient), 40.0, at=time(9))
    with read_session(engine) as session:
        assert refreshing.differing(session, clinic_id, NOW) == [ids["Asha"]]


def test_a_stale_row_is_made_again_for_the_page_and_written_by_the_worker(engine):
    clinic_id, ids = build(engine, "Asha")
    with write_session(engine) as session:
        panel.mark_stale(session, [ids["Asha"]], NOW)
    panel_of(engine, clinic_id)
    assert made_again(engine, clinic_id, NOW) == ["Asha"]  # the page did not write it
    assert refreshing.refresh(engine, NOW).done == 1
    assert made_again(engine, clinic_id, NOW) == []
    assert refreshing.refresh(engine, NOW).seen == 0


def test_a_page_works_out_no_more_than_it_can_wait_for_and_says_so(engine):
    """A reading dated long ago: what was known before it is told as such, and nothing at all where nothing was."""
    clinic_id, ids = build(engine, "Asha")
    known = panel_of(engine, clinic_id)["Asha"]
    long_ago = date(2024, 6, 3)  # more evenings than a page waits for
    with write_session(engine) as session:
        ward_of(session, clinic_id).unnoticed_reading(session.get_one(Patient, ids["Asha"]), long_ago, 40.0, at=time(9))
        panel.mark_stale(session, [ids["Asha"]], NOW, long_ago)
    told = panel_of(engine, clinic_id)["Asha"]
    assert replace(told.summary, behind=None, made_on=None, made_at="") == known.summary
    assert BeingWorkedOut(NOW.date(), "15:00") in [one.because for one in told.reasons]
    assert told.lane is not Lane.SETTLED
    with write_session(engine) as session:
        session.execute(delete(CarriedStateRow))
        session.execute(delete(PanelRow))
    (only,) = panel_of(engine, clinic_id)["Asha"].reasons
    assert only.because == BeingWorkedOut(None)
    assert refreshing.rebuild(engine, NOW).done == 1  # the worker has no such bound
    assert panel_of(engine, clinic_id)["Asha"].summary.behind is None


def test_the_next_day_every_row_is_of_yesterday_and_is_made_again_once(engine):
    clinic_id, _ = build(engine, "Asha", "Ben")
    tomorrow = NOW + timedelta(days=1)
    assert made_again(engine, clinic_id, tomorrow) == ["Asha", "Ben"]
    assert refreshing.refresh(engine, tomorrow).done == 2
    assert refreshing.refresh(engine, tomorrow).seen == 0
    assert made_again(engine, clinic_id, tomorrow) == []


def test_a_row_of_a_far_zone_turns_at_its_own_midnight(engine):
    build(engine, "Far", zone="Pacific/Auckland")  # 04:00 on the 26th there
    for hours, turned in ((19, 0), (21, 1)):  # midnight is at 11:00 UTC
        assert refreshing.refresh(engine, NOW + timedelta(hours=hours)).done == turned


def test_a_reading_that_comes_while_a_row_is_being_made_is_not_lost(engine, monkeypatch):
    clinic_id, ids = build(engine, "Asha")
    with write_session(engine) as session:
        panel.mark_stale(session, [ids["Asha"]], NOW)
    real = refreshing.work_out

    def slow(session, clinic, todays):
        made = real(session, clinic, todays)
        arrives = threading.Thread(target=_mark, args=(engine, ids["Asha"]))
        arrives.start()
        arrives.join(PATIENCE_SECONDS)
        return made

    monkeypatch.setattr(refreshing, "work_out", slow)
    refreshing.refresh(engine, NOW)
    monkeypatch.undo()
    assert made_again(engine, clinic_id, NOW) == ["Asha"]  # still stale: the newer mark stands
    assert refreshing.refresh(engine, NOW).done == 1


def _mark(engine, patient_id):
    with write_session(engine) as session:
        panel.mark_stale(session, [patient_id], NOW)


def test_one_patient_who_cannot_be_worked_out_hides_nobody_and_is_parked(engine, monkeypatch):
    clinic_id, ids = build(engine, "Asha", "Ben", "Cara")
    with write_session(engine) as session:
        panel.mark_stale(session, list(ids.values()), NOW)
    with write_session(engine) as session:
        session.get_one(Patient, ids["Ben"]).dry_weight_kg = 999.0
    real = refreshing.case_of

    def breaks(history, today):
        if history.dry_weight_kg == 999.0:
            raise ZeroDivisionError
        return real(history, today)

    monkeypatch.setattr(refreshing, "case_of", breaks)
    shown = panel_of(engine, clinic_id)
    assert set(shown) == {"Asha", "Ben", "Cara"}
    assert shown["Ben"].lane is Lane.LOOK_CLOSELY
    assert "could not be worked out" in inwords.why(shown["Ben"])
    tally = refreshing.refresh(engine, NOW)
    assert (tally.done, tally.quarantined) == (2, 1)
    with read_session(engine) as session:
        (row,) = session.scalars(select(QuarantinedRow))
    assert (row.subject_kind, row.subject_id) == ("panel", ids["Ben"])
    assert refreshing.refresh(engine, NOW).seen == 0  # not tried in a loop
    assert set(panel_of(engine, clinic_id)) == {"Asha", "Ben", "Cara"}


def test_a_patient_enrolled_with_a_row_to_be_made_gets_it_from_the_worker(engine):
    with write_session(engine) as session:
        ward = open_ward(session)
        patient = ward.patient("New", pressures=STEADY)
        panel.begin(session, ward.clinic.id, patient.id, NOW)
        panel.begin(session, ward.clinic.id, patient.id, NOW)
        clinic_id = ward.clinic.id
    assert made_again(engine, clinic_id, NOW) == ["New"]
    assert refreshing.refresh(engine, NOW).done == 1
    assert made_again(engine, clinic_id, NOW) == []


def test_a_limit_passed_is_one_signal_however_often_the_row_is_made(engine):
    with write_session(engine) as session:
        ward = open_ward(session)
        patient = ward.patient("High", pressures=[*STEADY[:-8], *[29.0] * 3], reference=18.0, upper=25.0)
        panel.begin(session, ward.clinic.id, patient.id, NOW)
        clinic_id, patient_id = ward.clinic.id, patient.id
    refreshing.refresh(engine, NOW)
    with write_session(engine) as session:
        panel.mark_stale(session, [patient_id], NOW)
    refreshing.refresh(engine, NOW)
    entry = panel_of(engine, clinic_id)["High"]
    assert entry.lane is Lane.CALL_TODAY
    with read_session(engine) as session:
        raised = [signal.kind for signal in session.scalars(select(Signal).where(Signal.ended_on.is_(None)))]
    assert raised.count(SignalKind.ABOVE_LIMIT) == 1
    assert inwords.why(entry).startswith(
        "Above the limit: the last 3 readings of PA diastolic, since 23 November, were above the 25 mmHg"
    )


def told(raised: int, ended: int | None = None) -> Episode:
    """A rise raised and ended so many days ago."""
    today = NOW.date()
    return Episode(
        SignalKind.RISING,
        today - timedelta(days=raised),
        today - timedelta(days=raised + 2),
        PictureFacts(Picture.UP_AND_WELL, today, PressureFacts(level=22.0)),
        None if ended is None else today - timedelta(days=ended),
    )


def kept(engine: Engine) -> list[tuple[int, int | None, bool]]:
    with read_session(engine) as session:
        rows = session.scalars(select(Signal).where(Signal.kind == SignalKind.RISING).order_by(Signal.raised_on.desc()))
        return [
            (
                (NOW.date() - row.raised_on).days,
                None if row.ended_on is None else (NOW.date() - row.ended_on).days,
                row.seen_at is not None,
            )
            for row in rows
        ]


def say(engine: Engine, clinic_id, patient_id, *episodes: Episode) -> None:
    with write_session(engine) as session:
        signal_rows.sync(session, clinic_id, {patient_id: episodes}, {patient_id: NOW.date()}, NOW)


def test_an_episode_is_one_row_said_twice_moved_a_little_by_a_late_reading_and_ended(engine):
    clinic_id, ids = build(engine, "Asha")
    say(engine, clinic_id, ids["Asha"], told(6))
    say(engine, clinic_id, ids["Asha"], told(6))
    say(engine, clinic_id, ids["Asha"], told(4))
    assert kept(engine) == [(6, None, False)]
    say(engine, clinic_id, ids["Asha"], told(6, ended=1))
    assert kept(engine) == [(6, 1, False)]
    say(engine, clinic_id, ids["Asha"], told(6, ended=1), told(0))
    assert kept(engine) == [(0, None, False), (6, 1, False)]


def test_what_a_correction_takes_back_ends_and_what_ended_long_ago_is_nobodys_to_look_at(engine):
    clinic_id, ids = build(engine, "Asha")
    say(engine, clinic_id, ids["Asha"], told(5), told(60, ended=40))
    assert kept(engine) == [(5, None, False), (60, 40, True)]
    say(engine, clinic_id, ids["Asha"])
    assert kept(engine) == [(5, 0, False), (60, 40, True)]


def test_a_database_that_is_away_is_not_a_patients_trouble(engine, monkeypatch):
    """What went wrong with the connection would else be written down as this patient's data, and never tried again."""
    _, ids = build(engine, "Asha", "Ben")
    with write_session(engine) as session:
        panel.mark_stale(session, list(ids.values()), NOW)

    def away(*_):
        raise OperationalError("", {}, Exception())

    for part in ("case_of", "_step"):
        monkeypatch.setattr(refreshing, part, away)
        with pytest.raises(OperationalError):
            refreshing.refresh(engine, NOW)
        monkeypatch.undo()
    with read_session(engine) as session:
        assert session.scalars(select(QuarantinedRow)).all() == []
    assert refreshing.refresh(engine, NOW).done == 2


@pytest.mark.databases("both")
def test_of_two_workers_each_has_rows_of_its_own_and_what_one_that_died_had_is_taken_again(engine):
    _, ids = build(engine, "Asha", "Ben", "Cleo")
    with write_session(engine) as session:
        panel.mark_stale(session, list(ids.values()), NOW)

    def claim(session):
        return {row.patient_id for row in panel.claim(session, NOW, 2)}

    with write_session(engine) as one:
        ours = claim(one)
        if engine.dialect.name == "postgresql":  # while the first has not committed
            with write_session(engine) as other:
                theirs = claim(other)
    if engine.dialect.name == "sqlite":
        with write_session(engine) as other:
            theirs = claim(other)
    assert len(ours) == 2
    assert theirs == set(ids.values()) - ours
    assert refreshing.refresh(engine, NOW).seen == 0
    later = NOW + panel.CLAIM_LASTS
    assert refreshing.catch_up(engine, lambda: later).done == 3
    with read_session(engine) as session:
        assert session.scalars(select(PanelRow.claimed_until)).all() == [None] * 3


def test_a_page_works_out_a_few_and_of_more_says_as_of_when_they_are_known(engine):
    """However large a clinic is, a morning on which every row is stale costs its page no more than one."""
    names = [f"P{number:02}" for number in range(FEW + 1)]
    clinic_id, ids = build(engine, *names)
    known = panel_of(engine, clinic_id)
    later = NOW + timedelta(minutes=5)

    def mark(some):
        with write_session(engine) as session:
            panel.mark_stale(session, some, later)

    mark(list(ids.values())[:FEW])
    made = panel_of(engine, clinic_id, later)
    assert not any(entry.summary.behind for entry in made.values())
    mark([ids[names[-1]]])
    told = panel_of(engine, clinic_id, later)
    for name, entry in told.items():
        assert replace(entry.summary, behind=None, made_on=None, made_at="") == known[name].summary
        assert (
            inwords.why(entry)
            == "As of 15:00 on 25 November: the rest is being worked out. Look again in a few minutes."
        )
    refreshing.catch_up(engine, lambda: later)
    assert not any(entry.summary.behind for entry in panel_of(engine, clinic_id, later).values())
