"""Whether the database is whole, and beside the key that it was made with.

Reads every page of it, with an end: what takes longer than that is not known, and told as such.
Mends nothing. The key itself is nowhere in the database, only a mark by which it is known again.
"""

from __future__ import annotations

import hmac
import sqlite3
import time
from datetime import datetime

from sqlalchemy import Engine, func, select, text
from sqlalchemy.exc import DBAPIError

from service.health.checks import Fares, Finding
from service.keyring import KeyFor, Keyring
from service.store import resealing
from service.store.identity import new_id
from service.store.session import connect, read_session, write_session
from service.store.tables import Clinic, SecretMark
from service.store.troubles import Trouble, trouble_of
from service.store.upsert import insert_new, upsert

LOOKS_FOR = 20.0  # seconds
STEPS = 100_000  # of the database's own machine, between two looks at the time
KEY = "secret_key"
DAMAGED = "The database is damaged ({what}): stop the service, keep a copy of it, and bring back a backup."
AMCHECK = "SELECT count(*) FROM pg_extension WHERE extname = 'amcheck'"
# PostgreSQL, appendix F, amcheck: raises for a broken index, and lists what is broken in a table.
INDEXES = """SELECT count(bt_index_check(c.oid)) FROM pg_index i JOIN pg_class c ON c.oid = i.indexrelid
 JOIN pg_am a ON a.oid = c.relam JOIN pg_namespace n ON n.oid = c.relnamespace
 WHERE a.amname = 'btree' AND c.relkind = 'i' AND n.nspname IN (current_schema(), 'months')
 AND i.indisready AND i.indisvalid"""
TABLES = """SELECT c.relname FROM pg_class c JOIN pg_namespace n ON n.oid = c.relnamespace, verify_heapam(c.oid) AS v
 WHERE c.relkind = 'r' AND n.nspname IN (current_schema(), 'months') LIMIT 1"""


def whole(engine: Engine, seconds: float = LOOKS_FOR) -> Finding:
    """Whether the database is whole, as far as can be told in `seconds`."""
    look = _sqlite if engine.dialect.name == "sqlite" else _postgresql
    try:
        broken = look(engine, seconds)
    except NotKnown as why:
        sentence = f"Whether the database is whole is not known: {why}."
        return Finding("whole", True, sentence, unlike_well=Fares.NOT_KNOWN)
    except DBAPIError as error:
        if trouble_of(error) is not Trouble.DAMAGED:
            raise
        broken = "it cannot be read to its end"
    if broken:
        return Finding("whole", False, DAMAGED.format(what=broken))
    return Finding("whole", True, "The database was read to its end, and is whole.")


class NotKnown(Exception):
    """Why it cannot be told."""


def _sqlite(engine: Engine, seconds: float) -> str:
    end = time.monotonic() + seconds
    with connect(engine) as connection:
        driver = connection.connection.driver_connection
        if not isinstance(driver, sqlite3.Connection):
            raise TypeError(f"{driver} is no connection of SQLite")
        driver.set_progress_handler(lambda: time.monotonic() > end, STEPS)
        try:
            said = [str(line) for (line,) in connection.exec_driver_sql("PRAGMA quick_check(1)")]
        except DBAPIError as error:
            if getattr(error.orig, "sqlite_errorcode", None) == sqlite3.SQLITE_INTERRUPT:
                raise NotKnown(f"to read all of it takes longer than {seconds:g} seconds") from None
            raise
        finally:
            driver.set_progress_handler(None, 0)
    # What it says may hold what a cell holds; where it was found is enough.
    return "" if said == ["ok"] else "what it holds does not fit together"


def _postgresql(engine: Engine, seconds: float) -> str:
    with engine.connect() as connection:
        if not connection.scalar(text(AMCHECK)):
            raise NotKnown("the server's extension amcheck is not set up here")
        connection.execute(text(f"SET LOCAL statement_timeout = {int(seconds * 1000)}"))
        try:
            connection.execute(text(INDEXES))
            broken = connection.scalar(text(TABLES))
        except DBAPIError as error:
            if trouble_of(error) is Trouble.BUSY:
                raise NotKnown(f"to read all of it takes longer than {seconds:g} seconds") from None
            if getattr(error.orig, "sqlstate", None) == "42501":  # insufficient_privilege
                raise NotKnown("this user may not use amcheck") from None
            raise
    return "" if broken is None else f"table {broken}"


WEB_ROLE = """SELECT me.rolsuper, pg_has_role(c.relowner, 'MEMBER'), c.relrowsecurity
 FROM pg_roles me, pg_class c WHERE me.rolname = current_user AND c.oid = 'clinics'::regclass"""


def walled(web: Engine) -> Finding | None:
    """Whether the database keeps the wall between clinics, as the web's own role sees it; None for SQLite.

    One clinic whose tables its web owns is told of, and is no fault: there is nobody else to be walled off.
    """
    if web.dialect.name != "postgresql":
        return None
    how = "`neaptide roles` says how to give it a role of its own."
    with read_session(web) as session:
        is_superuser, owns, has_policies = session.execute(text(WEB_ROLE)).one()
        clinics = session.scalar(select(func.count()).select_from(Clinic)) or 0
    if is_superuser:
        return Finding("wall", False, f"The web is a superuser of the database: it could do anything there. {how}")
    if owns:
        sentence = (
            f"The web owns the tables: the database keeps no wall between {clinics} clinics, nor the trail. {how}"
        )
        return Finding("wall", clinics < 2, sentence)
    if not has_policies:
        return Finding("wall", False, "The database keeps no wall between clinics yet: run `neaptide migrate`.")
    return Finding("wall", True, "The database keeps the wall between clinics: the web has a role of its own.")


def know_key(engine: Engine, keys: Keyring, now: datetime, *, accept: bool = False) -> bool:
    """Whether the secret key is the one that this data was made beside.

    The first is, one that is to be accepted, and one that names that very key as its predecessor.
    """
    present, *previous = _marks(keys)
    row = {"id": new_id(), "name": KEY, "mark": present, "made_at": now}
    if accept or _known(engine) in previous:
        with write_session(engine) as session:
            upsert(session, SecretMark.__table__, [row], ["name"])
    known = _known(engine)
    if known is None:
        with write_session(engine) as session:
            insert_new(session, SecretMark.__table__, [row], ["name"])
        known = _known(engine)
    return known == row["mark"]


def key(engine: Engine, keys: Keyring) -> Finding:
    """Whether the secret key is the one that this data was made beside."""
    known = _known(engine)
    if known is None:
        sentence = "No process has begun to work with this data yet."
        return Finding("secret_key", True, sentence, unlike_well=Fares.NONE_YET)
    present, *previous = _marks(keys)
    if hmac.compare_digest(known, present):
        return Finding("secret_key", True, "The secret key is the one that this data was made beside.")
    if known in previous:
        return Finding("secret_key", True, "The secret key follows the one that this data was made beside.")
    sentence = (
        "The secret key is not the one that this data was made beside: bring back NEAPTIDE_SECRET_KEY or the file"
        " secret-key, or, if it was changed on purpose, name the one before in"
        " NEAPTIDE_SECRET_KEY_PREVIOUS, or, where that is lost, run `neaptide migrate --accept-key`."
    )
    return Finding("secret_key", False, sentence)


def opens(engine: Engine) -> Finding:
    """Whether every address can be read with the keys that are named, and how many wait for the present one."""
    with read_session(engine) as session:
        found = resealing.standing(session)
    if found.lost:
        where = ", ".join(f"{count} in {column}" for column, count in found.lost)
        sentence = (
            f"Encrypted with a key that is not named here, and not to be read: {where}. Name that key in"
            " NEAPTIDE_SECRET_KEY_PREVIOUS; where it is lost, the addresses have to be entered anew. Nothing is sent to"
            " them until then."
        )
        return Finding("encrypted", False, sentence, sum(count for _, count in found.lost))
    sentence = "Every address is encrypted, and can be read with the keys that are named."
    if found.waiting:
        sentence += (
            f" {found.waiting} values wait to be brought to the present key: a worker does it within a day,"
            " `neaptide keys reseal` now."
        )
    return Finding("encrypted", True, sentence, found.waiting)


def _known(engine: Engine) -> str | None:
    with read_session(engine) as session:
        return session.scalar(select(SecretMark.mark).where(SecretMark.name == KEY))


def _marks(keys: Keyring) -> list[str]:
    return [one.hex() for one in keys.every(KeyFor.MARK)]
