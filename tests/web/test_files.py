"""A file taken in on a page: matched, tried, and taken in by the last button alone."""

from __future__ import annotations

import base64
import io
import re
from datetime import datetime, timedelta
from html import unescape
from typing import Any

import openpyxl
import pytest
from flask.testing import FlaskClient
from sqlalchemy import func, select

from service.domain.vocabulary import Role
from service.filing.imports import forget_files
from service.store.session import read_session, write_session
from service.store.tables import Base, ImportFile, Patient, Reading
from service.web.pages.clinic import files
from tests.web.conftest import House

pytestmark = pytest.mark.databases("sqlite")
PAGE = "/clinic/files"
ROSTER = "MRN,Full name,DOB,Mobile\nF-21,Mara Invented,1948-03-09,07700 900077\nF-22,Noor Invented,soon,\n=F-1,,,\n"


def post(client: FlaskClient, path: str, status: int, /, **form: Any) -> str:
    token = re.search(r'name="csrf_token" value="([^"]+)"', client.get(PAGE).get_data(as_text=True))
    assert token is not None
    answer = client.post(path, data={"csrf_token": token[1], **form})
    assert answer.status_code == status, answer.get_data(as_text=True)
    return answer.headers["Location"] if status == 303 else unescape(answer.get_data(as_text=True))


def upload(client: FlaskClient, kind: str, text: str) -> str:
    return post(client, PAGE, 303, kind=kind, file=(io.BytesIO(text.encode()), "export.csv"))


def matched(page: str) -> dict[str, str]:
    """The columns as the page has them chosen."""
    selects = re.findall(r'<select id="column-[^"]+" name="([^"]+)">(.*?)</select>', page, re.DOTALL)
    return {name: chosen[1] for name, options in selects if (chosen := re.search(r'value="([^"]*)" selected', options))}


def count(house: House, table: type[Base]) -> int:
    with read_session(house.engine) as session:
        return session.scalar(select(func.count()).select_from(table)) or 0


def test_a_roster_is_matched_tried_and_taken_in(house: House) -> None:
    nurse, before = house.staff(Role.NURSE), count(house, Patient)
    path = upload(nurse, "roster", ROSTER)
    page = unescape(nurse.get(path).get_data(as_text=True))
    columns = matched(page)
    assert columns == {"column-clinic_ref": "mrn", "column-name": "full name", "column-born_on": "dob",
                       "column-telephone": "mobile"}  # fmt: skip
    assert "<td>Mara Invented</td>" in page
    tried = post(nurse, path, 200, do="try", **columns)
    assert "Of 3 rows, 1 would be taken, 0 are there already, 2 refused." in tried
    assert "Line 3, Date of birth: soon. Accepted is a date such as 2026-03-01." in tried
    assert count(house, Patient) == before
    refused = post(nurse, path, 200, do="refused", **columns)
    assert refused.splitlines()[0] == "\ufeffline,column,value,accepted"
    assert refused.splitlines()[1].startswith("3,Date of birth,soon,")
    assert "Of 3 rows, 1 were taken" in post(nurse, path, 200, do="take", **columns)
    assert count(house, Patient) == before + 1
    post(nurse, path, 303, do="drop")
    assert count(house, ImportFile) == 0


def test_readings_of_a_file_are_taken_in_once(house: House) -> None:
    nurse = house.staff(Role.NURSE)
    text = "Patient;Time;Sys;Dia;Extra\nF-1;2026-11-20T07:00:00+00:00;30,5;18;=1+1\n"
    path = upload(nurse, "readings", text)
    form = {**matched(unescape(nurse.get(path).get_data(as_text=True))), "unit": "mm[Hg]"}
    for told in ("Of 1 rows, 1 were taken, 0 were there already", "Of 1 rows, 0 were taken, 1 were there already"):
        assert told in post(nurse, path, 200, do="take", **form)
    assert count(house, Reading) == 1
    assert "Taken at is needed." in post(nurse, path, 422, do="try", **{"column-patient": "patient"})


@pytest.mark.parametrize("body", ["", "x", "\ufffd\ufffda,b", "a,b\n" * 300, "," * 300], ids=range(5))
def test_what_is_no_such_file_is_not_kept(house: House, body: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(files, "MOST_BYTES", 1_000)
    assert upload(house.staff(Role.NURSE), "roster", body).endswith(PAGE)
    assert count(house, ImportFile) == 0


def test_a_file_is_gone_after_a_day_and_is_never_another_clinics(house: House, build: Any) -> None:
    nurse, stranger = house.staff(Role.NURSE), build("Saltholt Clinic").staff(Role.NURSE)
    path = upload(nurse, "roster", ROSTER)
    assert stranger.get(path).status_code == 404
    house.clock.advance(timedelta(days=1, minutes=1))
    assert house.staff(Role.NURSE).get(path).status_code == 404
    with write_session(house.engine) as session:
        forget_files(session, house.clock.now())
    assert count(house, ImportFile) == 0


def workbook() -> bytes:
    made, held = openpyxl.Workbook(), io.BytesIO()
    made.active.append(["note"])
    sheet = made.create_sheet("Vitals")
    for row in (
        ["MRN", "Datetime", "Sys", "Dia", "Ward"],
        ["F-1", datetime.fromisoformat("2026-11-20T07:00:00"), 30.5, 18, 3],
    ):
        sheet.append(row)
    made.save(held)
    return held.getvalue()


def test_a_workbook_is_taken_in_on_the_page_and_taken_back(house: House) -> None:
    nurse, stranger = house.staff(Role.NURSE), house.staff(Role.READ_ONLY)
    path = post(nurse, PAGE, 303, kind="readings", file=(io.BytesIO(workbook()), "vitals <b>.xlsx"))
    page = unescape(nurse.get(path).get_data(as_text=True))
    form = {**matched(page), "unit": "mm[Hg]", "sheet": "Vitals", "sheet_was": "Vitals"}
    assert form["column-taken_at"] == "datetime"
    assert "0 would be taken" in post(nurse, path, 200, do="try", **form)  # of which zone, nobody said
    told = post(nurse, path, 200, do="take", **form, zone="Europe/London")
    assert "Of 1 rows, 1 were taken" in told
    assert "Columns left out: ward" in told
    (back,) = re.findall(r'href="(/clinic/files/taken/[^"]+)"', told)
    assert "vitals &lt;b&gt;.xlsx" in nurse.get(PAGE).get_data(as_text=True)
    assert stranger.get(back).status_code == 403
    assert "Of 1 rows that it brought, 1 can be taken back" in nurse.get(back).get_data(as_text=True)
    assert "Why: accepted is" in post(nurse, back, 422, why="")
    assert "1 were taken back now" in post(nurse, back, 200, why="wrong file")
    assert "Nothing of it is left to take back." in nurse.get(back).get_data(as_text=True)
    assert "1 taken back" in nurse.get(PAGE).get_data(as_text=True)
    with read_session(house.engine) as session:
        assert session.scalars(select(Reading.superseded_at)).one() is not None


def test_the_api_takes_a_file_in_and_back_by_the_same_rules(house: House) -> None:
    nurse = house.staff(Role.NURSE)
    token = re.search(r'name="csrf_token" value="([^"]+)"', nurse.get(PAGE).get_data(as_text=True))
    assert token is not None
    head = {"X-CSRFToken": token[1]}

    def call(path: str, status: int, **body: Any) -> dict[str, Any]:
        answer = nurse.post(f"/api/v1{path}", json=body, headers=head)
        assert answer.status_code == status, answer.get_data(as_text=True)
        given: dict[str, Any] = answer.get_json()
        return given

    file = {
        "kind": "readings", "content": base64.b64encode(workbook()).decode(), "name": "vitals.xlsx", "unit": "mm[Hg]",
        "columns": {"patient": "MRN", "taken_at": "Datetime", "pa_systolic": "Sys", "pa_diastolic": "Dia"},
    }  # fmt: skip
    assert call("/imports", 200, **file, dry_run=True)["refused"][0]["line"] == 2
    assert call("/imports", 422, **file, zone="Nowhere")["errors"][0]["field"] == "zone"
    assert call("/imports", 422, **file | {"content": "!"})["errors"][0]["field"] == "content"
    told = call("/imports", 200, **file, zone="UTC")
    assert (told["taken"], told["left_out"], told["lost_zeros"]) == (1, ["ward"], {})
    (listed,) = nurse.get("/api/v1/imports").get_json()["items"]
    assert (listed["id"], listed["kind"], listed["taken"]) == (told["import_id"], "readings", 1)
    undo = f"/imports/{told['import_id']}/undo"
    for dry_run in (True, False):
        assert call(undo, 200, why="wrong file", dry_run=dry_run) == {
            "rows": 1, "taken_back": 1, "before": 0, "kept": []}  # fmt: skip
    assert call(f"/imports/{house.clinic_id}/undo", 404, why="x")["status"] == 404
    assert house.machine.post("/imports", file).status_code == 403
