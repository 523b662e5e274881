"""`neaptide backup`, `restore`, `resume` and `export`: a copy of everything, brought back, let go on, handed over."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from pathlib import Path

import click
from sqlalchemy import Engine, select
from sqlalchemy.exc import SQLAlchemyError

from service import config, envfile, keyring
from service.build import this_build
from service.clock import Clock, SystemClock
from service.commands import opening
from service.commands.opening import Console, with_console
from service.config import Settings
from service.delivery.settling import end_restored
from service.domain.seals import Seal, Sealer
from service.domain.validation import Refused
from service.domain.vocabulary import Answered, Opened
from service.keeping import backing, exporting, restoring
from service.keeping.archive import checked_passphrase
from service.keeping.postgresql import Failed
from service.keyring import Keyring
from service.scheduling.opening import open_windows
from service.scheduling.steps import pass_lost
from service.store import access, holds
from service.store.access import Access
from service.store.audit import OPERATOR, Act
from service.store.holds import Gap
from service.store.quarantine import describe_error
from service.store.session import open_engine, write_session
from service.store.tables import Clinic
from service.store.troubles import told

FILE = click.argument("file", type=click.Path(path_type=Path))
PASSPHRASE = click.option(
    "--passphrase-file",
    type=click.Path(path_type=Path),
    help="Take the passphrase from this file; else it is asked for.",
)
KEPT_NOT = """\
What stops working, and what comes back:
  - everybody is signed out.
  - Links, accounts, keys of machines and passwords made since {since} do not open anything any more.
  - Those revoked, closed or changed since then open again: revoke, close and change them anew.
  - Consents withdrawn and STOPs that came since then are not known: ask your text provider for its list.
  - Readings, check-ins and signatures that came since then are lost: let machines send theirs again.
  - What was sent since then is not known. Prompts and reminders of that time are not sent anew.
Nothing is asked and nothing is sent until you run `neaptide resume` with the settings of this place."""
NOT_NOTED = "{file} was made and is whole, but the database could not be told of it, so the doctor does not know: {why}"

SEALS = {
    Seal.INTACT: "compared, and it holds",
    Seal.UNSEALED: "there is none: who wrote this file is not known",
    Seal.UNKNOWN_KEY: "not compared, its key is not known here: who wrote this file is not known",
}


@click.command("backup")
@FILE
@click.option("--with-key", is_flag=True, help="Put the secret key into it as well, sealed under a passphrase.")
@PASSPHRASE
@click.option("--keep", type=click.IntRange(1, 10_000), help="In a folder: take away all but so many of the newest.")
@with_console
def backup(console: Console, file: Path, with_key: bool, passphrase_file: Path | None, keep: int | None) -> None:
    """Write everything to FILE, whole and checked, while the service goes on.

    Where FILE is a folder, the file gets a name with the time. It holds health data, and is not sealed itself: keep it
    where nobody else can read it. Without --with-key it names the secret key by its fingerprint, and you keep the key.
    """
    now = console.now()
    is_folder = file.is_dir()
    if keep is not None and not is_folder:
        raise Refused("FILE", str(file), "with --keep a folder")
    sealed = None
    if with_key:
        passphrase = checked_passphrase(_passphrase(passphrase_file, confirm=True))
        sealed = backing.Sealed(_secrets(console.settings), passphrase)
    elif passphrase_file is not None:
        raise Refused("passphrase-file", str(passphrase_file), "nothing without --with-key")
    target = file / backing.NAME.format(at=now) if is_folder else file
    keys = console.settings.keys
    try:
        manifest = backing.back_up(console.engine, target, now, this_build().version, keys, config.beside, sealed)
    except Failed as failed:
        raise click.ClickException(f"no backup was made; {failed}") from None
    opening.say(
        backup=target, bytes=target.stat().st_size, tables=len(manifest.tables),
        rows=sum(one.rows for one in manifest.tables.values()), taken_at=manifest.taken_at.isoformat(),
        secret_key=f"{manifest.key} ({'sealed in it' if sealed else 'not in it: keep it elsewhere'})",
    )  # fmt: skip
    for gone in backing.drop_older(file, keep) if keep is not None else ():
        opening.say(dropped=gone)
    try:
        backing.note(console.engine, manifest, target, console.now())
    except SQLAlchemyError as error:  # no room on its own disk, say: then a backup elsewhere is needed most
        raise click.ClickException(NOT_NOTED.format(file=target, why=told(error) or describe_error(error))) from None


@click.command("restore")
@FILE
@click.option("--into", help="An empty folder, or postgresql://… with an empty database; else where the settings say.")
@click.option("--secrets", type=click.Path(path_type=Path), help="Write the secrets in it to this file, as settings.")
@PASSPHRASE
@click.option("--without-seal", is_flag=True, help="Take it though its seal cannot be compared: the key is lost.")
def restore(
    file: Path, into: str | None, secrets: Path | None, passphrase_file: Path | None, without_seal: bool
) -> None:
    """Bring the backup in FILE back into an empty place, compared with what was backed up, and held.

    Nothing is asked and nothing is sent from there until `neaptide resume`. With --into no settings are needed but
    the secret key, by which the file's seal is compared: from the settings, or out of the file by --secrets. A password
    of PostgreSQL's is then best given as PGPASSWORD, or in a file .pgpass.
    """
    settings = opening.read_settings(begins=True) if into is None else None
    clock: Clock = SystemClock() if settings is None else opening.clock_of(settings)
    engine = opening.opened(settings) if settings is not None else _place(into or "")
    values: Mapping[str, str] = {}
    try:
        if secrets is not None:
            if secrets.exists():
                raise Refused("secrets", str(secrets), "a file that is not there yet")
            values = restoring.secrets_of(file, _passphrase(passphrase_file, confirm=False))
            written = envfile.changed("", values)
        sealer = _sealer(settings, values)
        done = restoring.restore(file, engine, clock.now(), config.beside, sealer, needs_seal=not without_seal)
        if secrets is not None:
            with secrets.open("x", encoding="utf-8") as target:
                target.write(written)
    except (Failed, restoring.Differs) as failed:
        raise click.ClickException(f"not brought back; {failed}") from None
    finally:
        engine.dispose()
    manifest = done.manifest
    since = f"{manifest.taken_at:%Y-%m-%d %H:%M:%S} UTC"
    opening.say(
        restored=engine.url.render_as_string(hide_password=True), rows=done.rows, tables=len(manifest.tables),
        seal=SEALS[done.seal], compared="every table is what was backed up",
        backup_of=since, by_version=manifest.version,
    )  # fmt: skip
    if secrets is not None:
        opening.say(secrets=f"{secrets} holds {', '.join(manifest.secrets)}: they belong among the settings")
    opening.say(secret_key=_key_told(manifest.key, settings, has_secrets=bool(manifest.secrets)))
    click.echo(KEPT_NOT.format(since=since))


@click.command("resume")
@click.option("--yes", is_flag=True, help="Do not ask: you know what is not known.")
@with_console
def resume(console: Console, yes: bool) -> None:
    """Let what was brought back from a backup go on: from now on it is asked and sent again.

    Prompts, reminders and notices that were due since the backup may have gone out already: prompts and reminders are
    not sent anew, silences of that time are told as not known.
    """
    now = console.now()
    with console.read() as session:
        gap = holds.newest(session, now)
    if gap is None or gap.resumed_at is not None:
        raise click.ClickException("nothing is held")
    if gap.compared_at is None:
        raise click.ClickException(holds.NEVER_WHOLE)
    click.echo(f"backup of: {gap.backup_at:%Y-%m-%d %H:%M:%S} UTC\nnot known: what came in or was sent since then")
    if not yes:
        click.confirm("Ask and send again from now on?", abort=True)
    opening.say(resumed=now.isoformat(), messages_in_doubt=go_on(console.terminal, gap, now))


def go_on(engine: Engine, gap: Gap, now: datetime) -> int:
    """End the hold, with an audit line at every clinic. Returns how many messages nobody knows of whether they left.

    1. Open the windows of the days since: what they would ask is not sent, since the hold lasts.
    2. In one transaction pass the steps that were due meanwhile, end the messages as not known, and let go.
    """
    open_windows(engine, now)
    with write_session(engine) as session:
        pass_lost(session, now)
        ended = end_restored(session, gap.restored_at, now)
        holds.resume(session, now)
        for clinic_id in session.scalars(select(Clinic.id)):
            Act(session, OPERATOR, clinic_id, now).note("service.resume", ("clinic", clinic_id))
    return ended


@click.command("export")
@click.argument("folder", type=click.Path(path_type=Path))
@opening.CLINIC
@with_console
def export(console: Console, folder: Path, clinic: str | None) -> None:
    """Write everything of a clinic into FOLDER, as CSV and NDJSON, with a dictionary of what stands there.

    It is health data in clear. What opens a door (hashes of passwords, keys, links) is not in it; export.json says
    which tables are left out and why, and holds a checksum of each file. That it was exported is a line in the trail.
    """
    now = console.now()
    with console.read() as session:
        whose = opening.clinic_of(session, clinic).id

    def note() -> None:
        at = f"terminal {console.login}"
        with console.write() as session:
            access.write_now(session, Access(now, Opened.EXPORT, Answered.SHOWN, "export", at, whose, OPERATOR))
            console.act(session, whose).note("clinic.export", ("clinic", whose))

    rows = exporting.export(console.engine, whose, folder, now, this_build().version, note)
    opening.say(export=folder, tables=len(rows), rows=sum(rows.values()))


def _sealer(settings: Settings | None, values: Mapping[str, str]) -> Sealer:
    """What knows a backup's seal: the keys of the settings, where there are any, and those that lay sealed in it."""
    rings = [settings.keys if settings is not None else config.keys_at_hand()]
    if key := values.get("NEAPTIDE_SECRET_KEY"):
        previous = "NEAPTIDE_SECRET_KEY_PREVIOUS"
        rings.append(Keyring(key, keyring.several(previous, values.get(previous, ""))))
    return Sealer(tuple(key for ring in rings if ring is not None for key in ring.sealer().keys))


def _place(into: str) -> Engine:
    """A database that is to be made, or filled. Raises Refused."""
    if into.startswith("postgresql:"):
        return open_engine(into)
    folder = Path(into)
    if not folder.is_absolute():
        raise Refused("into", into, "the absolute path of a folder, or postgresql://…")
    try:
        config.ready_folder(folder)
    except Refused as refused:
        raise refused.of_field("into") from None
    if any(folder.iterdir()):
        raise Refused("into", into, "an empty folder, or one that is not there yet")
    return open_engine(f"sqlite:///{folder / config.DATABASE_FILE}")


def _secrets(settings: Settings) -> dict[str, str]:
    """What nobody could give this installation again: a provider gives another token, phones no other subscription."""
    values = {
        "NEAPTIDE_SECRET_KEY": settings.secret_key,
        "NEAPTIDE_SECRET_KEY_PREVIOUS": " | ".join(settings.secret_key_previous),
        "NEAPTIDE_PUSH_KEY": settings.push_key,
    }
    return {name: value for name, value in values.items() if value}


def _passphrase(file: Path | None, *, confirm: bool) -> str:
    if file is not None:
        return config.read_text("passphrase-file", file).rstrip("\r\n")
    given: str = click.prompt("Passphrase", hide_input=True, confirmation_prompt=confirm)
    return given


def _key_told(wanted: str, settings: Settings | None, *, has_secrets: bool) -> str:
    if settings is not None and settings.keys.fingerprint == wanted:
        return f"{wanted}, which the settings have"
    where = "sealed in the backup: --secrets writes it out" if has_secrets else "wherever you keep it"
    return f"{wanted} belongs to this data ({where}); with another one nobody's sessions, links or keys are known"
