"""One path from a row to a sentence: many untidy patients through a clinic's database, and through a replay.

Rows come in files, some of them late, some first wrong and then corrected; readings lying and
sitting, at odd hours, two on a date, in two units; weights in pounds; references and limits that
staff set. The clinic takes them in with its own import, opens and closes windows and refreshes
its review rows as time goes on. A replay is given the same rows at once. They must say the same:
neither is the source of the other's numbers, which is what makes each a check on the other.
"""

from __future__ import annotations

import csv
import io
import random
import uuid
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from sqlalchemy import Engine, select

from service.domain import factjson, summary
from service.domain.readings import MMHG, POUNDS, UNITS, NewReading
from service.domain.record.aftercare import Aftercare
from service.domain.signals.facts import PictureFacts, PressureLimits, typed_reference
from service.domain.vocabulary import EventKind, Posture, SignalKind
from service.enrolling import baselines
from service.enrolling.clinics import change_clinic
from service.filing.importing import Intake, import_checkins, import_readings
from service.intake.readings import record_reading
from service.recording.events import record_event
from service.replaying.evenings import replay_evenings
from service.replaying.past import Options, PastDiaries, PastReadings, read_diary, read_readings, replay
from service.reviewing import refreshing
from service.scheduling import closing, opening
from service.store import panel
from service.store.audit import OPERATOR, Act
from service.store.session import read_session, write_session
from service.store.tables import Clinic, Patient, Reading, Reference, Signal
from service.words.language import FALLBACK, load_language
from service.words.sentences import signals as signal_words
from tests.builder import building

PATIENTS, DAYS, STEP = 16, 150, 15
FIRST = date(2026, 1, 5)  # the clocks change in two of the zones within the half year
ZONES = ("Europe/London", "America/New_York", "Asia/Kolkata", "Europe/Madrid")
READINGS = ("patient", "taken_at", "pa_systolic", "pa_diastolic", "pa_mean", "heart_rate", "pressure_unit", "posture")
DIARY = (
    "patient", "local_date", "weight", "weight_unit", "breathlessness", "extra_pillows", "woke_breathless", "swelling",
    "slept_in_chair", "full_belly", "light_headed", "safety_signs",
)  # fmt: skip
ANCHORED = FIRST + timedelta(days=2 * STEP)
BEFORE = datetime.combine(FIRST, time(0), UTC) - timedelta(days=1)
ENGLISH = load_language(FALLBACK)
Said = tuple[str, date, SignalKind, str]


@dataclass
class Untidy:
    """One invented patient: what the files say, and on which day after FIRST each row comes in."""

    ref: str
    zone: str
    limits: tuple[float | None, float | None]
    reference: str  # none, typed, or fortnight
    readings: list[tuple[int, dict[str, str]]] = field(default_factory=list)
    typed: tuple[float, float, float] = (0.0, 0.0, 0.0)
    corrections: list[tuple[int, dict[str, str]]] = field(default_factory=list)  # of the same instants
    diary: list[tuple[int, dict[str, str]]] = field(default_factory=list)
    is_late: bool = False


def invent(number: int) -> Untidy:
    """Patient `number`: the same one every time."""
    chance = random.Random(f"untidy {number}")
    base = chance.uniform(15, 22)
    limits = (round(base + 5), round(base - 5)) if number % 3 == 0 else (None, None)
    who = Untidy(f"U-{number:02}", ZONES[number % len(ZONES)], limits, ("none", "typed", "fortnight")[number % 5 % 3])
    who.is_late = number % 2 == 1
    who.typed = (round(base, 1), round(base + 8, 1), round(base + 22, 1))
    unit, pounds, writes = ("kPa" if number % 7 == 0 else MMHG), number % 4 == 0, number % 5 != 0
    turn, size = chance.randrange(50, 110), (7.0, -6.0, 0.0, 10.0)[number % 4]
    for offset in range(DAYS):
        moved = size * min(max(offset - turn, 0) / 20, 1.0) + (16.0 if number % 4 == 2 and 30 <= offset < 34 else 0.0)
        for hour, minute, posture, by in _times(chance):
            row = _reading(chance, who, offset, base + moved + by, (hour, minute, posture), unit)
            comes = offset + (chance.randrange(1, 40) if who.is_late and chance.random() < 0.08 else 0)
            if who.is_late and chance.random() < 0.03:
                wrong = row | {name: _plus(row[name], 9.0 / UNITS[unit]) for name in READINGS[2:5]}
                who.readings.append((comes, wrong))
                who.corrections.append((comes + chance.randrange(1, 30), row))
            else:
                who.readings.append((comes, row))
        if writes and chance.random() < 0.8:
            row = _diary(chance, who, offset, worse=offset > turn and size > 5, pounds=pounds)
            comes = offset + (chance.randrange(1, 40) if who.is_late and chance.random() < 0.08 else 0)
            if who.is_late and chance.random() < 0.03:
                who.diary.append((comes, row | {"breathlessness": "9"}))
                comes += chance.randrange(1, 30)
            who.diary.append((comes, row))
    return who


def _times(chance: random.Random) -> list[tuple[int, int, str, float]]:
    """The day's readings: hour, minute, posture, and how much higher than lying in the morning."""
    if chance.random() < 0.12:
        return []
    morning = (7, chance.randrange(0, 50), chance.choice(("lying", "lying", "")), 0.0)
    other = chance.random()
    if other < 0.05:
        return [(7, chance.randrange(0, 50), "sitting", -4.0)]
    if other < 0.09:
        return [(20, chance.randrange(0, 50), "lying", 6.0)]
    if other < 0.17:
        return [morning, (21, chance.randrange(0, 50), "lying", 6.0)]
    if other < 0.25:
        return [morning, (8, chance.randrange(0, 50), "sitting", -4.0)]
    if other < 0.30:
        return [morning, (7, 55, "lying", 1.0)]
    return [morning]


def _reading(
    chance: random.Random, who: Untidy, offset: int, diastolic: float, how: tuple[int, int, str], unit: str
) -> dict[str, str]:
    hour, minute, posture = how
    at = datetime.combine(FIRST + timedelta(days=offset), time(hour, minute), ZoneInfo(who.zone))
    diastolic += chance.gauss(0, 1.2)
    mean = f"{(diastolic + 8 + chance.gauss(0, 0.5)) / UNITS[unit]:.3f}" if chance.random() < 0.7 else ""
    return {
        "patient": who.ref,
        "taken_at": at.isoformat(),
        "pa_systolic": f"{(diastolic + 22 + chance.gauss(0, 1)) / UNITS[unit]:.3f}",
        "pa_diastolic": f"{diastolic / UNITS[unit]:.3f}",
        "pa_mean": mean,
        "heart_rate": str(chance.randrange(66, 74) + (12 if offset > 100 else 0)) if chance.random() < 0.8 else "",
        "pressure_unit": unit,
        "posture": posture,
    }


def _diary(chance: random.Random, who: Untidy, offset: int, *, worse: bool, pounds: bool) -> dict[str, str]:
    weight = 80 + chance.gauss(0, 0.3) + (2.8 if worse and chance.random() < 0.9 else 0.0)
    return {
        "patient": who.ref,
        "local_date": (FIRST + timedelta(days=offset)).isoformat(),
        "weight": f"{weight / 0.45359237:.1f}" if pounds else f"{weight:.1f}",
        "weight_unit": POUNDS if pounds else "",
        "breathlessness": f"{chance.randrange(1, 4) + 4 * worse}.0",
        "extra_pillows": str(int(worse)),
        "woke_breathless": "yes" if worse and chance.random() < 0.4 else "no",
        "slept_in_chair": "yes" if worse else "no",
        "swelling": "shin" if worse else "Ankle",
        "full_belly": "1" if worse else "",
        "light_headed": chance.choice(("0", "0", "0", "0", "1")),
        "safety_signs": "chest_pain" if chance.random() < 0.01 else "none",
    }


def _plus(text: str, by: float) -> str:
    return f"{float(text) + by:.3f}" if text else ""


# --- through a clinic ------------------------------------------------------------------------


class ThroughClinic:
    """A clinic into which the rows come as time goes on, a fortnight or so at a time."""

    def __init__(self, engine: Engine, everybody: list[Untidy], began: datetime = BEFORE) -> None:
        self.engine, self.everybody = engine, everybody
        self.ids: dict[str, uuid.UUID] = {}
        self.references: dict[str, Reference] = {}
        with building(engine, began) as build:
            clinic = build.clinic()
            self.clinic_id = clinic.id
            for who in everybody:
                plan = {"wants_checkin": bool(who.diary)}
                patient = build.patient(clinic, ref=who.ref, zone=who.zone, plan=plan)
                self.ids[who.ref] = patient.id
                act = Act(build.session, OPERATOR, clinic.id, began)
                if who.limits != (None, None):
                    baselines.set_limits(act, patient, *who.limits)
                if who.reference == "typed":
                    self.references[who.ref] = baselines.set_reference(act, patient, *who.typed, None, None)

    def live(self) -> None:
        """All rows come in, and the worker does what it does."""
        for until in range(STEP, DAYS + STEP + 1, STEP):
            now = datetime.combine(FIRST + timedelta(days=until), time(4), UTC)
            # The last step brings whatever is later still.
            come = range(until - STEP, until if until <= DAYS else 10_000)
            self._import(come, now)
            if until == 2 * STEP:
                self._anchor(now)
            for reading in (row for who in self.everybody for comes, row in who.corrections if comes in come):
                self._correct(reading, now)
            self._tick(now)
        self.now = now

    def evenings(self, days: int) -> Iterator[tuple[str, PictureFacts]]:
        """What the clinic's rows hold each evening, everything but who is to blame for a silence."""
        refs = {patient_id: ref for ref, patient_id in self.ids.items()}
        for offset in range(days):
            self.now = datetime.combine(FIRST + timedelta(days=offset), time(22), UTC)
            self._import(range(offset, offset + 1), self.now)
            self._tick(self.now)
            with read_session(self.engine) as session:
                for row in panel.carried(session, self.clinic_id):
                    picture = summary.from_json(row.facts or {}).trend.picture
                    assert picture is not None
                    yield refs[row.patient_id], replace(picture, silence=replace(picture.silence, cause=None))

    def _tick(self, now: datetime) -> None:
        opening.open_windows(self.engine, now)
        closing.close_windows(self.engine, now)
        assert refreshing.refresh(self.engine, now).done == len(self.everybody)

    def _import(self, come: range, now: datetime) -> None:
        readings = [row for who in self.everybody for comes, row in who.readings if comes in come]
        report = import_readings(Intake(self.engine, self.clinic_id, OPERATOR, now), as_file(READINGS, readings))
        assert (report.taken, report.refused) == (len(readings), [])
        diary = [row for who in self.everybody for comes, row in sorted(who.diary, key=first_of) if comes in come]
        report = import_checkins(
            Intake(self.engine, self.clinic_id, OPERATOR, now), as_file(DIARY, diary), may_correct=True
        )
        assert (report.taken, report.refused) == (len(diary), [])

    def _anchor(self, now: datetime) -> None:
        with write_session(self.engine) as session:
            for who in self.everybody:
                if who.reference == "fortnight":
                    patient, act = (
                        session.get_one(Patient, self.ids[who.ref]),
                        Act(session, OPERATOR, self.clinic_id, now),
                    )
                    dates = FIRST, FIRST + timedelta(days=13)
                    self.references[who.ref] = baselines.set_reference(act, patient, None, None, None, *dates)

    def _correct(self, row: dict[str, str], now: datetime) -> None:
        at = datetime.fromisoformat(row["taken_at"])
        with write_session(self.engine) as session:
            wrong = session.scalars(
                select(Reading.id).where(
                    Reading.patient_id == self.ids[row["patient"]],
                    Reading.taken_at == at,
                    Reading.superseded_at.is_(None),
                )
            ).one()
            given = [float(row[name]) if row[name] else None for name in READINGS[2:6]]
            posture = Posture(row["posture"]) if row["posture"] else None
            new = NewReading(row["patient"], at, *given, row["pressure_unit"], posture, supersedes=wrong)
            record_reading(Act(session, OPERATOR, self.clinic_id, now), new)

    def from_the_start(self) -> set[Said]:
        """What the clinic says of everybody's whole history, worked out at once from the rows as they are now."""
        refs = {patient_id: ref for ref, patient_id in self.ids.items()}
        todays = {self.ids[who.ref]: self.now.astimezone(ZoneInfo(who.zone)).date() for who in self.everybody}
        with read_session(self.engine) as session:
            made = refreshing.work_out(session, self.clinic_id, todays, afresh=True)
        return without_silence(
            {
                in_words(refs[patient_id], episode.raised_on, episode.kind, episode.facts)
                for patient_id, one in made.items()
                for episode in one.worked.assessment.signals
            }
        )

    def as_raised(self) -> set[Said]:
        """What was raised on the way, as it is on record."""
        refs = {patient_id: ref for ref, patient_id in self.ids.items()}
        with read_session(self.engine) as session:
            rows = session.execute(select(Signal.patient_id, Signal.kind, Signal.raised_on, Signal.facts)).all()
        facts = [factjson.unpack(PictureFacts, row.facts) for row in rows]
        said = {
            in_words(refs[row.patient_id], row.raised_on, row.kind, known)
            for row, known in zip(rows, facts, strict=True)
        }
        return without_silence(said)


def in_words(ref: str, raised_on: date, kind: SignalKind, facts: PictureFacts) -> Said:
    return ref, raised_on, kind, signal_words.signal(ENGLISH, kind, facts)


def without_silence(said: set[Said]) -> set[Said]:
    """A clinic knows a silence by the day it began and by why nothing came, which no file tells: see below."""
    return {one for one in said if one[2] is not SignalKind.SILENT}


def as_file(columns: tuple[str, ...], rows: list[dict[str, str]]) -> io.BytesIO:
    text = io.StringIO(newline="")
    writer = csv.DictWriter(text, columns)
    writer.writeheader()
    writer.writerows(rows)
    return io.BytesIO(text.getvalue().encode())


def first_of(row: tuple[int, dict[str, str]]) -> int:
    return row[0]


# --- through a replay ------------------------------------------------------------------------


def given(everybody: list[Untidy]) -> tuple[PastReadings, PastDiaries]:
    """The same rows given at once, corrected ones as they are in the end, in no order."""
    corrected = {(row["patient"], row["taken_at"]): row for who in everybody for _, row in who.corrections}
    readings = [corrected.get((row["patient"], row["taken_at"]), row) for who in everybody for _, row in who.readings]
    random.Random(1).shuffle(readings)
    diary = [row for who in everybody for _, row in sorted(who.diary, key=first_of)]
    taken = read_readings(io.TextIOWrapper(as_file(READINGS, readings), encoding="utf-8", newline=""))
    written = read_diary(io.TextIOWrapper(as_file(DIARY, diary), encoding="utf-8", newline=""))
    assert (taken.refused, written.refused) == ([], [])
    return taken, written


def replayed(everybody: list[Untidy], references: dict[str, Reference]) -> set[Said]:
    taken, written = given(everybody)
    options = Options(
        limits={who.ref: PressureLimits(*who.limits) for who in everybody},
        references={
            ref: typed_reference((set_.pa_diastolic, set_.pa_mean, set_.pa_systolic), set_.from_date, set_.to_date)
            for ref, set_ in references.items()
        },
    )
    said = replay(taken, written, options).signals
    return without_silence({(line.patient, line.local_date, line.signal, line.sentence) for line in said})


@pytest.mark.slow
@pytest.mark.databases("sqlite")  # the next lives through as much of the database, on both
def test_many_untidy_patients_get_the_same_signals_on_the_same_days_in_the_same_words(engine: Engine) -> None:
    everybody = [invent(number) for number in range(PATIENTS)]
    clinic = ThroughClinic(engine, everybody)
    clinic.live()
    by_replay = replayed(everybody, clinic.references)
    assert len({one[0] for one in by_replay}) > PATIENTS / 2  # the invented patients give something to compare
    assert {one[2] for one in by_replay} >= set(SignalKind) - {SignalKind.SILENT, SignalKind.WEIGHT_LOSS}
    assert clinic.from_the_start() == by_replay
    # Where no row came late or was wrong at first, what was raised on the way is that very same thing:
    # from the first day on, or from the day on which staff set a reference.
    since = {who.ref: ANCHORED if who.reference == "fortnight" else FIRST for who in everybody if not who.is_late}
    assert since
    raised, replayed_too = (
        {one for one in said if one[0] in since and one[1] >= since[one[0]]} for said in (clinic.as_raised(), by_replay)
    )
    assert raised == replayed_too
    with read_session(engine) as session:
        assert refreshing.differing(session, clinic.clinic_id, clinic.now) == []


def test_the_clinic_and_both_outputs_of_a_replay_agree_evening_by_evening(engine: Engine) -> None:
    days, silent_from = 45, 20
    # Whose first date has a reading, as the first of a file has; two fall silent, one of them all but for the diary.
    everybody = [who for who in map(invent, range(0, PATIENTS, len(ZONES))) if who.readings[0][0] == 0][:4]
    for number, who in enumerate(everybody):
        who.readings, who.diary = ([one for one in rows if one[0] < days] for rows in (who.readings, who.diary))
        who.reference = "none"
        if number < 2:
            who.readings = [one for one in who.readings if not silent_from <= one[0] < silent_from + 9]
    taken, written = given(everybody)
    # Two came home on the day before: for a month a rise is told at a lower bar, in both alike.
    out, watched = FIRST - timedelta(days=1), 30
    stays = {who.ref: (Aftercare(watched_days=watched).after(out),) for who in everybody[::2]}
    options = Options(limits={who.ref: PressureLimits(*who.limits) for who in everybody}, stays=stays)
    told = {(one.patient, one.local_date): one.picture for one in replay_evenings(taken, written, options)}
    clinic = ThroughClinic(engine, everybody, datetime.combine(FIRST, time(0, 1), UTC))
    with write_session(engine) as session:
        act = Act(session, OPERATOR, clinic.clinic_id, datetime.combine(FIRST, time(0, 1), UTC))
        change_clinic(act, session.get_one(Clinic, clinic.clinic_id), {"record_rules": {"watched_days": watched}})
        for ref in stays:
            patient = session.get_one(Patient, clinic.ids[ref])
            days_in = {"from_date": out - timedelta(days=6), "to_date": out}
            record_event(act, patient, kind=EventKind.ADMISSION, **days_in)
    rows = {(ref, picture.today): picture for ref, picture in clinic.evenings(days)}
    compared = set(rows) & set(told)
    assert len(compared) > days * len(everybody) * 0.9  # a file ends on its last row's date
    assert {one: rows[one] for one in compared} == {one: told[one] for one in compared}
    # A silence is told on the evening it has lasted three days, and once; a clinic records the day it began.
    summary_says = {
        (line.patient, line.local_date - timedelta(days=2))
        for line in replay(taken, written, options).signals
        if line.signal is SignalKind.SILENT
    }
    days_say = {(ref, picture.silence.since) for (ref, _), picture in told.items() if picture.silence.silent}
    with read_session(engine) as session:
        raised = session.execute(select(Signal.patient_id, Signal.raised_on).where(Signal.kind == SignalKind.SILENT))
        clinic_says = {(next(ref for ref, one in clinic.ids.items() if one == row[0]), row[1]) for row in raised}
    assert {ref for ref, _ in summary_says} >= {who.ref for who in everybody[:2]}
    assert summary_says == days_say == clinic_says
