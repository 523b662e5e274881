"""The clinic's settings on one page: names and numbers, hours, follow-up steps, and what a check-in asks how often.

For administrators. Promises that the API's own schema and use case take the form, and that what was refused is still
in it. What a change means for windows that are open, and for the review, is said by `enrolling.clinics`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from flask import Blueprint, flash, g, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from flask_babel import gettext, lazy_gettext

from service.domain import asking, vocabulary
from service.domain.asking import HowOften
from service.domain.diary import QUESTIONS
from service.domain.rights import Right
from service.domain.validation import Refused
from service.enrolling import clinics
from service.store.session import read_session
from service.store.tables import Clinic
from service.web import forms
from service.web.api.clinic import ClinicChange
from service.web.auth import own_clinic, staff_act, staff_only
from service.web.frame import page_language
from service.web.pages.clinic import enrol, followup, inputs
from service.web.pages.clinic.inputs import Form, Input
from service.web.services import services

blueprint = Blueprint("settings", __name__, url_prefix="/settings")
_ = lazy_gettext


def _weekdays() -> Sequence[tuple[str, str]]:
    return [(str(day), name) for day, name in enumerate(page_language().weekdays)]


PARTS = (
    Form("names", _("Names and numbers"), "", (
        Input("name", _("Name of the clinic"), required=True),
        Input("sender_name", _("How messages are signed"), required=True,
              hint=_("Read on lock screens: it must not speak of hearts.")),
        Input("contact_line", _("The clinic’s telephone"), "tel", required=True),
        Input("emergency_number", _("Emergency number"), "tel", required=True),
        Input("text_line", _("Number or name that people write to"), empties=True,
              hint=_("Empty: the service’s common one.")),
        Input("language", _("Language"), "choice", choices=enrol.spoken, required=True),
        Input("zone", _("Time zone"), choices=enrol.zones, required=True),
        Input("paper", _("Paper"), words=vocabulary.Paper, required=True),
    )),
    Form("hours", _("Days and hours"), "", (
        Input("review_weekday", _("Day of the weekly review"), "choice", choices=_weekdays, required=True),
        Input("quiet_from", _("Quiet from"), "time", required=True),
        Input("quiet_until", _("Quiet until"), "time", required=True),
        Input("start_opens", _("A new plan asks at"), "time", required=True),
        Input("start_due", _("and reminds at"), "time", required=True),
        Input("start_closes", _("and ends at"), "time", required=True),
        Input("silent_days", _("Staff are told after so many missed days"), "number", required=True),
        Input("silent_again_days", _("and told again after so many more"), "number", required=True),
        Input("says_back", _("A reply by text repeats what was understood"), "yes", required=True),
        Input("asks_again_in_doubt", _("A prompt that may not have left is sent once more"), "yes", required=True),
    )),
    Form("noticed", _("What stands out in who opened what"), "", (
        Input("noticed_nights", _("At night: by whoever did so on fewer nights in six weeks than"), "number",
              required=True),
        Input("noticed_records", _("In one hour: more records than"), "number", required=True),
        Input("noticed_occasions", _("One record in a week: as many occasions as, or more"), "number", required=True),
    )),
)  # fmt: skip
WHOLE = Form("settings", "", "", tuple(one for part in PARTS for one in part.inputs))


@blueprint.get("")
@staff_only(Right.ADMINISTER)
def page() -> ResponseReturnValue:
    """What is set now."""
    return _shown()


@blueprint.post("")
@staff_only(Right.ADMINISTER)
def save() -> ResponseReturnValue:
    """Keep what was typed, all of it or nothing."""
    names = {"steps": gettext("Follow-up steps"), "asks": gettext("What is asked how often")}
    try:
        with staff_act() as act:
            clinic = own_clinic(act.session)
            inputs.hold(act, clinic)
            besides = {"steps": followup.typed(), "asks": _asks()}
            named = {key: (names[key], sent) for key, sent in besides.items()}
            inputs.check_stands(WHOLE, _standing(clinic), clinic.zone, **named)
            given = inputs.given(ClinicChange(), _numbered(), clinic.zone)
            clinics.change_clinic(act, clinic, given | besides)
    except inputs.Overtaken as overtaken:
        flash(str(overtaken), "wrong")
        return _shown(), 409
    except Refused as refused:
        why = inputs.told(WHOLE, refused, **names)
        flash(gettext("Not changed. %(why)s", why=why), "wrong")
        return _shown(is_refused=True), 422
    flash(gettext("Kept. Windows that are open keep the steps they were opened with."), "good")
    return redirect(url_for("clinic.settings.page"), 303)


def _numbered() -> Form:
    """The form, with the weekday read as the number that it is."""
    read = [replace(one, kind="number") if one.name == "review_weekday" else one for one in WHOLE.inputs]
    return Form("settings", "", "", read)


def _asks() -> dict[str, list[str]]:
    """How often each question is asked, as typed; one that the form does not name stays daily."""
    found: dict[str, list[str]] = {how.value: [] for how in HowOften}
    for question in QUESTIONS:
        how = forms.text(f"asks-{question.key}") or HowOften.DAILY.value
        found.setdefault(how, []).append(question.key)
    return found


def _shown(*, is_refused: bool = False) -> str:
    with read_session(services().engine) as session:
        clinic = own_clinic(session)
    g.clinic_zone = clinic.zone
    how_often = {key: how for how, keys in clinic.asks.items() for key in keys}
    if is_refused:
        how_often = {key: how for how, keys in _asks().items() for key in keys}
    return render_template(
        "clinic/settings.html",
        parts=PARTS,
        filled=request.form if is_refused else _filled(clinic),
        stood=forms.text("stood") if is_refused else inputs.mark(_standing(clinic)),
        steps=followup.rows(clinic.steps),
        questions=[
            (one.key, page_language().gettext(one.words), how_often.get(one.key, HowOften.DAILY.value))
            for one in QUESTIONS
        ],
        how_often=list(HowOften),
        always=asking.SIGNS,
    )


def _standing(clinic: Clinic) -> dict[str, Any]:
    """All that the form holds, as it stands."""
    return _filled(clinic) | {"steps": clinic.steps, "asks": clinic.asks}


def _filled(clinic: Clinic) -> dict[str, Any]:
    held = {one.name: getattr(clinic, one.name) for one in WHOLE.inputs}
    times = {name: f"{value:%H:%M}" for name, value in held.items() if hasattr(value, "hour")}
    return {name: "" if value is None else value for name, value in held.items()} | times
