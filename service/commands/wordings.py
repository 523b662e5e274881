"""`neaptide wording …`: what a clinic's messages say, from a terminal."""

from __future__ import annotations

import sys

import click
from sqlalchemy.orm import Session

from service.commands import opening
from service.config import Settings
from service.domain.segments import Length
from service.domain.vocabulary import MessageKind
from service.enrolling import wordings
from service.links import sample_links
from service.store.audit import OPERATOR
from service.store.session import read_session, write_session
from service.words.language import codes
from service.words.preview import Preview

CLINIC = click.option("--clinic", help="Name or id of the clinic; may be left out where there is only one.")
LANGUAGE = click.argument("language", metavar="LANGUAGE", type=click.Choice(codes()))
KIND = click.argument("kind", metavar="KIND", type=click.Choice([kind.value for kind in MessageKind]))
STANDARD_INPUT = "-"


@click.group("wording")
def wording() -> None:
    """What messages say, in the clinic's own words or in the built-in ones.

    LANGUAGE and KIND are as the list shows them.
    """


@wording.command("list")
@CLINIC
@click.option("--language", type=click.Choice(codes()), help="Only this language.")
def list_wordings(clinic: str | None, language: str | None) -> None:
    """Every kind in every language: whose words, how long at most, and the words."""
    read = opening.settings()
    with opening.database(read) as engine, read_session(engine) as session:
        for one in wordings.list_wordings(session, opening.clinic_of(session, clinic), _links(read)):
            if language in {None, one.language}:
                whose = "own" if one.own else "built-in"
                longest = "cannot be sent" if one.preview is None else _length(one.preview.longest)
                body = one.body.replace("\n", "\\n")
                click.echo(f"{one.language}  {one.kind.value:<10}  {whose:<8}  {longest}  {body}")


@wording.command("set")
@CLINIC
@LANGUAGE
@KIND
@click.option("--text", required=True, help="The words, with placeholders such as {link}; `-` reads standard input.")
def set_wording(clinic: str | None, language: str, kind: str, text: str) -> None:
    """Say it in the clinic's own words from now on, in what is queued already too."""
    read = opening.settings()
    given = _given(text)
    with opening.database(read) as engine, write_session(engine) as session:
        owner = opening.clinic_of(session, clinic)
        now = opening.clock_of(read).now()
        waited = wordings.set_wording(session, owner, language, kind, given, OPERATOR, now)
        opening.say(wording=f"{language} {kind}", sent_now=waited)
        _show(_preview(session, clinic, language, kind, given, read))


@wording.command("reset")
@CLINIC
@LANGUAGE
@KIND
def reset_wording(clinic: str | None, language: str, kind: str) -> None:
    """Go back to the built-in words; the clinic's own stay in the audit trail."""
    read = opening.settings()
    with opening.database(read) as engine, write_session(engine) as session:
        owner = opening.clinic_of(session, clinic)
        waited = wordings.reset_wording(session, owner, language, kind, OPERATOR, opening.clock_of(read).now())
        opening.say(wording=f"{language} {kind}", sent_now=waited)


@wording.command("preview")
@CLINIC
@LANGUAGE
@KIND
@click.option("--text", help="Words to try; `-` reads standard input. What is used now when left out.")
def preview(clinic: str | None, language: str, kind: str, text: str | None) -> None:
    """Show how a wording would arrive, how long it is, and what to look at again. Writes nothing."""
    read = opening.settings()
    with opening.database(read) as engine, read_session(engine) as session:
        if text is None:
            found = wordings.find_wording(session, opening.clinic_of(session, clinic), language, kind, _links(read))
            given = found.body if found.own else None
        else:
            given = _given(text)
        _show(_preview(session, clinic, language, kind, given, read))


def _preview(
    session: Session, clinic: str | None, language: str, kind: str, body: str | None, read: Settings
) -> Preview:
    return wordings.preview_wording(opening.clinic_of(session, clinic), language, kind, body, _links(read))


def _show(shown: Preview) -> None:
    opening.say(text=shown.text, length=_length(shown.length))
    if shown.longest_text != shown.text:
        opening.say(longest_text=shown.longest_text, longest=_length(shown.longest))
    for doubt in shown.doubts:
        opening.say(look_again=doubt.sentence)


def _length(length: Length) -> str:
    return f"{length.segments} x {length.alphabet} ({length.units} units)"


def _given(text: str) -> str:
    return sys.stdin.read() if text == STANDARD_INPUT else text


def _links(read: Settings) -> wordings.SampleLinks:
    return sample_links(read.base_url)
