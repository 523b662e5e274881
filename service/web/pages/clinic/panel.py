"""The clinic's pages over all patients: the review, the list, why readings stop, how the clinic is doing.

Staff only. GET reads and never writes; every change is a POST that ends in a
redirect. All of it works without script; script adds keys and hover.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import timedelta
from itertools import groupby
from typing import Any

from flask import Blueprint, g, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from flask_babel import gettext
from markupsafe import Markup
from sqlalchemy import select

from service.domain.measures import EPISODE_DAYS, FEW, Figures
from service.domain.rights import Right
from service.domain.summary import DIARY_ONLY, EXCUSED, MISSED, RECEIVED, WAITING
from service.domain.vocabulary import CLINICAL_STAFF, PatientState
from service.recording import next_contacts
from service.reports import weeks
from service.reviewing import desk, measuring
from service.reviewing.panel import PanelEntry, build_panel
from service.store import holds
from service.store.session import read_session
from service.store.tables import Patient
from service.web import trail
from service.web.auth import own_clinic, signed_in, staff_only
from service.web.frame import at_clock, page_language
from service.web.pages.clinic import (
    colleagues,
    drafts,
    emergency,
    enrol,
    erasing,
    files,
    hospital,
    inbox,
    inviting,
    machines,
    mending,
    openings,
    patient,
    records,
    review,
    rules,
    sent,
    settings,
    transfers,
    wordings,
)
from service.web.services import services
from service.words.labels import label
from service.words.language import Language

blueprint = Blueprint("clinic", __name__, url_prefix="/clinic")
silences_blueprint = Blueprint("silences", __name__, url_prefix="/silences")
patients_blueprint = Blueprint("patients", __name__, url_prefix="/patients")
measures_blueprint = Blueprint("measures", __name__, url_prefix="/measures")
for behind in (
    patient.blueprint,
    review.blueprint,
    enrol.blueprint,
    inviting.blueprint,
    files.blueprint,
    drafts.blueprint,
    sent.blueprint,
    transfers.blueprint,
    settings.blueprint,
    hospital.blueprint,
    machines.keys_blueprint,
    machines.audit_blueprint,
    openings.of_clinic,
    inbox.blueprint,
    silences_blueprint,
    patients_blueprint,
    measures_blueprint,
    records.blueprint,
    rules.blueprint,
    wordings.blueprint,
    colleagues.blueprint,
    emergency.blueprint,
    erasing.blueprint,
):
    blueprint.register_blueprint(behind)


@blueprint.app_context_processor
def bar() -> dict[str, Any]:
    """What waits, for the bar of the clinic's pages, and the like: worked out only where a page asks for it."""
    return {
        "bar_counts": _counted,
        "can_call": _can_call,
        "mending": mending.mending,
        "emergencies": emergency.waiting,
        "copied_passkeys": colleagues.copied_passkeys,
        "altered": machines.altered,
        "emergency_end": emergency.end_shown,
        "lost_time": _lost_time,
    }


def _lost_time() -> dict[str, Any] | None:
    """The time of which nothing is known since the records were brought back from a backup, on the clinic's clock."""
    with read_session(services().engine) as session:
        gap = holds.newest(session, services().clock.now())
        if gap is None:
            return None
        zone = own_clinic(session).zone
    say = page_language()
    until = gap.resumed_at and at_clock(say, gap.resumed_at, zone)
    return {"since": at_clock(say, gap.backup_at, zone), "until": until}


def _can_call() -> list[tuple[str, str]]:
    """To whom a call can be handed, with their names: whoever is signed in first, then roles, then colleagues."""
    with read_session(services().engine) as session:
        others = next_contacts.colleagues(session, g.clinic_id)
    roles = [(role.value, gettext("any %(role)s", role=label(page_language(), role))) for role in CLINICAL_STAFF]
    return [("", gettext("me")), *roles, *((str(one.id), one.name) for one in others if one.id != signed_in().id)]


def _counted() -> desk.Counts:
    with read_session(services().engine) as session:
        return desk.counts(session, own_clinic(session), services().clock.now())


@blueprint.get("/")
@staff_only(Right.OWN)
def home() -> ResponseReturnValue:
    """Where one's work begins: the review, or what an administrator alone answers for."""
    return redirect(url_for("clinic.panel" if signed_in().may(Right.READ) else "clinic.colleagues.page"))


@blueprint.get("/review")
@staff_only(Right.READ)
def panel() -> ResponseReturnValue:
    """The weekly review: everyone, in four lanes."""
    return review.page()


@patients_blueprint.get("", endpoint="page")
@staff_only(Right.READ)
def patients() -> ResponseReturnValue:
    """Everybody who is looked after, by name, with the number to call; by what was sought, whoever was before too."""
    now, sought = services().clock.now(), request.args.get("name", "").strip()[:80]
    with read_session(services().engine) as session:
        built = build_panel(session, g.clinic_id, now)
        at_hand = desk.beside(session, g.clinic_id, built.today)
        query = select(Patient).where(Patient.clinic_id == g.clinic_id, Patient.state == PatientState.ENDED)
        ended = session.scalars(query.order_by(Patient.name)).all() if sought else []

    def fits(one: PanelEntry | Patient) -> bool:
        return sought.casefold() in f"{one.name} {one.clinic_ref}".casefold()

    found = [one for one in built.entries if fits(one)]
    trail.of_many(len(found))
    return render_template(
        "clinic/patients.html",
        entries=sorted(found, key=lambda one: one.name.casefold()),
        ended=[one for one in ended if fits(one)],
        at_hand=at_hand,
        nothing=desk.AtHand(),
        sought=sought,
        now=now,
    )


# --- why readings stop, and how the clinic is doing ----------------------------------------------


@silences_blueprint.get("", endpoint="page")
@staff_only(Right.READ)
def silences() -> ResponseReturnValue:
    """The panel's adherence calendar, silences by cause, and what asking brought."""
    with read_session(services().engine) as session:
        why = measuring.why_readings_stop(session, g.clinic_id, services().clock.now())
    say = page_language()
    trail.of_many(len(why.calendar))
    return render_template(
        "clinic/silences.html",
        why=why,
        busiest=max(why.hours) or 1,
        marks={
            RECEIVED: gettext("reading"),
            MISSED: gettext("expected, and none came"),
            DIARY_ONLY: gettext("diary without a reading"),
            EXCUSED: gettext("excused"),
            WAITING: gettext("still open"),
        },
        months=[(say.months[month - 1], len(list(days))) for month, days in groupby(why.dates, lambda day: day.month)],
        weekdays=say.short_weekdays,
        heads=[say.weekday_day(day) for day in why.dates],
    )


@measures_blueprint.get("", endpoint="page")
@staff_only(Right.READ)
def measures() -> ResponseReturnValue:
    """The clinic's measures, each with its line of weeks, beside the clinic's own past."""
    where = services().for_long_reads()
    with read_session(where.engine) as session:
        measured = measuring.measure(session, g.clinic_id, services().clock.now())
        zone = own_clinic(session).zone
    lately = [week.first for week in measured.weeks if not week.running][-measured.lately.weeks :]
    return render_template(
        "clinic/measures.html",
        as_of=where.as_of,
        zone=zone,
        measured=measured,
        drawn=_drawn(page_language(), measured.weeks),
        first=lately[0] if lately else None,
        last=lately[-1] + timedelta(days=6) if lately else None,
        within=measuring.SAME_EPISODE_DAYS,
        apart=EPISODE_DAYS,
        few=FEW,
    )


def _drawn(say: Language, measured: Sequence[measuring.Week]) -> dict[str, Markup]:
    """Each measure's line, by its key on the page."""

    def line(name: str, value: Callable[[Figures], float | None], most: float | None = None) -> Markup:
        unit = " %" if most else ""
        points = []
        for week in measured:
            figure = value(week.figures)
            told = "" if figure is None else f"{say.short_day(week.first)}: {say.figure(figure)}{unit}"
            points.append(weeks.Point(week.first, figure, told, week.running))
        # Made of numbers and of text it has escaped itself.
        return Markup(weeks.svg(say, points, name=name, most=most, unit=unit))  # noqa: S704

    return {
        "readings": line(gettext("Readings received"), lambda of: of.readings.percent, 100.0),
        "reviews": line(gettext("Reviews signed"), lambda of: of.reviews.percent, 100.0),
        "contact": line(gettext("Days to the first contact"), lambda of: of.first_contact.median_days),
        "settled": line(gettext("Days to the end of the rise or fall"), lambda of: of.to_settled.median_days),
        "signals": line(gettext("Signals for every 100 patients"), lambda of: of.signals_per_100),
        "nights": line(gettext("Nights in hospital"), lambda of: of.nights),
    }
