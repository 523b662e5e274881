"""Links to show in a preview: as long as the real ones, and leading nowhere."""

from __future__ import annotations

import uuid
from datetime import UTC, datetime

from service.enrolling import SampleLinks
from service.web.tokens import Links

NOTHING = uuid.UUID(int=0)
LONG_AGO = datetime(1970, 1, 1, tzinfo=UTC)


def sample_links(base_url: str) -> SampleLinks:
    """One of each kind below `base_url`, signed with a word that is not the key: no copy of one opens anything."""
    links = Links("sample", base_url)
    return SampleLinks(links.checkin(NOTHING, LONG_AGO), links.nudge(NOTHING, LONG_AGO), f"{base_url}/clinic/inbox")
