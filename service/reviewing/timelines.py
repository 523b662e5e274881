"""From what is known of a patient to what is drawn of them, for the page and for the record alike."""

from __future__ import annotations

from datetime import date

from service.domain.review_reasons import CAUSES, PAUSES
from service.domain.vocabulary import MessageKind, MessageState
from service.reports.timeline import Mark, Timeline
from service.reviewing.patient import PatientReview

# What a message did, when it did not simply arrive.
_TROUBLE = {MessageState.FAILED, MessageState.CANCELLED, MessageState.EXPIRED, MessageState.UNCERTAIN}


def timeline_of(seen: PatientReview) -> Timeline:
    """Everything on one axis: the joined days, the reference and limits, the forecast, and what happened."""
    judged = seen.entry.summary.judged
    return Timeline(
        days=seen.days,
        reference=judged.reference,
        reference_name="reference" if judged.reference_is_set else "first fortnight",
        upper=seen.limits.upper if seen.limits else None,
        lower=seen.limits.lower if seen.limits else None,
        dry_weight_kg=seen.patient.dry_weight_kg,
        ahead=seen.ahead,
        marks=tuple(_marks(seen)),
    )


def _marks(seen: PatientReview) -> list[Mark]:
    first, last = seen.days[0].day, seen.days[-1].day
    marks = [
        Mark("Adjustments", made.made_on, made.made_on, made.what) for made in seen.adjustments if made.made_on >= first
    ]
    marks += [
        Mark("Pauses", max(pause.from_day, first), min(pause.to_day or last, last), PAUSES[pause.cause])
        for pause in seen.pauses
    ]
    for silence in seen.silences:
        begin, end = max(silence.first_day, first), min(silence.last_day, last)
        marks.append(Mark("Silences", begin, end, f"{silence.missed} missed: {CAUSES[silence.cause]}"))
    marks += [
        Mark("Reviews", signed, signed, f"{past.outcome.value.replace('_', ' ')}, {past.by}")
        for past in seen.reviews
        if (signed := past.signed_on) >= first
    ]
    sent: dict[date, list[str]] = {}
    for message in seen.messages:
        if first <= message.day <= last:
            sent.setdefault(message.day, []).append(_said(message.kind, message.state))
    marks += [Mark("Messages", day, day, ", ".join(told)) for day, told in sent.items()]
    return marks


def _said(kind: MessageKind, state: MessageState) -> str:
    name = kind.value.replace("_", " ")
    return f"{name} ({state.value})" if state in _TROUBLE else name
