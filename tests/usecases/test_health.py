"""Self-check: each thing that can be wrong is found, said in a sentence, and counted for machines."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from types import SimpleNamespace

import pytest
import yaml
from prometheus_client.parser import text_string_to_metric_families
from sqlalchemy import Engine, delete, select, update

from service.care.tasks import raise_task
from service.clock import SystemClock
from service.domain.localtime import zone
from service.domain.plan import PlanPhase, PlanRule, checked, next_opening, weekday_bits
from service.domain.tasks import Found
from service.domain.vocabulary import Channel, ContactState, MessageKind, MessageState, PatientState, Role, TaskKind
from service.enrolling.plans import NewPlan, set_plan
from service.health import checks, invariants, metrics, soundness
from service.keyring import Keyring
from service.store import due, heartbeats
from service.store.audit import OPERATOR, Act
from service.store.quarantine import quarantine
from service.store.session import open_engine, read_session, write_session
from service.store.tables import Backup, Consent, Contact, Message, Patient, Plan, SecretMark, Staff
from service.web import observing
from tests.answering import Answering, answering
from tests.builder import Builder
from tests.conftest import SERVER
from tests.inwords import about
from tests.post import NOON, Post

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture
def post(engine: Engine, tmp_path: Path) -> Post:
    told = Post(engine, tmp_path / "gateway.sqlite3")
    with write_session(engine) as session:
        rule = NewPlan(opens=time(7), due=time(8, 30), closes=time(10))
        set_plan(Act(session, OPERATOR, told.patient.clinic_id, NOON), told.patient, rule)
        heartbeats.record(session, "here", NOON, {"failed": {}}, told.clock.now())
        Builder(session, NOON).staff(told.clinic, phone="+447700900010")
    invariants.check_nightly(engine, told.clock.now(), lambda: None, tmp_path)
    return told


def wrong(post: Post, **options: object) -> dict[str, float | None]:
    found = checks.examine(post.engine, post.clock.now(), **options)  # type: ignore[arg-type]
    assert all(finding.sentence.endswith(".") and "Asha" not in finding.sentence for finding in found)
    return {finding.name: finding.value for finding in found if not finding.ok}


def test_a_service_in_order_has_nothing_to_say(post: Post) -> None:
    assert wrong(post) == {}


@pytest.mark.databases("sqlite")
def test_a_folder_taken_away_is_told_beside_the_rest(post: Post, monkeypatch: pytest.MonkeyPatch) -> None:
    def gone(_path: Path) -> None:
        raise FileNotFoundError

    monkeypatch.setattr(checks.shutil, "disk_usage", gone)
    assert wrong(post) == {"room": None}


@pytest.mark.databases("sqlite")
def test_a_full_disk_is_not_one_that_can_be_written_to(post: Post, monkeypatch: pytest.MonkeyPatch) -> None:
    """SQLite begins to write where no room is left, and goes on for as long as its log has some."""
    monkeypatch.setattr(checks.shutil, "disk_usage", lambda _path: SimpleNamespace(free=4096))
    assert wrong(post) == {"writing": None, "room": 4096}


def test_a_worker_that_stopped_is_missed(post: Post) -> None:
    post.clock.advance(timedelta(minutes=3))
    assert wrong(post)["worker"] == 180
    (worker,) = (f for f in checks.readiness(post.engine, post.clock.now()) if f.name == "worker")
    assert worker.sentence == "A worker last ticked 3 minutes ago."


def test_a_part_that_failed_is_named(post: Post) -> None:
    with write_session(post.engine) as session:
        heartbeats.record(session, "here", NOON, {"failed": {"close": "KeyError at watching.py:9"}}, post.clock.now())
    assert wrong(post) == {"worker_parts": 1}


def test_a_message_that_waits_too_long_is_told(post: Post) -> None:
    post.write(MessageKind.PROMPT)
    assert wrong(post) == {}
    post.clock.advance(timedelta(minutes=11))
    assert wrong(post)["oldest_unsent"] == 660


@pytest.mark.parametrize(
    ("state", "until", "told"),
    [
        (MessageState.HANDING_OVER, -timedelta(minutes=10), {"stuck_claims": 1}),
        (MessageState.HANDING_OVER, 3 * due.LEASE, {"stuck_claims": 1}),
        (MessageState.CLAIMED, due.LEASE, {}),  # a fresh one
    ],
)
def test_a_claim_that_no_worker_holds_is_told(
    post: Post, state: MessageState, until: timedelta, told: dict[str, float]
) -> None:
    message_id = post.write(MessageKind.PROMPT)
    with write_session(post.engine) as session:
        session.execute(
            update(Message).where(Message.id == message_id).values(state=state, lease_until=post.clock.now() + until)
        )
    assert wrong(post) == told


def test_people_whom_no_message_can_reach_are_counted(post: Post) -> None:
    with write_session(post.engine) as session:
        session.execute(update(Contact).values(state=ContactState.BROKEN))
        session.execute(delete(Consent))
    assert wrong(post) == {
        "unreachable_patients": 1, "unreachable_caregivers": 1, "patients_without_consent": 1,
        "caregivers_without_consent": 1, "clinics_untold": 1,
    }  # fmt: skip


@pytest.mark.parametrize("state", [{"active": False}, {"roles": [Role.ADMINISTRATOR]}])
def test_a_clinic_of_which_nobody_is_told_of_an_emergency_is_counted(post: Post, state: dict[str, object]) -> None:
    with write_session(post.engine) as session:
        session.execute(update(Staff).values(**state))
    assert wrong(post) == {"clinics_untold": 1}


def test_where_nobody_is_looked_after_nothing_is_said_of_everybody(tmp_path: Path, engine: Engine) -> None:
    post = Post(engine, tmp_path / "gateway.sqlite3")
    with write_session(engine) as session:
        session.execute(update(Patient).values(state=PatientState.ENDED))
    of_them = {"unreachable_patients", "patients_without_consent", "silent_plans", "clinics_untold",
               "unreachable_caregivers", "caregivers_without_consent"}  # fmt: skip
    found = [one for one in checks.examine(engine, post.clock.now()) if one.name in of_them]
    assert len(found) == len(of_them)
    assert {(one.fares, one.sentence) for one in found} == {(checks.Fares.NONE_YET, "No patient is looked after.")}


def test_what_a_provider_turns_away_again_and_again_is_told(post: Post) -> None:
    tried = post.write(MessageKind.PROMPT)
    for attempts, told in ((4, {}), (5, {"turned_away": 1})):
        with write_session(post.engine) as session:
            session.execute(update(Message).where(Message.id == tried).values(attempts=attempts))
        assert wrong(post) == told


def test_a_contact_on_a_channel_that_is_not_set_up_does_not_count(post: Post) -> None:
    assert wrong(post, channels=frozenset({Channel.TEXT})) == {}
    assert wrong(post, channels=frozenset({Channel.EMAIL})) == {
        "unreachable_patients": 1, "unreachable_caregivers": 1, "clinics_untold": 1, "ways_out": 1,
    }  # fmt: skip
    with write_session(post.engine) as session:
        session.execute(update(Contact).values(state=ContactState.BROKEN))
    assert "ways_out" not in wrong(post, channels=frozenset({Channel.EMAIL}))  # nobody is to be reached by text
    assert wrong(post, channels=frozenset())["ways_out"] == 0


@pytest.mark.parametrize(
    "broken",
    [
        {"active": False},
        {"weekdays": 0},
        {"next_open_at": NOON - timedelta(hours=2)},
        {"next_open_at": NOON + timedelta(days=21)},
    ],
    ids=str,
)
def test_a_plan_that_never_fires_is_told(post: Post, broken: dict[str, object]) -> None:
    with write_session(post.engine) as session:
        session.execute(update(Plan).values(**broken))
    assert wrong(post) == {"silent_plans": 1}


def test_a_plan_whose_phases_leave_the_most_days_between_them_fires_within_what_is_looked_for() -> None:
    """Calendar of March 2026, which begins on a Sunday; counted by hand: asked on the 3rd, then on the 22nd."""
    fewer = PlanPhase(date(2026, 3, 3), date(2026, 3, 9), weekday_bits([1]))
    later = PlanPhase(date(2026, 3, 16), None, weekday_bits([6]))
    rule = checked(PlanRule(weekday_bits([0]), time(7), time(8), time(10), phases=(fewer, later)))
    asked = datetime(2026, 3, 3, 7, tzinfo=UTC)
    day, opens_at = next_opening(rule, zone("UTC"), asked)
    assert day == date(2026, 3, 22)
    assert opens_at - asked <= checks.OPENS_AGAIN_WITHIN


def test_rows_set_aside_and_tasks_nobody_took_are_counted(post: Post) -> None:
    with write_session(post.engine) as session:
        quarantine(session, ("window", post.patient.id), ValueError("Asha"), post.clock.now())
        raise_task(
            session, post.clinic.id, post.patient.id, about(TaskKind.SILENT), "k",
            post.clock.now() - timedelta(days=3),
        )  # fmt: skip
    assert wrong(post) == {"set_aside": 1, "waiting_tasks": 1}


def test_the_databases_clock_is_compared_with_this_machines(post: Post) -> None:
    machine = SystemClock().now()
    assert "clock_skew" not in wrong(post, machine_now=machine)
    skewed = wrong(post, machine_now=machine - timedelta(minutes=5))["clock_skew"]
    assert skewed == pytest.approx(-300, abs=5)


def test_missing_migrations_and_a_missing_database_are_told(tmp_path: Path, engine: Engine) -> None:
    empty = open_engine(f"sqlite:///{tmp_path / 'empty.sqlite3'}")
    (layout,) = checks.examine(empty, NOON)
    assert (layout.name, layout.ok) == ("layout", False)
    empty.dispose()
    nowhere = open_engine(f"sqlite:///{tmp_path / 'no' / 'such' / 'folder.sqlite3'}")
    (database,) = checks.examine(nowhere, NOON)
    assert (database.name, database.ok) == ("database", False)
    nowhere.dispose()


def test_every_alert_rule_asks_for_numbers_that_there_are(post: Post) -> None:
    """As Prometheus takes rules ("Alerting rules"): a group of them by name, each with its expression."""
    with write_session(post.engine) as session:
        session.add(Backup(taken_at=NOON, finished_at=NOON, size=1))
    told = metrics.exposition(post.engine, post.clock.now(), {Channel.TEXT}, observing.collected(None))
    there = {sample.name for family in text_string_to_metric_families(told) for sample in family.samples}
    # Told where there is something of the kind alone.
    there |= {family.name for family in text_string_to_metric_families(told)}
    there |= {
        f"{family.name}_{end}"
        for family in text_string_to_metric_families(told)
        for end in ("total", "bucket")
        if family.type == {"total": "counter", "bucket": "histogram"}[end]
    }
    (group,) = yaml.safe_load((ROOT / "deploy" / "alerts.yaml").read_text(encoding="utf-8"))["groups"]
    names = [rule["alert"] for rule in group["rules"]]
    assert len(set(names)) == len(names) > 5
    for rule in group["rules"]:
        asked = set(re.findall(r"neaptide_\w+", rule["expr"]))
        assert asked, rule
        assert asked <= there, rule["alert"]
        assert rule["annotations"]["summary"].endswith(".")
        assert rule["labels"]["severity"] in {"page", "ticket"}
    tried = yaml.safe_load((ROOT / "tests" / "alerts.yaml").read_text(encoding="utf-8"))["tests"]
    well, wrong = ({one["alertname"]: one.get("exp_alerts") for one in case["alert_rule_test"]} for case in tried)
    assert well == dict.fromkeys(names)  # none where all is well, and each where something is wrong
    assert wrong.keys() == set(names)
    assert all(wrong.values())


@pytest.mark.skipif(
    shutil.which("promtool") is None and os.environ.get("NEAPTIDE_REQUIRE_PROMTOOL") != "1",
    reason="needs promtool, of Debian's prometheus",
)
def test_the_alert_rules_fire_when_they_should_by_prometheus_own_tool() -> None:
    for asked in (("check", "deploy/alerts.yaml"), ("test", "tests/alerts.yaml")):
        done = subprocess.run(
            ["promtool", asked[0], "rules", asked[1]], cwd=ROOT, capture_output=True, text=True, check=False
        )
        assert done.returncode == 0, done.stdout + done.stderr


def test_the_numbers_for_prometheus_can_be_read_by_its_own_parser(post: Post) -> None:
    post.write(MessageKind.PROMPT)
    with write_session(post.engine) as session:
        told = {"failed": {}, "since_start": {"deliver": {"done": 7, "passed": 1}}}
        told["counted"] = {"windows": {"missed": 2, "answered": 5}}
        heartbeats.record(session, "here", NOON, told, post.clock.now())
    families = {
        family.name: family
        for family in text_string_to_metric_families(metrics.exposition(post.engine, post.clock.now(), {Channel.TEXT}))
    }
    assert {s.labels["finding"]: s.value for s in families["neaptide_finding_ok"].samples}["worker"] == 1
    assert {s.labels["channel"]: s.value for s in families["neaptide_channel_set_up"].samples} == {
        "text": 1, "email": 0, "webpush": 0,
    }  # fmt: skip
    assert [s.value for s in families["neaptide_nightly_check_age_seconds"].samples] == [0]
    closed = {s.labels["state"]: s.value for s in families["neaptide_windows_closed"].samples}
    assert closed == {"missed": 2, "answered": 5}
    found = {s.labels["found"]: s.value for s in families["neaptide_nightly_check_found"].samples}
    assert found == dict.fromkeys((one.value for one in Found), 0)
    assert [(s.labels, s.value) for s in families["neaptide_messages_due"].samples] == [({"channel": "text"}, 1)]
    rows = {(s.labels["part"], s.labels["outcome"]): s.value for s in families["neaptide_worker_rows"].samples}
    assert rows == {("deliver", "done"): 7, ("deliver", "passed"): 1}


@contextmanager
def watcher(status: int) -> Iterator[tuple[str, list[str]]]:
    asked: list[str] = []

    class Answers(Answering):
        def answers(self) -> None:
            asked.append(self.path)
            self.say(status)

    with answering(Answers) as address:
        yield f"{address}/alive", asked


@pytest.mark.parametrize(("status", "well"), [(200, True), (204, True), (404, False), (500, False)])
def test_a_watcher_outside_is_pinged(status: int, well: bool) -> None:
    with watcher(status) as (url, asked):
        assert checks.ping(url) is well
        assert asked == ["/alive"]


def test_a_watcher_that_is_away_is_no_trouble() -> None:
    with watcher(200) as (url, _):
        pass
    assert checks.ping(url) is False


def test_a_damaged_database_is_told_and_what_takes_too_long_to_read_is_not_known(
    engine: Engine, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    if SERVER is not None:
        assert "not known: the server's extension amcheck is not set up" in soundness.whole(engine).sentence
        with engine.begin() as connection:
            connection.exec_driver_sql("CREATE EXTENSION amcheck")
        assert soundness.whole(engine).sentence == "The database was read to its end, and is whole."
        with engine.begin() as connection:
            connection.exec_driver_sql("DROP EXTENSION amcheck")
        return
    assert soundness.whole(engine).ok
    with monkeypatch.context() as hasty:
        hasty.setattr(soundness, "STEPS", 1)
        cut_off = soundness.whole(engine, 0)
    assert "not known: to read all of it takes longer than 0 seconds" in cut_off.sentence
    assert cut_off.fares is checks.Fares.NOT_KNOWN
    # SQLite, "Database File Format": pages of the size that stands at byte 16; the second half is written over.
    raw = bytearray(Path(engine.url.database or "").read_bytes())
    raw[len(raw) // 2 :] = b"\x07" * (len(raw) - len(raw) // 2)
    (tmp_path / "damaged.sqlite3").write_bytes(raw)
    damaged = open_engine(f"sqlite:///{tmp_path / 'damaged.sqlite3'}")
    told = soundness.whole(damaged)
    damaged.dispose()
    assert (told.ok, "bring back a backup" in told.sentence) == (False, True)


def test_a_secret_key_made_anew_beside_old_data_is_told_until_it_is_accepted(engine: Engine) -> None:
    secrets = "the key of old, forty characters long ...", "a key made anew, forty characters long .."
    old, new = (Keyring(one) for one in secrets)
    assert soundness.key(engine, old).ok
    assert soundness.know_key(engine, old, NOON)
    assert not soundness.know_key(engine, new, NOON)
    assert [soundness.key(engine, one).ok for one in (old, new)] == [True, False]
    with read_session(engine) as session:
        (kept,) = session.scalars(select(SecretMark))
    assert secrets[0][:8] not in kept.mark
    assert soundness.know_key(engine, new, NOON, accept=True)
    assert [soundness.key(engine, one).ok for one in (old, new)] == [False, True]
    follows = Keyring("the third key, and it names the one before it", (secrets[1],))
    assert soundness.key(engine, follows).ok
    assert soundness.know_key(engine, follows, NOON)
    assert [soundness.key(engine, one).ok for one in (new, follows)] == [False, True]


def test_links_that_open_on_this_machine_alone_are_told_where_something_is_sent() -> None:
    here = "http://127.0.0.1:8000"
    assert checks.address(here, False, ()).ok
    assert not checks.address(here, False, {Channel.TEXT}).ok
    assert checks.address("https://diary.clinic.example", True, {Channel.TEXT}).ok
