"""`neaptide replay`: what the settings would have said on past data."""

from __future__ import annotations

import csv
import io
import os
from collections.abc import Iterable
from pathlib import Path

import click

from service.domain.signals.settings import described
from service.domain.validation import Refused
from service.replaying.files import PastDiaries, PastFile, read_diary, read_readings
from service.replaying.options import Options, read_options
from service.replaying.running import Replayed
from service.replaying.running import replay as run

FILE = click.Path(exists=True, dir_okay=False, path_type=Path)


def _list_settings(context: click.Context, _option: click.Parameter, asked: bool) -> None:
    if not asked or context.resilient_parsing:
        return
    for name, default, accepted, means in described():
        shown = "null" if default is None else f"{default:g}"
        click.echo(f"{name:<20}{shown:>8}   {accepted:<18}{means}")
    context.exit()


@click.command("replay")
@click.argument("readings", type=FILE)
@click.option("--diary", type=FILE, help="CSV file of diaries: patient, local_date, weight, breathlessness, …")
@click.option("--settings", type=FILE, help="JSON file of settings; without it, the defaults and no limits.")
@click.option(
    "--list-settings",
    is_flag=True,
    is_eager=True,
    expose_value=False,
    callback=_list_settings,
    help="Say every engine setting: its default, what is accepted, and what it means.",
)
@click.option("--out", type=click.Path(dir_okay=False, path_type=Path), required=True, help="CSV file to write.")
def replay(readings: Path, diary: Path | None, settings: Path | None, out: Path) -> None:
    """Run past READINGS (a CSV file) day by day, and write the signals they would have raised.

    Nothing later than a day is looked at on that day, and no database is used. The
    local date of a reading is the date written in taken_at, in its own offset. Rows that
    cannot be taken are reported and left out; the others run.
    """
    options = read_options(_text(settings)) if settings else Options()
    taken = read_readings(_lines(readings))
    written = read_diary(_lines(diary)) if diary else None
    for path, rejected in ((readings, taken), (diary, written)):
        if path is not None and rejected is not None:
            _report(path, rejected)
    if not taken.taken and not (written and written.days):
        raise click.ClickException(f"{readings} holds no row that could be taken")
    found = run(taken, written, options)
    _write(out, found)
    _summarise(found, taken, written)


def _text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError:
        raise Refused("file", path.name, "a file in UTF-8") from None


def _lines(path: Path) -> Iterable[str]:
    # A byte that is no UTF-8 spoils its own row, not the file.
    return io.StringIO(path.read_bytes().decode("utf-8-sig", errors="replace"), newline="")


def _report(path: Path, rejected: PastFile) -> None:
    for refusal in rejected.refused:
        click.echo(f"{path.name}: {refusal}", err=True)
    if rejected.ignored_columns:
        click.echo(f"{path.name}: columns not used: {', '.join(rejected.ignored_columns)}", err=True)


def _write(out: Path, found: Replayed) -> None:
    # Written beside and renamed: nobody reads half a file.
    part = out.with_name(f"{out.name}.{os.getpid()}")
    with part.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(("patient", "local_date", "signal", "sentence"))
        writer.writerows(
            (line.patient, line.local_date.isoformat(), line.signal, line.sentence) for line in found.signals
        )
    part.replace(out)


def _summarise(found: Replayed, readings: PastFile, diaries: PastDiaries | None) -> None:
    refused = readings.refused_rows + (diaries.refused_rows if diaries else 0)
    click.echo(f"patients {found.patients}")
    click.echo(f"patient-days {found.patient_days}")
    click.echo(
        f"rows refused {refused}, rows given twice {readings.duplicates + (diaries.duplicates if diaries else 0)}"
    )
    click.echo("signals per patient-year:")
    for kind, rate in found.per_patient_year().items():
        click.echo(f"  {kind:<16}{rate:6.2f}")
    click.echo(f"signals per 100 patients and week {found.burden():.1f}")
