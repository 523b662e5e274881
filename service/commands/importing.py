"""`neaptide import readings|checkins|results FILE`: take in what was kept elsewhere."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import Any

import click

from service.commands import opening
from service.commands.opening import CLINIC, Console, with_console
from service.domain.readings import UNITS
from service.domain.validation import Refused
from service.intake.importing import ImportReport, Progress, import_checkins, import_readings, import_results
from service.store.audit import OPERATOR

SOME_REFUSED = 3
LONG_FILE = 1_000_000  # bytes from which progress is shown
FILE = click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
CODES = """\b
Exit code: 0 when every row was taken or was there already, 3 when some were
refused (each is reported with its line), 1 when the file cannot be read at all."""


def _options(command: Any) -> Any:
    for option in (
        CLINIC,
        click.option("--dry-run", is_flag=True, help="Say what would be taken; write nothing."),
        click.option("--strict", is_flag=True, help="Try every row first; write nothing when any is refused."),
        click.option("--as-json", is_flag=True, help="Report as JSON on standard output."),
    ):
        command = option(command)
    return command


@click.group("import")
def group() -> None:
    """Take in readings, check-ins or results from a CSV file."""


@group.command("readings", epilog=CODES)
@FILE
@_options
@click.option("--unit", type=click.Choice(list(UNITS)), help="Unit (UCUM) of rows without a pressure_unit.")
@with_console
def readings(
    console: Console, file: Path, unit: str | None, clinic: str | None, dry_run: bool, strict: bool, as_json: bool
) -> None:
    """Take in pressure readings.

    FILE is CSV in UTF-8 with commas or semicolons and the columns patient, taken_at,
    pa_systolic, pa_diastolic and, where known, pa_mean, heart_rate, pressure_unit,
    posture, source_ref. `patient` is the clinic's reference or our id; `taken_at` has
    its offset, such as 2026-03-01T07:12:00+01:00. Running it again does no harm: what
    is there already is counted and passed over.
    """
    run = partial(import_readings, unit=unit, dry_run=dry_run, strict=strict)
    _import(console, file, clinic, run, as_json=as_json)


@group.command("checkins", epilog=CODES)
@FILE
@_options
@click.option("--replace", is_flag=True, help="Let a row correct what is there for its date; else it is refused.")
@with_console
def checkins(
    console: Console, file: Path, replace: bool, clinic: str | None, dry_run: bool, strict: bool, as_json: bool
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
    _import(console, file, clinic, run, as_json=as_json)


@group.command("results", epilog=CODES)
@FILE
@_options
@with_console
def results(console: Console, file: Path, clinic: str | None, dry_run: bool, strict: bool, as_json: bool) -> None:
    """Take in laboratory results and vital signs.

    FILE is CSV in UTF-8 with commas or semicolons and the columns patient, taken_at (with its
    offset), value, kind or code (LOINC) and, where known, unit (UCUM), posture (lying, sitting,
    standing: of an arm pressure), note. What is there already is counted and passed over; another
    value of the same kind and moment is refused.
    """
    _import(console, file, clinic, partial(import_results, dry_run=dry_run, strict=strict), as_json=as_json)


def _import(
    console: Console, file: Path, clinic: str | None, run: Callable[..., ImportReport], *, as_json: bool
) -> None:
    try:
        with _progress(file) as progress:
            with console.read() as session:
                clinic_id = opening.clinic_of(session, clinic).id
            report = run(console.terminal, clinic_id, file, OPERATOR, console.now(), progress=progress)
    except Refused as refusal:
        raise click.ClickException(str(refusal)) from None
    _report(report, as_json=as_json)
    if report.refused:
        sys.exit(SOME_REFUSED)


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
