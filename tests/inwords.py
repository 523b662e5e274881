"""What staff would read of facts, in English: for tests that look at sentences."""

from __future__ import annotations

import uuid
from datetime import date

from service.domain import tasks as task_facts
from service.domain.review import Amendment
from service.domain.signals.facts import ResponseFacts
from service.domain.summary import SymptomWeek
from service.domain.tasks import (
    AlarmWritten,
    CaregiverWrote,
    ContactBroke,
    HandOverUnknown,
    LimitPassed,
    LongSilence,
    NobodyToReach,
    TaskFacts,
    Whose,
)
from service.domain.vocabulary import Channel, SilenceCause, StepKind, TaskKind
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


def about(kind: TaskKind) -> TaskFacts:
    """Facts that ask for a task of this kind."""
    some = uuid.uuid4()
    made: dict[TaskKind, TaskFacts] = {
        TaskKind.SAFETY_ANSWER: AlarmWritten("test", "Look.", "112"),
        TaskKind.SILENT: LongSilence(3, SilenceCause.NO_REPLY, some),
        TaskKind.NO_CONTACT: NobodyToReach(Whose.PATIENT, StepKind.PROMPT, some),
        TaskKind.BROKEN_CONTACT: ContactBroke(some, Whose.PATIENT, Channel.TEXT),
        TaskKind.MESSAGE_UNCERTAIN: HandOverUnknown((some,)),
        TaskKind.CAREGIVER_SAYS: CaregiverWrote("test", "Ben", "Look."),
        TaskKind.ABOVE_LIMIT: LimitPassed(some, date(2026, 11, 25), 27.0, True, 25.0, date(2026, 11, 1)),
        TaskKind.BELOW_LIMIT: LimitPassed(some, date(2026, 11, 25), 9.0, False, 10.0, date(2026, 11, 1)),
    }
    return made[kind]
