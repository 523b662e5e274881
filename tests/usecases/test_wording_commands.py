"""`neaptide wording …` as an operator types it."""

from __future__ import annotations

import pytest
from sqlalchemy import Engine, select

from service.domain.vocabulary import MessageKind
from service.store.session import read_session
from service.store.tables import AuditLine, MessageTemplate
from service.words.language import codes
from tests.house import writes_of
from tests.usecases.test_cli import CLINIC, Run, done, run  # noqa: F401

OURS = "{sender}: good morning. {link} STOP ends these."


@pytest.fixture
def terminal(run: Run) -> Run:  # noqa: F811
    done(run(*CLINIC))
    return run


def kept(engine: Engine) -> list[str]:
    with read_session(engine) as session:
        return list(session.scalars(select(MessageTemplate.body)))


def test_a_wording_is_tried_set_listed_and_taken_back(terminal: Run, engine: Engine) -> None:
    tried = done(terminal("wording", "preview", "en", "prompt", "--text", OURS))
    assert tried.value("text").startswith("Fernmoor: good morning. http://127.0.0.1:8000/c/")
    assert tried.value("length").startswith("1 x GSM-7 (")
    assert kept(engine) == []

    assert done(terminal("wording", "set", "en", "prompt", "--text", OURS)).value("sent_now") == "0"
    assert kept(engine) == [OURS]
    listed = done(terminal("wording", "list")).out.splitlines()
    assert len(listed) == len(codes()) * len(MessageKind)
    assert [line.split()[:3] for line in listed if OURS in line] == [["en", "prompt", "own"]]
    assert len(done(terminal("wording", "list", "--language", "es")).out.splitlines()) == len(MessageKind)
    assert "good morning" in done(terminal("wording", "preview", "en", "prompt")).value("text")

    done(terminal("wording", "reset", "en", "prompt"))
    assert kept(engine) == []
    assert "good morning" not in done(terminal("wording", "preview", "en", "prompt")).value("text")
    with read_session(engine) as session:
        lines = session.scalars(select(AuditLine).where(AuditLine.action == "wording.reset")).all()
    assert [(line.actor_kind.value, line.detail["previous"]) for line in lines] == [("operator", OURS)]


def test_words_come_from_standard_input_too_and_doubts_are_told(terminal: Run, engine: Engine) -> None:
    words = "{sender}: your heart minutes – now\n{link}\n"
    said = done(terminal("wording", "set", "en", "prompt", "--text", "-", stdin=words))
    assert kept(engine) == [words.strip()]
    again = [line for line in said.out.splitlines() if line.startswith("look_again: ")]
    assert any("U+2013 EN DASH" in line for line in again)
    assert any("heart" in line for line in again)
    with writes_of(engine) as written:
        shown = done(terminal("wording", "preview", "es", "digest"))
    assert written == []
    assert "9999" in shown.value("longest_text")


@pytest.mark.parametrize(
    ("words", "named"),
    [
        (
            ("set", "en", "prompt", "--text", "{link} {name}"),
            "body was '{name}'; accepted: placeholders {link}, {sender}",
        ),
        (("preview", "en", "safety", "--text", "call us"), "a wording with {number} in it"),
        (("set", "fr", "prompt", "--text", OURS), "'en', 'es'"),
        (("set", "en", "greeting", "--text", OURS), "'prompt'"),
    ],
)
def test_what_cannot_be_taken_ends_in_words_with_code_two(
    terminal: Run, engine: Engine, words: tuple[str, ...], named: str
) -> None:
    said = terminal("wording", *words)
    assert said.code == 2
    assert named in said.err
    assert kept(engine) == []
