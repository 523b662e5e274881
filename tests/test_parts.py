"""What the service is made of: written down in a standard's form, and asked about without false comfort."""

from __future__ import annotations

import json
import shlex
import subprocess
import sys
from pathlib import Path

import pytest

from deploy import advising
from tests.answering import Answering, answering

ROOT = Path(__file__).resolve().parent.parent
KNOWN = {  # OSV schema 1.6, section "fields"; the weakness is invented
    "id": "OSV-0000-1", "aliases": ["CVE-0000-1"], "summary": "invented",
    "affected": [{"package": {"name": "flask", "ecosystem": "PyPI"},
                  "ranges": [{"type": "ECOSYSTEM", "events": [{"introduced": "0"}, {"fixed": "99.1"}]}]}],
}  # fmt: skip
LOCK = (
    "flask==3.1.0 \\\n    --hash=sha256:{0}\nclick==8.2.0 \\\n    --hash=sha256:{0}\n"
    'colorama==0.4.6 ; sys_platform == "win32" \\\n    --hash=sha256:{0}\n'
)


def test_what_it_is_made_of_is_written_down_whole(tmp_path: Path) -> None:
    """By the standard's own schema (CycloneDX 1.6); as `deploy/sbom` runs it, but for the installing."""
    from cyclonedx.schema import SchemaVersion  # half a second, which each process would spend to gather tests
    from cyclonedx.validation.json import JsonStrictValidator

    script = (ROOT / "deploy" / "sbom").read_text(encoding="utf-8").replace("\\\n", " ")
    command = shlex.split(script.rpartition("exec .venv/bin/python")[2].replace("$file", str(tmp_path / "sbom.json")))
    subprocess.run([sys.executable, *command], cwd=ROOT, check=True)
    written = (tmp_path / "sbom.json").read_text(encoding="utf-8")
    assert JsonStrictValidator(SchemaVersion.V1_6).validate_str(written) is None
    parts = {
        (one["name"], one["version"]): one["externalReferences"][0]["hashes"]
        for one in json.loads(written)["components"]
    }
    assert advising.wanted(advising.LOCK) <= set(parts)
    assert all(digest["alg"] == "SHA-256" for digests in parts.values() for digest in digests)


class Advising(Answering):
    """OSV's interface (POST /v1/query, osv.dev), as far as it is asked."""

    def answers(self) -> None:
        name = json.loads(self.heard())["package"]["name"]
        self.say(200, json.dumps({"vulns": [KNOWN]} if name == "flask" else {}).encode())


@pytest.fixture
def lock(tmp_path: Path) -> Path:
    (tmp_path / "run.txt").write_text(LOCK.format("0" * 64), encoding="utf-8")
    return tmp_path / "run.txt"


def test_what_is_known_is_told(lock: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NO_PROXY", "127.0.0.1")
    with answering(Advising) as address:
        left = advising.main(["--service", "osv", "--osv-url", f"{address}/v1/query", "--lock", str(lock)])
    assert (left, capsys.readouterr().out) == (1, "flask 3.1.0: CVE-0000-1 (OSV-0000-1); mended in 99.1\n")


@pytest.mark.parametrize(
    ("click", "code", "says"),
    [
        (
            {"version": "8.2.0", "vulns": []},
            0,
            "2 packages were looked up at pypi; nothing is known of any of them today.\n",
        ),
        ({"skip_reason": "?"}, 3, "Not checked: click 8.2.0\n"),
        ({"version": "8.1.9", "vulns": []}, 3, "Not checked: click 8.2.0\n"),
    ],
)
def test_nothing_is_known_is_said_only_where_each_was_looked_up(
    lock: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, click: dict[str, object], code: int, says: str
) -> None:  # fmt: skip
    told = {"dependencies": [{"name": "flask", "version": "3.1.0", "vulns": []}, {"name": "click", **click}]}
    away = subprocess.CompletedProcess((), 1, "", "Traceback …\nConnectionError: nobody answers\n")
    answers = [subprocess.CompletedProcess((), 0, json.dumps(told), ""), away]
    monkeypatch.setattr("deploy.advising.subprocess.run", lambda *_, **__: answers.pop(0))
    assert (advising.main(["--lock", str(lock)]), capsys.readouterr().out) == (code, says)
    assert (advising.main([]), capsys.readouterr().out) == (3, "Not checked: ConnectionError: nobody answers\n")
