"""The kinds of files: what each may hold, and what takes it in. Page, API and operator go by this one table."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from service.domain import rows
from service.domain.rows import Layout
from service.filing.importing import ImportReport, import_checkins, import_events, import_readings, import_results
from service.filing.roster import import_roster


@dataclass(frozen=True)
class FileKind:
    """`asks` are the further things that may be said of the whole file, arguments of `run` by name."""

    layout: Layout
    run: Callable[..., ImportReport]
    asks: tuple[str, ...] = ()


KINDS: dict[str, FileKind] = {
    "roster": FileKind(rows.ROSTER, import_roster),
    "readings": FileKind(rows.READINGS, import_readings, ("unit",)),
    "checkins": FileKind(rows.CHECKINS, import_checkins, ("may_correct",)),
    "results": FileKind(rows.RESULTS, import_results),
    "events": FileKind(rows.EVENTS, import_events),
}
