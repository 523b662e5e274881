"""Run the measurements of tests/bench, each in a process of its own, and print what they say.

A module bench_NAME.py there is the measurement NAME; its `main` prints lines that
begin `NAME ratio=R`. Without a name every one is taken but those of `APART`; `--help` tells
what there is and measures nothing. Every other word with two dashes is handed on. One that
fails does not stop the others, and is told by the exit status. What only counts, and times nothing
(`COUNTED`), goes first and beside one another. Called by `deploy/bench`.
"""

from __future__ import annotations

import ast
import os
import subprocess
import sys
import time
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

APART = {"year"}  # fills gigabytes: measured where it is asked for by name
COUNTED = ("truth", "detection", "calibration")  # the longest first: whatever else runs, they say the same
HERE = Path(__file__).resolve().parent.parent
BENCH = HERE / "tests" / "bench"


def names() -> list[str]:
    return sorted(path.stem.removeprefix("bench_") for path in BENCH.glob("bench_*.py"))


def main(asked: Sequence[str]) -> int:
    known = names()
    if {"-h", "--help"} & set(asked):
        print(_help(known))
        return 0
    options = [word for word in asked if word.startswith("--")]
    asked = [word for word in asked if word not in options]
    unknown = [name for name in asked if name not in known]
    if unknown:
        print(f"deploy/bench: {', '.join(unknown)}: no such measurement; there are: {' '.join(known)}", file=sys.stderr)
        return 2
    asked = asked or [one for one in known if one not in APART]
    counted = [name for name in COUNTED if name in asked]
    many = len(counted) > 1
    with ThreadPoolExecutor(os.cpu_count()) as pool:
        ended = dict(zip(counted, pool.map(lambda name: _measure(name, options, beside=many), counted), strict=True))
    ended |= {name: _measure(name, options) for name in asked if name not in ended}
    failed = [name for name, well in ended.items() if not well]
    if failed:
        print(f"deploy/bench: failed: {' '.join(failed)}", file=sys.stderr)
    return 1 if failed else 0


def _help(known: Sequence[str]) -> str:
    """The head of `deploy/bench`, and each measurement's own first line."""
    script = (HERE / "deploy" / "bench").read_text(encoding="utf-8").splitlines()
    head = [line.removeprefix("# ").removeprefix("#") for line in script[1:] if line.startswith("#")]
    first = {name: ast.get_docstring(ast.parse((BENCH / f"bench_{name}.py").read_bytes())) or "" for name in known}
    width = max(map(len, known))
    return "\n".join([*head, "", *(f"  {name:<{width}}  {first[name].splitlines()[0]}" for name in known)])


def _measure(name: str, options: Sequence[str], *, beside: bool = False) -> bool:
    """Run one, and say how long it took; what runs beside others is told in one piece. Whether it ended well."""
    begun = time.monotonic()
    if not beside:
        print(f"== {name}", flush=True)
    code = f"from tests.bench.bench_{name} import main; main()"
    # A database server named for the tests is for those measurements that ask for one.
    done = subprocess.run(
        [sys.executable, "-c", code, *options], cwd=HERE, env=dict(os.environ), check=False, text=True,
        stdout=subprocess.PIPE if beside else None, stderr=subprocess.STDOUT if beside else None,
    )  # fmt: skip
    if beside:
        print(f"== {name}", done.stdout, sep="\n", end="")
    print(f"   ({time.monotonic() - begun:.0f} s)", flush=True)
    return done.returncode == 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
