"""A clinician's own limits for one patient's results. The service ships none, and moves none."""

from __future__ import annotations

from sqlalchemy.exc import IntegrityError

from service.care import entries
from service.domain import localtime
from service.domain.record.limits import read_limit
from service.domain.validation import Refused
from service.domain.vocabulary import ResultKind
from service.store.audit import Act
from service.store.tables import Patient, ResultLimitRow


def set_result_limit(
    act: Act,
    patient: Patient,
    *,
    kind: ResultKind,
    lower: str | None = None,
    upper: str | None = None,
    unit: str | None = None,
    note: str = "",
    corrects: ResultLimitRow | None = None,
) -> ResultLimitRow:
    """Keep the limit of a kind of result, decimals in a UCUM `unit`; of each kind one counts. Raises Refused."""
    today = localtime.local_date(act.now, patient.zone)
    entries.still_to_plan(patient, "kind", today)
    read = read_limit(kind, lower, upper, unit, today)
    low, high = (None if one is None else str(one.value) for one in (read.lower, read.upper))
    unit = next(one.unit for one in (read.upper, read.lower) if one is not None)
    try:
        with act.session.begin_nested():
            row = ResultLimitRow(kind=kind, unit=unit, note=note, lower=low, upper=high)
            return entries.enter(act, patient, row, corrects=corrects)
    except IntegrityError:  # there is one, perhaps of this very moment
        raise Refused("kind", kind, "a kind without a limit yet: correct the one that is there") from None
