"""The joined data as comma-separated text: one row a date, empty where nothing was given.

Promises RFC 4180 quoting, one header row, units in the column names, ISO dates,
and that no cell can be taken for a formula by a spreadsheet.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from typing import Any

from service.domain.days import Day

COLUMNS = (
    "clinic_ref",
    "local_date",
    "window",
    "reading_expected",
    "readings",
    "pa_systolic_mmhg",
    "pa_diastolic_mmhg",
    "pa_mean_mmhg",
    "heart_rate_per_min",
    "remarks",
    "checked_in",
    "breathlessness_0_10",
    "extra_pillows",
    "woke_breathless",
    "swelling",
    "weight_kg",
    "light_headed",
    "tiredness_0_10",
    "missed_medicines",
    "safety_signs",
    "pause",
    "note",
)


def joined_csv(patients: Iterable[tuple[str, Sequence[Day]]]) -> str:
    """The joined days of some patients, each under the clinic's own reference for them."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(COLUMNS)
    for clinic_ref, days in patients:
        writer.writerows(_row(clinic_ref, day) for day in days)
    return text.getvalue()


def _row(clinic_ref: str, day: Day) -> list[str]:
    values: list[Any] = [
        clinic_ref,
        day.day.isoformat(),
        day.window,
        day.wants_reading,
        day.readings,
        day.pa_systolic,
        day.pa_diastolic,
        day.pa_mean,
        day.heart_rate,
        "; ".join(day.remarks),
        day.checkin,
        day.breathlessness,
        day.extra_pillows,
        day.woke_breathless,
        day.swelling,
        day.weight_kg,
        day.light_headed,
        day.tiredness,
        day.missed_medicines,
        "; ".join(sign.value for sign in day.safety_signs),
        day.pause,
        day.note,
    ]
    return [_cell(value) for value in values]


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:g}"
    if isinstance(value, int):
        return str(value)
    # A note that begins like a formula would be one when opened in a spreadsheet.
    text = str(value)
    return f"'{text}" if text[:1] in {"=", "+", "-", "@", "\t", "\r"} else text
