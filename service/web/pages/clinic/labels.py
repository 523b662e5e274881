"""The clinic pages' words: how each term of the vocabularies is written for staff."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from flask import Blueprint, abort
from markupsafe import Markup

from service.domain import localtime, spoken
from service.domain.review import PAUSES
from service.domain.summary import Summary
from service.domain.vocabulary import (
    AdjustmentKind,
    CaregiverAnswer,
    Lane,
    Outcome,
    Response,
    SilenceCause,
    Swelling,
    TaskKind,
)
from service.reports import strip
from service.web.auth import CurrentStaff, current_staff

LANES = {
    Lane.CALL_TODAY: ("Call today", "Somebody should speak with these people today."),
    Lane.LOOK_CLOSELY: ("Look closely", "Something has changed, or something is due."),
    Lane.NOT_HEARD_FROM: ("Not heard from", "Readings have stopped, never began, or are paused."),
    Lane.SETTLED: ("Settled", "No signal. That is not the same as nothing being wrong."),
}
OUTCOMES = {
    Outcome.NO_CHANGE: "No change",
    Outcome.CALLED: "Called",
    Outcome.ADJUSTED: "Adjusted",
    Outcome.VISIT_ARRANGED: "Visit arranged",
    Outcome.EMERGENCY_CARE: "Sent to emergency care",
    Outcome.NOT_REACHED: "Could not reach",
}
RESPONSES = {
    Response.SETTLING: "settling",
    Response.SETTLED: "settled",
    Response.NOT_SETTLING: "not settling",
    Response.TOO_FEW_READINGS: "too few readings",
}
ADJUSTMENTS = {
    AdjustmentKind.MEDICINE: "Medicine",
    AdjustmentKind.DIET: "Diet or fluids",
    AdjustmentKind.DIALYSIS: "Dialysis",
    AdjustmentKind.DEVICE: "Device programming",
    AdjustmentKind.VISIT: "Visit",
    AdjustmentKind.CALL: "Call",
}
TASKS = {
    TaskKind.SAFETY_ANSWER: "Safety answer",
    TaskKind.SILENT: "Silent",
    TaskKind.NO_CONTACT: "Nobody to reach",
    TaskKind.BROKEN_CONTACT: "Contact does not work",
    TaskKind.MESSAGE_UNCERTAIN: "Message may not have gone",
    TaskKind.ABOVE_LIMIT: "Above the limit",
    TaskKind.BELOW_LIMIT: "Below the limit",
    TaskKind.CAREGIVER_SAYS: "A caregiver says",
    TaskKind.FOLLOW_UP: "Follow-up",
}
ANSWERS = {
    CaregiverAnswer.SPOKE: "spoke to them",
    CaregiverAnswer.IN_HOSPITAL: "in hospital",
    CaregiverAnswer.AWAY: "away",
    CaregiverAnswer.EQUIPMENT: "equipment trouble",
}
CAUSES = {
    SilenceCause.NOT_ASKED: "We did not ask",
    SilenceCause.NOT_DELIVERED: "Our messages did not arrive",
    SilenceCause.NO_REPLY: "Asked, and no reply",
    SilenceCause.DIARY_ONLY: "Diary came, no reading",
}
SWELLINGS = {
    Swelling.NONE: "none",
    Swelling.ANKLE: "ankle",
    Swelling.SHIN: "shin",
    Swelling.KNEE: "knee or above",
}


def acting() -> CurrentStaff:
    """Who is signed in, on a page that nobody else reaches."""
    staff = current_staff()
    if staff is None:
        abort(403)
    return staff


def teach(blueprint: Blueprint) -> None:
    """Give the clinic's templates these words, under names of their own."""

    @blueprint.app_template_filter("strip")
    def _strip(summary: Summary) -> Markup:
        # The strip is made of numbers and of text it has escaped itself.
        return Markup(strip.svg(summary.strip, summary.judged.reference, summary.upper, summary.lower))  # noqa: S704

    blueprint.add_app_template_filter(spoken.day, "spoken_day")
    blueprint.add_app_template_filter(spoken.short_day, "short_day")
    blueprint.add_app_template_filter(spoken.full_day, "full_day")
    blueprint.add_app_template_filter(spoken.figure, "figure")
    blueprint.add_app_template_filter(spoken.change, "change")
    blueprint.add_app_template_filter(at_clock, "at_clock")
    blueprint.add_app_template_global(spoken.count, "count_of")

    @blueprint.context_processor
    def _words() -> dict[str, Any]:
        return {
            "LANES": LANES,
            "LANES_BY_VALUE": {lane.value: words[0] for lane, words in LANES.items()},
            "OUTCOMES": OUTCOMES,
            "RESPONSES": RESPONSES,
            "ADJUSTMENTS": ADJUSTMENTS,
            "TASKS": TASKS,
            "ANSWERS": ANSWERS,
            "CAUSES": CAUSES,
            "SWELLINGS": SWELLINGS,
            "PAUSES": PAUSES,
        }


def at_clock(instant: datetime, zone: str) -> str:
    """`25 Nov, 14:05`, on the clock of `zone`."""
    shown = instant.astimezone(localtime.zone(zone))
    return f"{spoken.short_day(shown.date())}, {shown:%H:%M}"
