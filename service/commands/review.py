"""`neaptide review`: are the rows that the weekly review carries what the records say, and make them so.

Shows ids and counts; never a name or a value.
"""

from __future__ import annotations

import sys

import click
from sqlalchemy import select

from service.commands import opening
from service.reviewing import refreshing
from service.store import panel
from service.store.session import read_session, write_session
from service.store.tables import Clinic, Patient

SOMETHING_WRONG = 4
PORTION = 200


@click.group("review")
def review() -> None:
    """The rows that the weekly review carries forward."""


@review.command("audit")
def audit() -> None:
    """Work every carried row out anew and compare. Exit code 4 when one differs."""
    settings = opening.settings()
    now = opening.clock_of(settings).now()
    wrong = 0
    with opening.database(settings) as engine, read_session(engine) as session:
        for clinic in session.scalars(select(Clinic).order_by(Clinic.id)):
            differing = refreshing.differing(session, clinic.id, now)
            wrong += len(differing)
            click.echo(f"clinic {clinic.id}: {len(differing)} rows differ")
            for patient_id in differing:
                click.echo(f"  patient {patient_id}")
    sys.exit(SOMETHING_WRONG if wrong else 0)


@review.command("rebuild")
def rebuild() -> None:
    """Make every row again from the records. Nothing that was signed changes."""
    settings = opening.settings()
    now = opening.clock_of(settings).now()
    with opening.database(settings) as engine:
        with write_session(engine) as session:
            everyone = list(session.scalars(select(Patient.id)))
            for first in range(0, len(everyone), PORTION):
                panel.mark_stale(session, everyone[first : first + PORTION], now)
        done = refreshing.rebuild(engine, now)
        while (tally := refreshing.refresh(engine, now)).seen:
            done += tally
    click.echo(f"{done.done} rows made, {done.quarantined} set aside")
    sys.exit(SOMETHING_WRONG if done.quarantined else 0)
