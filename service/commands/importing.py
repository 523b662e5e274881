"""`neaptide import roster|readings|checkins|results|events FILE`: take in what was kept elsewhere."""

from __future__ import annotations

import json
import sys
import uuid
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import asdict
from functools import partial
from pathlib import Path
from typing import Any

import click

from service.commands import opening
from service.commands.opening import CLINIC, Console, with_console
from service.domain.filedates import DateOrder
from service.domain.readings import UNITS
from service.domain.validation import Refused
from service.filing import imports, undoing
from service.filing.importing import (
    ImportReport,
    Intake,
    Progress,
    import_checkins,
    import_events,
    import_readings,
    import_results,
)
from service.filing.roster import import_roster
from service.filing.sheets import UTF_8, FoundOut, Reads
from service.store.audit import OPERATOR
from service.terminal import JSON, Ends, tell, tell_items

LONGEST_MAP = 64_000  # bytes
LONG_FILE = 1_000_000  # bytes from which progress is shown
FILE = click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
CODES = """\b
Exit code: 0 when every row was taken or was there already, 3 when some were
refused (each is reported with its line), 1 when the file cannot be read at all."""


OPTIONS = (
    FILE,
    CLINIC,
    click.option(
        "--map",
        "called",
        type=click.Path(exists=True, dir_okay=False, path_type=Path),
        help="JSON: what the file calls our columns; others are passed over.",
    ),
    click.option("--sheet", help="Which sheet of a workbook; else the one whose columns are ours the most."),
    click.option(
        "--dates",
        type=click.Choice([order.value for order in DateOrder]),
        help="What comes first in dates such as 03/04/2026, where no date of their column shows it.",
    ),
    click.option("--zone", help="Zone (IANA) of times without an offset."),
    click.option("--dry-run", is_flag=True, help="Say what would be taken; write nothing."),
    click.option("--strict", is_flag=True, help="Try every row first; write nothing when any is refused."),
    JSON,
    with_console,
)

CODES_OF_UNDO = """\b
Exit code: 0 when everything was taken back, 3 when some lines stay, 1 when
nothing could be tried."""


def _options(command: Any) -> Any:
    for option in reversed(OPTIONS):
        command = option(command)
    return command


@click.group("import")
def group() -> None:
    """Take in people, readings, check-ins, results or events from a file, and take a file back.

    FILE is CSV (UTF-8, UTF-16 or Windows-1252, with commas, semicolons or tabs) or a workbook in XLSX.
    """


@group.command("roster", epilog=CODES)
@_options
def roster(console: Console, file: Path, **how: Any) -> None:
    """Enrol a list of people.

    FILE has the columns clinic_ref, name and any of born_on, language,
    zone, telephone, agreed_how (their consent to messages), agreed_on, opens, due, closes, caregiver_name,
    caregiver_relation, caregiver_telephone, caregiver_allowed_how (the patient's consent), caregiver_agreed_how
    (the caregiver's own). Somebody who is enrolled already is refused.
    """
    _import(console, file, import_roster, **how)


@group.command("readings", epilog=CODES)
@click.option("--unit", type=click.Choice(list(UNITS)), help="Unit (UCUM) of rows without a pressure_unit.")
@_options
def readings(console: Console, file: Path, unit: str | None, **how: Any) -> None:
    """Take in pressure readings.

    FILE has the columns patient, taken_at,
    pa_systolic, pa_diastolic and, where known, pa_mean, heart_rate, pressure_unit,
    posture, source_ref. `patient` is the clinic's reference or our id; `taken_at` has
    its offset, such as 2026-03-01T07:12:00+01:00. Running it again does no harm: what
    is there already is counted and passed over.
    """
    _import(console, file, partial(import_readings, unit=unit), **how)


@group.command("checkins", epilog=CODES)
@click.option("--replace", is_flag=True, help="Let a row correct what is there for its date; else it is refused.")
@_options
def checkins(console: Console, file: Path, replace: bool, **how: Any) -> None:
    """Take in diaries.

    FILE has the columns patient, local_date
    and any of weight, weight_unit (kg or [lb_av]), weight_confirmed (yes: it is right,
    however far from the last), breathlessness (0 to 10),
    extra_pillows (compared with usual), woke_breathless (yes or no), slept_in_chair,
    swelling (none, ankle, shin, knee), full_belly, light_headed, tiredness (0 to 10),
    missed_medicines, safety_signs (none, or some with semicolons between them), note.
    An empty cell is "not answered".
    """
    _import(console, file, partial(import_checkins, may_correct=replace), **how)


@group.command("results", epilog=CODES)
@_options
def results(console: Console, file: Path, **how: Any) -> None:
    """Take in laboratory results and vital signs.

    FILE has the columns patient, taken_at (with its
    offset), value, kind or code (LOINC) and, where known, unit (UCUM), posture (lying, sitting,
    standing: of an arm pressure), note. What is there already is counted and passed over; another
    value of the same kind and moment is refused.
    """
    _import(console, file, import_results, **how)


@group.command("events", epilog=CODES)
@_options
def events(console: Console, file: Path, **how: Any) -> None:
    """Take in events: admissions, urgent visits, diuretics into a vein.

    FILE has the columns patient, kind (admission, urgent_visit, iv_diuretic), from_date and, where known,
    to_date (of an admission: the day of discharge), cause (heart_failure, other_heart, other, not_known), note.
    A death is recorded on the patient's page alone, since it ends care.
    """
    _import(console, file, import_events, **how)


@group.command("list")
@CLINIC
@JSON
@with_console
def list_imports(console: Console, clinic: str | None, as_json: bool) -> None:
    """List the files that were taken in, newest first."""
    with console.read() as session:
        clinic_id = opening.clinic_of(session, clinic).id
    found = imports.of_clinic(console.terminal, clinic_id)
    if as_json:
        from service.web.api.files import ImportOut  # loaded for a machine alone: it takes half a second

        tell_items(ImportOut(many=True).dump(found))
        return
    for one in found:
        came = f"{one.taken} of {one.rows} rows" if one.finished_at else "cut off before its end"
        back = f", {one.undone} taken back" if one.undone_at else ""
        click.echo(f"{one.id}  {one.at:%Y-%m-%d %H:%M}Z  {one.kind}: {came}{back}  {one.name}")


@group.command("undo", epilog=CODES_OF_UNDO)
@click.argument("import_id", type=click.UUID)
@click.option("--why", default="", help="The reason, which stays on record; needed unless --dry-run.")
@click.option("--dry-run", is_flag=True, help="Say what would be taken back; write nothing.")
@CLINIC
@JSON
@with_console
def undo(console: Console, import_id: uuid.UUID, why: str, dry_run: bool, clinic: str | None, as_json: bool) -> None:
    """Take back what a file brought and nobody has built on since.

    Nothing is deleted: what is taken back stays on record as such, and counts no more. Each line that stays is
    named with the reason, and may be tried again later.
    """
    with console.read() as session:
        clinic_id = opening.clinic_of(session, clinic).id
    try:
        if dry_run:
            _, told = undoing.look(console.terminal, clinic_id, import_id)
        else:
            told = undoing.undo(console.terminal, clinic_id, import_id, OPERATOR, console.now(), why)
    except Refused as refusal:
        raise click.ClickException(str(refusal)) from None
    except LookupError:
        raise click.ClickException("no such import of this clinic: see `neaptide import list`") from None
    if as_json:
        tell({**asdict(told), "dry_run": dry_run})
    else:
        for one in told.kept:
            click.echo(f"line {one.line} stays: {one.why.value.replace('_', ' ')}", err=True)
        verb = "would be taken back" if dry_run else "taken back"
        click.echo(f"{told.rows} rows: {told.taken_back} {verb}, {told.before} before, {len(told.kept)} stay")
    if told.kept:
        sys.exit(Ends.SOME_REFUSED)


def _import(
    console: Console,
    file: Path,
    run: Callable[[Intake, Path], ImportReport],
    *,
    clinic: str | None,
    called: Path | None,
    sheet: str | None,
    dates: str | None,
    zone: str | None,
    dry_run: bool,
    strict: bool,
    as_json: bool,
) -> None:
    try:
        names = None if called is None else _map_of(called)
        reads = Reads(names, sheet, DateOrder(dates) if dates else None, zone)
        with _progress(file, as_json=as_json) as progress:
            with console.read() as session:
                clinic_id = opening.clinic_of(session, clinic).id
            into = Intake(
                console.terminal, clinic_id, OPERATOR, console.now(), reads, file.name, dry_run, strict, progress
            )
            report = run(into, file)
    except Refused as refusal:
        raise click.ClickException(str(refusal)) from None
    _report(report, as_json=as_json)
    if report.refused:
        sys.exit(Ends.SOME_REFUSED)


def _map_of(file: Path) -> dict[str, str]:
    """What a file calls our columns. Raises Refused."""
    accepted = 'a JSON object of our columns and the file\'s, such as {"patient": "MRN"}'
    if file.stat().st_size > LONGEST_MAP:
        raise Refused("map", f"{file.stat().st_size} bytes", f"at most {LONGEST_MAP} bytes")
    try:
        held = json.loads(file.read_text(encoding="utf-8"))
    except (ValueError, RecursionError):
        raise Refused("map", file.name, accepted) from None
    if not isinstance(held, dict) or not all(isinstance(name, str) for name in held.values()):
        raise Refused("map", file.name, accepted)
    return held


@contextmanager
def _progress(file: Path, *, as_json: bool) -> Iterator[Progress]:
    size = file.stat().st_size
    if size < LONG_FILE or as_json:  # what stands on standard error then is a problem
        yield lambda _read: None
        return
    with click.progressbar(length=size, label=file.name, file=sys.stderr) as bar:
        # A strict run reads the file twice: the second time round the bar stays full.
        yield lambda read: bar.update(max(0, read - bar.pos))


def _report(report: ImportReport, *, as_json: bool) -> None:
    if as_json:
        tell(_as_json(report))
        return
    for refusal in report.refused:
        click.echo(str(refusal), err=True)
    verb = "would be taken" if report.tried else "taken"
    click.echo(f"{report.rows} rows: {report.taken} {verb}, {report.duplicates} there already, "
               f"{report.refused_rows} refused")  # fmt: skip
    if report.stopped:
        nothing = "nothing was written" if report.tried else "the rows before it were written"
        click.echo(f"stopped at a refused row; {nothing}")
    for said in _found(report.found):
        click.echo(said, err=True)
    if report.import_id is not None:
        click.echo(f"to take it back: neaptide import undo {report.import_id}", err=True)


def _found(found: FoundOut) -> Iterator[str]:
    """What was found out of the file, as far as it is worth a look."""
    if found.encoding not in {"", UTF_8}:
        yield f"read as {found.encoding}: look at letters with accents"
    if len(found.sheets) > 1:
        yield f"read sheet {found.sheet!r} of {', '.join(map(repr, found.sheets))}"
    if found.left_out:
        yield f"left out: {', '.join(found.left_out)}"
    for column, cells in found.lost_zeros.items():
        yield f"{column}: {cells} cells hold a number, from which zeros in front are lost"


def _as_json(report: ImportReport) -> dict[str, Any]:
    refused = [
        {"line": one.line, "field": one.field, "value": _plain(one.value), "accepted": one.accepted}
        for one in report.refused
    ]
    return report.counts() | {"refused": refused, "stopped": report.stopped}


def _plain(value: object) -> object:
    # Not every number has a spelling in JSON: NaN does not.
    return value if value is None or isinstance(value, str | bool | int) else str(value)
