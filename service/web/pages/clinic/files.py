"""A file taken in on a page: columns matched, tried, its refused rows to download, taken in, and taken back.

Promises that nothing is written before the last button; that page, API and `neaptide import --map` match columns by the
same rule; that a file is read as data only, bounded in bytes and rows, and kept for a day for whoever goes on with it.
"""

from __future__ import annotations

import csv
import io
import uuid

from flask import Blueprint, Response, abort, flash, g, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from flask_babel import gettext
from sqlalchemy import select

from service.domain.filedates import DateOrder, WholeFile
from service.domain.readings import UNITS
from service.domain.rights import Right
from service.domain.rows import proposed
from service.domain.validation import Refused, storable
from service.filing import imports, undoing
from service.filing.importing import ImportReport, Intake
from service.filing.kinds import KINDS
from service.filing.roster import MOST_ROWS
from service.filing.sheets import File, Reads
from service.reports import exports
from service.store.audit import Act
from service.store.session import read_session
from service.store.tables import Clinic, ImportFile, Patient
from service.web import forms
from service.web.auth import own, signed_in, staff_act, staff_only
from service.web.frame import page_language
from service.web.pages.clinic import refusals
from service.web.services import services
from service.words import columns
from service.words.labels import label

blueprint = Blueprint("files", __name__, url_prefix="/files")
MOST_BYTES = 2_000_000  # of one file: thousands of rows
LINES_SHOWN = 50  # of those that were refused, or stay


def names() -> dict[str, str]:
    """What each kind of file is called on the page."""
    return {
        "roster": gettext("People to enrol"),
        "readings": gettext("Pressure readings"),
        "checkins": gettext("Diaries"),
        "results": gettext("Results"),
        "events": gettext("Events"),
    }


@blueprint.get("")
@staff_only(Right.ENROL)
def page() -> ResponseReturnValue:
    """Which kind of file, and the file; below it what was taken in lately."""
    lately = imports.of_clinic(services().engine, g.clinic_id)
    with read_session(services().engine) as session:
        zone = session.get_one(Clinic, g.clinic_id).zone
    return render_template("clinic/files.html", kinds=names(), most=MOST_ROWS, lately=lately, zone=zone)


@blueprint.post("")
@staff_only(Right.ENROL)
def upload() -> ResponseReturnValue:
    """Keep the file for a day; its columns are matched on the page that follows."""
    sent = request.files.get("file")
    body, name = b"", ""
    if sent is not None:
        body, name = sent.stream.read(MOST_BYTES + 1), sent.filename or ""
        sent.close()  # a long one lies in a file of its own until then
    kind = forms.text("kind")
    try:
        if kind not in KINDS:
            raise Refused("kind", kind, gettext("one of the list"))
        if len(body) > MOST_BYTES:
            raise Refused("file", len(body), gettext("a file of at most 2 MB"))
        header, _, _ = File(body).look(KINDS[kind].layout)
        if not 2 <= len(header) <= 200:
            raise Refused("file", len(header), gettext("CSV, or a workbook in XLSX, with 2 to 200 columns"))
    except Refused as refused:
        return _not_read(refused, url_for("clinic.files.page"))
    with staff_act() as act:
        held = ImportFile(kind=kind, name=storable(name.strip())[-imports.LONGEST_NAME :], body=body, at=act.now,
                          sent_by=signed_in().id)  # fmt: skip
        act.add(held)
        act.note("file.keep", held, kind=kind, bytes=len(body))
    return redirect(url_for("clinic.files.match", file_id=held.id), 303)


@blueprint.get("/<uuid:file_id>")
@staff_only(Right.ENROL)
def match(file_id: uuid.UUID) -> ResponseReturnValue:
    """The file's columns beside ours, as they are proposed, with its first rows."""
    return _shown(_held(file_id), None)


@blueprint.post("/<uuid:file_id>")
@staff_only(Right.ENROL)
def send(file_id: uuid.UUID) -> ResponseReturnValue:
    """Try it, take it in, download what is refused, look at another sheet, or let go of it (`do`)."""
    held, do = _held(file_id), forms.text("do")
    if do == "drop":
        with staff_act() as act:
            _let_go(act, file_id)
        return redirect(url_for("clinic.files.page"), 303)
    if forms.text("sheet") != forms.text("sheet_was"):
        return _shown(held, None)
    called = {name: forms.text(f"column-{name}") for name in KINDS[held.kind].layout.columns}
    called = {name: theirs for name, theirs in called.items() if theirs}
    try:
        for name in KINDS[held.kind].layout.needed:
            if name not in called:
                raise refusals.needed(name)
        report = _run(held, called, dry_run=do != "take")
    except Refused as refused:
        _say_why(refused)
        return _shown(held, called), 422
    if do == "refused":
        return _download(held, report)
    return _shown(held, called, report)


@blueprint.get("/taken/<uuid:import_id>")
@staff_only(Right.ENROL)
def taken(import_id: uuid.UUID) -> ResponseReturnValue:
    """What a file brought, and what of it could be taken back now."""
    return _taken(import_id)


@blueprint.post("/taken/<uuid:import_id>")
@staff_only(Right.ENROL)
def take_back(import_id: uuid.UUID) -> ResponseReturnValue:
    """Take back what the file brought and nobody has built on."""
    try:
        told = undoing.undo(
            services().engine, g.clinic_id, import_id, signed_in().actor, services().clock.now(), forms.text("why")
        )
    except LookupError:
        abort(404)
    except Refused as refused:
        flash(refusals.plain(refused, {"why": gettext("Why"), "import": gettext("File")}), "wrong")
        return _taken(import_id), 422
    return _taken(import_id, told)


# --- helpers ---------------------------------------------------------------------------


def _held(file_id: uuid.UUID) -> ImportFile:
    with read_session(services().engine) as session:
        held = own(session, ImportFile, file_id)
    if held.at < services().clock.now() - imports.KEPT:
        abort(404)
    return held


def _let_go(act: Act, file_id: uuid.UUID) -> None:
    act.session.delete(own(act.session, ImportFile, file_id))
    act.note("file.drop", ("import_file", file_id))


def _run(held: ImportFile, called: dict[str, str], *, dry_run: bool) -> ImportReport:
    order, kind = forms.text("dates"), KINDS[held.kind]
    if order and order not in set(DateOrder):
        raise Refused("dates", order, "one of %(words)s", words=tuple(DateOrder))
    reads = Reads(called, forms.text("sheet") or None, DateOrder(order) if order else None, forms.text("zone") or None)
    said = {"unit": forms.text("unit") or None, "may_correct": bool(forms.text("may_correct"))}
    into = Intake(services().engine, g.clinic_id, signed_in().actor, services().clock.now(), reads, held.name, dry_run)
    return kind.run(into, File(held.body), **{name: said[name] for name in kind.asks})


def _shown(held: ImportFile, called: dict[str, str] | None, report: ImportReport | None = None) -> str:
    """The file's page; the columns as they are proposed where none were said."""
    kind, say = KINDS[held.kind], page_language()
    try:
        header, sample, found = File(held.body).look(kind.layout, forms.text("sheet") or None)
    except Refused:
        abort(404)  # a sheet that it does not have
    with read_session(services().engine) as session:
        zones = session.scalars(select(Patient.zone).where(Patient.clinic_id == g.clinic_id).distinct()).all()
        own_zone = session.get_one(Clinic, g.clinic_id).zone
    return render_template(
        "clinic/file.html",
        held=held,
        kind=names()[held.kind],
        layout=kind.layout,
        named={name: columns.called(say, name) for name in kind.layout.columns},
        header=header,
        sample=sample,
        found=found,
        called=proposed(header, kind.layout) if called is None else called,
        report=report,
        shown=LINES_SHOWN,
        units=UNITS if "unit" in kind.asks else (),
        may_correct="may_correct" in kind.asks,
        orders=[(order.value, label(say, order)) for order in DateOrder],
        zones=sorted({own_zone, *zones}) if "taken_at" in kind.layout.columns else (),
        typed=request.form,
        accepted=refusals.accepted,
        column=lambda name: columns.called(say, name),
    )


def _taken(import_id: uuid.UUID, told: undoing.Undone | None = None) -> str:
    try:
        run, still = undoing.look(services().engine, g.clinic_id, import_id)
    except LookupError:
        abort(404)
    say = page_language()
    with read_session(services().engine) as session:
        zone = session.get_one(Clinic, g.clinic_id).zone
    return render_template(
        "clinic/taken.html",
        run=run,
        kind=names()[run.kind],
        still=still,
        told=told,
        shown=LINES_SHOWN,
        zone=zone,
        too_late=services().clock.now() - run.at > undoing.WITHIN,
        days=undoing.WITHIN.days,
        why=lambda keeps: label(say, keeps),
        typed=forms.text("why"),
    )


def _download(held: ImportFile, report: ImportReport) -> Response:
    """Line, column, what it held and what is accepted, of every refusal. No cell begins like a formula."""
    made, say = io.StringIO(), page_language()
    writer = csv.writer(made)
    writer.writerow(["line", "column", "value", "accepted"])
    for one in report.refused:
        value = "" if one.value is None else exports.no_formula(str(one.value))
        writer.writerow([one.line, columns.called(say, one.field), value, refusals.accepted(one)])
    answer = Response("\ufeff" + made.getvalue(), mimetype="text/csv")  # the mark, or spreadsheets misread accents
    answer.headers["Content-Disposition"] = f'attachment; filename="refused-{held.kind}.csv"'
    return answer


def _not_read(refused: Refused, back: str) -> ResponseReturnValue:
    _say_why(refused)
    return redirect(back, 303)


def _say_why(refused: Refused) -> None:
    why = refusals.plain(refused, _called(refused))
    if isinstance(refused, WholeFile):  # what it holds is what there is to decide
        why = f"{refused.value}. {why}"
    flash(gettext("Not read. %(why)s", why=why), "wrong")


def _called(refused: Refused) -> dict[str, str]:
    return {refused.field: columns.called(page_language(), refused.field), "kind": gettext("What it holds")}
