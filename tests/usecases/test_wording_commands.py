"""Wordings from a terminal, by `neaptide api`."""

from __future__ import annotations

import pytest
from sqlalchemy import Engine, select

from service.domain.vocabulary import MessageKind
from service.store.session import read_session
from service.store.tables import AuditLine, MessageTemplate
from service.words.language import codes
from tests.statements import writes_of
from tests.usecases.test_cli import AS, Run, clinic, done, run  # noqa: F401

pytestmark = pytest.mark.databases("sqlite")

OURS = "{sender}: good morning. {link} STOP ends these."


@pytest.fixture
def terminal(clinic: Run) -> Run:  # noqa: F811
    return lambda *words, stdin="": clinic("api", *words, *AS, stdin=stdin)


def kept(engine: Engine) -> list[str]:
    with read_session(engine) as session:
        return list(session.scalars(select(MessageTemplate.body).where(MessageTemplate.body.is_not(None))))


def test_a_wording_is_tried_set_listed_and_taken_back(terminal: Run, engine: Engine) -> None:
    tried = done(terminal("POST", "/wordings/en/prompt/preview", f"body={OURS}")).json
    assert tried["text"].startswith("Fernmoor: good morning. http://127.0.0.1:8000/c/")
    assert (tried["length"]["segments"], tried["length"]["alphabet"]) == (1, "GSM-7")
    assert kept(engine) == []

    done(terminal("PUT", "/wordings/en/prompt", f"body={OURS}"))
    assert kept(engine) == [OURS]
    listed = done(terminal("GET", "/wordings")).json["items"]
    assert len(listed) == len(codes()) * len(MessageKind)
    assert [(one["language"], one["kind"]) for one in listed if one["own"]] == [("en", "prompt")]
    (ours,) = [one for one in listed if one["own"]]
    assert "good morning" in ours["preview"]["text"]

    done(terminal("DELETE", "/wordings/en/prompt"))
    assert kept(engine) == []
    assert "good morning. http" not in done(terminal("POST", "/wordings/en/prompt/preview")).json["text"]
    with read_session(engine) as session:
        lines = session.scalars(select(AuditLine).where(AuditLine.action == "wording.reset")).all()
    assert [(line.actor_kind.value, line.detail["login"], line.detail["previous"]) for line in lines] == [
        ("staff", "imogen", OURS)
    ]


def test_words_come_from_standard_input_too_and_doubts_are_told(terminal: Run, engine: Engine) -> None:
    words = "{sender}: your heart minutes – now\n{link}\n"
    said = done(terminal("PUT", "/wordings/en/prompt", "body=@-", stdin=words)).json
    assert kept(engine) == [words.strip()]
    again = [doubt["sentence"] for doubt in said["preview"]["doubts"]]
    assert any("U+2013 EN DASH" in line for line in again)
    assert any("heart" in line for line in again)
    with writes_of(engine) as written:
        shown = done(terminal("POST", "/wordings/es/digest/preview")).json
    assert written == []
    assert "9999" in shown["longest_text"]


@pytest.mark.parametrize(
    ("words", "status", "says"),
    [
        (
            ("PUT", "/wordings/en/prompt", "body={link} {name}"),
            422,
            "placeholders {asked}, {greeting}, {link}, {sender}",
        ),
        (("POST", "/wordings/en/safety/preview", "body=call us"), 422, "a wording with {number} in it"),
        (("PUT", "/wordings/fr/prompt", f"body={OURS}"), 422, "one of en, es"),
        (("PUT", "/wordings/en/greeting", f"body={OURS}"), 422, "accepted: one of prompt, reminder"),
    ],
)
def test_what_cannot_be_taken_ends_in_words(
    terminal: Run, engine: Engine, words: tuple[str, ...], status: int, says: str
) -> None:
    said = terminal(*words)
    assert said.code == 1
    assert said.json["status"] == status
    assert says in said.json["detail"]
    assert kept(engine) == []
