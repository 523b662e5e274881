"""What a member of staff has typed into a form and not yet sent: kept on the server, so that no browser keeps it.

Promises that only whoever typed it gets it back, that there is one draft a form, few forms and little text,
and that it is gone once the form was taken, or after days. A draft is no entry of the record: nobody acts on
it, and it has no audit line.
"""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from datetime import datetime, timedelta

from sqlalchemy import delete, select
from sqlalchemy.orm import Session

from service.domain import validation
from service.domain.validation import Refused
from service.store.audit import Act
from service.store.identity import new_id
from service.store.tables import FormDraft
from service.store.upsert import upsert

LASTS = timedelta(days=3)  # over a weekend; ours, no source
MOST = 20  # forms of one person
LONGEST = 8_000  # characters of one form, its names with them: twice the longest note


def keep(act: Act, staff_id: uuid.UUID, form: str, typed: Mapping[str, str]) -> None:
    """Keep what stands in `form` now, in place of what did; nothing typed is no draft. Raises Refused."""
    place = validation.text("form", form, longest=200)
    if not all(isinstance(value, str) and validation.is_storable(name + value) for name, value in typed.items()):
        raise Refused("typed", "a character that cannot be kept", "text")
    if (size := sum(len(name) + len(value) for name, value in typed.items())) > LONGEST:
        raise Refused("typed", f"{size} characters", "at most %(most)s characters", most=LONGEST)
    if not any(value.strip() for value in typed.values()):
        drop(act.session, staff_id, place)
        return
    row = {"id": new_id(), "staff_id": staff_id, "form": place, "typed": dict(typed), "saved_at": act.now}
    upsert(act.session, FormDraft.__table__, [row], ["staff_id", "form"])
    newest = select(FormDraft.id).where(FormDraft.staff_id == staff_id).order_by(FormDraft.saved_at.desc()).limit(MOST)
    kept = list(act.session.scalars(newest))
    act.session.execute(delete(FormDraft).where(FormDraft.staff_id == staff_id, FormDraft.id.not_in(kept)))


def forget(session: Session, now: datetime) -> None:
    """Let go of what nobody has sent for days."""
    session.execute(delete(FormDraft).where(FormDraft.saved_at < now - LASTS))


def drop(session: Session, staff_id: uuid.UUID, *forms: str) -> None:
    """These forms were taken, or what was typed into them is not wanted."""
    session.execute(delete(FormDraft).where(FormDraft.staff_id == staff_id, FormDraft.form.in_(forms)))


def of_staff(session: Session, staff_id: uuid.UUID, now: datetime) -> dict[str, dict[str, str]]:
    """What this person has typed and not sent, by form."""
    found = select(FormDraft).where(FormDraft.staff_id == staff_id, FormDraft.saved_at >= now - LASTS)
    return {row.form: row.typed for row in session.scalars(found)}
