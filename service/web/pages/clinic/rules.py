"""The clinic's own rules for the record, on a plain form: what follows a stay, equivalents, chemistry after a change.

The paper that records are printed on stands beside them.

For administrators. Promises that the API's own check reads the form, that what was refused is still in it, and that
beside each start value stands where it comes from.
"""

from __future__ import annotations

from typing import Any

from flask import Blueprint, flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from flask_babel import gettext

from service.domain.record import rules
from service.domain.record.rules import RecordRules
from service.domain.rights import Right
from service.domain.validation import Refused
from service.domain.vocabulary import CLINICAL_STAFF, MedicineClass, Paper
from service.enrolling import clinics
from service.store.session import read_session
from service.web import forms
from service.web.auth import own_clinic, staff_act, staff_only
from service.web.pages.clinic import refusals
from service.web.services import services

blueprint = Blueprint("rules", __name__, url_prefix="/rules")
DAYS = ("watched_days", "daily_days", "closer_days")


@blueprint.get("")
@staff_only(Right.ADMINISTER)
def page() -> ResponseReturnValue:
    """What the clinic set, or the start values where it set nothing."""
    with read_session(services().engine) as session:
        clinic = own_clinic(session)
        kept, paper = clinic.record_rules, clinic.paper.value
    return _shown(_typed(rules.from_json(kept)) | {"paper": paper}, is_own=kept is not None)


@blueprint.post("")
@staff_only(Right.ADMINISTER)
def save() -> ResponseReturnValue:
    """Keep what was typed, or go back to the start values; or keep the paper, which has a form of its own."""
    try:
        match forms.text("do"):
            case "paper":
                new: dict[str, Any] = {"paper": forms.word(Paper, "paper")}
            case "start":
                new = {"record_rules": None}
            case _:
                new = {"record_rules": _read()}
        with staff_act() as act:
            clinics.change_clinic(act, own_clinic(act.session), new)
    except Refused as refused:
        flash(gettext("Not changed. %(why)s", why=refusals.plain(refused, _names())), "wrong")
        return _shown(request.form.to_dict(), is_own=True), 422
    anew = gettext("Kept. What the days after a stay are judged by is worked out anew.")
    flash(anew if "record_rules" in new else gettext("Kept."), "good")
    return redirect(url_for("clinic.rules.page"), 303)


def _shown(typed: dict[str, Any], *, is_own: bool) -> str:
    names = _names()
    fields = [
        ("call_days", names["call_days"], gettext("Start: 3 (US guideline 2013). Left empty, no call is planned.")),
        ("visit_weeks", names["visit_weeks"], gettext("Start: 1, 2, 3, 6 (Lancet 2022;400:1938).")),
        ("watched_days", names["watched_days"], gettext(
            "Start: 0. Half of those admitted again within 30 days are so by day 11 (PMC5826892). How much lower the"
            " bar is, is our own number, no source; there are more false alarms in those days.")),
        ("daily_days", names["daily_days"], gettext("Start: 0. Adds days to a patient's plan, and takes none away.")),
        ("closer_days", names["closer_days"], gettext(
            "Start: 14. Readings fall off in the first two weeks (Murphy 2017).")),
    ]  # fmt: skip
    return render_template(
        "clinic/rules.html", typed=typed, is_own=is_own, fields=fields, roles=CLINICAL_STAFF,
        names=names, classes=list(MedicineClass), papers=list(Paper),
    )  # fmt: skip


def _names() -> dict[str, str]:
    return {
        "call_days": gettext("A call within so many days of discharge"),
        "visit_weeks": gettext("Visits after so many weeks"),
        "contact_role": gettext("Whose these contacts are at first"),
        "watched_days": gettext("Days with a lower bar for a rise"),
        "daily_days": gettext("Days on which they are asked daily, whatever the plan"),
        "closer_days": gettext("Days with an earlier reminder, and staff told sooner"),
        "loop_factors": gettext("Loop diuretics as furosemide by mouth"),
        "chemistry_days": gettext("Chemistry due after a change"),
        "paper": gettext("Paper on which records are printed"),
    }


def _typed(kept: RecordRules) -> dict[str, Any]:
    """What the form begins with."""
    after = kept.aftercare
    return {
        "call_days": "" if after.call_days is None else str(after.call_days),
        "visit_weeks": ", ".join(map(str, after.visit_weeks)),
        "contact_role": after.contact_role.value,
        **{name: str(getattr(after, name)) for name in DAYS},
        "loop_factors": "\n".join(f"{which}: {factor}" for which, factor in kept.loop_factors.items()),
        **{f"chemistry_{kind}": ", ".join(map(str, days)) for kind, days in kept.chemistry_days.items()},
    }


def _read() -> dict[str, Any]:
    """What was typed, as a clinic's setting takes it. Raises Refused."""
    return {
        "call_days": forms.number("call_days"),
        "visit_weeks": _numbers("visit_weeks", "visit_weeks"),
        "contact_role": forms.text("contact_role"),
        **{name: forms.number(name) or 0 for name in DAYS},
        "loop_factors": dict(_factor(line) for line in forms.text("loop_factors").splitlines() if line.strip()),
        "chemistry_days": {
            kind.value: days for kind in MedicineClass if (days := _numbers(f"chemistry_{kind}", "chemistry_days"))
        },
    }


def _factor(line: str) -> tuple[str, str]:
    which, parted, factor = line.partition(":")
    if not parted:
        raise Refused("loop_factors", line, gettext("a medicine, its route and a factor, such as “torasemide oral: 2”"))
    return which, factor.strip().replace(",", ".")


def _numbers(name: str, field: str) -> list[int]:
    """`1, 2, 6` as numbers. Raises Refused."""
    parts = [part.strip() for part in forms.text(name).replace(";", ",").split(",") if part.strip()]
    if not all(part.isascii() and part.isdecimal() and len(part) <= 4 for part in parts):
        raise Refused(field, forms.text(name), gettext("whole numbers with commas between, such as 1, 2, 6"))
    return [int(part) for part in parts]
