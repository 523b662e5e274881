"""`neaptide migrate`, `roles`, `serve` and `worker`: layout and roles, the web, and what does what falls due.

The application and the worker are loaded by the process that runs them: it takes a second, and `serve` and `migrate`
run neither.
"""

from __future__ import annotations

import atexit
import errno
import gc
import os
import shutil
import socket
import sys
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING

import click
import structlog

from service import config
from service.commands import opening
from service.commands.opening import Console, with_console_of_web, with_console_of_worker, with_console_to_begin
from service.domain.validation import Refused
from service.enrolling import clinics
from service.health import soundness
from service.keyring import KeyFor
from service.store import migrate as layout
from service.store.migrations import roles as database_roles
from service.terminal import JSON, tell_items

if TYPE_CHECKING:
    from flask import Flask

    from service.store.access import Trail

log = structlog.get_logger(__name__)
MEMORY = Path("/dev/shm")  # noqa: S108 - each folder there is its server's alone
FREE_TRIES = 4  # a second between


@click.command("migrate")
@click.option("--accept-key", is_flag=True, help="The secret key was changed on purpose: know this one from now on.")
@with_console_to_begin
def migrate(console: Console, accept_key: bool) -> None:
    """Bring the database to the newest layout. Safe to run again.

    On PostgreSQL it raises the wall between clinics too, where the server has the roles for it: `neaptide roles`.
    """
    layout.upgrade(console.engine)
    layout.raise_wall(console.engine, console.settings.keys.every(KeyFor.WALL))
    if accept_key:
        soundness.know_key(console.engine, console.settings.keys, console.now(), accept=True)
        with console.write() as session:
            console.note_everywhere(session, "secret_key.accept")
    newer = " (this database has a newer one, and is left as it is)" if layout.is_newer(console.engine) else ""
    click.echo(f"layout: {layout.head()}{newer}")


@click.command("roles")
@click.option("--make", is_flag=True, help="Make those that are missing, as a user of the server who may.")
@JSON
@with_console_to_begin
def roles(console: Console, make: bool, as_json: bool) -> None:
    """Say which of PostgreSQL's roles are missing (web, worker, auditor), and in SQL how they are made.

    With them a transaction of the web reaches one clinic alone, and what is only ever added to nobody changes. Each
    needs a password, which is nobody's business here: `ALTER ROLE … PASSWORD`, or psql's `\\password`. After that
    `neaptide migrate` gives them what is theirs.
    """
    with console.engine.begin() as connection:
        if connection.dialect.name != "postgresql":
            raise click.ClickException("roles are PostgreSQL's: this database is a file, and has none")
        missing = [one for one in database_roles.ROLES if one not in database_roles.there(connection)]
        for role in missing:
            statement = database_roles.making(role)
            if not as_json:
                click.echo(f"{statement};")
            if make:
                connection.exec_driver_sql(statement)
    if make:
        layout.raise_wall(console.engine, console.settings.keys.every(KeyFor.WALL))
    if as_json:
        its = [
            {"name": one, "state": "there" if one not in missing else "made" if make else "missing"}
            for one in database_roles.ROLES
        ]
        tell_items({**one, "sql": database_roles.making(one["name"])} for one in its)
        return
    click.echo(f"-- {'made' if make and missing else 'missing'}: {', '.join(missing) or 'none'}")


@click.command("serve")
@click.option("--workers", type=click.IntRange(1, 64), default=2, show_default=True, help="Web processes.")
@click.option("--threads", type=click.IntRange(2, 64), default=8, show_default=True, help="Threads in each.")
@click.option(
    "--staff-threads",
    type=click.IntRange(1, 64),
    help="How many of them staff's reading may hold: half, when left out. All, for a server that patients do not need.",
)
@click.option(
    "--host", help="The address to listen on; NEAPTIDE_HOST when left out, and 127.0.0.1 where that is not set."
)
@click.option("--port", type=click.IntRange(1, 65535), help="The port; NEAPTIDE_PORT when left out.")
@with_console_of_web
def serve(
    console: Console, workers: int, threads: int, staff_threads: int | None, host: str | None, port: int | None
) -> None:
    """Serve the pages and the API on NEAPTIDE_HOST and NEAPTIDE_PORT.

    One serves everybody. Where a second one runs, on another --port, the proxy in front can hand it what staff read
    (deploy/nginx.conf), and patients wait for none of it.
    Links in messages are the worker's to make: set NEAPTIDE_BASE_URL for both where --host or --port is given.
    """
    _need_layout(console)
    _need_free(host or console.settings.host, port or console.settings.port)
    console.engine.dispose()
    # Exchanged for the server: nothing that this process has loaded, drawing libraries least of
    # all, is forked, and a signal to stop reaches the server itself.
    bind = config.authority(host or console.settings.host, port or console.settings.port)
    command = [
        sys.executable, "-m", "gunicorn", "--no-control-socket", "--bind", bind,
        "--workers", str(workers), "--threads", str(threads), "--worker-tmp-dir", str(MEMORY),
        "--graceful-timeout", "15", "--log-level", "warning",
    ]  # fmt: skip
    # Its processes read their settings anew: what was typed goes before what is set.
    for name, typed in (("NEAPTIDE_HOST", host), ("NEAPTIDE_PORT", port)):
        if typed is not None:
            command += ["--env", f"{name}={typed}"]
    command.append(f"service.commands.serve:wsgi({staff_threads or threads // 2})")
    os.execve(sys.executable, command, config.of_the_web(_fresh_folder()))  # noqa: S606 - our own interpreter and arguments


@click.command("worker")
@click.option("--once", is_flag=True, help="Do what is due now, and stop.")
@with_console_of_worker
def worker(console: Console, once: bool) -> None:
    """Look for what falls due and do it. Any number may run."""
    from service.worker import Worker, links_for

    _need_layout(console)
    links = links_for(console.links())
    own = Worker(console.engine, console.clock, console.transports(), links, console.settings)
    if once:
        own.tick()
    else:
        own.run()


def _need_free(host: str, port: int) -> None:
    """Raises Refused where this process cannot listen there, after seconds in which an earlier one may still end."""
    for left in reversed(range(FREE_TRIES)):
        try:
            family, kind, _, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
            with socket.socket(family, kind) as probe:
                probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
                probe.bind(address)
            return
        except socket.gaierror as error:
            raise Refused("host", host, f"an address of this machine ({error.strerror})") from None
        except OSError as error:
            if error.errno == errno.EACCES:
                raise Refused("port", port, "from 1024 on, unless root gives a lower one to the user") from None
            if error.errno != errno.EADDRINUSE:
                raise Refused("host", host, f"an address of this machine ({error.strerror})") from None
            if not left:
                taken = f"one that is free on {host}: another program listens there; stop it, or name another --port"
                raise Refused("port", port, taken) from None
            time.sleep(1)


def _fresh_folder() -> Path:
    """A folder in memory for what this server's processes count, under the id that it keeps when it is exchanged.

    Those of servers that are gone are taken away: nothing is there at their end that could.
    """
    begins = f"neaptide-{os.geteuid()}-"
    for left in MEMORY.glob(f"{begins}*"):
        its = left.name.removeprefix(begins).partition("-")[0]
        if not (its.isdecimal() and Path("/proc", its).exists()):
            shutil.rmtree(left, ignore_errors=True)
    return Path(tempfile.mkdtemp(prefix=f"{begins}{os.getpid()}-", dir=MEMORY))


def _need_layout(console: Console) -> None:
    if not layout.is_current(console.engine):
        raise click.ClickException("migrations are missing: run `neaptide migrate`")
    if console.settings.demo:
        with console.read() as session:
            if clinics.has_real_ones(session):
                said = "no, where a clinic is that `neaptide seed` did not make: the demo shows everybody's telephone"
                raise Refused("NEAPTIDE_DEMO", "yes", said)
    if not soundness.know_key(console.engine, console.settings.keys, console.now()):
        log.warning("the secret key is not the one that this data was made beside", see="neaptide doctor")


def wsgi(staff_threads: int = 4) -> Flask:
    """The application, for a WSGI server: made in each of its processes."""
    # What is loaded now stays for good. Not looked through while it comes in it is there sooner, and set aside it is
    # not looked through in the middle of somebody's page: that took a fifth of a second each time.
    gc.disable()
    from service.app import create_app

    os.umask(0o077)  # the database and the clock, whatever server this is made for
    settings = opening.read_settings()
    clock = opening.clock_of(settings)
    engine = opening.opened(settings, settings.database_url)
    standby = settings.standby_database_url
    app = create_app(
        settings,
        engine,
        clock,
        opening.transports_of(settings, clock),
        staff_threads=staff_threads,
        counts_in=config.counts_in(),
        standby=opening.opened(settings, standby) if standby else None,
    )
    trail: Trail = app.extensions["neaptide"].trail
    trail.start()
    atexit.register(trail.stop)
    gc.freeze()
    gc.enable()
    return app
