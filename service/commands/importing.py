"""`neaptide import roster|readings|checkins|results FILE`: take in what was kept elsewhere."""

from __future__ import annotations

import json
import sys
import uuid
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import Any

import click
from sqlalchemy import Engine

from service.commands import opening
from service.commands.opening import CLINIC, Console, with_console
from service.domain.readings import UNITS
from service.domain.validation import Refused
from service.enrolling.roster import import_roster
from service.intake.importing import ImportReport, Progress, import_checkins, import_readings, import_results
from service.store.audit import OPERATOR

SOME_REFUSED = 3
LONGEST_MAP = 64_000  # bytes
LONG_FILE = 1_000_000  # bytes from which progress is shown
FILE = click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
CODES = """\b
Exit code: 0 when every row was taken or was there already, 3 when some were
refused (each is reported with its line), 1 when the file cannot be read at all."""


def _options(command: Any) -> Any:
    for option in (
        CLINIC,
        click.option(
            "--map",
            "called",
            type=click.Path(exists=True, dir_okay=False, path_type=Path),
            help="JSON: what the file calls our columns; others are passed over.",
        ),
        click.option("--dry-run", is_flag=True, help="Say what would be taken; write nothing."),
        click.option("--strict", is_flag=True, help="Try every row first; write nothing when any is refused."),
        click.option("--as-json", is_flag=True, help="Report as JSON on standard output."),
    ):
        command = option(command)
    return command


@click.group("import")
def group() -> None:
    """Take in people, readings, check-ins or results from a CSV file."""


@group.command("roster", epilog=CODES)
@FILE
@_options
@with_console
def roster(
    console: Console, file: Path, clinic: str | None, called: Path | None, dry_run: bool, strict: bool, as_json: bool
) -> None:
    """Enrol a list of people.

    FILE is CSV in UTF-8 with commas or semicolons and the columns clinic_ref, name and any of born_on, language,
    zone, telephone, agreed_how (their consent to messages), agreed_on, opens, due, closes, caregiver_name,
    caregiver_relation, caregiver_telephone, caregiver_allowed_how (the patient's consent), caregiver_agreed_how
    (the caregiver's own). Somebody who is enrolled already is refused.
    """

    def run(engine: Engine, clinic_id: uuid.UUID, path: Path, *rest: Any, progress: Progress, **how: Any) -> Any:
        with path.open("rb") as opened:
            tried = import_roster(engine, clinic_id, opened, *rest, **how, dry_run=dry_run or strict)
            if strict and not dry_run and not tried.refused:
                tried = import_roster(engine, clinic_id, opened, *rest, **how)
        only_tried = dry_run or (strict and bool(tried.refused))
        return ImportReport(tried.rows, tried.enrolled, 0, tried.refused, only_tried, strict and bool(tried.refused))

    _import(console, file, clinic, run, called, as_json=as_json)


@group.command("readings", epilog=CODES)
@FILE
@_options
@click.option("--unit", type=click.Choice(list(UNITS)), help="Unit (UCUM) of rows without a pressure_unit.")
@with_console
def readings(
    console: Console,
    file: Path,
    unit: str | None,
    clinic: str | None,
    called: Path | None,
    dry_run: bool,
    strict: bool,
    as_json: bool,
) -> None:
    """Take in pressure readings.

    FILE is CSV in UTF-8 with commas or semicolons and the columns patient, taken_at,
    pa_systolic, pa_diastolic and, where known, pa_mean, heart_rate, pressure_unit,
    posture, source_ref. `patient` is the clinic's reference or our id; `taken_at` has
    its offset, such as 2026-03-01T07:12:00+01:00. Running it again does no harm: what
    is there already is counted and passed over.
    """
    run = partial(import_readings, unit=unit, dry_run=dry_run, strict=strict)
    _import(console, file, clinic, run, called, as_json=as_json)


@group.command("checkins", epilog=CODES)
@FILE
@_options
@click.option("--replace", is_flag=True, help="Let a row correct what is there for its date; else it is refused.")
@with_console
def checkins(
    console: Console,
    file: Path,
    replace: bool,
    clinic: str | None,
    called: Path | None,
    dry_run: bool,
    strict: bool,
    as_json: bool,
) -> None:
    """Take in diaries.

    FILE is CSV in UTF-8 with commas or semicolons and the columns patient, local_date
    and any of weight, weight_unit (kg or [lb_av]), weight_confirmed (yes: it is right,
    however far from the last), breathlessness (0 to 10),
    extra_pillows (compared with usual), woke_breathless (yes or no), slept_in_chair,
    swelling (none, ankle, shin, knee), full_belly, light_headed, tiredness (0 to 10),
    missed_medicines, safety_signs (none, or some with semicolons between them), note.
    An empty cell is "not answered".
    """
    run = partial(import_checkins, may_correct=replace, dry_run=dry_run, strict=strict)
    _import(console, file, clinic, run, called, as_json=as_json)


@group.command("results", epilog=CODES)
@FILE
@_options
@with_console
def results(
    console: Console, file: Path, clinic: str | None, called: Path | None, dry_run: bool, strict: bool, as_json: bool
) -> None:
    """Take in laboratory results and vital signs.

    FILE is CSV in UTF-8 with commas or semicolons and the columns patient, taken_at (with its
    offset), value, kind or code (LOINC) and, where known, unit (UCUM), posture (lying, sitting,
    standing: of an arm pressure), note. What is there already is counted and passed over; another
    value of the same kind and moment is refused.
    """
    _import(console, file, clinic, partial(import_results, dry_run=dry_run, strict=strict), called, as_json=as_json)


def _import(
    console: Console,
    file: Path,
    clinic: str | None,
    run: Callable[..., ImportReport],
    called: Path | None,
    *,
    as_json: bool,
) -> None:
    try:
        names = None if called is None else _map_of(called)
        with _progress(file) as progress:
            with console.read() as session:
                clinic_id = opening.clinic_of(session, clinic).id
            report = run(console.terminal, clinic_id, file, OPERATOR, console.now(), called=names, progress=progress)
    except Refused as refusal:
        raise click.ClickException(str(refusal)) from None
    _report(report, as_json=as_json)
    if report.refused:
        sys.exit(SOME_REFUSED)


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
def _progress(file: Path) -> Iterator[Progress]:
    size = file.stat().st_size
    if size < LONG_FILE:
        yield lambda _read: None
        return
    with click.progressbar(length=size, label=file.name, file=sys.stderr) as bar:
        # A strict run reads the file twice: the second time round the bar stays full.
        yield lambda read: bar.update(max(0, read - bar.pos))


def _report(report: ImportReport, *, as_json: bool) -> None:
    if as_json:
        click.echo(json.dumps(_as_json(report), ensure_ascii=False, indent=2))
        return
    for refusal in report.refused:
        click.echo(str(refusal), err=True)
    verb = "would be taken" if report.tried else "taken"
    click.echo(f"{report.rows} rows: {report.taken} {verb}, {report.duplicates} there already, "
               f"{report.refused_rows} refused")  # fmt: skip
    if report.stopped:
        nothing = "nothing was written" if report.tried else "the rows before it were written"
        click.echo(f"stopped at a refused row; {nothing}")


def _as_json(report: ImportReport) -> dict[str, Any]:
    return {
        "rows": report.rows,
        "taken": report.taken,
        "duplicates": report.duplicates,
        "refused": [
            {"line": one.line, "field": one.field, "value": _plain(one.value), "accepted": one.accepted}
            for one in report.refused
        ],
        "dry_run": report.tried,
        "stopped": report.stopped,
    }


def _plain(value: object) -> object:
    # Not every number has a spelling in JSON: NaN does not.
    return value if value is None or isinstance(value, str | bool | int) else str(value)
