"""The clinic's pages over all patients: the weekly review's panel, why readings stop, how the clinic is doing.

Staff only. GET reads and never writes; every change is a POST that ends in a
redirect. All of it works without script; script adds keys and hover.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from flask import Blueprint, Response, g, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from flask_babel import gettext, pgettext

from service.domain import review
from service.domain.vocabulary import Lane
from service.reviewing import measuring
from service.reviewing.panel import PanelEntry, build_panel
from service.store.session import read_session
from service.web import drawing
from service.web.auth import staff_only
from service.web.pages.clinic import inbox, labels, patient, records, wordings
from service.web.services import services

blueprint = Blueprint("clinic", __name__, url_prefix="/clinic")
silences_blueprint = Blueprint("silences", __name__, url_prefix="/silences")
measures_blueprint = Blueprint("measures", __name__, url_prefix="/measures")
labels.register(blueprint)
for behind in (
    patient.blueprint,
    inbox.blueprint,
    silences_blueprint,
    measures_blueprint,
    records.blueprint,
    wordings.blueprint,
):
    blueprint.register_blueprint(behind)


@dataclass(frozen=True, slots=True)
class Asked:
    """How the panel is filtered and sorted; everything is in the address, so a view can be kept."""

    lane: Lane | None
    unsigned: bool
    text: str
    sort: str

    @classmethod
    def from_request(cls) -> Asked:
        lane, sort = request.args.get("lane", ""), request.args.get("sort", "")
        return cls(
            lane=Lane(lane) if lane in set(Lane) else None,
            unsigned=request.args.get("show") == "unsigned",
            text=request.args.get("name", "").strip()[:80],
            sort=sort if sort in SORTS else "attention",
        )


SORTS: dict[str, Callable[[PanelEntry], object] | None] = {
    "attention": None,
    "name": lambda entry: entry.name.casefold(),
    "review": lambda entry: -(entry.days_since_review or 10**6),
    "readings": lambda entry: entry.summary.adherence.received / max(entry.summary.adherence.expected, 1),
    "weight": lambda entry: -(entry.summary.weight.change_kg if entry.summary.weight else -999.0),
}


def _sort_names() -> dict[str, str]:
    return {
        "attention": gettext("who needs attention first"),
        "name": pgettext("order", "name"),
        "review": gettext("longest without a review"),
        "readings": gettext("fewest readings"),
        "weight": gettext("largest weight gain"),
    }


@blueprint.get("/")
@staff_only()
def home() -> ResponseReturnValue:
    return redirect(url_for("clinic.panel"))


@blueprint.get("/review")
@staff_only()
def panel() -> ResponseReturnValue:
    """The weekly review: everyone, in four lanes."""
    asked = Asked.from_request()
    now = services().clock.now()
    with read_session(services().engine) as session:
        built = build_panel(session, g.clinic_id, now)
    return render_template(
        "clinic/panel.html",
        panel=built,
        lanes=[(lane, _shown(built.lanes[lane], asked)) for lane in review.LANES if asked.lane in {None, lane}],
        asked=asked,
        sorts=_sort_names(),
    )


@blueprint.get("/drawing.js")
@staff_only()
def drawing_library() -> ResponseReturnValue:
    """The drawing library for the browser, from our own origin; made once in each process."""
    answer = Response(drawing.browser_library(), mimetype="text/javascript")
    answer.cache_control.private = True
    answer.cache_control.max_age = 86_400
    answer.set_etag(drawing.VERSION)
    return answer.make_conditional(request)


def _shown(entries: tuple[PanelEntry, ...], asked: Asked) -> list[PanelEntry]:
    shown = [
        entry
        for entry in entries
        if not (asked.unsigned and entry.signed)
        and (not asked.text or asked.text.casefold() in f"{entry.name} {entry.clinic_ref}".casefold())
    ]
    key = SORTS[asked.sort]
    if key is not None:
        shown.sort(key=lambda entry: (entry.signed is not None, key(entry)))
    return shown


@silences_blueprint.get("", endpoint="page")
@staff_only()
def silences() -> ResponseReturnValue:
    """The panel's adherence calendar, silences by cause, and what asking brought."""
    with read_session(services().engine) as session:
        why = measuring.why_readings_stop(session, g.clinic_id, services().clock.now())
    return render_template("clinic/silences.html", why=why, busiest=max(why.hours) or 1)


@measures_blueprint.get("", endpoint="page")
@staff_only()
def measures() -> ResponseReturnValue:
    """The clinic's measures, week by week."""
    with read_session(services().engine) as session:
        measured = measuring.measure(session, g.clinic_id, services().clock.now())
    return render_template("clinic/measures.html", measured=measured)
