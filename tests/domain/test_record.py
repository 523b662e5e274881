"""The record's rules, against published figures and worked examples."""

from __future__ import annotations

import uuid
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from service.domain.record import aftercare, kidney, medicines, results, rules, standing
from service.domain.record.now import Contacting, Happened, Recorded, of_today
from service.domain.validation import Refused
from service.domain.vocabulary import (
    ArmPosture,
    ContactWay,
    EjectionClass,
    EventCause,
    EventKind,
    Knowledge,
    MedicineClass,
    ResultKind,
    Rhythm,
    Route,
    Sex,
)
from service.words.sentences import record
from tests.inwords import ENGLISH

NOON = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)
WOMEN = [(0.6, 40, 116.30), (0.7, 70, 92.98), (0.9, 55, 75.50), (1.0, 70, 60.61), (1.5, 75, 36.12), (2.0, 80, 24.79)]
MEN = [(0.8, 50, 107.82), (0.9, 60, 97.78), (1.2, 55, 71.42), (1.5, 70, 49.77), (2.0, 75, 34.16), (3.0, 68, 21.94)]


@pytest.mark.parametrize(
    ("sex", "creatinine", "age", "expected"),
    [(Sex.FEMALE, *one) for one in WOMEN] + [(Sex.MALE, *one) for one in MEN],
)
def test_egfr_is_ckd_epi_2021(sex: Sex, creatinine: float, age: int, expected: float) -> None:
    """Computed from the equation on the National Kidney Foundation's page; it prints 76 for a woman of 55 at 0.9."""
    given = results.read_result(ResultKind.CREATININE, creatinine, "mg/dL")
    assert kidney.egfr(given.compared, sex, age) == pytest.approx(expected, abs=0.005)


def test_egfr_is_for_adults() -> None:
    assert kidney.egfr(Decimal("80"), Sex.MALE, 17) is None


def staged(before: str, now: str, hours: float, unit: str = "mg/dL") -> int | None:
    series = [
        results.TimedResult(at, results.read_result(ResultKind.CREATININE, value, unit))
        for at, value in ((NOON, before), (NOON + timedelta(hours=hours), now))
    ]
    found = kidney.injury(series)
    return None if found is None else found.stage


@pytest.mark.parametrize(
    ("before", "now", "hours", "stage"),
    [
        ("1.0", "1.3", 40, 1), ("1.0", "1.3", 120, None), ("0.5", "0.75", 144, 1), ("1.2", "2.4", 100, 2),
        ("1.2", "3.6", 100, 3), ("3.8", "4.1", 30, 3), ("3.8", "4.1", 240, None), ("1.1", "1.4", 48, 1),
    ],
)  # fmt: skip
def test_kidney_injury_is_staged_as_kdigo_2012_has_it(before: str, now: str, hours: float, stage: int | None) -> None:
    """KDIGO 2012, section 2.1. 1.4 − 1.1 is below 0.3 as a float: figures are decimals."""
    assert staged(before, now, hours) == stage


def test_molar_creatinine_is_staged_by_molar_figures() -> None:
    """KDIGO's own figures: 26.5 µmol/L within 48 hours; 353.6 µmol/L."""
    assert staged("100", "126.4", 40, "umol/L") is None
    assert staged("100", "126.5", 40, "umol/L") == 1
    assert staged("330", "360", 40, "umol/L") == 3


def test_no_result_to_compare_with_is_no_stage_and_no_all_clear() -> None:
    assert kidney.injury([]) is None
    assert staged("1.0", "9.0", 24 * 8) is None


def test_units_of_a_result() -> None:
    """1 mg/dL of creatinine is 88.4 µmol/L; 1 mg/dL of urea nitrogen is 0.357 mmol/L of urea (from memory)."""
    assert results.read_result(ResultKind.CREATININE, "1,3", "mg/dL").compared == Decimal("114.92")
    assert results.kind_of("2160-0") == (ResultKind.CREATININE, "mg/dL")
    kind, unit = results.kind_of("3094-0")
    assert results.read_result(kind, "20", unit).compared == Decimal("7.140")
    assert results.kind_of("30934-4")[0] is not results.kind_of("33762-6")[0]  # BNP and NT-proBNP


@pytest.mark.parametrize("code", ["8440-0", "8385-7", "8414-5", "76284-9", "0000-0"])
def test_a_pulmonary_artery_pressure_is_no_result(code: str) -> None:
    with pytest.raises(Refused) as refused:
        results.kind_of(code)
    assert refused.value.field == "code"


@pytest.mark.parametrize(
    ("value", "unit", "field"),
    [("1e2", None, "value"), ("NaN", None, "value"), ("", None, "value"), ("45", "mmol/L", "value"),
     ("4.1", "mg/dL", "unit"), (True, None, "value"), ("-4", None, "value")],
)  # fmt: skip
def test_what_cannot_be_potassium_is_refused(value: object, unit: str | None, field: str) -> None:
    with pytest.raises(Refused) as refused:
        results.read_result(ResultKind.POTASSIUM, value, unit)
    assert refused.value.field == field


def course(name: str, dose: str, times: str, route: Route = Route.ORAL) -> medicines.Course:
    day = date(2026, 11, 1)
    return medicines.Course(name, MedicineClass.LOOP_DIURETIC, Decimal(dose), "mg", Decimal(times), route, day)


def test_loop_diuretics_add_up_as_furosemide() -> None:
    """Pharmacist review 2023: furosemide 40 mg by mouth = 20 mg into a vein = bumetanide 1 mg = torasemide 20 mg."""
    factors = medicines.read_factors(medicines.START_FACTORS)
    alike = [
        course("Furosemide", "40", "1"), course("furosemide", "20", "1", Route.IV), course("bumetanide", "0.5", "2"),
        course("torasemide", "20", "1"),
    ]  # fmt: skip
    for one in alike:
        found = medicines.loop_sum([one], date(2026, 11, 25), factors)
        assert found is not None
        assert (found.mg, found.unknown) == (Decimal(40), ())


def test_a_diuretic_without_a_factor_is_named_and_not_counted_as_none() -> None:
    found = medicines.loop_sum([course("azosemide", "60", "1")], date(2026, 11, 25), {})
    assert found is not None
    assert found.unknown == ("azosemide oral",)
    assert medicines.loop_sum([], date(2026, 11, 25), {}) is None


def test_aftercare_counts_from_the_day_of_discharge() -> None:
    """Out on 1 March: a call by the 4th, visits on 8, 15, 22 March and 12 April (counted by hand)."""
    rule, out = aftercare.Aftercare(), date(2026, 3, 1)
    call, *visits = rule.contacts(out)
    assert call == (ContactWay.CALL, date(2026, 3, 4))
    assert [day for _, day in visits] == [date(2026, 3, 8), date(2026, 3, 15), date(2026, 3, 22), date(2026, 4, 12)]
    assert [rule.day(out, out + timedelta(days=after)) for after in (-1, 0, 9, 42, 43)] == [None, 0, 9, 42, None]


def test_a_rhythm_is_read_as_people_write_it() -> None:
    assert results.read_rhythm(" Atrial fibrillation ") is Rhythm.ATRIAL_FIBRILLATION
    with pytest.raises(Refused):
        results.read_rhythm("regular")


# --- what the record says today ---------------------------------------------------------

HERE = ZoneInfo("Europe/London")
TODAY = date(2026, 11, 25)
RULES = rules.from_json(None)


def taken(kind: ResultKind, value: str, day: date) -> dict[ResultKind, list[results.TimedResult]]:
    at = datetime(day.year, day.month, day.day, 9, tzinfo=UTC)
    return {kind: [results.TimedResult(at, results.read_result(kind, value, None))]}


def mra(began: date) -> medicines.Course:
    one = Decimal(25), "mg", Decimal(1), Route.ORAL
    return medicines.Course("spironolactone", MedicineClass.MRA, *one, began)


def due(known: Recorded) -> list[date]:
    return [one.due_on for one in of_today(known, RULES, TODAY, HERE).due]


def test_chemistry_is_due_until_a_result_answers_it() -> None:
    """An MRA: chemistry after 1 and 4 weeks (NHS Specialist Pharmacy Service)."""
    began = TODAY - timedelta(days=10)
    assert due(Recorded([mra(began)])) == [began + timedelta(days=7)]
    answered = taken(ResultKind.POTASSIUM, "4.4", began + timedelta(days=8))
    assert due(Recorded([mra(began)], answered)) == [began + timedelta(days=28)]
    early = taken(ResultKind.POTASSIUM, "4.4", began)  # of the day of the change itself: it answers nothing
    assert due(Recorded([mra(began)], early)) == [began + timedelta(days=7)]
    other = taken(ResultKind.HAEMOGLOBIN, "12", began + timedelta(days=8))
    assert due(Recorded([mra(began)], other)) == [began + timedelta(days=7)]


def test_a_result_after_all_dates_answers_all_and_of_one_between_them_nothing_false_is_said() -> None:
    """An MRA: chemistry after 1 and 4 weeks (NHS Specialist Pharmacy Service)."""
    began = TODAY - timedelta(days=40)  # 16 October
    late = taken(ResultKind.POTASSIUM, "4.4", began + timedelta(days=30))
    assert due(Recorded([mra(began)], late)) == []
    between = taken(ResultKind.POTASSIUM, "4.4", began + timedelta(days=8))
    (one,) = of_today(Recorded([mra(began)], between), RULES, TODAY, HERE).due
    assert record.due(ENGLISH, one, TODAY) == (
        "Chemistry was due by 13 November: spironolactone since 16 October, and no result after 24 October"
    )
    (first,) = of_today(Recorded([mra(began)]), RULES, TODAY, HERE).due
    assert record.due(ENGLISH, first, TODAY).endswith("and no result after 16 October")


def test_what_was_taken_before_the_patient_came_is_no_change() -> None:
    began = TODAY - timedelta(days=400)
    assert due(Recorded([mra(began)], enrolled_on=began)) == [began + timedelta(days=7)]
    assert due(Recorded([mra(began)], enrolled_on=began + timedelta(days=1))) == []


def test_a_stage_of_kidney_injury_is_told_while_it_is_news() -> None:
    for days, told in ((0, True), (28, True), (29, False)):
        first, second = (taken(ResultKind.CREATININE, value, TODAY - timedelta(days=days + before))
                         for value, before in (("80", 5), ("170", 0)))  # fmt: skip
        series = {ResultKind.CREATININE: [*first[ResultKind.CREATININE], *second[ResultKind.CREATININE]]}
        assert (of_today(Recorded(results=series), RULES, TODAY, HERE).injury is not None) is told


def test_of_a_record_that_is_empty_nothing_is_known() -> None:
    now = of_today(Recorded(), RULES, TODAY, HERE)
    assert (now.age, now.egfr, now.injury, now.loop, now.day_after_stay, now.contact) == (None,) * 6
    assert not now.overdue(TODAY)


def test_egfr_is_computed_only_where_age_and_sex_are_known_and_says_so() -> None:
    """A woman of 55 at 0.9 mg/dL (79.56 µmol/L): 75.50 by CKD-EPI 2021."""
    blood = taken(ResultKind.CREATININE, "79.56", TODAY)
    assert of_today(Recorded(results=blood, sex=Sex.FEMALE), RULES, TODAY, HERE).egfr is None
    known = Recorded(results=blood, sex=Sex.FEMALE, born_on=date(1971, 11, 25))
    found = of_today(known, RULES, TODAY, HERE).egfr
    assert found is not None
    assert (round(found.value, 2), found.computed) == (75.5, True)


def test_the_day_after_a_stay_is_told_until_the_last_visit() -> None:
    out = TODAY - timedelta(days=9)
    stay = Happened(EventKind.ADMISSION, EventCause.HEART_FAILURE, out - timedelta(days=5), out)
    now = of_today(Recorded(events=[stay]), RULES, TODAY, HERE)
    assert (now.day_after_stay, now.in_hospital_since) == (9, None)
    still = Happened(EventKind.ADMISSION, EventCause.OTHER, TODAY, None)
    assert of_today(Recorded(events=[stay, still]), RULES, TODAY, HERE).in_hospital_since == TODAY


def test_a_clinics_rules_are_kept_and_refused_by_field() -> None:
    assert rules.from_json(rules.as_json(RULES)) == RULES
    own = rules.from_json({"loop_factors": {"Torasemide oral": 4}, "visit_weeks": [4, 2], "call_days": None})
    assert (own.loop_factors, own.aftercare.visit_weeks) == ({"torasemide oral": Decimal(4)}, (2, 4))
    assert [way for way, _ in own.aftercare.contacts(TODAY)] == [ContactWay.VISIT, ContactWay.VISIT]
    for given, field in (
        ({"loop_factors": {"torasemide": 4}}, "loop_factors"), ({"chemistry_days": {"mra": [0]}}, "chemistry_days"),
        ({"call_days": True}, "call_days"), ({"weeks": []}, "record_rules"), ({"visit_weeks": 3}, "visit_weeks"),
        ({"watched_days": 93}, "watched_days"), ({"contact_role": "administrator"}, "contact_role"),
    ):  # fmt: skip
        with pytest.raises(Refused) as refused:
            rules.from_json(given)
        assert refused.value.field == field


def series(kind: ResultKind, *values: tuple[str, int], **more: Any) -> list[results.TimedResult]:
    """Values, each taken so many hours before noon."""
    return [
        results.TimedResult(NOON - timedelta(hours=hours), results.read_result(kind, value, None), **more)
        for value, hours in values
    ]


def test_the_newest_is_held_against_the_patients_own_alone() -> None:
    """No outside source: the service's own promise, that nothing is called usual of fewer than three."""
    for values, knowledge, above in (
        ([("4.0", 1)], Knowledge.NOTHING, False),
        ([("4.0", 30), ("5.9", 1)], Knowledge.TOO_LITTLE, True),
        ([("4.0", 90), ("4.4", 60), ("4.1", 30), ("4.4", 1)], Knowledge.UNCHANGED, False),
        ([("4.0", 90), ("4.4", 60), ("4.1", 30), ("4.5", 1)], Knowledge.CHANGED, True),
        ([("4.0", 90), ("4.4", 60), ("4.1", 30), ("3.9", 1)], Knowledge.CHANGED, False),
        ([("4.0", 9999), ("4.4", 60), ("4.1", 30), ("3.9", 1)], Knowledge.TOO_LITTLE, False),
    ):
        found = standing.among(ResultKind.POTASSIUM, series(ResultKind.POTASSIUM, *values), HERE)
        assert (found.knowledge, found.above) == (knowledge, above), values


def test_a_pair_of_posture_is_of_one_quarter_of_an_hour_and_says_the_drop() -> None:
    """Orthostatic: 20/10 mmHg or more within 3 minutes of standing; the drop is told, the figure only named."""
    lying = {"posture": ArmPosture.LYING}
    known = {
        ResultKind.SYSTOLIC: [
            *series(ResultKind.SYSTOLIC, ("160", 48), **lying), *series(ResultKind.SYSTOLIC, ("142", 2), **lying),
            *series(ResultKind.SYSTOLIC, ("118", 2), posture=ArmPosture.STANDING),
        ],
        ResultKind.DIASTOLIC: series(ResultKind.DIASTOLIC, ("80", 2), **lying),
    }  # fmt: skip
    pair = standing.posture_pair(known, HERE)
    assert pair is not None
    assert pair.drop == (24, None)
    known[ResultKind.SYSTOLIC].pop(1)
    assert standing.posture_pair(known, HERE) is None


def test_the_gradient_at_implant_is_pa_diastolic_less_wedge() -> None:
    """PA diastolic 25 − wedge 20 = 5 mmHg; from 7 on it is raised (2015 ESC/ERS guideline, from memory)."""
    for diastolic, raised in (("25", False), ("26", False), ("27", True)):
        known = {
            ResultKind.CATHETER_DIASTOLIC: series(ResultKind.CATHETER_DIASTOLIC, (diastolic, 2)),
            ResultKind.WEDGE: series(ResultKind.WEDGE, ("20", 2)),
        }
        found = standing.catheter(known, TODAY, HERE)
        assert found is not None
        assert (found.gradient, found.is_raised, found.at_implant) == (int(diastolic) - 20, raised, True)
    assert standing.catheter({ResultKind.WEDGE: known[ResultKind.WEDGE]}, TODAY, HERE) is None


def test_published_classes_begin_where_they_are_published_to_begin() -> None:
    """Ejection fraction ≤ 40, 41–49, ≥ 50 % (ESC 2021); GFR categories of KDIGO 2012, from memory."""
    classes = [standing.ejection_class(Decimal(value)) for value in (40, 41, 49, 50)]
    assert classes == [EjectionClass.REDUCED, *[EjectionClass.MILDLY_REDUCED] * 2, EjectionClass.PRESERVED]
    stages = [standing.gfr_stage(value) for value in (90, 89, 60, 59, 45, 44, 30, 29, 15, 14)]
    assert stages == ["G1", "G2", "G2", "G3a", "G3a", "G3b", "G3b", "G4", "G4", "G5"]


def test_of_somebody_who_died_nothing_is_due_and_the_last_known_is_of_that_day() -> None:
    died = TODAY - timedelta(days=3)
    known = Recorded(
        [mra(TODAY - timedelta(days=30))], taken(ResultKind.POTASSIUM, "4.4", died + timedelta(days=1)),
        [Happened(EventKind.DEATH, EventCause.NOT_KNOWN, died, None)],
        contacts=[Contacting(uuid.uuid4(), TODAY, ContactWay.CALL, None, None, agreed=False)],
    )  # fmt: skip
    now = of_today(known, RULES, TODAY, HERE)
    assert (now.due, now.contact, now.changed, now.newest, now.death) == ((), None, None, (), known.events[0])


@pytest.mark.parametrize(
    ("kind", "value", "unit", "field", "accepted"),
    [
        (ResultKind.CREATININE, "90", "mmol/L", "unit", "one of µmol/L, mg/dL"),
        (ResultKind.CREATININE, "9000", "µmol/L", "value", "10 to 3000 µmol/L"),
        (ResultKind.SYSTOLIC, "700", "mmHg", "value", "40 to 300 mmHg"),
        (ResultKind.NYHA, "2.5", None, "value", "a whole number from 1 to 4"),
    ],
)
def test_what_is_refused_is_said_as_people_write_it(
    kind: ResultKind, value: str, unit: str | None, field: str, accepted: str
) -> None:
    """Units as written and as UCUM has them; no outside source for the words."""
    with pytest.raises(Refused) as refused:
        results.read_result(kind, value, unit)
    assert (refused.value.field, refused.value.accepted) == (field, accepted)


def test_a_kind_and_a_unit_are_read_as_people_write_them() -> None:
    for written in ("ejection_fraction", "Ejection fraction (%)", " EJECTION-FRACTION "):
        assert results.read_kind(written) is ResultKind.EJECTION_FRACTION
    with pytest.raises(Refused, match=r"ejection fraction \(%\)"):
        results.read_kind("ef")
    assert results.read_result(ResultKind.CREATININE, "90", "μmol/L").unit == "umol/L"
    assert results.read_result(ResultKind.EGFR, "60", "mL/min/1.73 m²").unit == results.EGFR
    with pytest.raises(Refused, match="atrial fibrillation"):
        results.read_rhythm("regular")
