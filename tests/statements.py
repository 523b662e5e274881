"""What a database is asked, statement by statement: to be counted, to be read, or to be made to fail."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from typing import Any

from sqlalchemy import Engine, event

from tests.servers import faces


@contextmanager
def each_statement(engine: Engine, does: Callable[[str, Any], None]) -> Iterator[None]:
    """Before each statement `does` is given it and its parameters; what it raises, the statement fails with.

    Whichever of the database's roles it is asked as.
    """

    def before(_connection: object, _cursor: object, statement: str, parameters: Any, *_: object) -> None:
        does(statement, parameters)

    for face in faces(engine):
        event.listen(face, "before_cursor_execute", before)
    try:
        yield
    finally:
        for face in faces(engine):
            event.remove(face, "before_cursor_execute", before)


@contextmanager
def statements_of(engine: Engine, *kinds: str) -> Iterator[list[str]]:
    """Every statement, or those that begin with one of `kinds` (SELECT, INSERT, …)."""
    said: list[str] = []

    def note(statement: str, _parameters: Any) -> None:
        if not kinds or statement.lstrip().split(None, 1)[0].upper() in kinds:
            said.append(statement)

    with each_statement(engine, note):
        yield said


def writes_of(engine: Engine) -> AbstractContextManager[list[str]]:
    """Every statement that would change something."""
    return statements_of(engine, "INSERT", "UPDATE", "DELETE")
