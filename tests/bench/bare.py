"""What `bench_checkin` measures against: Flask and sqlite3, without layers, and two pages from memory.

It takes in a check-in, a reading and a form by a link as any honest service must: the caller's key or link is looked
up, what was sent is looked at, the patient has to be there, and in one transaction stand what was told, the line that
says who wrote it, the day's window, for a reading what was still to be asked and whether a limit is set, and the
patient's mark for the review. Of indexes there is what these look up and no more; threads queue for the one writer, as
that is quicker than the database's own waiting.
"""

from __future__ import annotations

import hashlib
import os
import sqlite3
import threading
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from flask import Flask, abort, redirect, request
from flask.typing import ResponseReturnValue

LAYOUT = """
CREATE TABLE keys (hash TEXT PRIMARY KEY, id TEXT, clinic TEXT) WITHOUT ROWID;
CREATE TABLE links (hash TEXT PRIMARY KEY, patient TEXT, local_date TEXT, clinic TEXT) WITHOUT ROWID;
CREATE TABLE patients (id TEXT PRIMARY KEY, clinic TEXT, is_active INTEGER, zone TEXT, stale_since TEXT,
 changed_from TEXT);
CREATE TABLE windows (patient TEXT, local_date TEXT, state TEXT, checkin_at TEXT, reading_at TEXT,
 PRIMARY KEY (patient, local_date));
CREATE TABLE steps (patient TEXT, local_date TEXT, place INTEGER, state TEXT, PRIMARY KEY (patient, local_date, place));
CREATE TABLE messages (patient TEXT, local_date TEXT, place INTEGER, state TEXT,
 PRIMARY KEY (patient, local_date, place));
CREATE TABLE limits (patient TEXT PRIMARY KEY, upper REAL);
CREATE TABLE checkins (id TEXT PRIMARY KEY, patient TEXT, local_date TEXT, answered_at TEXT, weight REAL,
 breathlessness INTEGER, extra_pillows INTEGER, UNIQUE (patient, local_date));
CREATE TABLE readings (id TEXT PRIMARY KEY, patient TEXT, taken_at TEXT, received_at TEXT, local_date TEXT,
 systolic REAL, diastolic REAL, mean REAL, heart_rate REAL, UNIQUE (patient, taken_at));
CREATE TABLE lines (id TEXT PRIMARY KEY, clinic TEXT, at TEXT, actor TEXT, action TEXT, subject TEXT);
"""
app = Flask(__name__)
_own = threading.local()
_turn = threading.Lock()


def _database() -> sqlite3.Connection:
    if not hasattr(_own, "database"):
        _own.database = sqlite3.connect(os.environ["BARE_DATABASE"], timeout=15, isolation_level=None)
        _own.database.execute("PRAGMA journal_mode=WAL")
        _own.database.execute("PRAGMA synchronous=FULL")
    database: sqlite3.Connection = _own.database
    return database


@contextmanager
def _writing() -> Iterator[sqlite3.Connection]:
    with _turn:
        _database().execute("BEGIN IMMEDIATE")
        try:
            yield _database()
        except BaseException:
            _database().execute("ROLLBACK")
            raise
        _database().execute("COMMIT")


@app.get("/healthz")
def answers() -> ResponseReturnValue:
    return "here"


# --- a machine's -----------------------------------------------------------------


@app.post("/checkins")
def record_checkin() -> ResponseReturnValue:
    key, clinic = _caller()
    return {"id": _keep_checkin(request.get_json(), clinic, key)}, 201


@app.post("/readings")
def record_reading() -> ResponseReturnValue:
    (key, clinic), at = _caller(), datetime.now(UTC).isoformat()
    given = request.get_json()
    patient, taken_at = given["patient"], datetime.fromisoformat(given["taken_at"])
    systolic, diastolic, mean = given["pa_systolic"], given["pa_diastolic"], given["pa_mean"]
    if not (0 < diastolic <= mean <= systolic < 150 and 20 <= given["heart_rate"] <= 250 and taken_at.tzinfo):
        abort(422)
    row_id = uuid.uuid4().hex
    with _writing() as database:
        day = taken_at.astimezone(ZoneInfo(_zone(patient, clinic))).date().isoformat()
        values = (row_id, patient, taken_at.isoformat(), at, day, systolic, diastolic, mean, given["heart_rate"])
        new = "INSERT INTO readings VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING"
        if not database.execute(new, values).rowcount:
            return {"there": True}, 200
        _note(clinic, at, key, "reading.record", row_id)
        answered = "UPDATE windows SET state = 'answered', reading_at = ? WHERE patient = ? AND local_date = ?"
        database.execute(f"{answered} AND state = 'open'", (at, patient, day))
        for table, waits in (("steps", "pending"), ("messages", "queued")):
            stop = f"UPDATE {table} SET state = 'cancelled' WHERE patient = ? AND local_date = ? AND state = '{waits}'"
            database.execute(stop, (patient, day))
        database.execute("SELECT upper FROM limits WHERE patient = ?", (patient,)).fetchone()
        _mark(patient, at, day)
    return {"id": row_id}, 201


def _caller() -> tuple[str, str]:
    secret = request.headers.get("Authorization", "").removeprefix("Bearer ")
    found: tuple[str, str] | None = (
        _database().execute("SELECT id, clinic FROM keys WHERE hash = ?", (_digest(secret),)).fetchone()
    )
    return found or abort(401)


# --- by a link -------------------------------------------------------------------

FORM, THANKS = "<p>One of many words.</p>" * 600, "<p>One of few words.</p>" * 120  # as long as the real ones


@app.get("/c/<token>")
def form(token: str) -> ResponseReturnValue:
    _day(token)
    return FORM


@app.post("/c/<token>")
def send(token: str) -> ResponseReturnValue:
    patient, day, clinic = _day(token)
    sent = request.form
    numbers = {name: int(sent[name]) for name in ("breathlessness", "extra_pillows")}
    _keep_checkin({"patient": patient, "local_date": day, "weight": float(sent["weight"]), **numbers}, clinic, patient)
    return redirect(f"/c/{token}/thanks", 303)


@app.get("/c/<token>/thanks")
def thanks(token: str) -> ResponseReturnValue:
    patient, day, _ = _day(token)
    its = "SELECT weight FROM checkins WHERE patient = ? AND local_date = ?"
    return THANKS if _database().execute(its, (patient, day)).fetchone() else abort(404)


def _day(token: str) -> tuple[str, str, str]:
    its = """SELECT links.patient, links.local_date, links.clinic FROM links JOIN patients ON patients.id = links.patient
        JOIN windows ON windows.patient = links.patient AND windows.local_date = links.local_date WHERE hash = ?"""
    found: tuple[str, str, str] | None = _database().execute(its, (_digest(token),)).fetchone()
    return found or abort(404)


# --- both ------------------------------------------------------------------------


def _keep_checkin(given: dict[str, Any], clinic: str, actor: str) -> str:
    at, row_id = datetime.now(UTC).isoformat(), uuid.uuid4().hex
    patient, day, weight = given["patient"], date.fromisoformat(given["local_date"]).isoformat(), given["weight"]
    breathlessness, pillows = given["breathlessness"], given["extra_pillows"]
    if not (20 <= weight <= 350 and breathlessness in range(11) and pillows in range(-9, 10)):
        abort(422)
    with _writing() as database:
        _zone(patient, clinic)
        row = (row_id, patient, day, at, weight, breathlessness, pillows)
        database.execute("INSERT INTO checkins VALUES (?, ?, ?, ?, ?, ?, ?)", row)
        _note(clinic, at, actor, "checkin.record", row_id)
        database.execute("UPDATE windows SET checkin_at = ? WHERE patient = ? AND local_date = ?", (at, patient, day))
        _mark(patient, at, day)
    return row_id


def _digest(secret: str) -> str:
    return hashlib.sha256(secret.encode()).hexdigest()


def _zone(patient: str, clinic: str) -> str:
    its = "SELECT zone FROM patients WHERE id = ? AND clinic = ? AND is_active"
    found = _database().execute(its, (patient, clinic)).fetchone()
    return str(found[0]) if found else abort(422)


def _note(clinic: str, at: str, actor: str, action: str, subject: str) -> None:
    line = (uuid.uuid4().hex, clinic, at, actor, action, subject)
    _database().execute("INSERT INTO lines VALUES (?, ?, ?, ?, ?, ?)", line)


def _mark(patient: str, at: str, day: str) -> None:
    _database().execute(
        "UPDATE patients SET stale_since = coalesce(stale_since, ?), changed_from = min(coalesce(changed_from, ?), ?)"
        " WHERE id = ?",
        (at, day, day, patient),
    )
