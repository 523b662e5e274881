"""The words that templates of the clinic's pages take from facts.

Words are made in the reader's language when the page is made; none is kept.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import Any

from flask import Blueprint
from markupsafe import Markup

from service.domain import localtime
from service.domain.summary import Summary
from service.domain.vocabulary import AdjustmentKind, Lane, Outcome
from service.reports import strip
from service.web.frame import page_language
from service.words import labels
from service.words.language import Language
from service.words.sentences import following, review, signals, tasks

FILTERS: dict[str, Callable[..., Any]] = {
    "strip": lambda say, known: _strip(say, known),
    "label": labels.label,
    "titled": labels.title,
    "explanation": labels.explanation,
    "advice": labels.advice,
    "reasons": lambda say, entry: review.reasons(say, entry.reasons),
    "response": signals.response,
    "symptoms": review.symptoms,
    "amendment": review.amendment,
    "remarks": review.remarks,
    "task": tasks.task,
    "close_reason": tasks.close_reason,
    "hours": following.hours,
    "usual_follow_up": following.usual_follow_up,
    "follow_up_source": following.follow_up_source,
    "at_clock": lambda say, instant, zone: at_clock(say, instant, zone),
    "spoken_day": Language.day,
    "short_day": Language.short_day,
    "full_day": Language.full_day,
    "figure": Language.figure,
    "change": Language.change,
}


def register(blueprint: Blueprint) -> None:
    """Give the clinic's templates these words, under names of their own."""
    for name, make in FILTERS.items():
        blueprint.add_app_template_filter(_spoken(make), name)

    @blueprint.context_processor
    def _vocabularies() -> dict[str, Any]:
        return {"Lane": Lane, "Outcome": Outcome, "AdjustmentKind": AdjustmentKind}


def _spoken(make: Callable[..., Any]) -> Callable[..., Any]:
    """A filter that makes words of what it is given, in the page's language."""

    def made(value: Any, *more: Any) -> Any:
        return make(page_language(), value, *more)

    return made


def _strip(say: Language, known: Summary) -> Markup:
    # The strip is made of numbers and of text it has escaped itself.
    drawn = strip.svg(say, known.strip, known.trend.reference, known.upper, known.lower)
    return Markup(drawn)  # noqa: S704


def at_clock(say: Language, instant: datetime, zone: str) -> str:
    """`25 Nov, 14:05`, on the clock of `zone`."""
    shown = instant.astimezone(localtime.zone(zone))
    return f"{say.short_day(shown.date())}, {shown:%H:%M}"
