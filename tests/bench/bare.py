"""What `bench_checkin` measures against: a Flask route that does one INSERT, unchecked; two pages from memory."""

from __future__ import annotations

import os
import sqlite3
import threading
import uuid

from flask import Flask, request
from flask.typing import ResponseReturnValue

app = Flask(__name__)
_own = threading.local()


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


@app.post("/checkins")
def record() -> ResponseReturnValue:
    given = request.get_json()
    row_id = uuid.uuid4().hex
    _database().execute(
        "INSERT INTO checkins (id, patient, local_date, weight, breathlessness, extra_pillows) VALUES (?, ?, ?, ?, ?, ?)",
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
