"""Make the panel's rows again from what they summarise.

`summaries` computes and writes nothing: it also serves a page that finds rows
stale. `refresh` is the worker's; `rebuild` is the audit that compares what is
carried with what it should be.

1. Find what is stale or of an earlier day, along an index.
2. Compute outside any writing transaction: intake is not kept waiting.
3. Write, except where a row was marked again in the meantime.
A patient whose facts cannot be worked out is quarantined and shown as such, and never
keeps the others from their rows.
"""

from __future__ import annotations

import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

import structlog
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from service.domain import localtime, summary
from service.domain.review import Adherence
from service.domain.signals.facts import Case
from service.domain.summary import Strip, Summary, SymptomWeek, TrendSummary
from service.reviewing import judging, placing
from service.store import histories, panel, signal_rows
from service.store.guarded import DATABASE_AWAY, Tally, whole_else_each
from service.store.histories import History
from service.store.panel import StaleRow
from service.store.quarantine import describe_error, quarantine
from service.store.session import read_session, write_session

log = structlog.get_logger(__name__)
LATER = timedelta(days=36_500)  # a row nobody will ask for again


@dataclass(frozen=True, slots=True)
class Made:
    """What one patient's rows come to: the summary, and the episodes of every signal."""

    summary: Summary
    judged: judging.ReviewedCase | None
    error: Exception | None = None


def refresh(engine: Engine, now: datetime, limit: int = 200) -> Tally:
    """Write the rows that are stale or of an earlier day; at most `limit` in one pass."""
    with read_session(engine) as session:
        due = panel.to_refresh(session, now, limit)
    return _write(engine, due, now) if due else Tally()


def rebuild(engine: Engine, now: datetime, portion: int = 200) -> Tally:
    """Give every active patient without a row one. What is carried already is left alone."""
    total = Tally()
    while True:
        with read_session(engine) as session:
            due = panel.without_row(session, portion)
        if not due:
            return total
        tally = _write(engine, due, now)
        total += tally
        if not tally.done:
            return total


def differing(session: Session, clinic_id: uuid.UUID, now: datetime) -> list[uuid.UUID]:
    """The audit: patients whose carried row, though not marked stale, is not what their rows say now."""
    everyone = [row for row in panel.carried(session, clinic_id) if row.facts and row.stale_since is None]
    todays = {row.patient_id: localtime.local_date(now, localtime.zone(row.zone)) for row in everyone}
    current = {row.patient_id: row for row in everyone if row.as_of == todays[row.patient_id]}
    made = work_out(session, clinic_id, {patient_id: todays[patient_id] for patient_id in current})
    return [patient_id for patient_id, row in current.items() if row.facts != summary.as_json(made[patient_id].summary)]


def summaries(session: Session, clinic_id: uuid.UUID, todays: Mapping[uuid.UUID, date]) -> dict[uuid.UUID, Summary]:
    """Each patient's summary as of their own date, from the rows themselves."""
    return {patient_id: made.summary for patient_id, made in work_out(session, clinic_id, todays).items()}


def work_out(session: Session, clinic_id: uuid.UUID, todays: Mapping[uuid.UUID, date]) -> dict[uuid.UUID, Made]:
    """Everything a row is made from, for each patient; one who fails is there with what failed."""
    if not todays:
        return {}
    found = histories.load(session, clinic_id, todays)
    made: dict[uuid.UUID, Made] = {}
    cases: dict[uuid.UUID, Case] = {}
    for patient_id, history in found.items():
        try:
            cases[patient_id] = judging.case_of(history, todays[patient_id])
        except DATABASE_AWAY:
            raise
        except Exception as error:
            made[patient_id] = _troubled(patient_id, todays[patient_id], error)
    for patient_id, (judgement, failed) in _judged(cases).items():
        today = todays[patient_id]
        try:
            if judgement is None:
                raise failed or ValueError("not judged")
            made[patient_id] = Made(_summary(found[patient_id], today, judgement), judgement)
        except Exception as error:
            made[patient_id] = _troubled(patient_id, today, error)
    return made


def _judged(cases: Mapping[uuid.UUID, Case]) -> dict[uuid.UUID, tuple[judging.ReviewedCase | None, Exception | None]]:
    """All at once; when that fails, one by one, so that one patient's data stands in nobody's way."""
    outcome = whole_else_each(
        cases,
        whole=lambda: judging.judge(cases),
        alone=lambda patient_id: judging.judge({patient_id: cases[patient_id]}),
    )
    judged: dict[uuid.UUID, tuple[judging.ReviewedCase | None, Exception | None]] = {
        patient_id: (judgement, None) for part in outcome.done for patient_id, judgement in part.items()
    }
    return judged | {patient_id: (None, error) for patient_id, error in outcome.failed}


def _write(engine: Engine, due: Sequence[StaleRow], now: datetime) -> Tally:
    by_clinic: dict[uuid.UUID, list[StaleRow]] = {}
    for row in due:
        by_clinic.setdefault(row.clinic_id, []).append(row)
    done = quarantined = 0
    for clinic_id, rows in by_clinic.items():
        todays = {row.patient_id: localtime.local_date(now, localtime.zone(row.zone)) for row in rows if row.active}
        with read_session(engine) as session:
            made = work_out(session, clinic_id, todays)
            ranks = placing.ranks(session, clinic_id, {who: one.summary for who, one in made.items()}, now)
        with write_session(engine) as session:
            good = [row for row in rows if not row.active or made[row.patient_id].error is None]
            panel.keep(session, [_row(row, made.get(row.patient_id), ranks, todays, now) for row in good])
            judged = {row.patient_id: judgement for row in good if (judgement := _judgement(made, row)) is not None}
            signal_rows.sync(session, clinic_id, {who: one.signals for who, one in judged.items()}, todays, now)
            for row in rows:
                error = made[row.patient_id].error if row.active else None
                if error is not None:
                    quarantine(session, ("panel", row.patient_id), error, now)
                    quarantined += 1
        done += len(good)
    return Tally(done=done, quarantined=quarantined)


def _judgement(made: Mapping[uuid.UUID, Made], row: StaleRow) -> judging.ReviewedCase | None:
    return made[row.patient_id].judged if row.active else None


def _row(
    due: StaleRow,
    made: Made | None,
    ranks: Mapping[uuid.UUID, str],
    todays: Mapping[uuid.UUID, date],
    now: datetime,
) -> dict[str, object]:
    today = todays.get(due.patient_id, now.date())
    zone = localtime.zone(due.zone)
    return {
        "clinic_id": due.clinic_id,
        "patient_id": due.patient_id,
        "as_of": today,
        "facts": summary.as_json(made.summary) if made else {},
        "rank": ranks.get(due.patient_id, ""),
        "trend": None,
        "updated_at": now,
        "outdated_at": localtime.day_bounds(today, zone)[1] if due.active else now + LATER,
        "touched": due.touched,
    }


def _summary(history: History, today: date, judgement: judging.ReviewedCase) -> Summary:
    days = history.joined(today - timedelta(days=summary.STRIP_DAYS - 1), today)
    return Summary(
        today=today,
        strip=summary.strip(days),
        adherence=summary.adherence(days),
        judged=judgement.judged,
        upper=history.limits.upper if history.limits else None,
        lower=history.limits.lower if history.limits else None,
        last_reading_on=max((taken.day for taken in history.readings if taken.day <= today), default=None),
        last_diary_on=max((day.day for day in history.diary if day.day <= today), default=None),
        weight=summary.weight_change(days),
        symptoms=summary.symptom_week(days),
        silence=history.silence_on(today),
        pause=history.pause_on(today),
        has_plan=history.has_plan,
        silent_days=history.silent_days,
    )


def _troubled(patient_id: uuid.UUID, today: date, error: Exception) -> Made:
    log.error("panel row could not be made", id=str(patient_id), error=describe_error(error))
    first = today - timedelta(days=summary.STRIP_DAYS - 1)
    blank = (None,) * summary.STRIP_DAYS
    return Made(
        Summary(
            today=today,
            strip=Strip(first, blank, summary.NOTHING * summary.STRIP_DAYS),
            adherence=Adherence(0, 0),
            judged=TrendSummary(),
            upper=None,
            lower=None,
            last_reading_on=None,
            last_diary_on=None,
            weight=None,
            symptoms=SymptomWeek(),
            silence=None,
            pause=None,
            has_plan=True,
            silent_days=None,
            trouble=True,
        ),
        None,
        error,
    )
