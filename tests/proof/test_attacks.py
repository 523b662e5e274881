"""Attacks by whoever can reach the service: each says how often it was tried and how often it held (`pytest -s`)."""

from __future__ import annotations

import csv
import importlib
import io
import json
import pkgutil
import re
import resource
import string
import subprocess
import sys
from collections.abc import Callable, Iterator, Mapping
from datetime import timedelta
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from flask.testing import FlaskClient
from pypdf import PdfReader
from sqlalchemy import Engine, func, select
from werkzeug.routing import Rule

import service
from service.domain.vocabulary import Role
from service.store.session import read_session
from service.store.tables import Adjustment, Base, Consent, MedicineRow, NextContact, Reading
from tests.house import open_house, sign_in
from tests.statements import statements_of
from tests.web.conftest import House, build, house
from tests.web.test_api_edges import with_form_token

__all__ = ["build", "house"]
pytestmark = pytest.mark.databases("sqlite")


def told(attack: str, tried: int, broken: list[str]) -> None:
    print(f"{attack}: tried {tried}, held {tried - len(broken)}")
    assert broken == []
    assert tried > 0


# --- links ---


def test_guessed_reused_and_altered_links_open_nothing(engine: Engine, tmp_path: Path) -> None:
    """Every key one sign away from a real one, keys of chance, and each key at every other purpose's door."""
    house = open_house(engine, tmp_path)
    mine = {"c": house.link(house.asha), "g": house.nudged(), "push": house.world.push_link(house.asha)}
    keys = {letter: path.rpartition("/")[2] for letter, path in mine.items()}
    tries = [
        (letter, f"{key[:place]}{'A' if key[place] != 'A' else 'B'}{key[place + 1 :]}")
        for letter, key in keys.items()
        for place in range(len(key))
    ]
    tries += [(letter, key) for letter in (*keys, "i") for other, key in keys.items() if letter != other]
    alphabet = string.ascii_letters + string.digits + "-_"
    tries += [("c", "".join(alphabet[(n * 7 + m * m) % 64] for m in range(22))) for n in range(64)]
    broken = []
    for letter, key in tries:
        for method in ("GET", "POST"):
            status = house.client.open(f"/{letter}/{key}", method=method, data={"dizziness": "2"}).status_code
            if status != 404:
                broken.append(f"{method} /{letter}/{key}: {status}")
    house.world.at(house.asha, "10:02")
    house.world.clock.advance(timedelta(days=60))
    broken += [
        f"after its time: {path}" for path in (mine["c"], mine["g"]) if house.client.get(path).status_code == 200
    ]
    assert house.checkins() == []
    told("links guessed, reused, altered", 2 * len(tries) + 2, broken)


# --- the door ---


def test_a_session_cannot_be_put_upon_anybody(engine: Engine, tmp_path: Path) -> None:
    """What a stranger holds before, or plants in, another's browser is worth nothing once that person has signed in."""
    house = open_house(engine, tmp_path)
    house.hire_nurse()
    broken = []
    for before in ("/signin", "/", house.link(house.asha)):
        stranger, victim = house.client, house.client
        stranger.get(before)
        planted = stranger.get_cookie("neaptide")
        if planted is not None:
            victim.set_cookie("neaptide", planted.value)
        assert getattr(sign_in(victim), "status_code", 0) == 303
        assert victim.get("/clinic/review").status_code == 200
        if stranger.get("/clinic/review").status_code == 200:
            broken.append(before)
    told("session fixation", 3, broken)


def test_a_sign_in_costs_the_same_whoever_is_named(engine: Engine, tmp_path: Path, monkeypatch: Any) -> None:
    """No clock decides here: what is compared is the work, one hash of one kind and as many statements."""
    house = open_house(engine, tmp_path)
    nurse = house.hire_nurse()
    hashes: list[str] = []
    made = sys.modules["argon2"].low_level.hash_secret

    def counted(*args: Any, **how: Any) -> bytes:
        hashes.append("one")
        found: bytes = made(*args, **how)
        return found

    monkeypatch.setattr("argon2._password_hasher.hash_secret", counted)
    work = []
    for email in (nurse.email, "nobody@fernmoor.example", "n" * 200 + "@fernmoor.example"):
        del hashes[:]
        with statements_of(engine) as said:
            sign_in(house.client, email, "what nobody chose 17")
        work.append((len(hashes), len(said)))
    told("timing of sign-in", len(work), [] if len({hashed for hashed, _ in work}) == 1 else [f"{work}"])


def test_ids_of_another_clinic_in_a_body_are_as_ids_of_nothing(
    build: Callable[..., House], monkeypatch: pytest.MonkeyPatch
) -> None:
    """What an address names is tried beside the API's tests; here it is one's own, and the body points elsewhere."""
    ours, theirs = build("Fernmoor Clinic"), build("Saltholt Clinic", number="+447700900002")
    monkeypatch.setitem(theirs.app.config, "WTF_CSRF_METHODS", set())  # forms are tried elsewhere
    today = ours.clock.now().date().isoformat()
    reading = {"patient": "F-1", "taken_at": f"{today}T07:10:00+00:00", "pa_systolic": 40, "pa_diastolic": 20}
    drug = {"name": "torasemide", "kind": "loop_diuretic", "dose": "10", "times_a_day": "1", "from_date": today}
    change = {"kind": "diet", "what": "less salt", "made_on": today}
    stopped = {"kind": "medicine", "what": "stopped", "made_on": today}

    def made(client: FlaskClient, house: House, path: str, body: Mapping[str, Any]) -> str:
        answer = client.post(f"/api/v1/patients/{house.patient_id}/{path}", json=body)
        assert answer.status_code == 201, answer.text
        return str(answer.get_json()["id"])

    physician, stranger = ours.staff(Role.PHYSICIAN), theirs.staff(Role.PHYSICIAN)
    theirs_here = f"/api/v1/patients/{theirs.patient_id}"
    consent = {"kind": "caregiver", "given": True, "how": "form", "caregiver_id": str(ours.caregiver_id)}
    elsewhere = [
        (f"{theirs_here}/adjustments", {**change, "corrects": made(physician, ours, "adjustments", change)}),
        (f"{theirs_here}/adjustments", {**stopped, "medicine_id": made(physician, ours, "medicines", drug)}),
        (f"{theirs_here}/next-contacts", {"due_on": today, "staff_id": str(ours.staff_id(Role.PHYSICIAN))}),
        (f"{theirs_here}/consents", consent),
    ]
    old = ours.machine.post("/readings", reading).get_json()["id"]
    before = everything(ours.engine)
    broken = [path for path, body in elsewhere if stranger.post(path, json=body).status_code not in {404, 422}]
    later = {**reading, "taken_at": f"{today}T07:12:00+00:00", "supersedes": old}
    if theirs.machine.post("/readings", later).status_code not in {404, 422}:
        broken.append("supersedes")
    assert everything(ours.engine) == before
    # It is the ids that are refused: the very same is taken where they belong.
    for path, body in elsewhere:
        own = path.replace(str(theirs.patient_id), str(ours.patient_id))
        assert (taken := physician.post(own, json=body)).status_code == 201, (own, taken.text)
    assert ours.machine.post("/readings", later).status_code == 201
    told("ids of another clinic in a body", len(elsewhere) + 1, broken)


def everything(engine: Engine) -> dict[str, int]:
    """How many rows each table of the record holds, and how many readings stand."""
    kept = (Adjustment, Consent, MedicineRow, NextContact, Reading)
    with read_session(engine) as session:
        found = {one.__name__: session.scalar(select(func.count()).select_from(one)) or 0 for one in kept}
        standing = select(func.count()).select_from(Reading).where(Reading.superseded_at.is_(None))
        return found | {"standing": session.scalar(standing) or 0}


# --- what is typed ---

MARK = "Qz7"
HOSTILE = (
    MARK + "<img src=x onerror=alert(1)>\"' onmouseover=alert(1) x='", "=1+1+" + MARK + "#panic(1)$x$*_`",
    "@SUM(1)" + MARK + "{{7*7}}{0.__class__}%(x)s'; DROP TABLE patients; --", MARK + "\r\nBcc: x@evil.example",
)  # fmt: skip
GIVEN = {
    "zone": "Europe/London", "language": "en", "weight_unit": "kg", "unit": "mm[Hg]", "patient": "F-1",
    "address": "+447700900042", "number": "+447700900043", "opens": "07:00", "due": "08:30", "closes": "10:00",
    "email": "kit@fernmoor.example", "networks": [], "value": "4.2", "code": "potassium", "dose": "40", "token": None,
    "times_a_day": "1", "opens_again": None, "seen": None, "content": None, "name_of_unit": None,
}  # fmt: skip


def resolved(schema: Mapping[str, Any], parts: Mapping[str, Any]) -> Mapping[str, Any]:
    while "$ref" in schema:
        schema = parts[schema["$ref"].rpartition("/")[2]]
    for several in ("anyOf", "oneOf", "allOf"):
        if several in schema:
            return resolved(schema[several][0], parts)
    return schema


def body_of(schema: Mapping[str, Any], parts: Mapping[str, Any], hostile: str, today: str, name: str = "") -> Any:
    """Something that fits the description, with the hostile text wherever free text is taken."""
    schema = resolved(schema, parts)
    kinds = schema.get("type", "object")
    kind = kinds if isinstance(kinds, str) else next(one for one in kinds if one != "null")
    if name in GIVEN:
        return GIVEN[name]
    if "enum" in schema:
        return next(one for one in schema["enum"] if one is not None)
    match kind:
        case "object":
            made = {key: body_of(one, parts, hostile, today, key) for key, one in schema.get("properties", {}).items()}
            return {key: value for key, value in made.items() if value is not None}
        case "array":
            return [body_of(schema["items"], parts, hostile, today)]
        case "integer" | "number":
            return schema.get("minimum", 1)
        case "boolean":
            return True
    match schema.get("format"):
        case "date":
            return today
        case "date-time":
            return f"{today}T07:10:00+00:00"
        case "uuid":
            return None
    return None if "pattern" in schema else hostile[: schema.get("maxLength", 200)]


def send_everywhere(callers: list[tuple[FlaskClient, dict[str, str]]], house: House, hostile: str) -> tuple[int, int]:
    """Each operation that takes a body, sent by a machine and by people; how many were sent, how many were taken."""
    page = house.app.test_client().get("/openapi.json").get_json()
    parts, today = page["components"]["schemas"], house.clock.now().date().isoformat()
    sent = taken = 0
    for path, operations in page["paths"].items():
        for method in ("post", "put", "patch"):
            content = operations.get(method, {}).get("requestBody", {}).get("content", {})
            if "application/json" not in content or path.endswith(("/signout", "/keys")):
                continue
            body = body_of(content["application/json"]["schema"], parts, hostile, today)
            where = path.replace("{patient_id}", str(house.patient_id)).replace(
                "{caregiver_id}", str(house.caregiver_id)
            )
            where = where.replace("{language}", "en").replace("{kind}", "prompt")
            for client, headers in callers:
                answer = _sent(client, method, where, body, headers)
                sent += 1
                taken += answer < 300
                assert answer < 500, (method, where, hostile)
    return sent, taken


def _sent(client: FlaskClient, method: str, where: str, body: Any, headers: dict[str, str]) -> int:
    """As it is, and once more without the fields that were refused by name."""
    for _ in range(3):
        answer = client.open(where, method=method, json=body, headers=headers)
        if answer.status_code != 422 or not isinstance(body, dict):
            break
        refused = {str(one.get("field", "")).partition(".")[0] for one in answer.get_json().get("errors", [])}
        if not refused & set(body):
            break
        body = {key: value for key, value in body.items() if key not in refused}
    return answer.status_code


def pages_of(house: House) -> Iterator[str]:
    for rule in house.app.url_map.iter_rules():
        if "GET" in (rule.methods or ()) and rule.rule.startswith(("/clinic", "/api/v1")) and _reachable(rule):
            path = re.sub(r"<(?:[^>:]+:)?patient_id>", str(house.patient_id), rule.rule)
            yield re.sub(r"<(?:[^>:]+:)?caregiver_id>", str(house.caregiver_id), path)


def _reachable(rule: Rule) -> bool:
    return rule.arguments <= {"patient_id", "caregiver_id"}


def test_injected(house: House, caplog: pytest.LogCaptureFixture) -> None:
    """Every free text of the API's own description, and every page, file, log and table that may show it."""
    callers: list[tuple[FlaskClient, dict[str, str]]] = [
        (house.app.test_client(), {"Authorization": f"Bearer {house.secret}"})
    ]
    for role in (Role.PHYSICIAN, Role.ADMINISTRATOR):
        browser = house.staff(role)
        callers.append((browser, with_form_token(house.app, browser)))
    sent = taken = 0
    for hostile in HOSTILE:
        house.clock.advance(timedelta(minutes=1))
        more = send_everywhere(callers, house, hostile)
        sent, taken = sent + more[0], taken + more[1]
    assert taken > 80  # a walk in which all is refused would show nothing
    with read_session(house.engine) as session:
        assert session.execute(select(Base.metadata.tables["patients"])).first() is not None  # the tables stand
    looked, shown, broken = 0, 0, []
    for client, _ in callers[1:]:
        for path in pages_of(house):
            answer = client.get(path)
            looked += 1
            assert answer.status_code < 500, path
            seen, wrong = _look(answer.mimetype, answer.get_data())
            shown += seen
            broken += [f"{path}: {one}" for one in wrong]
    assert shown > 10
    assert MARK not in caplog.text
    told(f"injection ({sent} sent, {taken} taken, {shown} pages show it)", sent + looked, broken)


def _look(mimetype: str, held: bytes) -> tuple[bool, list[str]]:
    """Whether the text is there, and what of it is more than text."""
    text = held.decode("utf-8", "replace")
    wrong = []
    if mimetype == "application/pdf":
        text = "".join(page.extract_text() for page in PdfReader(io.BytesIO(held)).pages)
    elif mimetype == "text/csv":
        wrong = [
            cell
            for row in csv.reader(io.StringIO(text))
            for cell in row
            if MARK in cell and cell.lstrip()[:1] in {"=", "+", "-", "@"}
        ]
    elif mimetype in {"text/html", "image/svg+xml"}:
        wrong = Tags(text).foreign + re.findall(MARK + r"[^<]{0,9}49", text)
    elif mimetype.endswith("json"):
        json.loads(text)
    return MARK in text, wrong


class Tags(HTMLParser):
    """The elements of a page that nobody of us wrote."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.foreign: list[str] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if any(name.startswith("on") or (name, value) == ("src", "x") for name, value in attrs):
            self.foreign.append(f"{tag} {attrs}")


# --- bodies ---


def test_a_body_beyond_any_size_is_refused_before_it_is_read(house: House) -> None:
    """Of every address that takes one, whether it says its length or sends on and on."""
    client, broken, tried = house.app.test_client(), [], 0
    for rule in house.app.url_map.iter_rules():
        for method in sorted({"POST", "PUT", "PATCH"} & (rule.methods or set())):
            path = re.sub(r"<(?:[^>:]+:)?[^>]+>", str(house.patient_id), rule.rule)
            endless = Endless()
            environ = {"wsgi.input": endless, "wsgi.input_terminated": True, "CONTENT_TYPE": "application/json"}
            headers = {"Authorization": f"Bearer {house.secret}"}
            answer = client.open(path, method=method, headers=headers, environ_overrides=environ)
            tried += 1
            if answer.status_code >= 500 or endless.given > 8_000_000:
                broken.append(f"{method} {rule}: {answer.status_code} after {endless.given}")
    told("oversize bodies", tried, broken)


class Endless(io.RawIOBase):
    """A body without an end, that counts what is read of it."""

    given = 0

    def readable(self) -> bool:
        return True

    def readinto(self, into: Any) -> int:
        if self.given > 16_000_000:
            return 0  # so that a failure is a failure and no hanging test
        self.given += len(into)
        into[:] = b"[" * len(into)
        return len(into)


# --- patterns ---

RUNS = (
    "a",
    "A",
    "0",
    " ",
    "-",
    "_",
    ".",
    ",",
    ":",
    "/",
    "\\",
    '"',
    "'",
    "<",
    "{",
    "(",
    "\t",
    "\n",
    "é",
    "a ",
    "a-",
    "0.",
    "a.b",
    "a@",
    "00:",
    ", ",
)


def patterns() -> set[tuple[str, int]]:
    """Every compiled pattern that a module of the service holds."""
    found = set()
    for module in pkgutil.walk_packages(service.__path__, "service."):
        if module.name.endswith("__main__") or ".migrations" in module.name:  # what alembic runs
            continue
        for held in vars(importlib.import_module(module.name)).values():
            many = held.values() if isinstance(held, dict) else held if isinstance(held, (list, tuple, set)) else [held]
            found |= {
                (one.pattern, one.flags) for one in many if isinstance(one, re.Pattern) and isinstance(one.pattern, str)
            }
    return found


def test_no_pattern_can_be_made_to_run_for_ever() -> None:
    """Each against long runs that almost fit, in a process of its own whose CPU time has an end: a net, no measure."""
    asked = sorted(patterns())
    trial = (
        "import json, re, sys\n"
        "asked, runs = json.load(sys.stdin)\n"
        "for pattern, flags in asked:\n"
        "    print(repr(pattern), flush=True)\n"
        "    made = re.compile(pattern, flags)\n"
        "    for run in runs:\n"
        "        for text in (run * 800, run * 800 + '\\x00', 'x' + run * 800 + '!'):\n"
        "            made.search(text), made.fullmatch(text)\n"
    )
    ended = subprocess.run(
        [sys.executable, "-c", trial], input=json.dumps([asked, RUNS]), text=True, capture_output=True, check=False,
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_CPU, (60, 60)),
    )  # fmt: skip
    reached = ended.stdout.splitlines()
    told("patterns under hostile text", len(asked) * len(RUNS), [] if ended.returncode == 0 else reached[-1:])
    assert len(reached) == len(asked) > 30
