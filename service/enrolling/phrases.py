"""The clinic's own wordings for messages that staff send by hand: a short list, each in one language or more.

Promises that what could not be sent is never kept, that at most `MOST` are, so that one is found at a glance, and that
the text a change replaces stays in the audit trail. What was sent keeps the words it was sent in.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping

from service.domain.validation import Refused
from service.enrolling.wordings import SampleLinks, signs_of
from service.store.audit import Act
from service.store.tables import Clinic, Phrase
from service.store.wordings import phrases
from service.words import messages, preview
from service.words.language import Language, checked_language, codes, load_language

MOST = 8  # this service's own number, no source


def begin(act: Act) -> None:
    """What a new clinic begins with: the built-in ones, in every language."""
    every = [messages.first_phrases(load_language(code)) for code in codes()]
    for bodies in zip(*every, strict=True):
        add_phrase(act, dict(zip(codes(), bodies, strict=True)))


def add_phrase(act: Act, bodies: Mapping[str, str]) -> Phrase:
    """One more, by language; what is empty is left out. Raises Refused."""
    there = phrases(act.session, act.clinic_id)
    if len(there) >= MOST:
        raise Refused("bodies", len(bodies), "no more of them: take one from the list first")
    place = there[-1].place + 1 if there else 0
    row = Phrase(place=place, bodies=checked(bodies), set_by=str(act.actor), set_at=act.now)
    act.add(row)
    act.note("phrase.add", row)
    return row


def change_phrase(act: Act, row: Phrase, bodies: Mapping[str, str]) -> Phrase:
    """The same in other words from now on. Raises Refused."""
    new = checked(bodies)
    if new != row.bodies:
        was, row.bodies = row.bodies, new
        row.set_by, row.set_at = str(act.actor), act.now
        act.session.flush()
        act.note("phrase.change", row, previous=was)
    return row


def drop_phrase(act: Act, row: Phrase) -> None:
    """It is offered no more."""
    act.note("phrase.drop", row, previous=row.bodies)
    act.session.delete(row)
    act.session.flush()


def doubts(
    clinic: Clinic, bodies: Mapping[str, str], links: SampleLinks, reader: Language
) -> dict[str, tuple[preview.Doubt, ...]]:
    """What to look at again in each text, by language, told in the reader's own."""
    signs = signs_of(clinic, links)
    return {code: preview.doubts(body, load_language(code), signs, reader) for code, body in bodies.items()}


def checked(bodies: Mapping[str, str]) -> dict[str, str]:
    """The texts as they are kept, by language. Raises Refused, `bodies.es` for a text that cannot be sent."""
    kept: dict[str, str] = {}
    for language, body in bodies.items():
        code = checked_language("bodies", language)
        text = unicodedata.normalize("NFC", " ".join(body.split()))
        if not text:
            continue
        try:
            kept[code] = messages.checked_phrase(text)
        except Refused as refused:
            raise refused.of_field(f"bodies.{code}") from None
    if not kept:
        raise Refused("bodies", "", "a text in at least one language")
    return kept
