"""Staff pages hold nothing hard-coded: in a language made from the messages, all of them is disguised."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from datetime import date
from pathlib import Path

import pytest
from sqlalchemy import Engine

from service.domain.vocabulary import AdjustmentKind, Outcome
from service.reports import charts
from service.reviewing import adjusting, records, signing
from service.reviewing.adjusting import NewAdjustment
from service.reviewing.patient import timeline_of
from service.store.session import read_session, write_session
from service.store.tables import Staff
from service.words.language import Language
from tests.builder import acting
from tests.pseudo import CODE, pseudo_language, words_left
from tests.ward import NOW
from tests.web.test_clinic_pages import PAGES, Clinic, clinic  # noqa: F401 - the fixture

pytestmark = pytest.mark.databases("sqlite")

# What is nobody's language: names, units, what people wrote, and the words in which files are known.
NAMES = (
    "Neaptide", "kg mmHg PDF CSV", "Fernmoor Clinic Pacific Auckland Europe London GMT", "Asha Okoro Ben Lindqvist Cara Bold Dina Nobody",
    "Imogen Vale Rowan Pell Noa Finch", "Answered that there is chest pain", "No reading for 4 days",
    "Evening tablet Blood test", "Looked at both", "angla Esperanto hispana",
)  # fmt: skip


@pytest.fixture
def pseudo(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Language]:
    with pseudo_language(tmp_path / "words", monkeypatch) as spoken:
        yield spoken


@pytest.fixture
def lived_in(pseudo: Language, clinic: Clinic, engine: Engine) -> Clinic:  # noqa: F811
    """With an adjustment, its follow-up and a signature on record."""
    with write_session(engine) as session:
        nurse = session.get_one(Staff, clinic.staff["nurse"])
        made = NewAdjustment(
            AdjustmentKind.MEDICINE, "Evening tablet", date(2026, 11, 12), date(2026, 11, 20), "Blood test"
        )
        act, asha = acting(session, nurse, NOW), clinic.ids["Asha"]
        adjusting.record_adjustment(act, asha, made)
        signing.sign(act, asha, Outcome.NO_CHANGE, "Looked at both", None, pseudo)
    return clinic


def see(clinic: Clinic, path: str) -> list[str]:  # noqa: F811
    """The words of the page that no catalogue said."""
    answer = clinic.client.get(path, headers={"Accept-Language": CODE})
    page = answer.get_data(as_text=True)
    assert answer.status_code == 200, page[:500]
    assert f'<html lang="{CODE}"' in page
    return words_left(re.sub(r"<kbd>[^<]*</kbd>|\b[0-9a-f]{8}\b", "", page), NAMES)


@pytest.mark.parametrize("path", PAGES)
def test_the_clinics_pages(lived_in: Clinic, path: str) -> None:
    assert see(lived_in, path) == []


@pytest.mark.parametrize("name", ["Asha", "Ben", "Cara", "Dina"])
def test_a_patients_page(lived_in: Clinic, name: str) -> None:
    assert see(lived_in, lived_in.path(name)) == []


def test_the_record(lived_in: Clinic) -> None:
    # Units, and what a file may call what is in them, are spelt alike in every language.
    left = set(see(lived_in, lived_in.path("Asha", "/record")))
    units = {"mm", "Hg", "mmol", "µmol", "mL", "dL", "mg", "ng", "pg", "µg", "mEq", "m²", "min"}
    assert left <= units | {"urea", "nitrogen"}


def test_the_wordings(lived_in: Clinic) -> None:
    lived_in.enter("clerk")
    # The placeholders are spelt as whoever writes a wording types them.
    assert set(see(lived_in, f"/clinic/wordings/{CODE}/prompt")) <= {"Esperanto", "asked", "greeting", "link", "sender"}


def strings(value: object) -> Iterator[str]:
    """Every text of a record, drawings aside."""
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict):
        for name, part in value.items():
            if name not in {"svg", "fingerprint", "language", "ref"}:
                yield from strings(part)
    elif isinstance(value, list | tuple):
        for part in value:
            yield from strings(part)


def test_the_records_and_the_drawing(pseudo: Language, lived_in: Clinic) -> None:
    with read_session(lived_in.engine) as session:
        week = records.weekly_record(session, lived_in.clinic_id, date(2026, 11, 23), pseudo)
        month, seen = records.patient_record(session, lived_in.clinic_id, lived_in.ids["Asha"], None, NOW, pseudo)
    drawn = timeline_of(seen, pseudo)
    said = charts.describe(drawn, pseudo, pseudo.gettext("The table below holds every value."))
    for facts in (week.facts, month.facts, said):
        left = words_left(re.sub(r"\b[0-9a-f]{8}\b", "", " ".join(strings(facts))), NAMES)
        assert left == []
    spec = json.dumps(charts.timeline(drawn, pseudo, width=880), ensure_ascii=False)
    for shown in re.findall(r'"title": "([^"]+)"', spec):
        assert words_left(shown, NAMES) == []
