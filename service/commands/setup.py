"""`neaptide setup`: ask for what an installation needs, check each answer, write it down, say what is next.

Promises that each answer is tried before it is written (the database and the mail server answer, the
public address is looked up, a test message goes out by the real way), as the user whose service it
will be; that nothing is written until all was asked, but that user itself; that it may be run again, and keeps
what is there, the secret key above all; and that what it makes is what the other commands would make.
"""

from __future__ import annotations

import os
import re
import secrets
import socket
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass, replace
from http import HTTPStatus
from pathlib import Path
from subprocess import DEVNULL
from urllib.parse import urlsplit

import click
from sqlalchemy import func, select
from sqlalchemy.exc import SQLAlchemyError

from service import config, envfile
from service.accounts import invitations
from service.accounts.staff import add_staff
from service.clock import SystemClock
from service.commands import installing, opening
from service.commands.answers import HIDDEN, AskedFor, Dialogue, Unanswered, read_answers
from service.commands.installing import as_user
from service.config import Settings
from service.domain import validation
from service.domain.validation import Refused, checked_url
from service.domain.vocabulary import Channel, Role
from service.enrolling import clinics
from service.enrolling.people import checked_address
from service.keyring import KeyFor
from service.links import Links
from service.store import migrate as layout
from service.store.audit import OPERATOR, Act
from service.store.session import at_terminal, read_session, write_session
from service.store.tables import Clinic
from service.transports.base import TemporaryFailure
from service.transports.email import Mail
from service.transports.http import Answer, HttpClient, NoAnswer

HOME = Path.home()
SECRET = re.compile("KEY|TOKEN|SECRET|PASSW")
DEAD_KEY = "no key: nothing is ever signed with this"  # while nobody has said the key, nothing is signed
ANSWER_SECONDS = 10
SERVED_SECONDS = 120  # a busy machine starts slowly; one that cannot start ends at once
GIVES = "text, as people read it"
BY_MAIL = ("NEAPTIDE_MAIL_SERVER",)
BY_TEXT = ("NEAPTIDE_TEXT_URL", "NEAPTIDE_TEXT_PROVIDER")
WHOSE = (
    AskedFor("user", "System user that it runs as", "neaptide", needs="a user name"),
    AskedFor("settings", "File for its settings", "/etc/neaptide/neaptide.env", needs="an absolute path"),
)
WHERE = (
    AskedFor("NEAPTIDE_DATA", "Folder for its data", "/var/lib/neaptide", needs="an absolute path"),
    AskedFor("wrapper", "Command to install on PATH", "/usr/local/bin/neaptide"),
    AskedFor("units", "Units for systemd: yes or no", "no"),
)
DATABASE = (
    AskedFor("NEAPTIDE_DATABASE_URL", "Database (postgresql://…, or nothing for a SQLite file in that folder)"),
)
ADDRESS = (
    AskedFor("NEAPTIDE_BASE_URL", "Public address, as links in messages begin", needs="an https:// address"),
    AskedFor("NEAPTIDE_TRUST_PROXY", "Is a reverse proxy of your own in front: yes or no", "yes"),
)
MAIL = (
    AskedFor("NEAPTIDE_MAIL_SERVER", "Mail server, host:port (nothing: no mail)"),
    AskedFor("NEAPTIDE_MAIL_SECURITY", "tls, starttls or none", "tls", goes_with=BY_MAIL),
    AskedFor("NEAPTIDE_MAIL_FROM", "Sender's address", goes_with=BY_MAIL),
    AskedFor("NEAPTIDE_MAIL_USER", "Name to sign in with there", goes_with=BY_MAIL),
    AskedFor(
        "NEAPTIDE_MAIL_PASSWORD", "Its password", is_secret=True, goes_with=("NEAPTIDE_MAIL_USER",)
    ),
    AskedFor("test_mail", "Your own address, for a test mail", goes_with=BY_MAIL),
)  # fmt: skip
TEXT = (
    AskedFor("NEAPTIDE_TEXT_URL", "Address of a text gateway that speaks our contract (nothing: another, or none)"),
    AskedFor("NEAPTIDE_TEXT_PROVIDER", "File that describes another provider, in its place (nothing: no texts)"),
    AskedFor("NEAPTIDE_TEXT_USER", "Who we are there, where it asks", goes_with=("NEAPTIDE_TEXT_PROVIDER",)),
    AskedFor("NEAPTIDE_TEXT_TOKEN", "Our token or password there", is_secret=True, goes_with=BY_TEXT),
    AskedFor("NEAPTIDE_TEXT_CALLBACK_SECRET", "Secret of its receipts and replies", is_secret=True, goes_with=BY_TEXT),
    AskedFor("test_number", "Your own telephone number, for a test text", goes_with=BY_TEXT),
)
CLINIC = (
    AskedFor("clinic_name", "Name of the first clinic", needs=GIVES),
    AskedFor("clinic_zone", "Its time zone, such as America/Chicago", needs="an IANA time zone"),
    AskedFor("clinic_emergency_number", "The emergency number there", needs="a telephone number"),
    AskedFor("clinic_contact_line", "The clinic's own telephone number", needs="a telephone number"),
    AskedFor("clinic_sender_name", "How messages are signed; it is read on locked screens", needs=GIVES),
    AskedFor("clinic_language", "Language", "en"),
)
ADMINISTRATOR = (
    AskedFor("administrator_name", "Name of its administrator", needs=GIVES),
    AskedFor("administrator_email", "E-mail address to sign in with", needs="an e-mail address"),
)
EVERY_QUESTION = (*WHOSE, *WHERE, *DATABASE, *ADDRESS, *MAIL, *TEXT, *CLINIC, *ADMINISTRATOR)


@dataclass(frozen=True)
class DatabaseNow:
    """What stands in the database now."""

    says: str = ""
    has_layout: bool = False
    clinics: int | None = None  # not known, where it does not answer


@click.command("setup")
@click.option(
    "--answers", "file", type=click.Path(path_type=Path), help="Take the answers from this file (TOML); ask nothing."
)
@click.option("--dry-run", is_flag=True, help="Ask and check; show what would be written, and write nothing.")
@click.option("--unchecked", is_flag=True, help="Write down what does not answer now, and say so.")
def setup(file: Path | None, dry_run: bool, unchecked: bool) -> None:
    """Ask for what an installation needs, check it, and write it down.

    Run it as root for the whole machine, or as yourself for yourself. Enter takes what stands in
    brackets, - leaves it empty. Run again, it keeps what is there. The file for --answers names the
    answers as they are asked for: the settings by their own names, and user, settings, wrapper,
    units, test_mail, test_number, clinic_name, administrator_email and the like.
    """
    every = {question.key: question for question in EVERY_QUESTION}
    given = read_answers(file, every.keys() | set(config.NAMES)) if file is not None else None
    answers = Dialogue(given, unchecked, every)
    Setup(answers, dry_run).run()


class Setup:
    """One run. `answers.values` is what is known so far."""

    def __init__(self, answers: Dialogue, dry_run: bool) -> None:
        self._answers = answers
        self._dry_run = dry_run
        self._found = DatabaseNow()
        self._invitation = ""

    def run(self) -> None:
        ask, values = self._answers.ask, self._answers.values
        ask("Whose it is", _for_whom(WHOSE), self._check_whose)
        ask("Where it lies", _for_whom(WHERE), self._check_where)
        ask("The database", DATABASE, self._check_database)
        ask("The address", ADDRESS, self._check_address)
        ask("Mail", MAIL, self._check_mail)
        ask("Texts", TEXT, self._check_texts)
        if self._found.clinics == 0:
            ask("The first clinic", CLINIC, self._check_clinic)
            ask("Its administrator", ADMINISTRATOR, self._check_administrator)
        text = envfile.changed(self._there(), self._environment())
        if self._dry_run:
            click.echo(f"\nWould write {values['settings']}:\n{hidden(text)}")
            return
        self._write(text)
        if self._found.clinics is not None:
            self._invitation = as_user(values["user"], self._fill)
        started = self._install()
        if self._found.clinics is not None:
            self._try()
        self._say_what_is_next(started)

    # --- what is checked ---------------------------------------------------------------

    def _check_whose(self) -> Iterator[str]:
        """What an earlier run, or a hand, wrote is what is taken without an answer."""
        values, given = self._answers.values, self._answers.given or {}
        if not installing.is_root() and values["user"] != config.user_name(os.geteuid()):
            raise Refused(
                "user", values["user"], f"{config.user_name(os.geteuid())}, who runs this; root may name another"
            )
        installing.checked_place("settings", Path(values["settings"]))
        there = envfile.read(self._there())
        values.update({name: value for name, value in there.items() if name in config.NAMES})
        values.update({name: given[name] for name in config.NAMES if name in given})
        if there:
            yield f"{values['settings']} is there; what it holds is kept where nothing else is said"

    def _check_where(self) -> Iterator[str]:
        values = self._answers.values
        user, data = values["user"], Path(values["NEAPTIDE_DATA"])
        installing.checked_place("NEAPTIDE_DATA", data)
        if values["wrapper"]:
            installing.checked_free("wrapper", Path(values["wrapper"]))
        if values["units"] not in {"yes", "no"}:
            raise Refused("units", values["units"], "yes or no")
        if values["units"] == "yes":
            for name in installing.UNITS:
                installing.checked_free("units", installing.SYSTEM_UNITS / name)
                installing.unit(name, Path(values["settings"]), user, data)
        if not installing.exists(user):
            if self._dry_run:
                yield f"would make the system user {user}"
            else:
                installing.make_user(user, data)
                yield f"made the system user {user}"
        for program in (installing.PROGRAM, Path(sys.executable)):
            if not as_user(user, lambda program=program: os.access(program, os.X_OK)):  # type: ignore[misc]
                its = "with a Python that every user may run, in /opt/neaptide"
                raise Refused("user", user, f"a user who can run {program.resolve()}: make the checkout {its}")
        as_user(user, lambda: config.checked_own("NEAPTIDE_DATA", data))

    def _check_database(self) -> Iterator[str]:
        values, key = self._answers.values, "NEAPTIDE_SECRET_KEY"
        self._found = as_user(values["user"], lambda: look(Settings.from_env({**self._placeholder(), **self._given()})))
        yield self._found.says
        kept = Path(values["NEAPTIDE_DATA"]) / "secret-key"
        if not self._placeholder():
            self._settings()  # says whether it is one
        elif not as_user(values["user"], kept.exists):
            if self._found.has_layout:
                accepted = "the key that this database was used with, or another, after which everybody signs in anew"
                raise Refused(key, "", accepted)
            values[key] = secrets.token_urlsafe(48)
            yield "made a secret key"

    def _check_address(self) -> Iterator[str]:
        url = checked_url("NEAPTIDE_BASE_URL", self._answers.values["NEAPTIDE_BASE_URL"])
        self._settings()
        host = urlsplit(url).hostname or ""
        if config.is_here(host):
            yield "reached from this machine alone: no telephone gets there"
            return
        try:
            found = {str(one[4][0]) for one in socket.getaddrinfo(host, None, type=socket.SOCK_STREAM)}
        except OSError as error:
            raise Unanswered("NEAPTIDE_BASE_URL", url, f"a name that is found ({error.strerror})") from None
        yield f"{host} is {', '.join(sorted(found))}"

    def _check_mail(self) -> Iterator[str]:
        values = self._answers.values
        settings = self._settings()
        if not settings.mail_server:
            yield "no mail will be sent"
            return
        if values["test_mail"]:
            values["test_mail"] = checked_address("test_mail", Channel.EMAIL, values["test_mail"])
        mail = opening.transports_of(settings, SystemClock())[Channel.EMAIL]
        try:
            if isinstance(mail, Mail):
                mail.look()
        except TemporaryFailure as failure:
            raise Unanswered("NEAPTIDE_MAIL_SERVER", settings.mail_server, f"one that lets us in ({failure})") from None
        yield "the mail server lets us in"

    def _check_texts(self) -> Iterator[str]:
        values = self._answers.values
        if not any(values[one] for one in BY_TEXT):
            yield "no texts will be sent"
            return
        if not values["NEAPTIDE_TEXT_CALLBACK_SECRET"]:
            values["NEAPTIDE_TEXT_CALLBACK_SECRET"] = secrets.token_urlsafe(32)
            yield f"made a secret for its receipts and replies, which stands in {values['settings']}"
        settings = self._settings()
        as_user(values["user"], lambda: bool(opening.transports_of(settings, SystemClock())))  # reads a description
        if values["test_number"]:
            values["test_number"] = checked_address("test_number", Channel.TEXT, values["test_number"])
        if settings.text_provider:
            yield "the description can be read; whether the provider answers a test message will show"
            return
        try:
            HttpClient(ANSWER_SECONDS, settings.proxy).get(settings.text_url)  # whatever it says to this
        except NoAnswer as error:
            raise Unanswered("NEAPTIDE_TEXT_URL", settings.text_url, f"one that answers ({error})") from None
        yield "the text gateway answers"

    def _check_clinic(self) -> Iterator[str]:
        with _named("clinic"):
            clinics.checked(asdict(self._new_clinic()))
        return iter(())

    def _check_administrator(self) -> Iterator[str]:
        values = self._answers.values
        validation.text("administrator_name", values["administrator_name"], longest=120)
        validation.mailbox("administrator_email", values["administrator_email"])
        return iter(())

    # --- what is known -----------------------------------------------------------------

    def _there(self) -> str:
        file = Path(self._answers.values["settings"])
        return config.read_text("settings", file) if file.exists() else ""

    def _environment(self) -> dict[str, str]:
        """The settings as they stand; an empty one is none."""
        values = self._answers.values
        return {name: values[name] for name in config.NAMES if name in values}

    def _given(self) -> dict[str, str]:
        return {name: value for name, value in self._environment().items() if value}

    def _placeholder(self) -> dict[str, str]:
        """What stands for the secret key while nobody has said one, nor where it stands."""
        name = "NEAPTIDE_SECRET_KEY"
        return {} if {name, f"{name}_FILE"} & self._given().keys() else {name: DEAD_KEY}

    def _settings(self) -> Settings:
        env = {**self._placeholder(), **self._given()}
        return as_user(self._answers.values["user"], lambda: Settings.from_env(env))

    def _new_clinic(self) -> clinics.NewClinic:
        values = self._answers.values
        return clinics.NewClinic(
            name=values["clinic_name"],
            zone=values["clinic_zone"],
            emergency_number=values["clinic_emergency_number"],
            contact_line=values["clinic_contact_line"],
            sender_name=values["clinic_sender_name"],
            language=values["clinic_language"],
        )

    # --- what is done ------------------------------------------------------------------

    def _write(self, text: str) -> None:
        values = self._answers.values
        installing.make_data_folder(Path(values["NEAPTIDE_DATA"]), values["user"])
        installing.write("settings", Path(values["settings"]), text, 0o600)
        click.echo(f"\nWrote {values['settings']}")

    def _fill(self) -> str:
        """The layout, and the clinic with its administrator where there is none; returns who was invited's link."""
        login, values, now = config.system_user(), self._answers.values, SystemClock().now()
        settings = Settings.from_env(self._given())
        with opening.database(settings) as engine:
            layout.upgrade(engine)
            layout.raise_wall(engine, settings.keys.every(KeyFor.WALL))
            if self._found.clinics:
                return ""
            with write_session(at_terminal(engine, login)) as session:
                clinic = clinics.enrol_clinic(session, self._new_clinic(), OPERATOR, now)
                person = (values["administrator_email"], values["administrator_name"])
                act = Act(session, OPERATOR, clinic.id, now)
                key = invitations.invite(act, add_staff(act, *person, [Role.ADMINISTRATOR]), now)
            return Links(settings.base_url).invitation(key)

    def _install(self) -> str:
        """Wrapper and units; how the units are."""
        values = self._answers.values
        settings, user, wrapper = Path(values["settings"]), values["user"], values["wrapper"]
        if wrapper:
            installing.write("wrapper", Path(wrapper), installing.wrapper(Path(wrapper), settings, user), 0o755)
            click.echo(f"Wrote {wrapper}")
        if values["units"] == "no":
            return ""
        for name in installing.UNITS:
            text = installing.unit(name, settings, user, Path(values["NEAPTIDE_DATA"]))
            installing.write("units", installing.SYSTEM_UNITS / name, text, 0o644)
            click.echo(f"Wrote {installing.SYSTEM_UNITS / name}")
        return installing.start_units()

    def _try(self) -> None:
        """Whether the public address leads here; the doctor, with a test message to each address that was given."""
        values, settings = self._answers.values, self._settings()
        program = [str(installing.PROGRAM), "--settings", values["settings"], "--user", values["user"]]
        tests = [word for one in ("test_mail", "test_number") if values[one] for word in ("--send-test", values[one])]
        click.echo("\nWhat the doctor says")
        with served(program, settings):
            click.echo(f"  {leads_here(settings)}")
            command = [*program, "doctor", *tests]
            done = subprocess.run(command, capture_output=True, text=True, check=False)  # noqa: S603 - our own program
        click.echo("".join(f"  {line}\n" for line in (done.stdout + done.stderr).splitlines()), nl=False)

    def _say_what_is_next(self, started: str) -> None:
        values = self._answers.values
        name = (
            Path(values["wrapper"]).name
            if values["wrapper"]
            else f"{installing.PROGRAM} --settings {values['settings']}"
        )
        click.echo("\nNext")
        if self._found.clinics is None:
            click.echo("  Once the database answers, run this again: it makes the layout and the first clinic.")
        if started != "started":
            click.echo(f"  Start `{name} serve` and `{name} worker`, at each boot: deploy/systemd has a unit for each.")
        if urlsplit(values["NEAPTIDE_BASE_URL"]).scheme == "https":
            click.echo("  Put a reverse proxy with TLS in front, as deploy/nginx.conf shows.")
        if not any(values[one] for one in BY_TEXT):
            click.echo("  Without a text gateway nobody is reached by text: run this again once you have one.")
        if self._invitation:
            click.echo(f"  {values['administrator_name']} sets a password within seven days by {self._invitation}")
        click.echo(f"  Sign in at {values['NEAPTIDE_BASE_URL'].rstrip('/')}/signin, and invite your colleagues.")
        click.echo(
            f"  Back up {values['settings']} and the database together; `{name} doctor` says what needs attention."
        )


@contextmanager
def _named(whose: str) -> Iterator[None]:
    """A refusal inside names the answer as the file of answers does."""
    try:
        yield
    except Refused as refused:
        raise refused.of_field(f"{whose}_{refused.field}") from None


def look(settings: Settings) -> DatabaseNow:
    """The database as it stands; a SQLite file that is not there is not made. Raises Refused, or Unanswered."""
    name = "NEAPTIDE_DATABASE_URL"
    engine = opening.opened(settings)
    try:
        if engine.dialect.name == "sqlite":
            file = Path(str(engine.url.database))
            if file.parent != settings.data_dir or file.exists():
                installing.checked_place(name, file)
                if not file.parent.is_dir():
                    raise Refused(name, str(file), "a file in a folder that is there")
            if not file.exists():
                return DatabaseNow(f"a SQLite file, to be made: {file}", clinics=0)
        is_current = layout.is_current(engine)
        with read_session(engine) as session:
            number = session.scalar(select(func.count()).select_from(Clinic)) if is_current else 0
        return DatabaseNow(f"{engine.dialect.name} answers; clinics in it: {number}", is_current, number)
    except SQLAlchemyError as error:
        why = str(getattr(error, "orig", error)).splitlines()[0][:200]
        raise Unanswered(name, HIDDEN, f"a database that answers ({why})") from None
    finally:
        engine.dispose()


@contextmanager
def served(program: Sequence[str], settings: Settings) -> Iterator[None]:
    """The web pages, where nothing serves them yet, for as long as a receipt is waited for."""
    if is_served(settings):
        yield
        return
    serve = [*program, "serve", "--workers", "1"]
    web = subprocess.Popen(serve, stdin=DEVNULL, stdout=DEVNULL, stderr=DEVNULL)  # noqa: S603 - our own program
    try:
        give_up_at = time.monotonic() + SERVED_SECONDS
        while not is_served(settings) and web.poll() is None and time.monotonic() < give_up_at:
            time.sleep(0.2)
        yield
    finally:
        web.terminate()
        web.wait()


def is_served(settings: Settings) -> bool:
    try:
        own = f"http://{config.authority(settings.host, settings.port)}"
        return is_ours(HttpClient(ANSWER_SECONDS).get(f"{own}/healthz"))
    except NoAnswer:
        return False


def is_ours(answer: Answer) -> bool:
    """Whether such a service gave this answer: some pages are 200 whatever is asked for."""
    return answer.status == HTTPStatus.OK and b'"alive"' in answer.body


def leads_here(settings: Settings) -> str:
    """Whether the public address comes out at this service, in a sentence."""
    try:
        answer = HttpClient(ANSWER_SECONDS, settings.proxy).get(f"{settings.base_url}/healthz")
    except NoAnswer as error:
        return f"attention  reached: {settings.base_url} leads nowhere yet ({error}): no link and no receipt comes in."
    if not is_ours(answer):
        return f"attention  reached: {settings.base_url} leads elsewhere, or not here yet (it answers {answer.status})."
    return f"well       reached: {settings.base_url} leads here."


def hidden(text: str) -> str:
    """A file of settings with its secrets left out."""
    shown = []
    for line in text.splitlines():
        name, _, value = line.partition("=")
        if value and (SECRET.search(name) or ("://" in value and "@" in value)):
            line = f"{name}={HIDDEN}"
        shown.append(line)
    return "\n".join(shown)


def _for_whom(questions: tuple[AskedFor, ...]) -> tuple[AskedFor, ...]:
    """The same questions with the starts that suit whoever runs this."""
    if installing.is_root():
        units = "yes" if installing.SYSTEMD_RUNS.exists() else "no"
        starts = {"units": units}
    else:
        starts = {
            "user": config.user_name(os.geteuid()),
            "settings": str(HOME / ".config" / "neaptide" / "neaptide.env"),
            "NEAPTIDE_DATA": str(HOME / ".local" / "share" / "neaptide"),
            "wrapper": str(HOME / ".local" / "bin" / "neaptide"),
        }
    return tuple(replace(one, start=starts.get(one.key, one.start)) for one in questions)
