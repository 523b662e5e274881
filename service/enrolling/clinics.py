"""A clinic and its settings."""

from __future__ import annotations

import re
import uuid
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from datetime import datetime, time
from typing import Any

from sqlalchemy.orm import Session

from service.domain import fields, localtime, steps
from service.domain.validation import Refused
from service.store.audit import Act, Actor
from service.store.tables import Clinic
from service.words.language import checked_language

DIALLED = re.compile(r"\+?[0-9][0-9 ]{1,18}")


@dataclass(frozen=True)
class NewClinic:
    """`steps` are plain values (domain.steps.as_json); None takes the built-in order.

    `sender_name` signs every message and is read on lock screens: it must not
    speak of hearts. `review_weekday` counts from Monday = 0.
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
    steps: Any = None
    silent_days: int = 3


def enrol_clinic(session: Session, new: NewClinic, actor: Actor, now: datetime) -> Clinic:
    """Write a clinic. Raises Refused."""
    clinic = Clinic(id=uuid.uuid4(), created_at=now, **_checked(asdict(new)))
    session.add(clinic)
    session.flush()
    Act(session, actor, clinic.id, now).note("clinic.enrol", clinic)
    return clinic


def change_clinic(act: Act, clinic: Clinic, changes: Mapping[str, Any]) -> Clinic:
    """Change some settings. Windows already open keep the steps they were opened with. Raises Refused."""
    for name, value in _checked(changes).items():
        setattr(clinic, name, value)
    act.session.flush()
    act.note("clinic.change", clinic, fields=sorted(changes))
    return clinic


def _checked(given: Mapping[str, Any]) -> dict[str, Any]:
    return {name: _check(name, value) for name, value in given.items()}


def _check(name: str, value: Any) -> Any:
    match name:
        case "name":
            return fields.text(name, value, longest=120)
        case "zone":
            return localtime.zone(value).key
        case "language":
            return checked_language(name, value)
        case "emergency_number" | "contact_line":
            if not isinstance(value, str) or not DIALLED.fullmatch(value):
                raise Refused(name, value, "a telephone number: digits and spaces, with + in front if international")
            return value
        case "sender_name":
            return fields.text(name, value, longest=32)
        case "review_weekday":
            return fields.whole(name, value, 0, 6)
        case "silent_days":
            return fields.whole(name, value, 1, 30)
        case "quiet_from" | "quiet_until":
            if not isinstance(value, time) or value.tzinfo is not None:
                raise Refused(name, value, "a local time, such as 21:00")
            return value
        case "steps":
            return steps.as_json(steps.DEFAULT if value is None else steps.from_json(value))
    raise Refused(name, value, "a setting of the clinic")
