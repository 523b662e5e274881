"""A layout that was written out: the statements that made it at a release, kept as they were.

Promises that what a release begins with stays what it was, however the tables change afterwards. `deploy/freeze`
writes the first one out when 1.0.0 is made; until then the first migration follows the tables as they are.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from sqlalchemy import Connection

FOLDER = Path(__file__).with_name("versions")
DIALECTS = ("postgresql", "sqlite")
END = "\n-- end of statement\n"  # a function's body has semicolons of its own


def file_of(dialect: str) -> Path:
    """Where the first layout of this kind of database stands, once it is written out."""
    return FOLDER / f"0001_{dialect}.sql"


def write(dialect: str, statements: Iterable[str]) -> None:
    """Write it out. Raises FileExistsError where that was done: a release's layout is made once."""
    with file_of(dialect).open("x", encoding="utf-8") as file:
        file.writelines(f"{one.strip()};{END}" for one in statements)


def run(connection: Connection) -> None:
    """Make it anew."""
    for one in file_of(connection.dialect.name).read_text(encoding="utf-8").split(f";{END}"):
        if one.strip():
            connection.exec_driver_sql(one.replace("%", "%%") if connection.dialect.name == "postgresql" else one)
