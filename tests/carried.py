"""Which rows a page makes again, since they are not as carried."""

from __future__ import annotations

import uuid
from datetime import datetime

from sqlalchemy import Engine

from service.domain.localtime import local_date
from service.reviewing.panel import as_carried
from service.store import panel
from service.store.session import read_session


def made_again(engine: Engine, clinic_id: uuid.UUID, now: datetime) -> list[str]:
    """Of whom the clinic's page makes the row again, by name."""
    with read_session(engine) as session:
        rows = panel.carried(session, clinic_id)
        return [row.name for row in rows if as_carried(row, local_date(now, row.zone)) is None]
