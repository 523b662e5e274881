"""The pages a link in a message opens: the patient's check-in, and behind it the caregiver's page.

Promises to work without script, cookies or an account; that opening a page changes
nothing; and that a sign of an emergency is answered with the number to call before
anything else, whatever is wrong with the other answers; that one answer that cannot
be taken costs none of the others, and what was typed is shown again as it was typed.
Shows no pressure.
"""

from __future__ import annotations

import uuid
from collections.abc import Callable, Mapping
from dataclasses import field, fields, replace
from datetime import date
from functools import lru_cache
from itertools import islice
from typing import Any

import structlog
from flask import Blueprint, current_app, redirect, render_template, request, url_for
from flask.blueprints import BlueprintSetupState
from flask.typing import ResponseReturnValue
from flask_babel import gettext
from markupsafe import escape
from sqlalchemy import bindparam, select
from werkzeug.datastructures import MultiDict

from service.domain import asking, diary
from service.domain.diary import Answers, NewCheckin
from service.domain.frozen import dataclass
from service.domain.vocabulary import (
    ActorKind,
    LinkPurpose,
    PatientState,
    SafetySign,
    Source,
    Swelling,
    Urgency,
    WeightDoubt,
    WeightSaid,
)
from service.intake.checkins import questions_of, record_checkin, urgency_of
from service.links import SAMPLE_KEY, Link
from service.store.audit import Act, Actor
from service.store.prepared import Prepared
from service.store.quarantine import describe_error
from service.store.session import Where, columns_of
from service.store.tables import Checkin, Clinic, Patient, Window
from service.store.together import write_together
from service.store.troubles import Trouble, trouble_of
from service.web.frame import no_room, not_saved, page_language
from service.web.pages import caregiver
from service.web.pages.opening import open_link
from service.web.problems import status_of
from service.web.services import services
from service.web.transfer import alike_for_many
from service.words import messages

blueprint = Blueprint("phone", __name__)
blueprint.register_blueprint(caregiver.blueprint)
log = structlog.get_logger(__name__)
KEPT = "kept_pages"  # by this an application keeps them
WEIGHT = "\N{OBJECT REPLACEMENT CHARACTER}"  # on a kept page, where a person's weight will stand


@dataclass(frozen=True, slots=True)
class ItsWindow:
    """The window, as these pages tell of it."""

    local_date: date
    wants_reading: bool
    has_reading: bool


@dataclass(frozen=True, slots=True)
class ItsPatient:
    """Whose day it is."""

    id: uuid.UUID
    clinic_id: uuid.UUID
    language: str
    state: PatientState
    weight_unit: str
    usual_pillows: int | None


@dataclass(frozen=True, slots=True)
class ItsClinic:
    """Who asks, and whom to call."""

    name: str
    contact_line: str
    emergency_number: str


@dataclass(frozen=True, slots=True)
class CheckinPage:
    """What a check-in link opens: one window, whose it is, and what has come for it."""

    window: ItsWindow
    patient: ItsPatient
    clinic: ItsClinic
    clinic_asks: asking.Asks
    answers: Answers | None
    weight_doubt: WeightDoubt | None
    asks: frozenset[str] = frozenset()  # the keys of the day's questions, where the form is shown

    @property
    def language(self) -> str:
        return self.patient.language

    @property
    def takes_part(self) -> bool:
        return self.patient.state is PatientState.ACTIVE

    @property
    def urgency(self) -> Urgency | None:
        return None if self.answers is None else urgency_of(Source.PAGE, self.answers)


@blueprint.get("/c/<token>")
def checkin(token: str) -> ResponseReturnValue:
    """The questions of one day, with what was answered before."""
    day = open_link(token, LinkPurpose.CHECKIN, _load_form)
    if day.answers is None:
        usual, unit = day.patient.usual_pillows, day.patient.weight_unit
        return alike_for_many(_kept(_blank_form, day.window, day.clinic, day.asks, usual, unit))
    return _form(day, filled_from(day.answers), alarm=day.urgency)


@blueprint.post("/c/<token>")
def send_checkin(token: str) -> ResponseReturnValue:
    """Keep what was answered.

    Whatever can be kept is kept, even when one answer must be written again: a
    person who gives up at that point has still told us the rest.
    """
    day = open_link(token, LinkPurpose.CHECKIN, _load_form)
    before = day.answers
    filled = read(request.form, day.patient.weight_unit, before)
    alarm = urgency_of(Source.PAGE, filled.answers)
    if not filled.answers.is_empty:
        answers = kept_more(filled.answers, before)
        if (error := _keep(day, answers)) is not None:
            why = trouble_of(error)
            trouble = gettext(
                "Not saved yet. Your answers are still here: please wait a minute and send them again,"
                " or call the clinic."
            )
            trouble = f"{no_room()} {trouble}" if why is Trouble.FULL else trouble
            return _form(day, filled, alarm=alarm, trouble=trouble), status_of(why)
    if filled.problems:
        return _form(day, filled, alarm=alarm, kept=not filled.answers.is_empty), 422
    return redirect(url_for("phone.thanks", token=token), 303)


@blueprint.get("/c/<token>/thanks")
def thanks(token: str) -> ResponseReturnValue:
    """What has arrived for the day; the number to call first, when an answer asks for it."""
    day = open_link(token, LinkPurpose.CHECKIN, _load)
    answers = day.answers
    if answers is None:
        return redirect(url_for("phone.checkin", token=token), 303)
    weights = None if answers.weight is None else messages.weights(page_language(), answers)
    if day.urgency is None and day.weight_doubt is None:
        made = _kept(_plain_thanks, day.window, day.clinic, weights is not None).replace(SAMPLE_KEY, token)
        return made if weights is None else made.replace(WEIGHT, escape(weights[0]))
    return _thanks(day.window, day.clinic, token, weights, alarm=day.urgency, weight_doubt=day.weight_doubt)


@blueprint.post("/c/<token>/weight")
def say_weight(token: str) -> ResponseReturnValue:
    """Keep which weight is right, where the thanks page asked."""
    day = open_link(token, LinkPurpose.CHECKIN, _load)
    said = request.form.get("said")
    if day.answers is None or day.weight_doubt is None or said not in set(WeightSaid):
        return redirect(url_for("phone.thanks", token=token), 303)
    if (error := _keep(day, diary.weight_said(day.answers, WeightSaid(said)))) is not None:
        return not_saved(trouble_of(error))
    return redirect(url_for("phone.thanks", token=token), 303)


# --- helpers ---------------------------------------------------------------------------


_PARTS: tuple[tuple[type[Any], type[Any], dict[str, Any]], ...] = (
    (ItsWindow, Window, {"has_reading": Window.reading_at.is_not(None)}),
    (ItsPatient, Patient, {}),
    (ItsClinic, Clinic, {}),
)
_WIDTHS = [len(fields(kind)) for kind, *_ in _PARTS]
_DAY = Prepared(
    select(
        # Taken by their places; an answer has a patient's column's name.
        *(
            one.label(f"{kind.__name__}_{one.name}")
            for kind, table, other in _PARTS
            for one in columns_of(kind, table, **other)
        ),
        Clinic.asks.label("clinic_asks"),
        Checkin.id.label("checkin_id"),
        Checkin.weight_doubt,
        *(getattr(Checkin, name) for name in diary.as_columns(Answers())),
    )
    .join(Patient, Patient.id == Window.patient_id)
    .join(Clinic, Clinic.id == Window.clinic_id)
    .outerjoin(
        Checkin,
        (Checkin.patient_id == Window.patient_id)
        & (Checkin.local_date == Window.local_date)
        & Checkin.superseded_at.is_(None),
    )
    .where(Window.id == bindparam("window"))
)


def _load(where: Where, link: Link) -> CheckinPage | None:
    row = _DAY.first(where, {"window": link.window_id})
    if row is None:
        return None
    values = iter(row)
    window, patient, clinic = (kind(*islice(values, width)) for (kind, *_), width in zip(_PARTS, _WIDTHS, strict=True))
    answers = None if row.checkin_id is None else diary.from_columns(row)
    return CheckinPage(window, patient, clinic, row.clinic_asks, answers, row.weight_doubt)


def _load_form(where: Where, link: Link) -> CheckinPage | None:
    """With the day's questions: read before anything is written, so that the form can come back whatever goes wrong."""
    day = _load(where, link)
    if day is None:
        return None
    return replace(day, asks=questions_of(where, day.clinic_asks, day.patient.id, day.window.local_date))


def _keep(day: CheckinPage, answers: Answers) -> Exception | None:
    """Why the answers are not kept; None when they are. A failure is logged by its kind, never by its values."""
    now, who = services().clock.now(), Actor(ActorKind.PATIENT, day.patient.id)
    new = NewCheckin(day.patient.id, answers, day.window.local_date, Source.PAGE)
    try:
        with write_together(services().engine) as connection:
            record_checkin(Act(connection, who, day.patient.clinic_id, now), new)
    except Exception as error:
        # Whatever went wrong, the page must still come: it may have to say whom to call.
        reference = uuid.uuid4().hex[:8]
        log.exception("check-in not kept", error=describe_error(error), reference=reference, exc_info=False)
        return error
    return None


def _form(
    day: CheckinPage, filled: Filled, *, alarm: Urgency | None = None, kept: bool = False, trouble: str = ""
) -> str:
    said: dict[str, Any] = {"answers": day.answers, "alarm": alarm, "kept": kept, "trouble": trouble}
    return _made(day.window, day.clinic, day.asks, day.patient.usual_pillows, filled, **said)


def _made(
    window: ItsWindow, clinic: ItsClinic, asks: frozenset[str], usual_pillows: int | None, filled: Filled, **said: Any
) -> str:
    return render_template(
        "phone/checkin.html",
        window=window,
        clinic=clinic,
        asks=asks,
        usual_pillows=usual_pillows,
        filled=filled,
        headings=_headings(),
        signs=tuple(SafetySign),
        swellings=tuple(Swelling),
        longest_note=diary.LONGEST_NOTE,
        **said,
    )


def _thanks(
    window: ItsWindow, clinic: ItsClinic, token: str, weights: tuple[str, ...] | None, **doubts: str | None
) -> str:
    return render_template("phone/thanks.html", window=window, clinic=clinic, token=token, weights=weights, **doubts)


# --- pages that are kept: alike for many, and nothing on them is anybody's --------------------


def _blank_form(
    _language: str, window: ItsWindow, clinic: ItsClinic, asks: frozenset[str], usual_pillows: int | None, unit: str
) -> str:
    """The form before anything was typed."""
    return _made(window, clinic, asks, usual_pillows, filled_from(Answers(weight_unit=unit)))


def _plain_thanks(_language: str, window: ItsWindow, clinic: ItsClinic, has_weight: bool) -> str:
    """The thanks that ask and warn of nothing; link and weight are still to be filled in."""
    return _thanks(window, clinic, SAMPLE_KEY, (WEIGHT,) if has_weight else None)


@blueprint.record
def _keep_pages(state: BlueprintSetupState) -> None:
    # A few for each clinic and day, of some ten kilobytes each; made anew they were half of what a page costs.
    state.app.extensions[KEPT] = {make: lru_cache(maxsize=256)(make) for make in (_blank_form, _plain_thanks)}


def _kept(make: Callable[..., str], *of_what: Any) -> str:
    """The page in this request's language."""
    made: str = current_app.extensions[KEPT][make](page_language().code, *of_what)
    return made


def _headings() -> dict[str, str]:
    return {question.key: gettext(question.words) for question in diary.QUESTIONS}


# --- the form: from what a person typed to answers, and back -----------------------------

MOST_MORE_PILLOWS = 3  # the page's last choice, "3 or more"


@dataclass(frozen=True, slots=True)
class Filled:
    """A form as it was sent: the answers that can be kept, what was typed, what is wrong with the rest."""

    answers: Answers
    typed: Mapping[str, Any]
    problems: Mapping[str, str] = field(default_factory=dict)  # field → a sentence for the person


def read(form: MultiDict[str, str], usual_unit: str, before: Answers | None = None) -> Filled:
    """What was sent. An answer that cannot be taken leaves the one given `before`, if there was one."""
    typed: dict[str, Any] = {question.key: form.get(question.key, "") for question in diary.QUESTIONS}
    typed["safety_signs"] = form.getlist("safety_signs")
    given = typed | {"safety_signs": typed["safety_signs"] or None, "weight_unit": form.get("weight_unit")}
    answers, refused = diary.read_answers(given, usual_unit)
    typed["weight_unit"] = answers.weight_unit
    problems: dict[str, str] = {}
    for refusal in refused:
        key = "weight" if refusal.field == "weight_unit" else refusal.field
        problems[key] = _sentence(key, answers.weight_unit)
        if key != "answers":
            answers = _put_back(answers, key, before)
    return Filled(answers, typed, problems)


def filled_from(answers: Answers) -> Filled:
    """The form with answers that were given before."""
    signs = answers.safety_signs
    typed: dict[str, Any] = {question.key: _shown(getattr(answers, question.key)) for question in diary.QUESTIONS}
    typed |= {
        "safety_signs": [] if signs is None else [sign.value for sign in signs] or [diary.NONE_OF_THESE],
        "weight": "" if answers.weight is None else f"{answers.weight:g}",
        "weight_unit": answers.weight_unit,
        "extra_pillows": "" if answers.extra_pillows is None else str(_within_page(answers.extra_pillows)),
    }
    return Filled(answers, typed)


def kept_more(given: Answers, before: Answers | None) -> Answers:
    """`given`, but a number of pillows beyond the page's last choice stays what it was when that choice stands."""
    if before is None or before.extra_pillows is None or given.extra_pillows is None:
        return given
    if given.extra_pillows == _within_page(before.extra_pillows):
        return replace(given, extra_pillows=before.extra_pillows)
    return given


def _put_back(answers: Answers, key: str, before: Answers | None) -> Answers:
    source = before or Answers()
    if key == "weight":
        return replace(answers, weight=source.weight, weight_unit=source.weight_unit)
    return replace(answers, **{key: getattr(source, key)})


def _sentence(key: str, unit: str) -> str:
    if key == "weight":
        least, most, name = diary.WEIGHT_RANGES.get(unit, diary.WEIGHT_RANGES["kg"])
        words: str = gettext(
            "Please write the weight as a number from %(least)s to %(most)s %(unit)s, such as %(such)s.",
            least=f"{least:g}", most=f"{most:g}", unit=name, such="82.4" if name == "kg" else "181.5",
        )  # fmt: skip
    elif key == "note":
        words = gettext("Please keep it to %(most)s letters.", most=diary.LONGEST_NOTE)
    elif key == "answers":
        words = gettext("Nothing was filled in. Please answer at least one question.")
    else:
        words = gettext("Please choose one of the answers.")
    return words


def _shown(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    return str(value)


def _within_page(pillows: int) -> int:
    return max(-1, min(pillows, MOST_MORE_PILLOWS))
