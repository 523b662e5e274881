"""Everything about one patient as one file: nothing left out, nothing of anybody else, and readable."""

from __future__ import annotations

import csv
import io
import json
import zipfile
from typing import Any

from pypdf import PdfReader
from sqlalchemy import select

from service.accounts.sessions import CONFIRMED_FOR
from service.domain.vocabulary import Opened, Role
from service.keeping import belonging, copying, dictionary
from service.store.session import read_session, write_session
from service.store.tables import AccessLine, Caregiver, Clinic, Patient
from tests.builder import building
from tests.filled import AT, fill
from tests.web.conftest import House

PLACE = "/clinic/patients/{}/everything.zip"


def test_no_row_of_theirs_is_left_out_and_none_of_anybody_elses_is_in(house: House) -> None:
    # 45 CFR 164.524(a)(1): access to all of it in the designated record set; GDPR, article 15(3): a copy.
    house.staff_id(Role.NURSE)
    with building(house.engine, house.clock.now()) as build:
        other = build.patient(build.session.get_one(Clinic, house.clinic_id), ref="F-2").id
    with write_session(house.engine) as session:
        theirs = fill(session, house.clinic_id, house.patient_id, "of one")
        others = fill(session, house.clinic_id, other, "of another")
    with read_session(house.engine) as session:
        found = copying.gather(session, house.clinic_id, house.patient_id, AT)
    rows = {name: {str(dictionary.plain(row["id"])) for row in some} for name, some in found.rows.items()}
    assert set(rows) == belonging.TIED
    tied = {name: str(row_id) for name, row_id in theirs.items() if name not in belonging.LOOSE}
    assert {name for name, row_id in tied.items() if row_id not in rows[name]} == set()
    assert {str(one) for one in others.values()} & set().union(*rows.values()) == set()


def test_the_file_is_whole_readable_and_safe_to_open(house: House) -> None:
    with write_session(house.engine) as session:
        session.scalars(select(Caregiver)).one().name = "=1+1"
        session.get_one(Patient, house.patient_id).language = "es"
    nurse = house.staff(Role.NURSE)
    answer = nurse.get(PLACE.format(house.patient_id))
    assert answer.status_code == 200, answer.get_data(as_text=True)[:300]
    with zipfile.ZipFile(io.BytesIO(answer.data)) as file:
        assert file.testzip() is None
        parts = {name: file.read(name) for name in file.namelist()}
    whole = json.loads(parts["record.json"])
    told = {(row["table"], row["column"]) for row in _rows(parts["dictionary.csv"])}
    for name, some in whole["tables"].items():
        assert {(name, column) for row in some for column in row} <= told
        if some:
            assert len(_rows(parts[f"tables/{name}.csv"])) == len(some)
    # OWASP, "CSV Injection": a cell that begins with = is no formula once a quote stands before it.
    assert [row["name"] for row in _rows(parts["tables/caregivers.csv"])] == ["'=1+1"]
    assert [row["name"] for row in whole["tables"]["caregivers"]] == ["=1+1"]
    assert "secret" not in {column for row in whole["tables"]["contacts"] for column in row}
    assert "Este archivo" in parts["README.txt"].decode()
    with read_session(house.engine) as session:
        name = session.get_one(Patient, house.patient_id).name
        line = session.scalars(select(AccessLine).where(AccessLine.opened == Opened.EXPORT)).one()
    assert name in PdfReader(io.BytesIO(parts["record.pdf"])).pages[0].extract_text()
    assert (line.patient_id, line.patients) == (house.patient_id, 1)

    house.clock.advance(CONFIRMED_FOR * 1.01)
    assert nurse.get(PLACE.format(house.patient_id)).status_code == 303  # to show that it is they
    assert house.staff(Role.ADMINISTRATOR).get(PLACE.format(house.patient_id)).status_code == 403


def _rows(file: bytes) -> list[dict[str, Any]]:
    return list(csv.DictReader(io.StringIO(file.decode("utf-8-sig"), newline="")))
