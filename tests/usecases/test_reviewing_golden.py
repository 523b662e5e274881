"""The golden reviews of fixtures/reviews: one invented patient a file, and what the review makes of them."""

from __future__ import annotations

import json
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine

from service.domain.vocabulary import AdjustmentKind, PauseCause, SilenceCause, WindowState
from service.reviewing.adjusting import NewAdjustment
from service.reviewing.patient import build_patient
from service.store.session import write_session
from tests import inwords
from tests.ward import NOW, Ward, open_ward

pytestmark = pytest.mark.databases("sqlite")

FILES = sorted((Path(__file__).parents[2] / "fixtures" / "reviews").glob("*.json"))
# A month and more of quiet days, within half a mmHg of 18.
QUIET = [18.0, 18.4, 17.6, 18.2, 17.8, 18.1, 17.9]


def test_there_are_golden_reviews():
    assert len(FILES) >= 10


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_the_review_makes_of_a_patient_what_was_worked_out_by_hand(engine: Engine, path: Path):
    golden = json.loads(path.read_text(encoding="utf-8"))
    with write_session(engine) as session:
        ward = open_ward(session)
        patient_id = _record(ward, golden["given"])
        seen = build_patient(session, ward.clinic.id, patient_id, NOW)
    entry, expected = seen.entry, golden["expected"]
    assert entry.lane.value == expected["lane"]
    for fragment in expected["why"]:
        assert fragment in inwords.why(entry)
    known = entry.summary
    assert (known.adherence.received, known.adherence.expected) == (expected["received"], expected["expected"])
    assert known.strip.marks.endswith(expected["marks_end"])
    assert inwords.diary_week(known.trend.picture) == expected["diary"]
    change = known.trend.diary.weight.change_kg
    assert change == (None if expected["weight"] is None else pytest.approx(expected["weight"]))
    assert "clear" not in inwords.why(entry).lower()


def _record(ward: Ward, given: dict[str, Any]) -> Any:
    pressures: list[float | None] = []
    for value in given["pressures"]:
        if isinstance(value, str):
            pressures += [QUIET[index % len(QUIET)] for index in range(int(value.removeprefix("steady ")))]
        else:
            pressures.append(value)
    later = given.get("ended_days_ago", 0)
    ward.now -= timedelta(days=later)
    patient = ward.patient(
        "Golden",
        pressures=pressures,
        weights=given.get("weights", ()),
        breathlessness=given.get("breathlessness", ()),
        reference=given.get("reference"),
        upper=given.get("upper"),
        lower=given.get("lower"),
        enrolled_days_ago=given.get("enrolled_days_ago", 200),
    )
    ward.now += timedelta(days=later)
    today = ward.today(patient)
    for ago in range(given.get("excused", 0)):
        ward.window(patient, today - timedelta(days=ago), WindowState.EXCUSED)
    if "silence" in given:
        silence = ward.silence(patient, given["silence"]["missed"], SilenceCause(given["silence"]["cause"]))
        silence.first_date, silence.last_date = today - timedelta(days=silence.missed - 1), today
    if "pause" in given:
        first = today - timedelta(days=given["pause"]["days"] - 1)
        ward.pause(patient, PauseCause(given["pause"]["cause"]), first, None)
    if "adjustment" in given:
        made = given["adjustment"]
        made_on, follow_up_on = (today - timedelta(days=made[name]) for name in ("days_ago", "follow_up_days_ago"))
        new = NewAdjustment(AdjustmentKind.MEDICINE, made["what"], made_on, follow_up_on, made["follow_up"])
        ward.adjusts(patient, new)
    ward.session.flush()
    return patient.id
