"""Ours is Apache-2.0, and nothing that we install forbids to hand both on together."""

from __future__ import annotations

import hashlib
import re
import tomllib
from importlib import metadata
from pathlib import Path

import pytest
from license_expression import get_spdx_licensing
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).resolve().parent.parent
LOCKS = {"run": ROOT / "deploy" / "run.txt", "test": ROOT / "deploy" / "test.txt"}

# "Category A: what can we include" of the Apache Software Foundation's third-party licence policy
# (apache.org/legal/resolved.html), SPDX names; from memory. MIT-0 and 0BSD ask for less than MIT does.
FREELY = {"0BSD", "Apache-2.0", "BSD-2-Clause", "BSD-3-Clause", "CC0-1.0", "ISC", "MIT", "MIT-0", "PSF-2.0", "Zlib"}
# What is taken although its licence is not in that list, and why that binds nobody who hands our code on.
TAKEN = {
    # LGPL-3.0, section 4: a library that whoever runs it can replace. It is installed beside us, unchanged, from its
    # own wheel; none of it is in our wheel or sdist. Apache-2.0 and version 3 may be combined (gnu.org/licenses/license-list).
    "psycopg": "LGPL-3.0-only",
    "psycopg-binary": "LGPL-3.0-only",
    # MPL-2.0, section 3.3: it binds its own files alone, which we neither change nor hand on. Tests only.
    "certifi": "MPL-2.0",
    "fqdn": "MPL-2.0",
    "hypothesis": "MPL-2.0",
    "pathspec": "MPL-2.0",
}
RUN_TAKES = {"psycopg", "psycopg-binary"}
# Whose metadata name no licence that SPDX knows: what the licence file beside them says.
READ_IN_ITS_FILE = {
    "axe-playwright-python": "MIT",
    "flask-wtf": "BSD-3-Clause",
    "isoduration": "ISC",
    "itsdangerous": "BSD-3-Clause",
    "jinja2": "BSD-3-Clause",
    "pyasn1-modules": "BSD-2-Clause",
    "scipy": "BSD-3-Clause",
    "segno": "BSD-3-Clause",
    "wtforms": "BSD-3-Clause",
    # For Windows alone, so not installed here; from memory.
    "colorama": "BSD-3-Clause",
}
# Older metadata say it in words of their own.
IN_OTHER_WORDS = {
    "2-clause bsd": "BSD-2-Clause",
    "bsd 2-clause license": "BSD-2-Clause",
    "bsd": "BSD-3-Clause",
    "isc license": "ISC",
    "mit license": "MIT",
    "apache 2.0": "Apache-2.0",
    "apache license, version 2.0": "Apache-2.0",
    "psfl": "PSF-2.0",
    "apache software license": "Apache-2.0",
    "mozilla public license 2.0 (mpl 2.0)": "MPL-2.0",
}
SPDX = get_spdx_licensing()


def locked(lock: Path) -> set[str]:
    lines = re.findall(r"^([a-zA-Z0-9][^\\\n]*?) *\\$", lock.read_text(encoding="utf-8"), re.MULTILINE)
    return {canonicalize_name(Requirement(line).name) for line in lines}


def declared(name: str) -> str:
    """The licence that a locked package says it has, as an SPDX expression."""
    if name in READ_IN_ITS_FILE:
        return READ_IN_ITS_FILE[name]
    said = metadata.metadata(name)
    if expression := said.get("License-Expression"):
        return expression
    words = [said.get("License") or ""]
    words += [each.rpartition(" :: ")[2] for each in said.get_all("Classifier") or [] if each.startswith("License ::")]
    for each in words:
        known = IN_OTHER_WORDS.get(each.lower(), each)
        if known in SPDX.known_symbols:
            return known
    raise AssertionError(f"{name} names no licence that SPDX knows: {words}. Read its file, and write it down here.")


def is_free(expression: str) -> bool:
    """Whether all that an `AND` asks, and one that an `OR` leaves to choose, is among those that ask for next to nothing."""
    parsed = SPDX.parse(expression, validate=True, strict=True)
    said = parsed.subs({each: SPDX.TRUE if each.key in FREELY else SPDX.FALSE for each in parsed.literals})
    return bool(said.simplify() == SPDX.TRUE)


@pytest.mark.parametrize("which", LOCKS)
def test_every_licence_may_be_handed_on_beside_ours(which: str) -> None:
    names = locked(LOCKS[which])
    assert len(names) > 40
    others = {name: said for name in sorted(names) if not is_free(said := declared(name))}
    taken = {name: said for name, said in TAKEN.items() if which == "test" or name in RUN_TAKES}
    assert others == taken


def test_ours_is_said_and_carried() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert (project["license"], project["license-files"]) == ("Apache-2.0", ["deploy/LICENSE"])
    # apache.org/licenses/LICENSE-2.0.txt as Debian's base-files carries it, to the byte (/usr/share/common-licenses).
    text = (ROOT / "deploy" / "LICENSE").read_bytes()
    assert hashlib.sha256(text).hexdigest() == "cfc7749b96f63bd31c3c42b5c471bf756814053e847c10f3eb003417bc523d30"
