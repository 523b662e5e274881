"""What is wrong with a database, from what it says itself.

Promises one name for each trouble, whichever database tells it, and nothing of what was being
written. What it is called to an operator stands here too; what a patient reads is the page's.
"""

from __future__ import annotations

import errno
import sqlite3
from enum import StrEnum

from sqlalchemy.exc import DBAPIError, InterfaceError, OperationalError

from service.store.queue import NoTurn


class Trouble(StrEnum):
    """A trouble with the database that is no row's and no request's fault."""

    FULL = "full"
    DISK = "disk"
    BUSY = "busy"
    DAMAGED = "damaged"
    NO_DATABASE = "no_database"
    READ_ONLY = "read_only"
    NO_LAYOUT = "no_layout"
    MOVED = "moved"
    AWAY = "away"


SAID = {
    Trouble.FULL: "there is no room left on the disk of the database",
    Trouble.DISK: "the disk of the database cannot be read or written",
    Trouble.BUSY: "somebody else keeps the database locked",
    Trouble.DAMAGED: "the database is damaged: bring back a backup",
    Trouble.NO_DATABASE: "what is there is no database",
    Trouble.READ_ONLY: "the database may be read only, not written",
    Trouble.NO_LAYOUT: "the database lacks what this needs: run `neaptide migrate`",
    Trouble.MOVED: (
        "what this file held was moved to PostgreSQL, as the .moved.json beside it says: give that address, or see "
        "`neaptide move --help` for going back"
    ),
    Trouble.AWAY: "the database cannot be reached",
}
# SQLite, "Result and Error Codes": what fails to write or to grow a file says so in its extended code; the last byte is
# the primary one.
SQLITE_WRITES = {778, 4874}  # IOERR_WRITE, IOERR_SHMSIZE
SQLITE = {
    5: Trouble.BUSY, 6: Trouble.BUSY, 8: Trouble.READ_ONLY, 10: Trouble.DISK, 11: Trouble.DAMAGED, 13: Trouble.FULL,
    14: Trouble.AWAY, 26: Trouble.NO_DATABASE,
}  # fmt: skip
MACHINE = {
    errno.ENOSPC: Trouble.FULL, errno.EDQUOT: Trouble.FULL, errno.EROFS: Trouble.READ_ONLY,
    errno.EACCES: Trouble.READ_ONLY,
}  # fmt: skip
# PostgreSQL, appendix A. Away are connection exceptions, sign-ins and databases that are not there (yet), a server
# without a connection left, shutdowns and start-ups.
AWAY = ("08", "28", "3D000", "53300", "57P01", "57P02", "57P03")
POSTGRESQL = {
    "53100": Trouble.FULL, "55P03": Trouble.BUSY, "57014": Trouble.BUSY, "40P01": Trouble.BUSY, "25P03": Trouble.BUSY,
    "25006": Trouble.READ_ONLY, "XX001": Trouble.DAMAGED, "XX002": Trouble.DAMAGED, "42P01": Trouble.NO_LAYOUT,
    "42703": Trouble.NO_LAYOUT,
}  # fmt: skip


class MovedAway(sqlite3.OperationalError):
    """What the file held was moved to another database, and it is not to be worked with."""


def told(error: BaseException) -> str:
    """The trouble that `error` tells of, in words for an operator; nothing for an error of another kind."""
    trouble = trouble_of(error)
    return str(error) if isinstance(error, NoTurn) else SAID[trouble] if trouble else ""


def trouble_of(error: BaseException) -> Trouble | None:
    """The trouble that `error` tells of; None for one of another kind."""
    if isinstance(error, NoTurn):
        return MACHINE.get(error.errno, Trouble.AWAY if error.errno else Trouble.BUSY)
    if not isinstance(error, DBAPIError) or error.orig is None:
        return None
    if isinstance(error.orig, MovedAway):
        return Trouble.MOVED
    if isinstance(error.orig, sqlite3.Error):
        code = getattr(error.orig, "sqlite_errorcode", 0)  # none where the driver itself complains
        if code in SQLITE_WRITES:
            return Trouble.FULL
        return SQLITE.get(code & 0xFF) or (Trouble.NO_LAYOUT if "no such" in str(error.orig) else None)
    if error.connection_invalidated:
        return Trouble.AWAY
    state = getattr(error.orig, "sqlstate", None)
    if state is None:  # a server that could not be reached to give one; else the driver complains
        return Trouble.AWAY if isinstance(error, OperationalError | InterfaceError) else None
    return Trouble.AWAY if state.startswith(AWAY) else POSTGRESQL.get(state)
