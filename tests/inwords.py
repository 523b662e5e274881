"""What staff would read of facts, in English: for tests that look at sentences."""

from __future__ import annotations

from service.domain import tasks as task_facts
from service.domain.review import Amendment
from service.domain.signals.facts import ResponseFacts
from service.domain.summary import SymptomWeek
from service.reviewing.panel import PanelEntry
from service.store.tables import Task
from service.words.language import load_language
from service.words.sentences import review, signals, tasks

ENGLISH = load_language("en")


def reasons(entry: PanelEntry) -> list[str]:
    """Every reason of a panel's entry, the first of them first."""
    return review.reasons(ENGLISH, entry.reasons)


def why(entry: PanelEntry) -> str:
    return reasons(entry)[0]


def symptoms(week: SymptomWeek) -> str:
    return review.symptoms(ENGLISH, week)


def response(facts: ResponseFacts | None) -> str:
    return signals.response(ENGLISH, facts) if facts else ""


def amendment(amended: Amendment) -> str:
    return review.amendment(ENGLISH, amended)


def task(row: Task) -> str:
    """The sentence of a task as its row holds it."""
    return tasks.task(ENGLISH, task_facts.from_json(row.facts))
