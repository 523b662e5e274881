"""A file of settings: one NAME=value a line, as systemd reads it for `EnvironmentFile=`.

Promises that nothing in it is run; that what is written is read as what was meant, by systemd and
by us; and that a change leaves every other line, a comment too, as it stands. Where systemd would read
on in the next line, it refuses. Source: systemd.exec(5), `EnvironmentFile=`.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

from service.domain.validation import Refused

NAME = re.compile(r"\s*([A-Za-z_][A-Za-z0-9_]*)\s*=(.*)", re.DOTALL)
IN_QUOTES = re.compile(r'"((?:[^"\\]|\\.)*)"')
NEEDS_NO_QUOTES = re.compile(r"[A-Za-z0-9_./:@+,=%?&~-]*")
KEPT_IN_QUOTES = re.compile(r'\\(["\\`$])')  # of a backslash between double quotes, these alone lose it


def read(text: str) -> dict[str, str]:
    """The settings; of a name that is given twice, the last. Raises Refused with the line."""
    found = {}
    for number, line in enumerate(text.splitlines(), 1):
        if _is_remark(line) and line.endswith("\\"):
            # Before its release 254 systemd took the line after it for a part of the remark: NEWS of that release.
            raise Refused("settings", "(hidden)", "a remark that ends on its line, without a backslash", number)
        if (pair := _pair(line)) is not None:
            name, raw = pair
            try:
                found[name] = _value(raw)
            except ValueError:
                # Not repeated: it may be a password.
                raise Refused(name, "(hidden)", "a value that ends on its line, quotes closed", number) from None
    return found


def changed(text: str, values: Mapping[str, str]) -> str:
    """`text` with these settings: each where its name stood last, else at the end. An empty one goes.

    Raises Refused for a value that no such line can hold.
    """
    lines = text.splitlines()
    places = {pair[0]: number for number, line in enumerate(lines) if (pair := _pair(line)) is not None}
    kept: list[str] = []
    for number, line in enumerate(lines):
        name = (_pair(line) or ("",))[0]
        if name not in values:
            kept.append(line)
        elif number == places[name] and values[name]:
            kept.append(f"{name}={written(name, values[name])}")
    kept += [f"{name}={written(name, value)}" for name, value in values.items() if value and name not in places]
    return "".join(f"{line}\n" for line in kept)


def written(name: str, value: str) -> str:
    """A value as it stands in the file."""
    if not value.isprintable():
        raise Refused(name, "(hidden)", "printable characters on one line")
    if NEEDS_NO_QUOTES.fullmatch(value):
        return value
    if "'" not in value:
        return f"'{value}'"
    escaped = re.sub(r'(["\\`$])', r"\\\1", value)
    return f'"{escaped}"'


def _is_remark(line: str) -> bool:
    return line.lstrip().startswith(("#", ";"))


def _pair(line: str) -> tuple[str, str] | None:
    if _is_remark(line):
        return None
    found = NAME.fullmatch(line)
    return (found[1], found[2]) if found else None


def _value(raw: str) -> str:
    value, rest = "", raw.strip()
    while rest:
        if rest.startswith("'"):
            inside, closed, rest = rest[1:].partition("'")
            if not closed:
                raise ValueError("a quote stays open")
            value += inside
        elif rest.startswith('"'):
            found = IN_QUOTES.match(rest)
            if found is None:
                raise ValueError("a quote stays open")
            value += KEPT_IN_QUOTES.sub(r"\1", found[1])
            rest = rest[found.end() :]
        else:
            if re.fullmatch(r"(?:[^\\]|\\.)*", rest) is None:
                raise ValueError("a line that goes on in the next")
            return value + re.sub(r"\\(.)", r"\1", rest)
        rest = rest.lstrip()
    return value
