"""Which adjustments count, and which is the newest: for the engine, the panel, the page and the API alike.

One that was corrected counts no more: the one that corrects it does. The newest was made on the
latest date; of several of one date it is the one recorded last.
"""

from __future__ import annotations

from service.store.tables import Adjustment

COUNTS = Adjustment.superseded_at.is_(None)
OLDEST_FIRST = (Adjustment.made_on.asc(), Adjustment.recorded_at.asc(), Adjustment.id.asc())
NEWEST_FIRST = (Adjustment.made_on.desc(), Adjustment.recorded_at.desc(), Adjustment.id.desc())
