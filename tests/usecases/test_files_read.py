"""What people's programs send is read as it was meant, or asked about: letters, dates, workbooks. Nothing is guessed."""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Callable
from datetime import UTC, date, datetime, time
from typing import Any

import openpyxl
import pytest
from openpyxl.utils.datetime import CALENDAR_MAC_1904

from service.domain import rows
from service.domain.filedates import DateOrder, FileDates, WholeFile, of_day, order_in, zone_named
from service.domain.validation import Refused
from service.filing.sheets import File, Reads
from service.reports.exports import no_formula

SHEET = "xl/worksheets/sheet1.xml"
MAIN = b"http://schemas.openxmlformats.org/spreadsheetml/2006/main"  # ISO/IEC 29500-4, annex A


def book(make: Callable[[Any], Any], epoch: datetime | None = None) -> bytes:
    made, held = openpyxl.Workbook(), io.BytesIO()
    made.epoch = epoch or made.epoch
    make(made)
    made.save(held)
    return held.getvalue()


def changed(held: bytes, change: Callable[[bytes], bytes], member: str = SHEET) -> bytes:
    made = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(held)) as old, zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as new:
        for one in old.infolist():
            body = old.read(one)
            new.writestr(one.filename, change(body) if one.filename == member else body)
    return made.getvalue()


def read(held: bytes, layout: rows.Layout, **said: Any) -> tuple[list[Any], Any, dict[str, int]]:
    """The rows by our columns, or what is refused of them; what was found out; and where each column is."""
    file = File(held)
    said.setdefault("called", rows.proposed(file.look(layout)[0], layout))
    with file.opened(layout, Reads(**said)) as opened:
        places = {name: place for name, place in opened.sheet.places.items() if place >= 0}
        found = [
            (line, (cells.field, cells.value) if isinstance(cells, Refused) else [cells[at] for at in places.values()])
            for line, cells in rows.rows_of(opened.sheet)
        ]
    return found, opened.found, places


def roster(made: Any) -> None:
    """A sheet as people make them: a title over the names, and every kind of cell that is not what it seems."""
    sheet = made.active
    sheet.append(["People, invented"])
    sheet.merge_cells("A1:F1")
    sheet.append(["MRN", "Full name", "DOB", "Mobile", "From", "Ward"])
    sheet.append([123, "Mara", date(1948, 3, 9), 7700900077, time(7, 30), "=1+1"])
    sheet.append(["F-2", "Noor", date(1950, 12, 31), "+447700900078", None, True])
    sheet.append([None] * 6)
    sheet.append(["F-3", "Pia", "#N/A", None, None, None])
    sheet["C6"].data_type = "e"
    sheet.append(["F-4", "=A3", None, None, None, None])
    sheet.append(["F-5", "Lu", None, None, None, None])
    sheet.merge_cells("A8:B8")
    sheet.append(["F-6", "Ode", None, None, None, None])
    sheet.row_dimensions[9].hidden = True
    made.create_sheet("notes")["A1"] = "x"
    hidden = made.create_sheet("secret")
    hidden.append(["clinic_ref", "name", "born_on", "telephone", "opens"])
    hidden.sheet_state = "hidden"


# ISO/IEC 29500-1, 18.17.4: a workbook counts days from 1900 or from 1904; openpyxl writes both.
@pytest.mark.parametrize("epoch", [None, CALENDAR_MAC_1904])
def test_a_workbook_is_read_as_data_with_its_own_row_numbers(epoch: datetime | None) -> None:
    found, out, places = read(book(roster, epoch), rows.ROSTER)
    assert list(places) == ["clinic_ref", "name", "born_on", "telephone"]
    assert found == [
        (3, ["123", "Mara", "1948-03-09", "7700900077"]),
        (4, ["F-2", "Noor", "1950-12-31", "+447700900078"]),
        (6, ("born_on", "#N/A")),
        (7, ("name", "=…")),
        (8, ("clinic_ref", "F-5")),
        (9, ("clinic_ref", "F-6")),
    ]
    assert (out.sheet, out.sheets, out.left_out) == ("Sheet", ["Sheet", "notes"], ("from", "ward"))
    assert out.lost_zeros == {"clinic_ref": 1, "telephone": 1}
    with pytest.raises(Refused, match="one of the sheets that are shown"):
        read(book(roster), rows.ROSTER, sheet="secret", called={})


def small(made: Any) -> None:
    made.active.append(["mrn", "name"])
    made.active.append(["1", "Mara"])


def far(made: Any) -> None:
    small(made)
    made.active["XFD1048576"] = "x"


def shared(made: Any) -> None:
    for _ in range(2_000):
        made.active.append(["x" * 20_000, "y"])


DAMAGED, LARGE, CELLS = "without a password", "when it is opened", "100000 rows and 200 columns"


@pytest.mark.parametrize(
    ("held", "said"),
    [
        (lambda: book(far), CELLS),
        (lambda: book(shared), LARGE),  # one text of 20,000 letters in 2,000 cells: small in the file, large in memory
        (lambda: changed(book(small), lambda body: body.replace(b"<sheetData>", b"<sheetData>" + b" " * 31_000_000)), LARGE),
        (lambda: changed(book(small), lambda body: body.replace(b"<sheetData>", b"<sheetData>" + b"<c/>" * 1_500_001)), LARGE),
        (lambda: changed(book(small), lambda body: body.replace(b"<sheetData>", b"<a>" * 99 + b"<sheetData>")), DAMAGED),
        (lambda: changed(book(small), lambda body: body.replace(b"<worksheet", b"<!DOCTYPE a><worksheet", 1)), DAMAGED),
        (lambda: changed(book(small), lambda body: body.replace(b'<row r="1"', b'<row r="x"')), DAMAGED),
        (lambda: book(small)[:900], DAMAGED),
        (lambda: b"PK\x03\x04" + b"a" * 500, DAMAGED),
        (lambda: b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"a" * 500, DAMAGED),
        (lambda: book(lambda made: None), "a sheet that is shown and not empty"),
    ],
    ids=range(11),
)  # fmt: skip
def test_a_workbook_that_is_too_much_or_none_is_refused(held: Callable[[], bytes], said: str) -> None:
    with pytest.raises(Refused) as caught:
        File(held()).look(rows.ROSTER)
    assert said in caught.value.accepted


def one_more(cell: bytes) -> bytes:
    """The small workbook, with one more cell at the end of its first row."""
    return changed(book(small), lambda body: body.replace(b"</row>", cell + b"</row>", 1))


def sharing(value: bytes, more: bytes = b"") -> bytes:
    """The same with a cell that shows one of three texts, of the file and not its own."""
    held = io.BytesIO(one_more(b'<c r="C1" t="s">' + value + b"</c>"))
    with zipfile.ZipFile(held, "a") as made:
        texts = more + b"<si><t>a</t></si><si><t>b</t></si>"
        made.writestr("xl/sharedStrings.xml", b'<sst xmlns="%s">%s</sst>' % (MAIN, texts))
    return held.getvalue()


@pytest.mark.parametrize(
    ("held", "said"),
    [
        (lambda: one_more(b'<c r="gs1"><v>1</v></c>'), DAMAGED),  # ISO/IEC 29500-1, 18.18.62 (ST_Ref, A1): in large letters
        (lambda: one_more(b'<c r="A0000009"><v>1</v></c>'), DAMAGED),
        (lambda: one_more(b'<c r="C2"><v>1</v></c>'), DAMAGED),  # in another's row
        (lambda: one_more(b'<c r="GS1" t="str"><v/></c>'), CELLS),  # an empty text is something to the parser
        (lambda: one_more(b'<c r="GS1" t="inlineStr"><is><t/></is></c>'), CELLS),
        (lambda: sharing(b"<v>0</v><v>1</v>"), DAMAGED),  # which of the texts is it?
        (lambda: sharing(b"<is><t>0</t></is><v>1</v>"), DAMAGED),
        (lambda: sharing(b"<v>000000000001</v>"), DAMAGED),
        (lambda: sharing(b"<v>1</v>", b"<si><si/></si>"), DAMAGED),
        (lambda: changed(book(far), lambda body: body.replace(b"sheet1", b"SHEET1"), "xl/_rels/workbook.xml.rels"), CELLS),
        (lambda: changed(book(small), lambda body: re.sub(b"<sheet .*?/>", rb"\g<0>\g<0>", body), "xl/workbook.xml"), DAMAGED),
    ],
    ids=range(11),
)  # fmt: skip
def test_a_workbook_is_measured_as_the_parser_reads_it(held: Callable[[], bytes], said: str) -> None:
    """Where it is not, the parser asks for more room than any machine has, and the process ends with it."""
    with pytest.raises(Refused) as caught:
        File(held()).look(rows.ROSTER)
    assert said in caught.value.accepted


def test_a_text_that_cells_share_is_read() -> None:
    assert File(sharing(b"<v>1</v>")).look(rows.ROSTER)[0] == ["mrn", "name", "b"]


def test_what_a_workbook_declares_of_its_size_is_not_believed() -> None:
    held = changed(book(small), lambda body: body.replace(b'ref="A1:B2"', b'ref="A1:XFD1048576"'))
    assert read(held, rows.ROSTER)[0] == [(2, ["1", "Mara"])]


@pytest.mark.parametrize(
    ("encoding", "delimiter"),
    [("utf-8", "\t"), ("utf-8-sig", ";"), ("utf-16", ","), ("utf-16-le", ";"), ("cp1252", ";")],
)
def test_letters_and_delimiters_of_every_program_are_read(encoding: str, delimiter: str) -> None:
    """The Unicode Standard, 23.8 (the mark); the code page from the standard library's own codec."""
    cells = ("N.º historia", "Fecha de nacimiento", "Nombre", "Móvil"), ("F-1", "9/3/1948", "José Núñez", "600 000 000")
    text = "\r\n".join(delimiter.join(row) for row in cells)
    found, out, places = read(text.encode(encoding), rows.ROSTER, dates=DateOrder.DAY_FIRST)
    assert found == [(2, ["F-1", "José Núñez", "9/3/1948", "600 000 000"])]
    assert list(places) == ["clinic_ref", "name", "born_on", "telephone"]
    assert out.encoding == {"utf-8": "utf-8-sig", "cp1252": "cp1252"}.get(encoding, encoding)


def test_a_name_of_a_column_on_two_lines_moves_no_line() -> None:
    found, *_ = read(b'mrn,"full\nname"\nF-1,Mara\n', rows.ROSTER)
    assert found == [(3, ["F-1", "Mara"])]


def test_day_or_month_first_is_decided_by_the_whole_column_and_asked_where_it_is_not_shown() -> None:
    assert order_in("born_on", ["03/04/1950", "1950-01-02", "", "25.12.1948", "soon"]) is DateOrder.DAY_FIRST
    assert order_in("born_on", ["03/04/1950", "12/25/1948"]) is DateOrder.MONTH_FIRST
    assert order_in("born_on", ["03/03/1950", "1950-01-02"]) is None
    for cells in (["03/04/1950"], ["25/12/1948", "12/25/1948"]):
        with pytest.raises(WholeFile):
            order_in("born_on", cells)
    one = b"mrn,name,dob\nF-1,Mara,03/04/1950\n"
    with pytest.raises(WholeFile, match="03/04/1950"):
        read(one, rows.ROSTER)
    with File(one + b"F-2,Noor,25/12/1948\n").opened(
        rows.ROSTER, Reads({"clinic_ref": "mrn", "name": "name", "born_on": "dob"})
    ) as opened:
        assert opened.sheet.dates.day("born_on", "03/04/1950") == date(1950, 4, 3)
        with pytest.raises(Refused):
            opened.sheet.dates.day("agreed_on", "03/04/1950")  # of another column nothing is known


# Clocks in Europe/Madrid: IANA tz database, europe; forward 2026-03-29 02:00, back 2026-10-25 03:00.
@pytest.mark.parametrize(
    ("text", "zone", "instant"),
    [
        ("01/03/2026 07:12", "Europe/Madrid", datetime(2026, 3, 1, 6, 12, tzinfo=UTC)),
        ("1.3.2026, 7:12:30 p.m.", "Europe/Madrid", datetime(2026, 3, 1, 18, 12, 30, tzinfo=UTC)),
        ("2026/03/01 12:05 am", "UTC", datetime(2026, 3, 1, 0, 5, tzinfo=UTC)),
        ("2026-03-01T07:12:00+05:30", "Europe/Madrid", datetime(2026, 3, 1, 1, 42, tzinfo=UTC)),
        ("01/03/2026 07:12+02:00", None, datetime(2026, 3, 1, 5, 12, tzinfo=UTC)),
        ("2026-10-25 02:30", "Europe/Madrid", datetime(2026, 10, 25, 0, 30, tzinfo=UTC)),  # twice: the first
        ("2026-03-29 02:30", "Europe/Madrid", None),  # never
        ("2026-03-01", "Europe/Madrid", None),
        ("01/03/26 07:12", "UTC", None),
        ("31/02/2026 07:12", "UTC", None),
        ("01/03/2026 25:12", "UTC", None),
        ("01/03/2026 13:12 pm", "UTC", None),
        ("yesterday", "UTC", None),
        ("", "UTC", None),
    ],
)  # fmt: skip
def test_an_instant_is_read_in_its_zone_or_refused(text: str, zone: str | None, instant: datetime | None) -> None:
    dates = FileDates({"taken_at": DateOrder.DAY_FIRST}, zone_named(zone))
    if instant is None:
        with pytest.raises(Refused):
            dates.instant("taken_at", text)
    else:
        assert dates.instant("taken_at", text) == instant
    assert of_day("7:30 pm") == time(19, 30)


# OWASP, "CSV injection": = + - @ tab and carriage return; the others are the same signs where a program sees them so.
@pytest.mark.parametrize(
    "text", ["=1", "a;=1", "a; @x", "\u200b=1", "＝1", "\n=1", "x\r\n+1", "\ufeff-1", "\tb", "a\t=1"]
)
def test_no_cell_is_a_formula_to_any_program(text: str) -> None:
    apart = no_formula(text).replace("\r", "\n").replace(";", "\n").replace("\t", "\n").split("\n")
    bare = [cell.strip().strip("\u200b\ufeff") for cell in apart]
    assert not [cell for cell in bare if cell[:1] in set("=+-@＝")]
    assert no_formula(text)[:1] not in {"\t", "\r", "\n"}
    assert no_formula("less breathless, -2 kg; well") == "less breathless, -2 kg; well"
