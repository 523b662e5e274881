"""`neaptide api`: what the API can change, an operator can change from a terminal, as a member of staff."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from datetime import date, datetime, time, timedelta
from pathlib import Path

import pytest
from sqlalchemy import Engine, select

from service.app import create_app
from service.care import contacts
from service.clock import SystemClock
from service.config import Settings
from service.domain import asking
from service.domain.vocabulary import Channel, ConsentKind, MessageKind, MessageState, Source
from service.enrolling.baselines import FEWEST_DATES
from service.store import outbox
from service.store.outbox import NewMessage
from service.store.session import read_session, write_session
from service.store.tables import AuditLine, Caregiver, Clinic, Contact, Message, Patient, Pause, Plan, Reference
from service.store.tables import Reading as Taken
from tests.copies import made_once
from tests.usecases.test_cli import ADMINISTRATOR, AS, CLINIC, DOCTOR, PATIENT, Run, Said, clinic, done, run

pytestmark = pytest.mark.databases("sqlite")

__all__ = ["clinic", "run"]

Call = Callable[..., Said]
AS_STORED = [
    {"kind": "prompt", "anchor": "opens", "after_minutes": 0},
    {"kind": "reminder", "anchor": "due", "after_minutes": 15},
    {"kind": "nudge", "anchor": "closes", "after_minutes": 0},
    {"kind": "task", "anchor": "closes", "after_minutes": 60},
]


STEPS = f"steps={json.dumps(AS_STORED)}"
NOBODY = "00000000-0000-0000-0000-000000000000"


@pytest.fixture
def call(clinic: Run, engine: Engine) -> Call:
    """Call the API of a clinic with one patient as its administrator, or as somebody else of its staff."""

    def api(*words: str, by: str = ADMINISTRATOR, stdin: str = "") -> Said:
        return clinic("api", *words, "--as", by, stdin=stdin)

    def typed() -> None:
        done(clinic(*PATIENT, *AS))
        done(api("POST", "/patients/F-1/contacts", "channel=text", "address=+64 9 999 0101"))

    made_once(engine, "a patient typed at a terminal", typed)
    return api


def test_how_often_each_question_is_asked_is_a_setting_of_the_clinic(call: Call) -> None:
    start = done(call("GET", "/clinic")).json["asks"]
    assert start == asking.START
    asks = {"daily": start["daily"] + ["tiredness"], "weekly": ["full_belly"]}
    assert done(call("PATCH", "/clinic", f"asks={json.dumps(asks)}")).json["asks"] == asks | {"after_change": []}
    refused = call("PATCH", "/clinic", 'asks={"daily": ["weight"]}')
    assert refused.code != 0
    assert "safety_signs" in refused.err


def test_a_clinics_settings_are_changed_and_what_is_left_out_stays(call: Call, engine: Engine) -> None:
    words = ("emergency_number=112", "quiet_from=22:30", "silent_days=2", "review_weekday=4")
    changed = done(call("PATCH", "/clinic", *words, STEPS)).json
    assert (changed["emergency_number"], changed["silent_days"]) == ("112", 2)
    with read_session(engine) as session:
        held = session.scalars(select(Clinic)).one()
    assert (held.emergency_number, held.quiet_from, held.silent_days, held.review_weekday) == (
        "112",
        time(22, 30),
        2,
        4,
    )
    assert held.steps == AS_STORED
    assert (held.name, held.quiet_until) == ("Fernmoor Clinic", time(7, 30))
    assert done(call("GET", "/clinic")).json["steps"] == AS_STORED


def test_a_patients_particulars_are_changed(call: Call, engine: Engine) -> None:
    done(call("PATCH", "/patients/F-1", "zone=Europe/Madrid", "dry_weight_kg=81.647", "weight_unit=[lb_av]"))
    with read_session(engine) as session:
        held = session.scalars(select(Patient)).one()
    # 1 lb is 0.45359237 kg exactly (NIST SP 811).
    assert held.dry_weight_kg == pytest.approx(180 * 0.45359237, abs=0.001)
    assert (held.zone, held.weight_unit, held.name) == ("Europe/Madrid", "[lb_av]", "Asha Invented")


def test_a_patient_is_followed_up_in_another_way_and_again_as_the_clinic_does(
    call: Call, clinic: Run, engine: Engine
) -> None:
    hours = ("opens=07:00", "due=08:30", "closes=10:00", "wants_checkin=false")
    done(call("PUT", "/patients/F-1/plan", *hours, STEPS, "silent_days=1"))
    with read_session(engine) as session:
        held = session.scalars(select(Plan)).one()
    assert (held.steps, held.silent_days, held.opens, held.wants_checkin) == (AS_STORED, 1, time(7), False)
    shown = done(clinic("plan", "show", "F-1"))
    assert (shown.value("steps"), shown.value("silent_days")) == (
        "prompt:opens reminder:due+15 nudge:closes task:closes+60", "1",
    )  # fmt: skip
    done(call("PUT", "/patients/F-1/plan", *hours, "steps=null", "silent_days=null"))
    with read_session(engine) as session:
        held = session.scalars(select(Plan)).one()
    assert (held.steps, held.silent_days, held.opens) == (None, None, time(7))


def readings_on(engine: Engine, days: int, first: date) -> None:
    """Diastolic 18, 19, 18, 19 …, and a second reading of each date, 4 above, that the median halves."""
    with write_session(engine) as session:
        patient = session.scalars(select(Patient)).one()
        for n in range(days):
            for hour, above in ((7, 0.0), (8, 4.0)):
                taken_at = datetime.combine(first + timedelta(days=n), time(hour), SystemClock().now().tzinfo)
                session.add(
                    Taken(
                        clinic_id=patient.clinic_id, patient_id=patient.id, taken_at=taken_at, received_at=taken_at,
                        local_date=taken_at.date(), pa_systolic=40 + above, pa_diastolic=18 + n % 2 + above,
                        pa_mean=27 + above, mean_is_derived=False, source=Source.FILE, unit_given="mm[Hg]", remarks=[],
                    )
                )  # fmt: skip


def test_a_reference_is_the_mean_of_a_fortnight_or_typed_and_a_clinician_answers_for_it(
    call: Call, engine: Engine
) -> None:
    first = SystemClock().now().date() - timedelta(days=20)
    last = first + timedelta(days=13)
    readings_on(engine, 14, first)
    said = done(call("POST", "/patients/F-1/references", f"from_date={first}", f"to_date={last}", by=DOCTOR)).json
    # By hand: medians of each date 20, 21, 20 …, whose mean over 14 dates is 20.5; mean 27 and 29, systolic 40 and 44.
    assert (said["pa_diastolic"], said["pa_mean"], said["pa_systolic"]) == (20.5, 29.0, 42.0)
    done(call("POST", "/patients/F-1/references", "pa_diastolic=17.5", by=DOCTOR))
    newest, earlier = done(call("GET", "/patients/F-1/references")).json["items"]
    assert (newest["pa_diastolic"], newest["pa_mean"], newest["pa_systolic"]) == (17.5, None, None)
    assert (earlier["from_date"], earlier["to_date"]) == (str(first), str(last))
    with read_session(engine) as session:
        answers = {row.set_by.partition(":")[0] for row in session.scalars(select(Reference))}
        lines = session.scalars(select(AuditLine).where(AuditLine.action == "reference.set")).all()
    assert answers == {"staff"}
    assert {(line.actor_kind.value, line.detail["login"]) for line in lines} == {("staff", "imogen")}


def test_limits_are_typed_and_taken_away(call: Call) -> None:
    done(call("POST", "/patients/F-1/limits", "upper=25", "lower=8", by=DOCTOR))
    done(call("POST", "/patients/F-1/limits", by=DOCTOR))
    none, both = done(call("GET", "/patients/F-1/limits")).json["items"]
    assert [(one["lower"], one["upper"]) for one in (none, both)] == [(None, None), (8, 25)]


def test_a_contact_is_corrected_and_tried_again(call: Call, engine: Engine) -> None:
    done(call("POST", "/patients/F-1/contacts", "channel=email", "address=asha@invented.example"))
    with write_session(engine) as session:
        held = session.scalars(select(Contact).where(Contact.channel == Channel.TEXT)).one()
        held.state, held.broken_reason = "broken", "unknown"  # type: ignore[assignment]
    assert "broken" in done(call("GET", "/patients/F-1/contacts")).out
    done(call("PATCH", f"/contacts/{held.id}", "address=+64 9 999 0199"))
    listed = done(call("GET", "/patients/F-1/contacts")).json["items"]
    assert {one["state"] for one in listed} == {"ok"}
    assert [one["address"] for one in listed] == ["+6499990199", "asha@invented.example"]


def test_a_caregiver_is_ended_and_their_consents_are_seen_withdrawn(call: Call, engine: Engine) -> None:
    carer = done(call("POST", "/patients/F-1/caregivers", "name=Ben")).json["id"]
    done(call("POST", f"/caregivers/{carer}/contacts", "channel=text", "address=+64 9 999 0102"))
    for kind in ("caregiver", "messages"):
        consent = (f"kind={kind}", "given=true", f"caregiver_id={carer}", "how=signed form")
        done(call("POST", "/patients/F-1/consents", *consent))
    now = SystemClock().now()
    with write_session(engine) as session:
        ben = session.scalars(select(Caregiver)).one()
        (contact,) = contacts.reachable(session, caregiver_id=ben.id)
        outbox.enqueue(
            session,
            NewMessage(
                ben.clinic_id, contact.id, MessageKind.NUDGE, Channel.TEXT, "nudge:1", now, now + timedelta(hours=12),
                patient_id=ben.patient_id, caregiver_id=ben.id,
            ),
            now,
        )  # fmt: skip
    assert [one["active"] for one in done(call("GET", "/patients/F-1/caregivers")).json["items"]] == [True]
    done(call("POST", f"/caregivers/{carer}/end"))
    assert [one["active"] for one in done(call("GET", "/patients/F-1/caregivers")).json["items"]] == [False]
    consents = done(call("GET", "/patients/F-1/consents")).json["items"]
    assert sum(not one["given"] for one in consents) == 2
    with read_session(engine) as session:
        message = session.scalars(select(Message)).one()
        assert contacts.reachable(session, caregiver_id=ben.id) == []
        assert not contacts.has_consent(session, ben.patient_id, ConsentKind.CAREGIVER, ben.id)
    assert (message.state, message.reason) == (MessageState.CANCELLED, "caregiver_ended")


@pytest.mark.parametrize(
    ("words", "names"),
    [
        (("PATCH", "/clinic", "emergency_number=call me"), "emergency_number"),
        (("PATCH", "/clinic", "silent_days=99"), "silent_days"),
        (("PATCH", "/clinic", "silent_days=few"), "silent_days"),
        (("PATCH", "/clinic", "steps=prompt-opens"), "steps.0"),
        (("PATCH", "/clinic", 'steps=[{"kind": "prompt", "anchor": "opens", "after_minutes": 0}]'), "steps"),
        (("PATCH", "/clinic", f"steps={json.dumps([{**AS_STORED[0], 'kind': 'letter'}])}"), "steps.0.kind"),
        (("PATCH", "/patients/F-1", "zone=Moon/Base"), "zone"),
        (("POST", "/patients/F-1/references"), "pa_diastolic"),
        (("POST", "/patients/F-1/references", "from_date=2026-01-01", "to_date=2026-01-14"), "from_date"),
        (("POST", "/patients/F-1/limits", "upper=8", "lower=25"), "lower"),
        (("POST", "/patients/F-1/contacts", "channel=email", "address=nowhere"), "address"),
    ],
)
def test_what_cannot_be_changed_names_the_field(call: Call, words: tuple[str, ...], names: str) -> None:
    said = call(*words, by=ADMINISTRATOR if words[1] == "/clinic" else DOCTOR)
    assert (said.code, said.out) == (1, "")
    assert said.json["status"] == 422
    assert names in {error["field"] for error in said.json["errors"]}, said.json
    assert all(error["accepted"] for error in said.json["errors"])


@pytest.mark.parametrize(
    "words",
    [
        ("PATCH", f"/contacts/{NOBODY}", "address=x@invented.example"),
        ("POST", f"/caregivers/{NOBODY}/end"),
        ("POST", f"/keys/{NOBODY}/revoke"),
        ("GET", "/nowhere"),
    ],
)
def test_what_is_not_there_is_said_so(call: Call, words: tuple[str, ...]) -> None:
    said = call(*words)
    assert (said.code, said.json["status"]) == (1, 404)


def test_the_role_of_the_account_counts(call: Call) -> None:
    said = call("POST", "/patients/F-1/limits", "upper=25")
    assert (said.code, said.json["status"]) == (1, 403)
    assert call("GET", "/keys", by=DOCTOR).code == 1


def test_an_account_of_another_clinic_sees_and_changes_nothing_here(call: Call, clinic: Run, engine: Engine) -> None:
    other = [word.replace("Fernmoor Clinic", "Saltholt Clinic") for word in CLINIC]
    done(clinic(*other))
    stranger = ("staff", "invite", "--clinic", "Saltholt Clinic", "--email", "kim@saltholt.example", "--name", "Kim")
    done(clinic(*stranger, "--role", "nurse"))
    assert call("GET", "/patients/F-1", by="kim@saltholt.example").code == 2
    with read_session(engine) as session:
        patient = session.scalars(select(Patient)).one()
    assert call("GET", f"/patients/{patient.id}", by="kim@saltholt.example").json["status"] == 404
    assert done(call("GET", "/patients", by="kim@saltholt.example")).json["items"] == []


def test_a_closed_account_is_nobody(call: Call, clinic: Run) -> None:
    done(clinic("staff", "close", DOCTOR))
    said = call("GET", "/patients", by=DOCTOR)
    assert (said.code, "open account" in said.err) == (2, True)


def test_a_call_with_a_key_is_done_once(call: Call, engine: Engine) -> None:
    words = ("POST", "/patients/F-1/pauses", "cause=away", f"from_date={SystemClock().now():%Y-%m-%d}", "--key", "k-1")
    first, again = done(call(*words)).json, done(call(*words)).json
    assert first == again
    with read_session(engine) as session:
        assert len(session.scalars(select(Pause)).all()) == 1


def test_a_body_and_a_value_come_from_a_file_or_standard_input(call: Call, engine: Engine, tmp_path: Path) -> None:
    body = tmp_path / "caregiver.json"
    body.write_text('{"name": "Ben", "relation": "brother"}', encoding="utf-8")
    done(call("POST", "/patients/F-1/caregivers", "--file", str(body)))
    done(call("POST", "/patients/F-1/caregivers", "--file", "-", stdin='{"name": "Kim"}'))
    done(call("PATCH", "/clinic", "sender_name=@-", stdin="Fernmoor nurses\n"))
    with read_session(engine) as session:
        assert {one.name for one in session.scalars(select(Caregiver))} == {"Ben", "Kim"}
        assert session.scalars(select(Clinic)).one().sender_name == "Fernmoor nurses"


def test_a_file_is_refused_where_there_is_no_body_rather_than_left_out(call: Call, tmp_path: Path) -> None:
    body = tmp_path / "filter.json"
    body.write_text("{}", encoding="utf-8")
    refused = call("GET", "/patients", "--file", str(body))
    assert refused.code != 0
    assert "file" in refused.err
    assert refused.out == ""


def test_every_route_of_the_api_is_listed_with_its_sentence(run: Run) -> None:
    lines = done(run("api", "--routes")).out.splitlines()
    assert len(lines) > 50
    assert all(re.fullmatch(r"(GET|POST|PUT|PATCH|DELETE) +/\S+  \S.*", line) for line in lines), lines


def test_what_goes_over_the_network_is_never_taken_for_a_terminal(engine: Engine, tmp_path: Path) -> None:
    """Only the application that a command makes for itself knows an account without a session or a key."""
    settings = Settings.from_env({"NEAPTIDE_DATA": str(tmp_path)})
    client = create_app(settings, engine, SystemClock(), {}).test_client()
    for extra in ({}, {"at_terminal": NOBODY}, {"HTTP_AT_TERMINAL": NOBODY}):
        assert client.get("/api/v1/patients", environ_overrides=extra).status_code == 401


@pytest.mark.parametrize(
    ("words", "bind", "passed", "for_staff"),
    [
        ((), "127.0.0.1:8000", [], 4),
        (("--port", "8123", "--staff-threads", "8"), "127.0.0.1:8123", ["NEAPTIDE_PORT=8123"], 8),
        (("--host", "::1", "--port", "1", "--threads", "2"), "[::1]:1", ["NEAPTIDE_HOST=::1", "NEAPTIDE_PORT=1"], 1),
    ],
)
def test_where_to_serve_is_typed_or_set(
    run: Run, monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...], bind: str, passed: list[str], for_staff: int
) -> None:
    """What the server's own processes read goes along, so that they know the same address."""
    told: list[str] = []
    monkeypatch.setattr("service.commands.serve._need_free", lambda _host, _port: None)
    monkeypatch.setattr("os.execve", lambda _program, command, _environment: told.extend(command))
    done(run("serve", *words))
    assert told[told.index("--bind") + 1] == bind
    assert [told[place + 1] for place, word in enumerate(told) if word == "--env"] == passed
    assert told[-1] == f"service.commands.serve:wsgi({for_staff})"


def test_a_fortnight_with_too_few_readings_makes_no_reference(call: Call, engine: Engine) -> None:
    first = SystemClock().now().date() - timedelta(days=20)
    readings_on(engine, FEWEST_DATES - 1, first)
    dates = (f"from_date={first}", f"to_date={first + timedelta(days=13)}")
    said = call("POST", "/patients/F-1/references", *dates, by=DOCTOR)
    assert (said.code, said.json["errors"][0]["field"]) == (1, "from_date")


def test_what_is_read_at_a_terminal_is_a_line_that_tells_by_whom(call: Call, clinic: Run) -> None:
    """`neaptide api` notes what it opened before it ends; `neaptide audit --opened` tells it, and that it was read."""
    reader = done(call("GET", "/patients/F-1/record", by=DOCTOR))
    assert reader.json
    assert done(clinic("audit")).out
    told = [json.loads(line) for line in done(clinic("audit", "--opened")).out.splitlines()]
    assert [one["actor_kind"] for one in told if one["route"] == "audit"] == ["operator", "operator"]
    (read,) = [one for one in told if one["route"] == "api_record.show_record"]
    assert (read["actor_kind"], read["opened"], read["answered"], read["times"]) == ("staff", "record", "shown", 1)
    assert read["address"].startswith("terminal ")
    of_one = done(
        clinic("audit", "--opened", "--clinic", "Fernmoor Clinic", "--subject", read["patient_id"])
    ).out.splitlines()
    assert {json.loads(line)["patient_id"] for line in of_one} == {read["patient_id"]}
