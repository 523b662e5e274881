"""A clinic's own wordings: set, taken back, never lost, never another clinic's; and the messages that waited for them."""

from __future__ import annotations

import uuid
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta

import pytest
from sqlalchemy import select, update

from service.care import ending
from service.domain.validation import Refused
from service.domain.vocabulary import ActorKind, MessageKind, MessageState, TaskKind, TaskSettled, TaskState
from service.enrolling import clinics, wordings
from service.store.audit import OPERATOR, Act, Actor
from service.store.session import read_session, write_session
from service.store.tables import AuditLine, Clinic, MessageEvent, MessageTemplate, Patient, Task
from service.words import messages
from service.words.language import codes, load_language
from tests.post import CAREGIVER_PHONE, NOON, PATIENT_PHONE, SECOND_PHONE, Post

pytestmark = pytest.mark.databases("sqlite")

K = MessageKind
LINKS = wordings.SampleLinks("https://x.example/c/" + "y" * 22, "https://x.example/g/" + "y" * 22, "https://x.example")
PETRA = Actor(ActorKind.STAFF, uuid.UUID(int=7))


def put(post: Post, body: str, kind: str = "prompt", language: str = "en", clinic: Clinic | None = None) -> int:
    with write_session(post.engine) as session:
        act = Act(session, PETRA, (clinic or post.clinic).id, post.clock.now())
        return wordings.set_wording(act, language, kind, body)


def take_back(post: Post, kind: str = "prompt", language: str = "en") -> int:
    with write_session(post.engine) as session:
        return wordings.reset_wording(Act(session, PETRA, post.clinic.id, post.clock.now()), language, kind)


def find(post: Post, kind: str = "prompt", language: str = "en") -> wordings.Wording:
    with read_session(post.engine) as session:
        return wordings.find_wording(session, session.get_one(Clinic, post.clinic.id), language, kind, LINKS)


def audited(post: Post) -> list[AuditLine]:
    with read_session(post.engine) as session:
        query = select(AuditLine).where(AuditLine.action.startswith("wording.")).order_by(AuditLine.at, AuditLine.id)
        return list(session.scalars(query))


def spoil(post: Post, body: str, kind: MessageKind, language: str = "en") -> None:
    """A wording that got past the service: written by hand, or before a rule that it breaks."""
    with write_session(post.engine) as session:
        session.add(
            MessageTemplate(
                id=uuid.uuid4(), clinic_id=post.clinic.id, language=language, kind=kind, body=body, set_by="hand",
                set_at=NOON,
            )
        )  # fmt: skip


def tasks(post: Post) -> list[Task]:
    with read_session(post.engine) as session:
        return list(session.scalars(select(Task)))


def test_every_kind_is_listed_in_every_language_a_patient_may_have(post: Post) -> None:
    put(post, "{sender}: hello {link} STOP ends these.")
    with read_session(post.engine) as session:
        listed = wordings.list_wordings(session, session.get_one(Clinic, post.clinic.id), LINKS)
    assert [(one.language, one.kind) for one in listed] == [(lang, kind) for lang in codes() for kind in K]
    assert {(one.language, one.kind) for one in listed if one.own} == {("en", K.PROMPT)}
    assert all(one.preview is not None and one.preview.longest.segments == 1 for one in listed)


def test_a_wording_is_set_changed_and_taken_back_and_every_earlier_text_stays_on_record(post: Post) -> None:
    first, second = "{sender}: one {link}", "{sender}: two {link}"
    for body in (first, second):
        put(post, body)
        post.clock.advance(timedelta(minutes=1))
    found = find(post)
    assert (found.body, found.own, found.set_by) == (second, True, str(PETRA))
    take_back(post)
    found = find(post)
    assert (found.body, found.own, found.set_by) == (found.built_in, False, None)
    lines = audited(post)
    assert [(line.action, line.detail["previous"]) for line in lines] == [
        ("wording.set", None), ("wording.set", first), ("wording.reset", second),
    ]  # fmt: skip
    assert {(line.actor_id, line.clinic_id, line.detail["kind"], line.detail["language"]) for line in lines} == {
        (PETRA.id, post.clinic.id, "prompt", "en")
    }
    assert len({line.subject_id for line in lines}) == 1


def test_the_same_words_again_and_the_built_in_ones_again_are_no_change(post: Post) -> None:
    put(post, "{sender}: one {link}")
    put(post, " {sender}: one {link}\r\n")
    take_back(post, kind="reminder")
    assert len(audited(post)) == 1


@pytest.mark.databases("both")
def test_of_two_changes_at_once_the_second_keeps_what_the_first_one_wrote(post: Post) -> None:
    """Neither overwrites unseen: the audit lines are a chain that ends at what is kept now."""
    bodies = [f"{{sender}}: number {n} {{link}}" for n in range(6)]
    with ThreadPoolExecutor(3) as pool:
        list(pool.map(lambda body: put(post, body), bodies))
    lost = [line.detail["previous"] for line in audited(post)]
    assert sorted([*lost, find(post).body], key=str) == sorted([None, *bodies], key=str)


def test_what_was_typed_is_tidied_so_that_it_costs_no_more_than_it_must(post: Post) -> None:
    """Unicode normalization form C (UAX 15): e and its accent as one sign, which GSM-7 has."""
    put(post, "\n{sender}: cafe\u0301\r\nhoy {link} ", language="es")
    assert find(post, language="es").body == "{sender}: café\nhoy {link}"
    preview = find(post, language="es").preview
    assert preview is not None
    assert preview.length.alphabet == "GSM-7"


@pytest.mark.parametrize(
    ("language", "kind", "body", "field"),
    [
        ("en", "prompt", "{sender}: no link", "body"),
        ("en", "safety", "{sender}: call us {phone}", "body"),
        ("en", "prompt", "{link} {name}", "body"),
        ("en", "prompt", "{link}\x00", "body"),
        ("en", "prompt", "{link}" + "a" * 460, "body"),
        ("fr", "prompt", "{link}", "language"),
        ("en", "greeting", "{link}", "kind"),
    ],
)
def test_what_cannot_be_sent_is_refused_and_leaves_no_trace(
    post: Post, language: str, kind: str, body: str, field: str
) -> None:
    with pytest.raises(Refused) as refused:
        put(post, body, kind, language)
    assert refused.value.field == field
    with read_session(post.engine) as session, pytest.raises(Refused) as refused:
        wordings.preview_wording(session.get_one(Clinic, post.clinic.id), language, kind, body, LINKS)
    assert refused.value.field == field
    assert audited(post) == []
    with read_session(post.engine) as session:
        assert session.scalars(select(MessageTemplate)).all() == []


def test_another_clinics_wordings_are_neither_seen_nor_sent_nor_changed(post: Post) -> None:
    new = clinics.NewClinic("Otter Clinic", "Europe/London", "112", "+44 7700 900199", "Otter")
    with write_session(post.engine) as session:
        other = clinics.enrol_clinic(session, new, OPERATOR, NOON)
    put(post, "{sender}: of the other {link}", clinic=other)
    assert not find(post).own
    take_back(post)
    with read_session(post.engine) as session:
        (kept,) = session.scalars(select(MessageTemplate)).all()
    assert kept.clinic_id == other.id
    post.write(K.PROMPT)
    post.deliver()
    assert "of the other" not in post.gateway.messages()[0].body


def test_a_message_queued_before_says_what_the_wording_says_when_it_leaves(post: Post) -> None:
    post.write(K.PROMPT)
    put(post, "{sender}: later words {link}")
    post.deliver()
    assert [kept.body for kept in post.gateway.messages()] == ["Fernmoor: later words https://calls.example/prompt"]
    post.write(K.PROMPT)
    take_back(post)
    post.deliver()
    assert "later words" not in post.gateway.messages()[1].body


def test_what_waited_for_a_wording_goes_out_once_it_is_mended(post: Post) -> None:
    spoil(post, "{name} {link}", K.PROMPT)
    waiting = post.write(K.PROMPT)
    passing = post.write(K.PROMPT, to=SECOND_PHONE, lasts=timedelta(minutes=5))
    post.deliver()
    assert post.message(waiting).reason == "unworded"
    assert [(task.kind, task.state) for task in tasks(post)] == [(TaskKind.BROKEN_CONTACT, TaskState.OPEN)]
    assert find(post).preview is None  # the page can show it, and say that it cannot be used

    post.clock.advance(timedelta(minutes=10))
    assert put(post, "{sender}: mended {link}") == 1
    post.deliver(at=lambda _: post.clock.advance(timedelta(seconds=1)))  # no two events at one moment
    assert [kept.body for kept in post.gateway.messages()] == ["Fernmoor: mended https://calls.example/prompt"]
    assert post.message(waiting).state is MessageState.SENT
    assert post.message(passing).state is MessageState.FAILED  # its time is over: late is worse than never
    (task,) = tasks(post)
    assert (task.state, task.close_reason) == (TaskState.CLOSED, TaskSettled.WORDING_CHANGED)
    assert post.events(waiting) == ["failed", "queued_again", "handing_over", "sent"]
    with read_session(post.engine) as session:
        details = session.scalars(select(MessageEvent.detail).where(MessageEvent.event == "queued_again")).all()
    assert details == ["wording_mended"]
    assert audited(post)[0].detail["previous"] == "{name} {link}"


def test_going_back_to_the_built_in_words_mends_too(post: Post) -> None:
    spoil(post, "no link", K.NUDGE)
    waiting = post.write(K.NUDGE, to=CAREGIVER_PHONE)
    post.deliver()
    assert take_back(post, "nudge") == 1
    post.deliver()
    assert post.message(waiting).state is MessageState.SENT
    assert [task.state for task in tasks(post)] == [TaskState.CLOSED]


def test_only_what_waited_for_this_wording_is_sent_again(post: Post) -> None:
    """Not another language's, not another kind's, nothing that failed for another reason, nothing no longer wanted."""
    with write_session(post.engine) as session:
        session.execute(update(Patient).values(language="es"))
    for language in ("en", "es"):
        spoil(post, "no link", K.PROMPT, language)
    spanish = post.write(K.PROMPT)
    post.deliver()
    assert post.message(spanish).reason == "unworded"
    assert put(post, "{sender}: English {link}") == 0
    assert put(post, "{sender}: recordatorio {link}", "reminder", "es") == 0
    assert [task.state for task in tasks(post)] == [TaskState.OPEN]
    with write_session(post.engine) as session:
        held = session.get_one(Patient, post.patient.id)
        ending.end_patient(Act(session, OPERATOR, held.clinic_id, post.clock.now()), held)
    assert put(post, "{sender}: español {link}", language="es") == 1
    post.deliver()
    assert post.gateway.messages() == []
    assert post.message(spanish).reason == "patient_ended"  # rechecked like any other


def test_a_task_that_somebody_took_is_theirs_to_close(post: Post) -> None:
    spoil(post, "no link", K.PROMPT)
    post.write(K.PROMPT)
    post.deliver()
    with write_session(post.engine) as session:
        session.execute(update(Task).values(state=TaskState.TAKEN))
    put(post, "{sender}: mended {link}")
    assert [task.state for task in tasks(post)] == [TaskState.TAKEN]


@pytest.mark.parametrize(
    ("kind", "bad", "params"),
    [
        (K.SAFETY, "please call somebody", {}),
        (K.STOPPED, "That was all.", {}),
        (K.REPLY, "{sender} {name}", {"text": "Thank you."}),
    ],
)
def test_an_answer_does_not_wait_for_a_wording_to_be_mended(
    post: Post, kind: MessageKind, bad: str, params: dict[str, str]
) -> None:
    spoil(post, bad, kind)
    sent = post.write(kind, params=params)
    post.deliver()
    assert post.message(sent).state is MessageState.SENT
    values = {"sender": "Fernmoor", "number": "999", "phone": "+44 7700 900100", **params}
    ours = messages.wording(load_language("en"), kind).format_map(values)
    assert [(kept.to, kept.body) for kept in post.gateway.messages()] == [(PATIENT_PHONE, ours)]
    assert [task.kind for task in tasks(post)] == [TaskKind.BROKEN_CONTACT]  # and staff are told
