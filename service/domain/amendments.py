"""What became known after a review was signed, about the days that were signed.

Promises that a signed review is compared and never changed, and that each
difference is one sentence with what was seen then and what is known now.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from service.domain import spoken
from service.domain.days import Day
from service.domain.vocabulary import WindowState

NAMES = {
    "pa_diastolic": ("PA diastolic", "mmHg"),
    "pa_mean": ("PA mean", "mmHg"),
    "pa_systolic": ("PA systolic", "mmHg"),
    "heart_rate": ("heart rate", "/min"),
    "weight_kg": ("weight", "kg"),
    "breathlessness": ("breathlessness", ""),
    "extra_pillows": ("extra pillows", ""),
    "woke_breathless": ("woken breathless", ""),
    "swelling": ("swelling", ""),
    "light_headed": ("light-headed", ""),
    "tiredness": ("tiredness", ""),
    "missed_medicines": ("missed medicines", ""),
    "safety_signs": ("safety answer", ""),
    "note": ("note", ""),
}


@dataclass(frozen=True, slots=True)
class Amendment:
    """One day that reads differently now."""

    day: date
    sentence: str


def amendments(seen: Sequence[Day], known: Sequence[Day]) -> list[Amendment]:
    """Each signed day whose data is no longer what was seen. Days that were not seen are no amendment."""
    now = {day.day: day for day in known}
    found = []
    for then in seen:
        today = now.get(then.day)
        if today is not None and (told := _told(then, today)):
            found.append(Amendment(then.day, f"{spoken.day(then.day)}: {'; '.join(told)}."))
    return found


def _told(then: Day, now: Day) -> list[str]:
    told: list[str] = []
    if not then.readings and now.readings:
        told.append(f"a reading came late, PA diastolic {_said(now.pa_diastolic, 'mmHg')}")
    elif then.readings and not now.readings:
        told.append(f"the reading (PA diastolic {_said(then.pa_diastolic, 'mmHg')}) was withdrawn")
    if not then.checkin and now.checkin:
        told.append("a check-in came late")
    for name, (word, unit) in NAMES.items():
        was, is_now = getattr(then, name), getattr(now, name)
        arrived = (name.startswith(("pa_", "heart")) and not (then.readings and now.readings)) or (
            not name.startswith(("pa_", "heart")) and not then.checkin and not is_now
        )
        if was != is_now and not arrived:
            told.append(f"{word} was {_said(was, unit)}, now {_said(is_now, unit)}")
    if then.pause != now.pause:
        told.append("a pause was recorded" if now.pause else "a pause was taken back")
    elif then.window is not now.window and then.window is not WindowState.OPEN and now.window is WindowState.EXCUSED:
        told.append("the day was excused")
    return told


def _said(value: object, unit: str) -> str:
    if value is None or value == () or value == "":
        return "not given"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        return f"{spoken.figure(value)} {unit}".strip()
    if isinstance(value, tuple):
        return spoken.listed([str(item).replace("_", " ") for item in value])
    return str(value)
