"""What staff would read of facts, in English: for tests that look at sentences."""

from __future__ import annotations

import uuid
from datetime import date

from service.domain import tasks as task_facts
from service.domain.signals.facts import Picture, PictureFacts, ResponseFacts
from service.domain.since import LaterDay
from service.domain.tasks import (
    AlarmWritten,
    CaregiverWrote,
    ChannelMissing,
    CheckFound,
    ContactBroke,
    EmergencyOpened,
    EnteredCallToday,
    Found,
    HandOverUnknown,
    LimitPassed,
    LongSilence,
    NobodyToReach,
    NumberToCheck,
    PatientWrote,
    TaskFacts,
    Whose,
    WordsUnsent,
)
from service.domain.vocabulary import Channel, SilenceCause, StepKind, TaskKind
from service.reviewing.panel import PanelEntry
from service.store.tables import Task
from service.words.language import load_language
from service.words.sentences import diary, review, signals, tasks

ENGLISH = load_language("en")


def reasons(entry: PanelEntry) -> list[str]:
    """Every reason of a panel's entry, the first of them first."""
    return review.reasons(ENGLISH, entry.reasons)


def why(entry: PanelEntry) -> str:
    return reasons(entry)[0]


def diary_week(facts: PictureFacts | None) -> str:
    return diary.diary_week(ENGLISH, facts)


def response(facts: ResponseFacts | None) -> str:
    return signals.response(ENGLISH, facts) if facts else ""


def later_day(later: LaterDay) -> str:
    return review.later_day(ENGLISH, later)


def task(row: Task) -> str:
    """The sentence of a task as its row holds it."""
    return tasks.task(ENGLISH, task_facts.from_json(row.facts))


def about(kind: TaskKind) -> TaskFacts:
    """Facts that ask for a task of this kind."""
    some = uuid.uuid4()
    made: dict[TaskKind, TaskFacts] = {
        TaskKind.SAFETY_ANSWER: AlarmWritten("test", "Look.", "112"),
        TaskKind.SILENT: LongSilence(3, SilenceCause.NO_REPLY, date(2026, 11, 22)),
        TaskKind.NO_CONTACT: NobodyToReach(Whose.PATIENT, StepKind.PROMPT, some),
        TaskKind.BROKEN_CONTACT: ContactBroke(some, Whose.PATIENT, Channel.TEXT),
        TaskKind.CHECK_NUMBER: NumberToCheck(some, Whose.PATIENT),
        TaskKind.MESSAGE_UNCERTAIN: HandOverUnknown((some,)),
        TaskKind.NOT_SENT: WordsUnsent(some, "We call today."),
        TaskKind.NO_WAY_OUT: ChannelMissing(Channel.TEXT),
        TaskKind.EMERGENCY_ACCESS: EmergencyOpened(some, "Kit Vale", "Nobody can sign in tonight."),
        TaskKind.CHECK_FOUND: CheckFound(Found.WRONG_END, date(2026, 11, 22)),
        TaskKind.CAREGIVER_SAYS: CaregiverWrote("test", "Ben", "Look."),
        TaskKind.PATIENT_SAYS: PatientWrote("test", date(2026, 11, 25), "Look."),
        TaskKind.CALL_TODAY: EnteredCallToday(
            date(2026, 11, 25), (PictureFacts(Picture.UP_AND_WORSE, date(2026, 11, 25)),)
        ),
        TaskKind.ABOVE_LIMIT: LimitPassed(some, date(2026, 11, 25), 27.0, True, 25.0, date(2026, 11, 1)),
        TaskKind.BELOW_LIMIT: LimitPassed(some, date(2026, 11, 25), 9.0, False, 10.0, date(2026, 11, 1)),
    }
    return made[kind]
