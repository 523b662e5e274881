"""A clinic and its settings."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from datetime import datetime, time
from typing import Any

from sqlalchemy import exists, select
from sqlalchemy.orm import Session

from service.care import dues
from service.domain import asking, localtime, steps, validation
from service.domain.record import rules
from service.domain.validation import Refused
from service.domain.vocabulary import Paper
from service.enrolling import phrases
from service.store import panel
from service.store.audit import Act, Actor
from service.store.tables import Clinic
from service.words.language import checked_language

DIALLED = re.compile(r"\+?[0-9][0-9 ]{1,18}")

# What the review's rows rest on: when a run of missed days is a silence, and which day it is and which week.
START_HOURS = ("start_opens", "start_due", "start_closes")
JUDGED_BY = frozenset({"silent_days", "zone", "review_weekday", "record_rules"})


@dataclass(frozen=True)
class NewClinic:
    """`steps` are plain values (domain.steps.as_json); None takes the built-in order, as it does for `asks`
    and `record_rules` (domain.record.rules).

    `sender_name` signs every message and is read on lock screens: it must not
    speak of hearts. `review_weekday` counts from Monday = 0. `text_line` is the number
    people write to, or the gateway's name of it, where the clinic has one of its own.
    """

    name: str
    zone: str
    emergency_number: str
    contact_line: str
    sender_name: str
    language: str = "en"
    review_weekday: int = 0
    quiet_from: time = time(21)
    quiet_until: time = time(8)
    start_opens: time = time(7)
    start_due: time = time(8, 30)
    start_closes: time = time(10)
    steps: Any = None
    asks: Any = None
    silent_days: int = 3
    says_back: bool = True
    text_line: str | None = None
    silent_again_days: int = 3
    asks_again_in_doubt: bool = False
    second_step: bool = False
    paper: Paper = Paper.A4
    record_rules: Any = None


def has_real_ones(session: Session) -> bool:
    """Whether a clinic is here that the demo's seed did not make."""
    return bool(session.scalar(select(exists().where(Clinic.is_invented.is_(False)))))


def enrol_clinic(session: Session, new: NewClinic, actor: Actor, now: datetime) -> Clinic:
    """Write a clinic. Raises Refused."""
    clinic = Clinic(created_at=now, **checked(asdict(new)))
    _check_start(*(getattr(clinic, name) for name in START_HOURS))
    session.add(clinic)
    session.flush()
    act = Act(session, actor, clinic.id, now)
    act.note("clinic.enrol", clinic)
    phrases.begin(act)
    return clinic


def change_clinic(act: Act, clinic: Clinic, changes: Mapping[str, Any]) -> Clinic:
    """Change some settings. Windows already open keep the steps they were opened with. Raises Refused.

    What a change means for the review is worked out anew for every patient.
    """
    kept = checked(changes)
    _check_start(*(kept.get(name) or getattr(clinic, name) for name in START_HOURS))
    for name, value in kept.items():
        setattr(clinic, name, value)
    act.session.flush()
    if not JUDGED_BY.isdisjoint(changes):
        panel.judge_clinic_again(act.session, clinic.id, act.now)
    if "record_rules" in changes:
        dues.look_at_clinic_again(act.session, clinic.id, act.now)
    act.note("clinic.change", clinic, fields=sorted(changes))
    return clinic


def _check_start(opens: time, due: time, closes: time) -> None:
    if not opens <= due <= closes or opens == closes:
        raise Refused("start_due", f"{due:%H:%M}", "hours in order: a beginning, a reminder, an end")


def checked(given: Mapping[str, Any]) -> dict[str, Any]:
    """Settings of a clinic as they are kept. Raises Refused."""
    return {name: _check(name, value) for name, value in given.items()}


def _check(name: str, value: Any) -> Any:
    match name:
        case "name":
            return validation.text(name, value, longest=120)
        case "zone":
            return localtime.zone(value).key
        case "language":
            return checked_language(name, value)
        case "emergency_number" | "contact_line":
            if not isinstance(value, str) or not DIALLED.fullmatch(value):
                raise Refused(name, value, "a telephone number: digits and spaces, with + in front if international")
            return value
        case "sender_name":
            return validation.text(name, value, longest=32)
        case "review_weekday":
            return validation.whole(name, value, 0, 6)
        case "silent_days" | "silent_again_days":
            return validation.whole(name, value, 1, 30)
        case "noticed_nights" | "noticed_records" | "noticed_occasions":
            return validation.whole(name, value, 1, 200)
        case "quiet_from" | "quiet_until" | "start_opens" | "start_due" | "start_closes":
            if not isinstance(value, time) or value.tzinfo is not None:
                raise Refused(name, value, "a local time, such as 21:00")
            return value
        case "text_line":
            return None if value is None else validation.line(name, value)
        case "asks":
            return asking.checked_asks(asking.START if value is None else value)
        case "says_back" | "asks_again_in_doubt" | "second_step":
            return validation.yes_no(name, value)
        case "paper":
            if value not in list(Paper):
                raise Refused(name, value, "one of %(words)s", words=tuple(Paper))
            return Paper(value)
        case "record_rules":
            return None if value is None else rules.as_json(rules.from_json(value))
        case "steps":
            return steps.as_json(steps.DEFAULT if value is None else steps.from_json(value))
    raise Refused(name, value, "a setting of the clinic")
