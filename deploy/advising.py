"""Whether a weakness is known in what the service is made of: what `deploy/advisories` says.

Promises that "nothing is known" is said only where every package of the lock, as far as this machine needs it, was
looked up in that version; whatever keeps one from it is told as not checked.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from packaging.requirements import Requirement

LOCK = Path(__file__).parent / "run.txt"
NOTHING_KNOWN, SOMETHING_KNOWN, NOT_CHECKED = 0, 1, 3


def main(arguments: Sequence[str] | None = None) -> int:
    """Ask, and print what is known. Returns the exit code."""
    parser = argparse.ArgumentParser(prog="deploy/advisories", description=__doc__)
    parser.add_argument("--service", choices=["pypi", "osv"], default="pypi", help="whom to ask (pypi)")
    parser.add_argument("--osv-url", help="another address that answers as OSV does")
    parser.add_argument("--lock", type=Path, default=LOCK, help="the lock to look up (deploy/run.txt)")
    asked = parser.parse_args(arguments)
    command = [
        sys.executable, "-m", "pip_audit", "--requirement", str(asked.lock), "--require-hashes", "--disable-pip",
        "--format", "json", "--progress-spinner", "off", "--desc", "off", "--vulnerability-service", asked.service,
        *(["--osv-url", asked.osv_url] if asked.osv_url else []),
    ]  # fmt: skip
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    try:
        told: list[dict[str, Any]] = json.loads(done.stdout)["dependencies"]
    except (ValueError, KeyError):
        why = (done.stderr.strip().splitlines() or ["nothing was answered"])[-1]
        print(f"Not checked: {why[:300]}")
        return NOT_CHECKED
    found = [(one, weak) for one in told for weak in one.get("vulns", [])]
    for one, weak in found:
        mended = ", ".join(weak["fix_versions"]) or "no version yet"
        print(f"{one['name']} {one['version']}: {weak['id']} ({', '.join(weak['aliases'])}); mended in {mended}")
    left = sorted(wanted(asked.lock) - {(one["name"], one["version"]) for one in told if "vulns" in one})
    if left:
        print("Not checked: " + ", ".join(f"{name} {version}" for name, version in left))
    if found:
        return SOMETHING_KNOWN
    if left:
        return NOT_CHECKED
    print(f"{len(told)} packages were looked up at {asked.service}; nothing is known of any of them today.")
    return NOTHING_KNOWN


def wanted(lock: Path) -> set[tuple[str, str]]:
    """Name and version of each package of the lock that this machine needs."""
    lines = [line.removesuffix("\\").strip() for line in lock.read_text(encoding="utf-8").splitlines()]
    named = [Requirement(line) for line in lines if "==" in line and not line.startswith(("#", "--"))]
    return {
        (one.name, str(one.specifier).removeprefix("==")) for one in named if not one.marker or one.marker.evaluate()
    }


if __name__ == "__main__":
    sys.exit(main())
