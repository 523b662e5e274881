"""Whole files by API: taken in by the same rules as on the page, told of, and taken back. For staff."""

from __future__ import annotations

import base64
import binascii
import io
import uuid
from typing import Any

from flask import Response
from marshmallow import Schema, fields, validate

from service.domain.filedates import DateOrder
from service.domain.readings import UNITS
from service.domain.rights import Right
from service.domain.validation import Refused
from service.domain.vocabulary import Keeps
from service.filing import undoing
from service.filing.importing import ImportReport, Intake
from service.filing.kinds import KINDS
from service.filing.sheets import Reads
from service.store.tables import Import
from service.web.api.base import Blueprint, ProblemError, list_rows, shows, text, word, yes_no
from service.web.api.guards import answered_apart, caller, for_staff, keep_apart
from service.web.problems import Problem, as_error
from service.web.services import services

blueprint = Blueprint("files", "Files taken in, and taken back")
LONGEST = 2_800_000  # characters: 2 MB in base64


class FileIn(Schema):
    """A file in base64 (RFC 4648). `columns` says what it calls ours; those that it names none of are left out.

    `sheet` is of a workbook. `dates` says what comes first in 03/04/2026 where no date of its column shows it, `zone`
    (IANA) of which zone times without an offset are. `unit` is for readings, `may_correct` for check-ins.
    """

    kind = fields.String(required=True, validate=validate.OneOf(list(KINDS)))
    content = text(LONGEST)
    name = text(120, required=False, load_default="")
    columns = fields.Dict(keys=fields.String(), values=text(200), load_default=None, allow_none=True)
    sheet = text(80, required=False, load_default=None, allow_none=True)
    dates = word(DateOrder, load_default=None, allow_none=True)
    zone = text(64, required=False, load_default=None, allow_none=True)
    unit = fields.String(validate=validate.OneOf(list(UNITS)), load_default=None, allow_none=True)
    may_correct = yes_no(load_default=False)
    dry_run = yes_no(load_default=False)


class FileTold(Schema):
    """`refused` has each refusal with its line; `import_id` takes the file back, null where nothing was taken."""

    rows = fields.Integer()
    taken = fields.Integer()
    duplicates = fields.Integer()
    refused = fields.List(fields.Nested(ProblemError))
    left_out = fields.List(fields.String())
    lost_zeros = fields.Dict(keys=fields.String(), values=fields.Integer())
    dry_run = fields.Boolean()
    import_id = fields.UUID(allow_none=True)


ImportOut = shows(
    "ImportOut", Import, "id kind name at taken_by rows taken finished_at undone_at undone_by undone_why undone"
)


class UndoIn(Schema):
    why = text(undoing.LONGEST_WHY)
    dry_run = yes_no(load_default=False)


class KeptLine(Schema):
    line = fields.Integer()
    why = word(Keeps)


class UndoneOut(Schema):
    """`kept` has each line that stays, with why."""

    rows = fields.Integer()
    taken_back = fields.Integer()
    before = fields.Integer()
    kept = fields.List(fields.Nested(KeptLine))


@blueprint.post("/imports", allowed=for_staff(Right.ENROL))
@blueprint.arguments(FileIn)
@blueprint.response(200, FileTold)
def take_in_file(new: dict[str, Any]) -> dict[str, Any] | Response:
    """Take in a file of a `kind`, or with `dry_run` say what would become of it.

    Bad rows never stop good ones. Sending a file again is harmless: what is there already is a duplicate, and
    somebody who is enrolled already is refused.
    """
    if answered := answered_apart():
        return answered
    try:
        body = base64.b64decode(new["content"], validate=True)
    except (binascii.Error, ValueError):
        raise Refused("content", None, "a file in base64") from None
    kind = KINDS[new["kind"]]
    into = Intake(
        services().engine,
        caller().clinic_id,
        caller().actor,
        services().clock.now(),
        Reads(new["columns"], new["sheet"], new["dates"], new["zone"]),
        new["name"],
        new["dry_run"],
    )
    answer = _told(kind.run(into, io.BytesIO(body), **{name: new[name] for name in kind.asks}))
    keep_apart(FileTold().dump(answer))
    return answer


@blueprint.get("/imports", allowed=for_staff(Right.ENROL))
@blueprint.lists(ImportOut)
def list_imports(query: dict[str, Any]) -> dict[str, Any]:
    """The clinic's files that were taken in, newest first."""
    return list_rows(query, Import, Import.at.desc())


@blueprint.post("/imports/<uuid:import_id>/undo", allowed=for_staff(Right.ENROL))
@blueprint.arguments(UndoIn)
@blueprint.response(200, UndoneOut)
def take_import_back(new: dict[str, Any], import_id: uuid.UUID) -> dict[str, Any]:
    """Take back what a file brought and nobody has built on; doing it again harms nothing. Nothing is deleted."""
    engine, who = services().engine, caller()
    try:
        if new["dry_run"]:
            _, told = undoing.look(engine, who.clinic_id, import_id)
        else:
            told = undoing.undo(engine, who.clinic_id, import_id, who.actor, services().clock.now(), new["why"])
    except LookupError:
        raise Problem(404, "No import of this clinic.") from None
    return {**vars(told), "kept": [{"line": one.line, "why": one.why} for one in told.kept]}


def _told(report: ImportReport) -> dict[str, Any]:
    return report.counts() | {"refused": [{"line": one.line, **as_error(one)} for one in report.refused]}
