"""Clients that others' generators make of the description: they enrol a patient and read the review, by strict settings.

Outside reference: openapi-python-client 0.29 and openapi-typescript 7 with TypeScript's compiler. What they cannot read,
no integrator's can. The second needs Node's packages, which `.ci/run` installs: without them its test is skipped, and
where NEAPTIDE_REQUIRE_NODE=1 says that they must be there, it fails.
"""

from __future__ import annotations

import importlib
import json
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from uuid import UUID

import httpx
import pytest
from werkzeug.serving import make_server

from tests.answering import running
from tests.web.conftest import House

pytestmark = pytest.mark.databases("sqlite")

PACKAGES = Path(__file__).resolve().parents[2] / ".venv" / "node" / "node_modules"
STRICT = [
    "--strict",
    "--exactOptionalPropertyTypes",
    "--noUncheckedIndexedAccess",
    "--noPropertyAccessFromIndexSignature",
    "--noEmitOnError",
    "--target",
    "es2022",
    "--module",
    "nodenext",
]


@pytest.fixture
def described(house: House, tmp_path: Path) -> Path:
    path = tmp_path / "openapi.json"
    path.write_bytes(house.app.test_client().get("/openapi.json").get_data())
    return path


def run(*command: object, at: Path, **more: str) -> str:
    done = subprocess.run(
        [str(part) for part in command], cwd=at, env=os.environ | more, capture_output=True, text=True, timeout=120,
        check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def test_a_client_in_python(house: House, described: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    config = tmp_path / "config.yaml"
    config.write_text(
        "post_hooks: []\nliteral_enums: true\ncontent_type_overrides: {application/zip: application/octet-stream}\n"
    )
    into = tmp_path / "generated_client"
    run(sys.executable, "-m", "openapi_python_client", "generate", "--path", described, "--config", config,
        "--output-path", into, "--meta", "none", "--fail-on-warning", at=tmp_path)  # fmt: skip
    monkeypatch.syspath_prepend(tmp_path)
    models: Any = importlib.import_module("generated_client.models")

    def call(tag: str, operation: str) -> Any:
        return importlib.import_module(f"generated_client.api.{tag}.{operation}").sync_detailed

    client = importlib.import_module("generated_client").AuthenticatedClient(
        "http://localhost", house.secret, raise_on_unexpected_status=True,
        httpx_args={"transport": httpx.WSGITransport(app=house.app)},
    )  # fmt: skip
    who = {
        "clinic_ref": "F-77",
        "name": "Mara Invented",
        "zone": "Pacific/Auckland",
        "contact": {"channel": "text", "address": "+447700900077"},
        "agreed": {"how": "signed form"},
        "plan": {"opens": "07:00", "due": "08:30", "closes": "10:00"},
    }
    enrol = call("enrolment_in_one_call", "enrol_whole")
    enrolled = enrol(client=client, body=models.EnrolmentIn.from_dict(who)).parsed
    assert isinstance(enrolled, models.EnrolledOut)
    assert enrolled.first_prompt_at is not None
    twice = enrol(client=client, body=models.EnrolmentIn.from_dict(who | {"is_other": True}))
    assert (twice.status_code, twice.parsed.errors[0].field) == (409, "clinic_ref")
    new = models.ReadingIn.from_dict(
        {"patient": "F-77", "taken_at": "2026-11-25T07:10:00+00:00", "pa_systolic": 40, "pa_diastolic": 20}
    )
    record = call("pressure_readings", "add_reading")
    assert [record(client=client, body=new).status_code for _ in range(2)] == [201, 200]
    listed = call("pressure_readings", "list_all_readings")(client=client, updated_since="start").parsed
    assert [one.pa_diastolic for one in listed.items] == [20]
    review = call("the_weekly_review", "show_patient_review")(UUID(str(enrolled.id)), client=client, days=7).parsed
    assert isinstance(review, models.PatientReviewOut)
    assert [day.pa_diastolic for day in review.days][-1] == 20
    assert review.entry.lane in {"call_today", "look_closely", "not_heard_from", "settled"}


@contextmanager
def listening(house: House) -> Iterator[str]:
    with running(make_server("127.0.0.1", 0, house.app, threaded=True)) as address:
        yield address


def test_a_client_in_typescript(house: House, described: Path, tmp_path: Path) -> None:
    if shutil.which("node") is None or not PACKAGES.exists():
        if os.environ.get("NEAPTIDE_REQUIRE_NODE") == "1":
            pytest.fail(f"{PACKAGES} is not there, and NEAPTIDE_REQUIRE_NODE=1 says it must be")
        pytest.skip(f"Node's packages are not in {PACKAGES}: .ci/run says how they come there")
    (tmp_path / "node_modules").symlink_to(PACKAGES)
    program = tmp_path / "use.mts"
    shutil.copy(Path(__file__).with_name("client.mts"), program)
    run(PACKAGES / ".bin" / "openapi-typescript", described, "-o", "api.d.ts", "--default-non-nullable", "false",
        at=tmp_path)  # fmt: skip
    run(PACKAGES / ".bin" / "tsc", *STRICT, program, at=tmp_path)
    with listening(house) as at:
        said = json.loads(run("node", "use.mjs", at=tmp_path, AT=at, KEY=house.secret))
    assert said["name"] == "Mara Invented"
    assert said["at"] == "pa_diastolic"
    assert said["read"][-1] == 20
    assert said["lane"] in {"call_today", "look_closely", "not_heard_from", "settled"}
