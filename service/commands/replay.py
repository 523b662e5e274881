"""`neaptide replay`: what the settings would have said on past data."""

from __future__ import annotations

import csv
import os
from collections.abc import Iterable
from pathlib import Path
from typing import Any, TextIO

import click

from service.domain.rows import lines_of
from service.domain.signals.settings import described
from service.domain.validation import Refused
from service.domain.vocabulary import Pressure
from service.replaying.evenings import ReplayedEvening, replay_evenings
from service.replaying.past import Options, PastDiaries, PastFile, Replayed, read_diary, read_options, read_readings
from service.replaying.past import replay as run
from service.terminal import JSON, is_for_machine, tell, tell_items

FILE = click.Path(exists=True, dir_okay=False, path_type=Path)
WRITTEN = click.Path(dir_okay=False, path_type=Path)
SIGNALS = ("patient", "local_date", "signal", "sentence")
DAYS = (
    "patient", "local_date", "level", "level_low", "level_high", "above_reference", "probability_up", "forecast_low",
    "forecast_high", "lane", "sentence",
)  # fmt: skip


def _list_settings(context: click.Context, _option: click.Parameter, asked: bool) -> None:
    if not asked or context.resilient_parsing:
        return
    if is_for_machine():  # which --list-settings comes before
        tell_items(dict(zip(("name", "default", "accepted", "means"), one, strict=True)) for one in described())
        context.exit()
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
@click.option("--out", type=WRITTEN, help="CSV file to write of the signals.")
@click.option(
    "--days-out",
    type=WRITTEN,
    help="CSV file to write of each patient and date, as the review would have shown them that evening.",
)
@JSON
def replay(
    readings: Path,
    diary: Path | None,
    settings: Path | None,
    out: Path | None,
    days_out: Path | None,
    as_json: bool,
) -> None:
    """Run past READINGS (a CSV file) day by day, and write the signals they would have raised.

    Nothing later than a day is looked at on that day, and no database is used. The
    local date of a reading is the date written in taken_at, in its own offset. Rows that
    cannot be taken are reported and left out; the others run.

    --days-out writes a row for each patient and date, so that what is said can be scored
    against what was. It rests on what had come by that evening: by received_at, a column
    either file may have, else on the row's own date. level is of PA diastolic (else mean)
    in mmHg, level_low to level_high its 80 % band; above_reference is how far it is over
    the reference; probability_up how likely today's level is more than 2 mmHg above its
    mean of 21 to 56 days before; forecast_low and forecast_high are days to the upper
    limit; lane and sentence are the review's. Empty is "not known".
    """
    if out is None and days_out is None:
        raise click.UsageError("say what to write: --out FILE, --days-out FILE or both")
    options = read_options(_text(settings)) if settings else Options()
    with _opened(readings) as file:
        taken = read_readings(lines_of(file))
    written = None
    if diary is not None:
        with _opened(diary) as file:
            written = read_diary(lines_of(file))
    for path, rejected in ((readings, taken), (diary, written)):
        if path is not None and rejected is not None:
            _report(path, rejected)
    if not taken.taken and not (written and written.days):
        raise click.ClickException(f"{readings} holds no row that could be taken")
    if days_out is not None:
        _write(days_out, DAYS, map(_day, replay_evenings(taken, written, options)))
    found = run(taken, written, options)
    if out is not None:
        _write(out, SIGNALS, ((one.patient, one.local_date, one.signal, one.sentence) for one in found.signals))
    _summarise(found, taken, written, as_json=as_json)


def _text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError:
        raise Refused("file", path.name, "a file in UTF-8") from None


def _opened(path: Path) -> TextIO:
    # A byte that is no UTF-8 spoils its own row, not the file.
    return path.open(encoding="utf-8-sig", errors="replace", newline="")


def _report(path: Path, rejected: PastFile) -> None:
    for refusal in rejected.refused:
        click.echo(f"{path.name}: {refusal}", err=True)
    if rejected.ignored_columns:
        click.echo(f"{path.name}: columns not used: {', '.join(rejected.ignored_columns)}", err=True)


def _write(out: Path, header: tuple[str, ...], rows: Iterable[tuple[Any, ...]]) -> None:
    # Written beside and renamed: nobody reads half a file.
    part = out.with_name(f"{out.name}.{os.getpid()}")
    try:
        with part.open("w", encoding="utf-8", newline="") as file:
            writer = csv.writer(file)
            writer.writerow(header)
            writer.writerows(rows)  # a date is written in ISO 8601, None as an empty cell
        part.replace(out)
    finally:
        part.unlink(missing_ok=True)


def _day(evening: ReplayedEvening) -> tuple[Any, ...]:
    """One row of --days-out; its columns are `DAYS`."""
    pressure = evening.picture.pressure
    known = pressure.level is not None and pressure.of is not Pressure.SYSTOLIC
    level, reference, ahead = pressure.level, pressure.reference, pressure.forecast
    if ahead is not None and (ahead.slowing or not ahead.up):
        ahead = None
    return (
        evening.patient,
        evening.local_date,
        *((_figure(level), *map(_figure, pressure.band)) if known else (None, None, None)),
        _figure(level - reference.value) if known and level is not None and reference is not None else None,
        _figure(pressure.probability_up) if known else None,
        *((_figure(ahead.low), _figure(ahead.high)) if ahead is not None else (None, None)),
        evening.lane,
        evening.sentence,
    )


def _figure(value: float | None) -> float | None:
    return None if value is None else round(value, 3)


def _summarise(found: Replayed, readings: PastFile, diaries: PastDiaries | None, *, as_json: bool) -> None:
    refused = readings.refused_rows + (diaries.refused_rows if diaries else 0)
    duplicates = readings.duplicates + (diaries.duplicates if diaries else 0)
    if as_json:
        told = {"patients": found.patients, "patient_days": found.patient_days}
        rates = {"per_patient_year": found.per_patient_year(), "per_100_patients_and_week": found.burden()}
        tell({**told, "refused": refused, "duplicates": duplicates, **rates})
        return
    click.echo(f"patients {found.patients}")
    click.echo(f"patient-days {found.patient_days}")
    click.echo(f"rows refused {refused}, rows given twice {duplicates}")
    click.echo("signals per patient-year:")
    for kind, rate in found.per_patient_year().items():
        click.echo(f"  {kind:<16}{rate:6.2f}")
    click.echo(f"signals per 100 patients and week {found.burden():.1f}")
