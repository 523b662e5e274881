"""Everything that is kept about one patient, as one file to hand to them: a ZIP archive.

Promises that no row of theirs which this clinic may read is left out (`keeping.belonging`), each as it is stored, in
`record.json` and, a table at a time, as CSV, with a dictionary of every table and column made from the tables' own
words; that what is left out of a row is what opens something, and is named; and that a PDF, which whoever calls has
drawn, tells the days in the patient's language. What another clinic of this service keeps is that clinic's to hand out.

The same file for the same record and moment: entries bear the moment, and nothing else of this machine.
"""

from __future__ import annotations

import csv
import io
import json
import uuid
import zipfile
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.domain.validation import NotHere
from service.keeping import belonging, dictionary
from service.store.session import rows
from service.store.tables import Clinic, Patient, Staff
from service.words.language import Language

LAYOUT = 1  # of record.json
Rows = Mapping[str, list[dict[str, Any]]]


@dataclass(frozen=True)
class Copy:
    """All rows of one patient by table, and what they are read with."""

    patient: Patient
    clinic: Clinic
    made_at: datetime
    rows: Rows
    colleagues: Mapping[uuid.UUID, str]  # names by the ids that stand in the rows

    def count(self) -> int:
        return sum(len(some) for some in self.rows.values())


def gather(session: Session, clinic_id: uuid.UUID, patient_id: uuid.UUID, now: datetime) -> Copy:
    """Everything of this patient that the clinic may read. Raises NotHere for a patient that is not its own."""
    patient = session.get(Patient, patient_id)
    if patient is None or patient.clinic_id != clinic_id:
        raise NotHere(f"no patient {patient_id}")
    belongs = belonging.of_patient(session, patient_id)
    found: dict[str, list[dict[str, Any]]] = {}
    for name in sorted(belongs.of):
        kept = [column.name for column in dictionary.going_out(belonging.TABLES[name])]
        theirs = rows(session).execute(belongs.rows_of(name, clinic_id)).mappings()
        found[name] = [{column: row[column] for column in kept} for row in theirs]
    held = {value for some in found.values() for row in some for value in row.values() if isinstance(value, uuid.UUID)}
    everybody = rows(session).execute(select(Staff.id, Staff.name).where(Staff.clinic_id == clinic_id)).all()
    colleagues = {row.id: row.name for row in everybody if row.id in held}
    return Copy(patient, session.get_one(Clinic, clinic_id), now, found, colleagues)


def archive(copy: Copy, say: Language, pdf: bytes) -> bytes:
    """The file itself; `pdf` is the readable part, and `say` the patient's language."""
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as parts:
        for name, content in _parts(copy, say, pdf):
            entry = zipfile.ZipInfo(name, copy.made_at.timetuple()[:6])
            entry.compress_type = zipfile.ZIP_DEFLATED
            entry.external_attr = 0o600 << 16
            parts.writestr(entry, content)
    return file.getvalue()


def _parts(copy: Copy, say: Language, pdf: bytes) -> Iterator[tuple[str, bytes]]:
    yield "README.txt", _words(copy, say).encode()
    yield "record.pdf", pdf
    yield "record.json", json.dumps(_record(copy), ensure_ascii=False, indent=1).encode()
    yield "dictionary.csv", _csv(dictionary.HEAD, dictionary.described(belonging.TABLES[name] for name in copy.rows))
    for name, some in copy.rows.items():
        if some:
            yield f"tables/{name}.csv", _csv(some[0], (row.values() for row in some))


def _record(copy: Copy) -> dict[str, Any]:
    return {
        "layout": LAYOUT,
        "made_at": dictionary.plain(copy.made_at),
        "clinic": {"id": str(copy.clinic.id), "name": copy.clinic.name},
        "patient": str(copy.patient.id),
        "left_out": [f"{name}.{one}" for name in copy.rows for one in sorted(dictionary.WITHHELD.get(name, ()))],
        "colleagues": {str(one): name for one, name in sorted(copy.colleagues.items(), key=lambda pair: str(pair[0]))},
        "tables": {
            name: [{column: dictionary.plain(value) for column, value in row.items()} for row in some]
            for name, some in copy.rows.items()
        },
    }


def _csv(head: Iterable[str], some: Iterable[Iterable[Any]]) -> bytes:
    """RFC 4180, UTF-8 with a mark at its beginning, by which spreadsheets know it; no cell is a formula."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(head)
    for row in some:
        writer.writerow(map(dictionary.cell, row))
    return text.getvalue().encode("utf-8-sig")


def _words(copy: Copy, say: Language) -> str:
    """What is in the file, for the patient."""
    lines = [
        say.gettext(
            "This file holds everything that %(clinic)s keeps about you in its reading and diary service, as of "
            "%(day)s.", clinic=copy.clinic.name, day=say.dated(copy.made_at.date()),
        ),
        say.gettext("record.pdf can be read by anybody: the last days, reviews, medicines, events and results."),
        say.gettext("record.json and the folder “tables” hold all of it for a program, whole and in every detail."),
        say.gettext("dictionary.csv says what each table and column means, in English."),
        say.gettext("Times in these files are in UTC. What opens a link or a telephone for notices is left out."),
        say.gettext(
            "Your caregivers and the clinic’s staff stand in it too: think of them before you pass the file on."
        ),
        say.gettext("If something is wrong or missing, please call the clinic: %(number)s.",
                    number=copy.clinic.contact_line),
    ]  # fmt: skip
    return "\r\n\r\n".join(lines) + "\r\n"
