"""What `bench_checkin` measures against: Flask and sqlite3, without layers, and two pages from memory.

`/checkins` takes in a check-in as any honest service must: the caller's key is looked up, the answers are looked at,
the patient has to be there, and in one transaction stand the check-in, the line that says who wrote it, the day's
window and the patient's mark for the review. Of indexes there is what these look up and no more; threads queue for the
one writer, as that is quicker than the database's own waiting. `/insert` is one INSERT of whatever comes: the floor of
server and disk, and no service, since nobody could say who sent what, of whom, or that anybody was to look.
"""

from __future__ import annotations

import hashlib
import os
import sqlite3
import threading
import uuid
from datetime import UTC, date, datetime

from flask import Flask, abort, request
from flask.typing import ResponseReturnValue

LAYOUT = """
CREATE TABLE keys (hash TEXT PRIMARY KEY, id TEXT, clinic TEXT) WITHOUT ROWID;
CREATE TABLE patients (id TEXT PRIMARY KEY, clinic TEXT, is_active INTEGER, stale_since TEXT, changed_from TEXT);
CREATE TABLE windows (patient TEXT, local_date TEXT, checkin_at TEXT, PRIMARY KEY (patient, local_date));
CREATE TABLE checkins (id TEXT PRIMARY KEY, patient TEXT, local_date TEXT, answered_at TEXT, weight REAL,
 breathlessness INTEGER, extra_pillows INTEGER, UNIQUE (patient, local_date));
CREATE TABLE lines (id TEXT PRIMARY KEY, clinic TEXT, at TEXT, actor TEXT, action TEXT, subject TEXT);
CREATE TABLE inserted (id TEXT PRIMARY KEY, patient TEXT, local_date TEXT, weight REAL, breathlessness INTEGER,
 extra_pillows INTEGER);
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


FORM, THANKS = "<p>One of many words.</p>" * 600, "<p>One of few words.</p>" * 120  # as long as the real ones


@app.get("/form")
def form() -> ResponseReturnValue:
    return FORM


@app.get("/thanks")
def thanks() -> ResponseReturnValue:
    return THANKS


@app.post("/insert")
def insert() -> ResponseReturnValue:
    given = request.get_json()
    row_id = uuid.uuid4().hex
    _database().execute(
        "INSERT INTO inserted (id, patient, local_date, weight, breathlessness, extra_pillows) VALUES (?, ?, ?, ?, ?, ?)",
        (
            row_id,
            given["patient"],
            given["local_date"],
            given["weight"],
            given["breathlessness"],
            given["extra_pillows"],
        ),
    )
    return {"id": row_id}, 201


@app.post("/checkins")
def record() -> ResponseReturnValue:
    database, at = _database(), datetime.now(UTC).isoformat()
    secret = request.headers.get("Authorization", "").removeprefix("Bearer ")
    key = database.execute(
        "SELECT id, clinic FROM keys WHERE hash = ?", (hashlib.sha256(secret.encode()).hexdigest(),)
    ).fetchone()
    if key is None:
        abort(401)
    given = request.get_json()
    patient, day, weight = given["patient"], date.fromisoformat(given["local_date"]).isoformat(), given["weight"]
    breathlessness, pillows = given["breathlessness"], given["extra_pillows"]
    if not (20 <= weight <= 350 and breathlessness in range(5) and pillows in range(-9, 10)):
        abort(422)
    row_id, line_id = uuid.uuid4().hex, uuid.uuid4().hex
    with _turn:
        database.execute("BEGIN IMMEDIATE")
        its = "SELECT 1 FROM patients WHERE id = ? AND clinic = ? AND is_active"
        if database.execute(its, (patient, key[1])).fetchone() is None:
            database.execute("ROLLBACK")
            abort(422)
        database.execute(
            "INSERT INTO checkins VALUES (?, ?, ?, ?, ?, ?, ?)",
            (row_id, patient, day, at, weight, breathlessness, pillows),
        )
        database.execute(
            "INSERT INTO lines VALUES (?, ?, ?, ?, ?, ?)", (line_id, key[1], at, key[0], "checkin.record", row_id)
        )
        database.execute("UPDATE windows SET checkin_at = ? WHERE patient = ? AND local_date = ?", (at, patient, day))
        database.execute(
            "UPDATE patients SET stale_since = coalesce(stale_since, ?), changed_from = min(coalesce(changed_from, ?), ?)"
            " WHERE id = ?",
            (at, day, day, patient),
        )
        database.execute("COMMIT")
    return {"id": row_id}, 201
