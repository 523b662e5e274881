"""A file taken in on a page: columns matched, tried, its refused rows to download, and taken in.

Promises that nothing is written before the last button; that page and `neaptide import --map` match columns by the
same rule; that a file is read as data only, bounded in bytes and rows, and kept for a day for whoever goes on with it.
"""

from __future__ import annotations

import csv
import io
import uuid
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

from flask import Blueprint, Response, abort, flash, g, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from flask_babel import gettext
from sqlalchemy import delete

from service.domain import rows
from service.domain.readings import UNITS
from service.domain.rights import Right
from service.domain.rows import Layout
from service.domain.validation import Refused
from service.enrolling.roster import MOST_ROWS, import_roster
from service.intake.importing import import_checkins, import_readings, import_results
from service.reports import exports
from service.store.session import read_session
from service.store.tables import ImportFile
from service.web import forms
from service.web.auth import own, signed_in, staff_act, staff_only
from service.web.pages.clinic import refusals
from service.web.services import services

blueprint = Blueprint("files", __name__, url_prefix="/files")
MOST_BYTES = 2_000_000  # of one file: thousands of rows
KEPT = timedelta(days=1)
SAMPLE = 3  # rows that are shown beside the columns
REFUSED_SHOWN = 50


@dataclass(frozen=True)
class FileTold:
    """What became of a file, or would: how many rows, taken, there already, and each refusal with its line."""

    rows: int
    taken: int
    duplicates: int
    refused: list[Refused]
    tried: bool

    @property
    def refused_rows(self) -> int:
        return len({one.line for one in self.refused})


@dataclass(frozen=True)
class FileKind:
    """One kind of file: its columns, and what takes it in."""

    layout: Layout
    run: Callable[..., Any]


KINDS: dict[str, FileKind] = {
    "roster": FileKind(rows.ROSTER, import_roster),
    "readings": FileKind(rows.READINGS, import_readings),
    "checkins": FileKind(rows.CHECKINS, import_checkins),
    "results": FileKind(rows.RESULTS, import_results),
}


def names() -> dict[str, str]:
    """What each kind of file is called on the page."""
    return {
        "roster": gettext("People to enrol"),
        "readings": gettext("Pressure readings"),
        "checkins": gettext("Diaries"),
        "results": gettext("Results"),
    }


@blueprint.get("")
@staff_only(Right.ENROL)
def page() -> ResponseReturnValue:
    """Which kind of file, and the file."""
    return render_template("clinic/files.html", kinds=names(), layouts=KINDS, most=MOST_ROWS)


@blueprint.post("")
@staff_only(Right.ENROL)
def upload() -> ResponseReturnValue:
    """Keep the file for a day; its columns are matched on the page that follows."""
    sent = request.files.get("file")
    body = b""
    if sent is not None:
        body = sent.stream.read(MOST_BYTES + 1)
        sent.close()  # a long one lies in a file of its own until then
    kind = forms.text("kind")
    try:
        if kind not in KINDS:
            raise Refused("kind", kind, gettext("one of the list"))
        if len(body) > MOST_BYTES:
            raise Refused("file", len(body), gettext("a file of at most 2 MB"))
        _header(body)
    except Refused as refused:
        flash(gettext("Not read. %(why)s", why=refusals.plain(refused, _called())), "wrong")
        return redirect(url_for("clinic.files.page"), 303)
    with staff_act() as act:
        act.session.execute(delete(ImportFile).where(ImportFile.at < act.now - KEPT))
        held = ImportFile(kind=kind, body=body, at=act.now, sent_by=signed_in().id)
        act.add(held)
        act.note("file.keep", held, kind=kind, bytes=len(body))
    return redirect(url_for("clinic.files.match", file_id=held.id), 303)


@blueprint.get("/<uuid:file_id>")
@staff_only(Right.ENROL)
def match(file_id: uuid.UUID) -> ResponseReturnValue:
    """The file's columns beside ours, as they are proposed, with its first rows."""
    held = _held(file_id)
    return _shown(held, rows.proposed(_header(held.body), KINDS[held.kind].layout))


@blueprint.post("/<uuid:file_id>")
@staff_only(Right.ENROL)
def send(file_id: uuid.UUID) -> ResponseReturnValue:
    """Try it, take it in, download what is refused, or let go of it (`do`)."""
    held, do = _held(file_id), forms.text("do")
    if do == "drop":
        with staff_act() as act:
            act.session.delete(own(act.session, ImportFile, file_id))
            act.note("file.drop", ("import_file", file_id))
        return redirect(url_for("clinic.files.page"), 303)
    called = {name: forms.text(f"column-{name}") for name in KINDS[held.kind].layout.columns}
    called = {name: theirs for name, theirs in called.items() if theirs}
    try:
        told = _run(held, called, dry_run=do != "take")
    except Refused as refused:
        flash(gettext("Not read. %(why)s", why=refusals.plain(refused, _called())), "wrong")
        return _shown(held, called), 422
    if do == "refused":
        return _download(held, told)
    return _shown(held, called, told)


# --- helpers ---------------------------------------------------------------------------


def _held(file_id: uuid.UUID) -> ImportFile:
    with read_session(services().engine) as session:
        held = own(session, ImportFile, file_id)
    if held.at < services().clock.now() - KEPT:
        abort(404)
    return held


def _run(held: ImportFile, called: Mapping[str, str], *, dry_run: bool) -> FileTold:
    unit = {"unit": forms.text("unit") or None} if held.kind == "readings" else {}
    made = KINDS[held.kind].run(
        services().engine, g.clinic_id, io.BytesIO(held.body), signed_in().actor, services().clock.now(),
        called=called, dry_run=dry_run, **unit,
    )  # fmt: skip
    taken = made.enrolled if held.kind == "roster" else made.taken
    return FileTold(made.rows, taken, getattr(made, "duplicates", 0), made.refused, dry_run)


def _shown(held: ImportFile, called: Mapping[str, str], told: FileTold | None = None) -> str:
    header = _header(held.body)
    return render_template(
        "clinic/file.html",
        held=held,
        kind=names()[held.kind],
        layout=KINDS[held.kind].layout,
        header=header,
        sample=_sample(held.body, len(header)),
        called=called,
        told=told,
        shown=REFUSED_SHOWN,
        units=UNITS if held.kind == "readings" else (),
        unit=forms.text("unit"),
        accepted=refusals.accepted,
    )


def _text(body: bytes) -> io.StringIO:
    return io.StringIO(body.decode("utf-8-sig", "replace"), newline="")


def _header(body: bytes) -> list[str]:
    """The names of the columns. Raises Refused for what is no such file."""
    header = rows.header_of(next(rows.lines_of(_text(body)), ""))[1]
    if len(header) < 2 or len(header) > 200:
        raise Refused("file", len(header), gettext("CSV in UTF-8: 2 to 200 columns, with commas or semicolons between"))
    return header


def _sample(body: bytes, width: int) -> list[list[str]]:
    lines = rows.lines_of(_text(body))
    delimiter = rows.header_of(next(lines, ""))[0]
    first = [line for _, line in zip(range(SAMPLE), lines, strict=False)]
    return [[cell[:40] for cell in row[:width]] for row in csv.reader(first, delimiter=delimiter)]


def _download(held: ImportFile, told: FileTold) -> Response:
    """Line, column, what it held and what is accepted, of every refusal. No cell begins like a formula."""
    made = io.StringIO()
    writer = csv.writer(made)
    writer.writerow(["line", "column", "value", "accepted"])
    for one in told.refused:
        value = "" if one.value is None else exports.no_formula(str(one.value))
        writer.writerow([one.line, one.field, value, refusals.accepted(one)])
    answer = Response(made.getvalue(), mimetype="text/csv")
    answer.headers["Content-Disposition"] = f'attachment; filename="refused-{held.kind}.csv"'
    return answer


def _called() -> dict[str, str]:
    return {"file": gettext("File"), "kind": gettext("What it holds"), "header": gettext("Columns"),
            "map": gettext("Columns")}  # fmt: skip
