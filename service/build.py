"""Which version this is, and the commit that it was built from.

Promises one answer to all who ask: `--version`, `/healthz`, the metrics and the foot of every page. A package or an
image carries its commit in a file beside this one, written when it was built (`deploy/building.py`); of a checkout
`.git` is read, so that no git has to be there when it runs. Knows nothing of what was changed and never committed.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache
from importlib import metadata
from pathlib import Path

CARRIED = "commit.txt"
COMMIT = re.compile(r"[0-9a-f]{40,64}")
SHORT = 12  # of its digits, where people read it


@dataclass(frozen=True)
class Build:
    """`commit` is empty where nobody told it to whoever built this."""

    version: str
    commit: str

    def __str__(self) -> str:
        return f"{self.version} ({self.commit[:SHORT]})" if self.commit else self.version


@cache
def this_build() -> Build:
    """Of the code that this process began with: what is installed over it later changes nothing."""
    return Build(metadata.version("neaptide"), commit_of(Path(__file__).parent))


def commit_of(package: Path) -> str:
    """The commit that `package`, the folder of our code, was built from or is a checkout of; empty where neither."""
    git = package.parent / ".git"
    try:
        head = _text(package / CARRIED) or _text(git / "HEAD")
        if head.startswith("ref: "):
            name = head.removeprefix("ref: ")
            head = _text(git / name) or _packed(_text(git / "packed-refs"), name)
    except OSError:  # another user's, or what `.git` is where several checkouts share one: no file in a folder
        return ""
    return head if COMMIT.fullmatch(head) else ""


def _text(file: Path) -> str:
    return file.read_text(encoding="utf-8", errors="replace").strip() if file.is_file() else ""


def _packed(refs: str, name: str) -> str:
    """gitformat of `packed-refs`: a line each of the commit and the name (git-pack-refs(1))."""
    return next((line.partition(" ")[0] for line in refs.splitlines() if line.endswith(f" {name}")), "")
