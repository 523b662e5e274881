"""The weekly review's page: everybody in four lanes, a row a patient, opened, signed and taken back where it stands.

Promises that all of it works without script, by links and forms that lead back to the row; and that a script
which asks for a part of the page (`PART`) is answered with those elements alone, each to stand in place of the one
with its id. What must not be signed unseen has its mark nowhere but in its opened row.
"""

from __future__ import annotations

import uuid
from collections import defaultdict
from collections.abc import Callable, Collection
from dataclasses import dataclass
from datetime import datetime, timedelta
from math import inf
from typing import Any

from flask import Blueprint, abort, flash, g, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from flask_babel import gettext, ngettext, pgettext
from sqlalchemy.orm import Session

from service.domain import review
from service.domain.rights import Right
from service.domain.summary import STRIP_DAYS
from service.domain.validation import Refused
from service.domain.vocabulary import Lane, Outcome
from service.reviewing import desk, signing, withdrawing
from service.reviewing.panel import Panel, PanelEntry, build_panel
from service.store.session import read_session
from service.store.tables import SignOff
from service.web import trail
from service.web.auth import own, own_clinic, own_patient, signed_in, staff_act, staff_only
from service.web.frame import page_language
from service.web.pages.clinic import handing, messaging, record, signatures
from service.web.services import services

blueprint = Blueprint("review", __name__, url_prefix="/review")
PART = "X-Part"  # a header that our own script sends, and no form can


@dataclass(frozen=True, slots=True)
class Asked:
    """How the panel is filtered and sorted; everything is in the address, so a view can be kept."""

    lane: Lane | None
    to_do: bool
    text: str
    sort: str
    opened: str

    @classmethod
    def from_request(cls) -> Asked:
        given = request.values
        lane, sort = given.get("lane", ""), given.get("sort", "")
        return cls(
            lane=Lane(lane) if lane in set(Lane) else None,
            to_do=given.get("show") == "to_do",
            text=given.get("name", "").strip()[:80],
            sort=sort if sort in SORTS else "attention",
            opened=given.get("open", ""),
        )

    def view(self, **other: object) -> dict[str, Any]:
        """This view as it stands in an address, with something else in it."""
        kept = {
            "lane": self.lane and self.lane.value,
            "show": "to_do" if self.to_do else None,
            "name": self.text or None,
            "sort": None if self.sort == "attention" else self.sort,
        }
        return {name: value for name, value in (kept | other).items() if value}

    def shows(self, entry: PanelEntry) -> bool:
        found = self.text.casefold() in f"{entry.name} {entry.clinic_ref}".casefold()
        return found and (entry.to_do or not self.to_do)


SORTS: dict[str, Callable[[PanelEntry], object] | None] = {
    "attention": None,
    "name": lambda entry: entry.name.casefold(),
    "review": lambda entry: -(10**6 if entry.days_since_review is None else entry.days_since_review),
    "readings": lambda entry: _share_read(entry),
    "weight": lambda entry: -_gained(entry),
}


def _share_read(entry: PanelEntry) -> float:
    """Of what was expected; where nothing was, nothing is missing, and the patient comes last."""
    counted = entry.summary.adherence
    return counted.received / counted.expected if counted.expected else inf


def _gained(entry: PanelEntry) -> float:
    change = entry.summary.trend.diary.weight.change_kg
    return -999.0 if change is None else change


def _sort_names() -> dict[str, str]:
    return {
        "attention": gettext("by need"),
        "name": pgettext("order", "name"),
        "review": gettext("longest without a review"),
        "readings": gettext("fewest readings"),
        "weight": gettext("largest weight gain"),
    }


def page(typed: uuid.UUID | None = None, told: signatures.Became | None = None) -> ResponseReturnValue:
    """The whole page; `typed` is whose form could not be taken: it says why, and holds what was typed into it."""
    asked = Asked.from_request()
    opened = str(typed) if typed else asked.opened
    with read_session(services().engine) as session:
        shown = _context(session, asked)
        whole: Panel = shown["panel"]
        ones = {entry.patient_id for entry in whole.entries if str(entry.patient_id) == opened}
        shown |= _opened(session, whole, ones, shown["now"])
    lanes = [(lane, _shown(whole.lanes[lane], asked)) for lane in review.LANES if asked.lane in {None, lane}]
    return render_template(
        "clinic/panel.html", lanes=lanes, sorts=_sort_names(), typed=typed, told=told, **shown
    ), 422 if told else 200


@blueprint.get("/<uuid:patient_id>")
@staff_only(Right.READ)
def opened(patient_id: uuid.UUID) -> ResponseReturnValue:
    """One row, opened: every reason as a sentence, the facts, and the form to sign it with."""
    asked = Asked.from_request()
    if PART not in request.headers:
        return redirect(_to_row(asked, patient_id), 303)
    return _rows([patient_id], opened=request.args.get("shut") is None)


@blueprint.post("/<uuid:patient_id>/sign")
@staff_only(Right.CARE)
def sign(patient_id: uuid.UUID) -> ResponseReturnValue:
    """Sign the row, or add to what was signed, and go on."""
    told = signatures.from_form(patient_id)
    return _answer([patient_id], told)


@blueprint.post("/<uuid:patient_id>/message")
@staff_only(Right.CARE)
def message(patient_id: uuid.UUID) -> ResponseReturnValue:
    """Send the patient a message by hand. The row stays open."""
    return _answer([patient_id], messaging.from_form(patient_id), opened=True)


@blueprint.post("/<uuid:patient_id>/contact")
@staff_only(Right.CARE)
def contact(patient_id: uuid.UUID) -> ResponseReturnValue:
    """Plan the next contact, or hand it to somebody else. The row stays open, and is not signed."""
    return _answer([patient_id], handing.from_form(patient_id), opened=True)


@blueprint.post("/together")
@staff_only(Right.CARE)
def together() -> ResponseReturnValue:
    """Sign the settled ones that were looked at, each with its own facts; who has changed is left out, and named."""
    looked = [pair.partition(":") for pair in request.form.getlist("looked")]
    signed: list[PanelEntry] = []
    left: list[PanelEntry] = []
    now = services().clock.now()
    with read_session(services().engine) as session:
        waiting = {str(one.patient_id): one for one in build_panel(session, g.clinic_id, now).entries if one.to_do}
    for patient_id, _, seen in looked:
        entry = waiting.get(patient_id)
        if entry is None:
            continue
        is_done = entry.lane is Lane.SETTLED and entry.signed is None and _sign_settled(entry, seen)
        (signed if is_done else left).append(entry)
    words = [ngettext("%(num)d signed.", "%(num)d signed.", len(signed))]
    if left:
        names = page_language().listed([entry.name for entry in left])
        words.append(gettext("Not signed, since something has changed: %(names)s. Please look at each.", names=names))
    told = signatures.Became(" ".join(words), good=not left)
    return _answer([entry.patient_id for entry in (*signed, *left)], told)


@blueprint.post("/<uuid:sign_off_id>/take-back")
@staff_only(Right.CARE)
def take_back(sign_off_id: uuid.UUID) -> ResponseReturnValue:
    """Take a signature back within minutes of giving it, with what was done in the same act."""
    try:
        with staff_act() as act:
            patient_id = own(act.session, SignOff, sign_off_id).patient_id
            withdrawing.take_back(act, sign_off_id)
    except withdrawing.StillStands as stands:
        told = signatures.Became(_stands(stands.why), good=False)
    else:
        told = signatures.Became(gettext("Taken back. It is to be signed again."))
    return _answer([patient_id], told)


# --- helpers -----------------------------------------------------------------------------------------


def _sign_settled(entry: PanelEntry, seen: str) -> bool:
    try:
        with staff_act() as act:
            signing.sign(act, entry.patient_id, Outcome.NO_CHANGE, "", None, page_language(), seen)
    except (signing.AlreadySigned, signing.LookAgain, Refused, LookupError):
        return False
    return True


def _stands(why: withdrawing.Stands) -> str:
    words: dict[withdrawing.Stands, str] = {
        withdrawing.Stands.ANOTHERS: gettext("Not taken back: somebody else signed it."),
        withdrawing.Stands.TOO_LATE: gettext("Not taken back: it is too long ago. Add to the review instead."),
        withdrawing.Stands.ADDED_TO: gettext("Not taken back: something was added to it since."),
        withdrawing.Stands.MOVED_ON: gettext("Not taken back: another clinic looks after them now."),
    }
    return words[why]


def _answer(
    patient_ids: Collection[uuid.UUID], told: signatures.Became, *, opened: bool = False
) -> ResponseReturnValue:
    """After a form: the rows it changed, for a script; else back to the page, at the next row to do or the same one."""
    asked = Asked.from_request()
    first = next(iter(patient_ids), None)
    if PART in request.headers:
        return _rows(patient_ids, opened=opened or told.form, told=told)
    if not told.good and told.form and first is not None:
        return page(first, told)
    flash(told.text, "good" if told.good else "wrong")
    if opened and first is not None:
        return redirect(_to_row(asked, first), 303)
    return redirect(url_for("clinic.panel", **asked.view(), _anchor=request.form.get("next") or None), 303)


def _to_row(asked: Asked, patient_id: uuid.UUID) -> str:
    return url_for("clinic.panel", **asked.view(open=str(patient_id)), _anchor=f"p-{patient_id}")


def _rows(
    patient_ids: Collection[uuid.UUID], *, opened: bool, told: signatures.Became | None = None
) -> ResponseReturnValue:
    """The rows as elements of their own, with what else of the page has changed with them."""
    with read_session(services().engine) as session:
        shown = _context(session, Asked.from_request())
        whole: Panel = shown["panel"]
        entries = [entry for entry in whole.entries if entry.patient_id in set(patient_ids)]
        if not entries:
            abort(404)
        ones = {entry.patient_id for entry in entries} if opened else set()
        shown |= _opened(session, whole, ones, shown["now"])
    typed = entries[0].patient_id if told and not told.good and told.form else None
    return render_template("clinic/rowpart.html", entries=entries, told=told, typed=typed, **shown)


def _context(session: Session, asked: Asked) -> dict[str, Any]:
    now = services().clock.now()
    whole = build_panel(session, g.clinic_id, now)
    counted = desk.counts(session, own_clinic(session), now)
    trail.of_many(len(whole.entries))
    return {
        "panel": whole,
        "beside": desk.beside(session, g.clinic_id, whole.today - timedelta(days=STRIP_DAYS)),
        "nothing_beside": desk.AtHand(),
        "asked": asked,
        "now": now,
        "bar": desk.Counts(whole.to_do, counted.tasks, counted.urgent),
        "undoable": lambda entry: _undoable(entry, now),
    }


def _undoable(entry: PanelEntry, now: datetime) -> bool:
    done = entry.signed
    if done is None or not signed_in().may(Right.CARE):
        return False
    return withdrawing.may_take_back(done.by_id, done.at, bool(done.additions), signed_in().id, now) is None


def _opened(session: Session, whole: Panel, ones: set[uuid.UUID], now: datetime) -> dict[str, Any]:
    """Of the rows that stand open, the next contact, and what can be sent to the patient; and the record's one line
    of these and of the settled, who may be signed without being opened.
    """
    entries = [
        entry
        for entry in whole.entries
        if entry.patient_id in ones or (entry.lane is Lane.SETTLED and entry.to_do and not entry.since)
    ]
    lines = record.beside(session, entries, now) if entries else {}
    return {
        "opened": ones,
        "lines": defaultdict(str, lines),
        "planned": {patient_id: handing.planned(session, own_patient(session, patient_id), now) for patient_id in ones},
        "by_hand": {patient_id: messaging.outlook(session, own_patient(session, patient_id)) for patient_id in ones},
    }


def _shown(entries: tuple[PanelEntry, ...], asked: Asked) -> list[PanelEntry]:
    shown = [entry for entry in entries if asked.shows(entry)]
    key = SORTS[asked.sort]
    if key is not None:
        shown.sort(key=lambda entry: (not entry.to_do, key(entry)))
    return shown
