"""Engines and transactions.

Five doors: `connect`, `read_session`, `write_session`; `read_connection` and `write_connection` are
the last two without objects, for what is asked and written most. A writer on SQLite begins IMMEDIATE and
waits its turn in one queue shared by all processes (`service.store.queue`), and not for ever; those
that are short and come often share a commit (`service.store.together`).
On PostgreSQL a lock, a statement and a transaction in which nothing happens have an end each.

A server may be restarted under a transaction: `patiently` waits for it to come back.

Of a check-in's time a session of objects cost as much as two statements, and an event of the
whole engine that said BEGIN slowed every statement.
"""

from __future__ import annotations

import time
import uuid
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import fields
from pathlib import Path
from typing import Any, TypeVar

import psycopg
from psycopg.pq import ExecStatus, TransactionStatus
from sqlalchemy import Connection, Engine, Update, create_engine, event, make_url, text
from sqlalchemy.dialects import registry
from sqlalchemy.dialects.postgresql.psycopg import PGDialect_psycopg
from sqlalchemy.dialects.sqlite.pysqlite import SQLiteDialect_pysqlite
from sqlalchemy.exc import DBAPIError, InterfaceError, OperationalError
from sqlalchemy.exc import TimeoutError as WaitedInVain
from sqlalchemy.orm import Session

from service.domain.seals import Sealer
from service.domain.validation import Refused
from service.store import counting, wall
from service.store.queue import PATIENCE, NoTurn, turn
from service.store.troubles import MovedAway, Trouble, trouble_of
from service.store.vault import Vault

# The database cannot be reached, is locked or full, or has no connection left: no row and no request is to blame.
DATABASE_AWAY = (OperationalError, InterfaceError, WaitedInVain)
# PostgreSQL, runtime configuration, "client connection defaults", milliseconds: for a lock that somebody keeps; for the
# longest of our statements, several times over; for a process that was stopped within a transaction. No statement is
# compiled: each is short, and where tables are full its plan looks dear enough, which took a third of a page's time.
SERVER_SETTINGS = {
    "lock_timeout": int(PATIENCE * 1000),
    "statement_timeout": 120_000,
    "idle_in_transaction_session_timeout": 300_000,
    "jit": 0,
}
ENDS = "; ".join(f"SET LOCAL {name} = {value}" for name, value in SERVER_SETTINGS.items()).encode()
CONNECT_SECONDS = 10
POOL = 8
MOST_CONNECTIONS = 2 * POOL  # of one process to PostgreSQL: kept ones, and as many more while it is busy
ALONE_PATIENCE = 1.0  # seconds for which others may still be ending
BUSY_TIMEOUT = f"PRAGMA busy_timeout={int(PATIENCE * 1000)}"  # for programs that do not queue with us
AT_TERMINAL = "neaptide_login"  # the option of an engine whose transactions are typed at a terminal: by whom
SEALER = "neaptide_sealer"  # the option of an engine that says what seals in its database: domain.seals.Sealer
# Whether a pooler stands between, which may give each transaction another of the server's connections.
POOLED = "neaptide_pooled"
# Whether a connection's transactions must say whose they are: those of the web's own role, or of one that is a member.
WALLED = "neaptide_walled"
WHO_ANSWERS = f"""SELECT pg_backend_pid(), EXISTS (
 SELECT FROM pg_roles web, pg_roles me WHERE web.rolname = '{wall.WEB}'
 AND me.rolname = current_user AND NOT me.rolsuper AND pg_has_role(web.oid, 'MEMBER'))"""  # noqa: S608 - ours
# A number that SQLite keeps in a file for whoever owns it: the minute, since 1970, in which all of it was moved away.
MOVED_MARK = "user_version"
TAKES = "neaptide_takes"  # the option of a statement that reads its own cursor: what does (`store.prepared`)
BEGIN = "neaptide_begin"  # how a connection's next transaction begins on SQLite; plainly where nothing is said
# Objects keep what was read when their transaction ends; and no UPDATE or DELETE looks through those in hand to do
# likewise to them, which costs more than the statement.
_OBJECTS: dict[str, Any] = {"expire_on_commit": False, "execution_options": {"synchronize_session": False}}
WAITS = (0.05, 0.2, 0.5, 1.0, 2.0, 4.0, 8.0)  # seconds: a restart takes a few
T = TypeVar("T")
Where = Session | Connection  # a transaction, begun by `write_session` or `write_connection`


class _Taking:
    """An execution of a statement that may take its rows itself: see `store.prepared`."""

    execution_options: Any
    cursor: Any

    def _setup_result_proxy(self) -> Any:
        take = self.execution_options.get(TAKES)
        if take is None:
            return super()._setup_result_proxy()  # type: ignore[misc]
        taken = take(self.cursor)
        self.cursor.close()
        return taken


class _OnSQLite(_Taking, SQLiteDialect_pysqlite.execution_ctx_cls):  # type: ignore[misc,valid-type]
    pass


class _OnPostgreSQL(_Taking, PGDialect_psycopg.execution_ctx_cls):  # type: ignore[misc,valid-type]
    pass


class SQLite(SQLiteDialect_pysqlite):
    """The toolkit's own, which begins as the doors below say.

    Its event for that would slow down every statement; the driver's own way begins too late.
    """

    supports_statement_cache = True
    execution_ctx_cls = _OnSQLite
    vault = Vault()

    def do_begin(self, dbapi_connection: Any) -> None:
        if how := dbapi_connection.info.pop(BEGIN, "BEGIN"):
            dbapi_connection.execute(how)


class PostgreSQL(PGDialect_psycopg):
    """The toolkit's own, of which each transaction of a walled role says whose it is: `service.store.wall`.

    Behind a pooler each transaction says as well how long it waits: what is set for a connection there is anybody's.
    """

    supports_statement_cache = True
    execution_ctx_cls = _OnPostgreSQL
    vault = Vault()
    wall_key = b""

    def do_begin(self, dbapi_connection: Any) -> None:
        if dbapi_connection.info.get(POOLED):
            _begin_with_ends(dbapi_connection.driver_connection)
        if dbapi_connection.info.get(WALLED):
            wall.say(dbapi_connection.driver_connection, self.wall_key)


registry.register("sqlite.neaptide", __name__, SQLite.__name__)
registry.register("postgresql.neaptide", __name__, PostgreSQL.__name__)


def open_engine(
    url: str,
    *,
    pool_size: int = POOL,
    sealer: Sealer | None = None,
    vault: Vault | None = None,
    wall_key: bytes = b"",
    alone: bool = False,
) -> Engine:
    """An engine for a SQLite file or a PostgreSQL database, set up as the service needs it.

    `sealer` seals what is signed; without one nothing is, and what was sealed cannot be told from what was altered.
    `vault` encrypts contact details; without one they are written as they are, and sealed ones cannot be read.
    `wall_key` signs what a walled role's transactions say (`keyring.KeyFor.WALL`).
    `alone` opens a file of SQLite that no other process has open, for as long as the engine lasts; even one whose
    contents were moved elsewhere, which is opened for nobody else.

    Raises ValueError for any other kind of database, or for SQLite without a file
    (several processes cannot share a database in memory).
    """
    parsed, options = make_url(url), {SEALER: sealer or Sealer()}
    backend = parsed.get_backend_name()
    if backend == "postgresql":
        parsed = parsed.set(drivername="postgresql+neaptide")
        engine = create_engine(
            parsed,
            pool_size=pool_size,
            max_overflow=pool_size,
            pool_pre_ping=True,
            hide_parameters=True,
            execution_options=options,
            connect_args={"connect_timeout": CONNECT_SECONDS},
        )
        if isinstance(engine.dialect, PostgreSQL):
            engine.dialect.wall_key = wall_key
            engine.dialect.vault = vault or Vault()
        event.listen(engine, "connect", _prepare_postgresql)
        return engine
    if backend != "sqlite":
        raise ValueError(f"database url begins with {backend!r}; accepted: sqlite:///FILE, postgresql://…")
    if not Path(parsed.database or "").is_absolute():  # a relative one is another in each folder one stands in
        raise ValueError("a SQLite url needs a file, from the root on: sqlite:////path/to/neaptide.sqlite3")
    engine = create_engine(
        parsed.set(drivername="sqlite+neaptide"),
        pool_size=1 if alone else pool_size,
        max_overflow=0 if alone else pool_size,
        hide_parameters=True,
        execution_options=options,
        connect_args={"timeout": ALONE_PATIENCE if alone else PATIENCE, "check_same_thread": False},
    )
    if isinstance(engine.dialect, SQLite):
        engine.dialect.vault = vault or Vault()
    if alone:
        event.listen(engine, "connect", _keep_others_out)
    event.listen(engine, "connect", _prepare_sqlite)
    if not alone:
        event.listen(engine, "connect", _refuse_moved)
    return engine


def at_terminal(engine: Engine, login: str) -> Engine:
    """The same engine for what this system user types: each audit line written through it says so."""
    return engine.execution_options(**{AT_TERMINAL: login})


@contextmanager
def connect(engine: Engine) -> Iterator[Connection]:
    """A connection for one question, which on SQLite needs no transaction around it."""
    with engine.connect() as connection:
        connection.connection.info[BEGIN] = ""
        yield connection


@contextmanager
def read_session(engine: Engine) -> Iterator[Session]:
    """A session that only reads; whatever it changed is rolled back."""
    with Session(engine, autoflush=False, **_OBJECTS) as session:
        yield session


@contextmanager
def read_connection(engine: Engine) -> Iterator[Connection]:
    """`read_session`, for statements alone."""
    with engine.connect() as connection:
        yield connection


@contextmanager
def write_session(engine: Engine) -> Iterator[Session]:
    """One transaction: committed when the block ends well, otherwise as if it never began."""
    with _turn(engine), engine.connect() as connection, session_on(connection) as session:
        connection.connection.info[BEGIN] = "BEGIN IMMEDIATE"
        session.connection()
        counting.begin(connection)
        yield session
        session.commit()
        counting.keep(counting.counted(connection))


def is_away(error: BaseException) -> bool:
    """Whether `error` is one of DATABASE_AWAY, or came with a lost connection, whatever the driver calls it."""
    return isinstance(error, DATABASE_AWAY) or (isinstance(error, DBAPIError) and error.connection_invalidated)


def patiently(work: Callable[[], T]) -> T:
    """Do `work`, which may safely be done twice, again after a while as long as the server is away, or SQLite's turn.

    The server may have been gone before or after it committed. Any other lock has been waited for by then, and a full
    disk stays full.
    """
    for wait in WAITS:
        try:
            return work()
        except (DBAPIError, NoTurn) as error:
            trouble = trouble_of(error)
            if trouble is not Trouble.AWAY and not (isinstance(error, NoTurn) and trouble is Trouble.BUSY):
                raise
        time.sleep(wait)
    return work()


@contextmanager
def write_connection(engine: Engine) -> Iterator[Connection]:
    """`write_session`, for statements alone: a session of objects costs as much as two of them."""
    with _turn(engine), engine.connect() as connection:
        with begun(connection):
            yield connection
        counting.keep(counting.counted(connection))


@contextmanager
def begun(connection: Connection) -> Iterator[None]:
    """A transaction of whoever has the turn to write: committed when the block ends well, otherwise taken back."""
    connection.connection.info[BEGIN] = "BEGIN IMMEDIATE"
    with connection.begin():
        counting.begin(connection)
        yield


def move_to(where: Where, clinic_id: uuid.UUID) -> None:
    """A transaction that went through a gate has found whose it is: from here on it, and those after it, are that
    clinic's."""
    wall.stand(clinic_id)
    connection = rows(where)
    if connection.connection.info.get(WALLED):
        connection.dialect.do_begin(connection.connection)


@contextmanager
def within(session: Session, clinic_id: uuid.UUID) -> Iterator[None]:
    """In the block a transaction that goes through a gate is also of this clinic, and after it of the gate alone again.

    An error that leaves the block is for a transaction, or a savepoint, that is taken back.
    """
    connection = rows(session)
    if not connection.connection.info.get(WALLED) or wall.is_of(clinic_id):
        yield
        return
    with wall.also_of(clinic_id):
        connection.dialect.do_begin(connection.connection)
        yield
        session.flush()
    connection.dialect.do_begin(connection.connection)


def session_on(connection: Connection) -> Session:
    """A session of objects within a transaction that was begun without one; whoever asks for it flushes it."""
    return Session(connection, join_transaction_mode="rollback_only", **_OBJECTS)


def rows(where: Where) -> Connection:
    """The connection of a transaction, for a statement without objects; what objects hold is written before it."""
    if isinstance(where, Connection):
        return where
    if where.autoflush:
        where.flush()
    return where.connection()


def columns_of(kind: type[Any], table: Any, **other: Any) -> list[Any]:
    """What to ask for where each row is read as a dataclass: a column for every field, in the order of the fields.

    It is the column of `table` that bears the field's name, or what `other` says.
    """
    names = [field.name for field in fields(kind)]
    return [(other[name] if name in other else getattr(table, name)).label(name) for name in names]


def changes_one(where: Where, statement: Update) -> bool:
    """Whether an UPDATE of one row found it as its conditions say: of two at once, the second does not."""
    return rows(where).execute(statement).rowcount == 1


@contextmanager
def objects(where: Where) -> Iterator[Session]:
    """A session within a transaction that may have been begun without one."""
    if isinstance(where, Session):
        yield where
        return
    with session_on(where) as session:
        yield session
        session.flush()


def gather_statistics(engine: Engine) -> None:
    """Let SQLite look at its tables, so that it knows which index leads to the fewest rows.

    PostgreSQL does by itself, but for what lies by month (`store.months`).

    It looks at a thousand rows of each index, whatever their number: a second, in which nobody writes.
    """
    if engine.dialect.name == "sqlite":
        with write_connection(engine) as connection:
            connection.exec_driver_sql("PRAGMA analysis_limit=1000")
            connection.exec_driver_sql("ANALYZE")


def try_to_write(engine: Engine, patience: float) -> None:
    """Begin to write, and leave it at that. Raises what a writer would meet, after `patience` seconds at most.

    PostgreSQL is not asked: there no writer keeps another from the rest of the database.
    """
    if engine.dialect.name != "sqlite":
        return
    with _turn(engine, patience), connect(engine) as connection:
        try:
            connection.exec_driver_sql(f"PRAGMA busy_timeout={int(patience * 1000)}")
            connection.exec_driver_sql("BEGIN IMMEDIATE")
            connection.exec_driver_sql("ROLLBACK")
        finally:
            connection.exec_driver_sql(BUSY_TIMEOUT)


def may_take_away(where: Where, table: str) -> bool:
    """Whether this database's user may delete from the table: on PostgreSQL a role may be held to adding to it."""
    if rows(where).dialect.name != "postgresql":
        return True
    asked = text("SELECT has_table_privilege(current_user, :name, 'DELETE')")
    return bool(rows(where).scalar(asked, {"name": table}))


def write_through(engine: Engine) -> bool:
    """Let nothing that was overwritten stand in SQLite's log any more; whether none does. PostgreSQL sees to its own.

    Somebody who reads at the moment may hold it up: whoever writes next then does it, sooner or later.
    """
    if engine.dialect.name != "sqlite":
        return True
    with connect(engine) as connection:
        is_held_up, _, _ = connection.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)").one()
    return not is_held_up


@contextmanager
def _turn(engine: Engine, patience: float | None = None) -> Iterator[None]:
    if engine.dialect.name != "sqlite":
        yield
        return
    with turn(str(engine.url.database), patience) as now:
        if now.left is not None:
            now.left.end()
        yield


def _prepare_postgresql(connection: psycopg.Connection[Any], record: Any) -> None:
    """What is to hold for every transaction on it. Not among the options of the connection, which poolers refuse."""
    answering, record.info[WALLED] = connection.execute(WHO_ANSWERS).fetchone() or (0, False)
    # The server tells a client which of its processes it is, so that a statement can be broken off (protocol, 55.2.1);
    # a pooler tells it a number of its own.
    if answering != connection.pgconn.backend_pid:
        record.info[POOLED] = True
        connection.prepare_threshold = None  # what was prepared is with the connection of another transaction
    else:
        connection.execute("; ".join(f"SET {name} = {value}" for name, value in SERVER_SETTINGS.items()))
    connection.commit()


def _begin_with_ends(connection: psycopg.Connection[Any]) -> None:
    """Begin a transaction that ends as one on a connection of its own would: in the one message that says BEGIN."""
    raw = connection.pgconn
    if connection.autocommit or raw.transaction_status != TransactionStatus.IDLE:
        return
    if connection.isolation_level is None and raw.exec_(b"BEGIN;" + ENDS).status == ExecStatus.COMMAND_OK:
        return
    connection.execute(ENDS)  # which begins as its isolation asks, or raises what is wrong by its name


def need_server_itself(connection: Connection) -> None:
    """Raises Refused where a pooler stands between: for what is set, or locked, from one transaction to the next."""
    if connection.connection.info.get(POOLED):
        where = connection.engine.url.set(drivername="postgresql").render_as_string(hide_password=True)
        raise Refused("NEAPTIDE_OWNER_DATABASE_URL", where, "an address that leads to the server itself, past a pooler")


def _prepare_sqlite(connection: Any, _record: Any) -> None:
    connection.isolation_level = None  # we say BEGIN ourselves, below
    cursor = connection.cursor()
    cursor.execute("PRAGMA journal_mode=WAL")
    cursor.execute("PRAGMA synchronous=FULL")  # an acknowledged reading survives a power cut
    cursor.execute("PRAGMA foreign_keys=ON")
    cursor.execute("PRAGMA secure_delete=ON")  # what is deleted or overwritten is nowhere in the file any more
    cursor.execute(BUSY_TIMEOUT)
    cursor.close()


def _keep_others_out(connection: Any, _record: Any) -> None:
    # Before the file is looked at: SQLite, "Write-Ahead Logging", section 8. Fails where anybody has it open.
    connection.execute("PRAGMA locking_mode=EXCLUSIVE")


def _refuse_moved(connection: Any, _record: Any) -> None:
    """Raises MovedAway, whoever would work on with a file that is not the truth any more."""
    ((moved,),) = connection.execute(f"PRAGMA {MOVED_MARK}").fetchall()
    if moved:
        connection.close()
        raise MovedAway
