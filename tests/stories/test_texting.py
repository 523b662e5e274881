"""Whole days by plain text message: check-ins, emergencies, STOP, and a caregiver's 1 to 4."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from sqlalchemy import select

from service.domain.vocabulary import (
    CaregiverAnswer,
    Channel,
    ConsentKind,
    MessageKind,
    MessageState,
    PauseCause,
    Source,
    Swelling,
    TaskKind,
    WindowState,
)
from service.intake.texts.receiving import take_text
from service.intake.texts.replies import TextOutcome
from service.store.session import read_session, write_session
from service.store.tables import (
    AuditLine,
    Caregiver,
    CaregiverReply,
    Checkin,
    Clinic,
    Consent,
    Contact,
    Conversation,
    InboundText,
    Message,
    Patient,
    Pause,
    Task,
)
from service.words import messages
from service.words.language import load_language
from tests import inwords
from tests.world import Expected, Phone, World, nudge, prompt, reminder

pytestmark = pytest.mark.databases("sqlite")

ZONE = "Pacific/Auckland"
SAFETY, STOPPED = Expected(MessageKind.SAFETY), Expected(MessageKind.STOPPED)
CALL_CLINIC = Expected(MessageKind.CALL_CLINIC)
STARTED, HELP, REPLY = Expected(MessageKind.STARTED), Expected(MessageKind.HELP), Expected(MessageKind.REPLY)


@pytest.fixture
def asha(world: World) -> Patient:
    """A patient who was asked at seven this morning."""
    return world.begins_with("asha rowan was asked", _asked)


def _asked(world: World) -> Patient:
    world.begins("2026-03-02T06:00", ZONE)
    patient = world.patient("Asha Rowan")
    world.at(patient, "07:00")
    world.phone(patient).expects(prompt())
    return patient


def says(phone: Phone, text: str, line: str, *, again: bool = False, language: str = "en") -> None:
    """Text something and expect one of our lines back."""
    body = told(phone, text)
    assert body.startswith("Fernmoor: ")
    assert body.endswith(f" {messages.line(load_language(language), line, again=again)}")


def told(phone: Phone, text: str) -> str:
    """Text something and be told something back."""
    phone.texts(text)
    body = phone.unread()[-1].body if phone.unread() else ""
    phone.expects(REPLY)
    return body


def all_of(world: World, table) -> list:
    with read_session(world.engine) as session:
        return list(session.scalars(select(table)))


def kept(world: World) -> Checkin:
    with read_session(world.engine) as session:
        return session.scalars(select(Checkin).where(Checkin.superseded_at.is_(None))).one()


def test_a_check_in_question_by_question(world, asha):
    phone = world.phone(asha)
    says(phone, "good morning", "safety_signs")
    says(phone, "0", "weight")
    says(phone, "82,4", "breathlessness")
    says(phone, "3", "extra_pillows")
    says(phone, "one more", "extra_pillows", again=True)
    says(phone, "1", "woke_breathless")
    says(phone, "No.", "slept_in_chair")
    says(phone, "in my armchair", "swelling")
    says(phone, "ankles", "full_belly")
    says(phone, "n", "light_headed")
    says(phone, "n", "tiredness")
    says(phone, "4/10", "missed_medicines")
    says(phone, "no", "thanks")
    row = kept(world)
    assert (row.local_date, row.source, row.weight_kg, row.breathlessness, row.extra_pillows, row.swelling) == (
        date(2026, 3, 2), Source.TEXT, 82.4, 3, 1, Swelling.ANKLE,
    )  # fmt: skip
    assert (row.slept_in_chair, row.full_belly) == (True, False)
    assert (row.woke_breathless, row.light_headed, row.tiredness, row.missed_medicines, row.safety_signs) == (
        False, False, 4, False, [],
    )  # fmt: skip
    (talk,) = all_of(world, Conversation)
    assert talk.closed_at == world.now
    assert set(talk.answers.values()) == {True}  # which were answered, and no value
    world.reading(asha)
    world.at(asha, "23:00")  # the reading came: nobody hears more


def test_a_check_in_in_one_go(world, asha):
    phone = world.phone(asha)
    says(phone, "82.4 b3 p1 s0", "safety_signs")
    row = kept(world)
    assert (row.weight_kg, row.breathlessness, row.extra_pillows, row.swelling, row.safety_signs) == (
        82.4, 3, 1, Swelling.NONE, None,
    )  # fmt: skip
    says(phone, "none", "woke_breathless")
    says(phone, "that's all", "thanks")
    assert kept(world).safety_signs == []
    world.reading(asha)


@pytest.mark.parametrize(
    ("reply", "kg", "state"),
    [("lb", 69.853, "closed"), ("it's kg", 154.0, "closed"), ("70.1 kg", 70.1, "closed"), ("what?", 154.0, "open")],
)
def test_a_weight_in_doubt_is_asked_about_once_by_text(world, asha, reply, kg, state):
    world.checks_in(asha, weight=70.2, local_date=date(2026, 3, 1))
    phone = world.phone(asha)
    says(phone, "hello", "safety_signs")
    says(phone, "0", "weight")
    # 154 lb = 69.853 kg (NIST SP 811)
    assert told(phone, "154") == "Fernmoor: 154 kg? Or 154 lb, 69.9 kg? Please send kg or lb."
    says(phone, reply, "breathlessness")
    row = newest(world)
    assert row.weight_kg == kg
    assert (row.weight_doubt is None) is (state == "closed")
    (task,) = [task for task in all_of(world, Task) if task.kind is TaskKind.WEIGHT_DOUBT]
    assert task.state.value == state
    says(phone, "b3", "extra_pillows")  # and nothing more of the weight
    world.reading(asha)


@pytest.mark.parametrize("reply", ["In pounds. I have chest pain", "kg, and I fainted this morning"])
def test_a_sign_of_an_emergency_beside_the_unit_is_heard(world, asha, reply):
    world.checks_in(asha, weight=70.2, local_date=date(2026, 3, 1))
    phone = world.phone(asha)
    says(phone, "hello", "safety_signs")
    says(phone, "0", "weight")
    told(phone, "154")
    phone.texts(reply)
    phone.expects(SAFETY)
    row = newest(world)
    assert row.safety_signs
    assert row.weight_doubt is None
    assert TaskKind.SAFETY_ANSWER in {task.kind for task in all_of(world, Task)}
    world.reading(asha)


def test_a_stop_takes_back_no_number_to_call(world, asha):
    phone = world.phone(asha)
    number = phone.number
    with write_session(world.engine) as session:
        take_text(session, "danger", number, "chest pain", world.now)
        take_text(session, "stop", number, "STOP", world.now)
    world.tick()
    # Due at one instant, they may come in either order.
    phone.expects(*((SAFETY, STOPPED) if "call 111" in phone.unread()[0].body else (STOPPED, SAFETY)))
    world.reading(asha)


def newest(world: World) -> Checkin:
    with read_session(world.engine) as session:
        current = select(Checkin).where(Checkin.superseded_at.is_(None)).order_by(Checkin.local_date.desc())
        return session.scalars(current).first()


def test_a_weekly_question_is_not_asked_again_the_next_day(world, asha):
    world.checks_in(asha, tiredness=3, full_belly=False, light_headed=False, local_date=date(2026, 3, 1))
    phone = world.phone(asha)
    says(phone, "82.4 b3 p0 n0 c0 s0 d0", "safety_signs")
    says(phone, "0", "missed_medicines")
    says(phone, "t7", "missed_medicines")  # taken all the same
    assert newest(world).tiredness == 7
    world.reading(asha)


def test_what_was_given_counts_though_the_rest_never_comes(world, asha):
    phone = world.phone(asha)
    says(phone, "hello", "safety_signs")
    says(phone, "0", "weight")
    world.at(asha, "07:30")
    says(phone, "82.4", "breathlessness")  # half an hour later
    world.at(asha, "08:30")
    phone.expects(reminder())  # for the reading
    world.at(asha, "11:00")
    seen = world.clinic.sees(asha)
    assert seen.silence.cause.value == "diary_only"
    assert kept(world).weight_kg == 82.4


def test_the_page_and_the_telephone_share_one_diary(world, asha):
    phone = world.phone(asha)
    world.checks_in(asha, breathlessness=2, weight=82.0)
    says(phone, "b4", "extra_pillows")  # neither safety nor weight is asked for again
    row = kept(world)
    assert (row.breathlessness, row.weight_kg, row.safety_signs) == (4, 82.0, [])
    world.reading(asha)


def test_pounds_stay_pounds_when_more_comes(world):
    world.begins("2026-03-02T06:00", ZONE)
    asha = world.patient("Asha Rowan")
    with write_session(world.engine) as session:
        session.get_one(Patient, asha.id).weight_unit = "[lb_av]"
    world.at(asha, "07:00")
    phone = world.phone(asha)
    phone.expects(prompt())
    says(phone, "181.5 b2", "safety_signs")
    says(phone, "0", "extra_pillows")
    row = kept(world)
    # 1 lb = 0.45359237 kg exactly (NIST SP 811, appendix B.8)
    assert (row.weight_kg, row.weight_unit) == (pytest.approx(82.327), "[lb_av]")
    world.reading(asha)


def test_an_unclear_answer_is_asked_again_once_kindly_and_its_words_reach_staff(world, asha):
    phone = world.phone(asha)
    says(phone, "82.4 b15", "breathlessness", again=True)
    says(phone, "terrible on the stairs", "safety_signs")
    row = kept(world)
    assert (row.weight_kg, row.breathlessness, row.note) == (82.4, None, "terrible on the stairs")
    world.reading(asha)


@pytest.mark.parametrize("text", ["2", "chest pain", "82.4 b9 and I can't breathe", "me duele el pecho"])
def test_an_emergency_is_answered_at_once_and_staff_have_a_task(world, asha, text):
    phone = world.phone(asha)
    says(phone, "hi", "safety_signs")
    phone.texts(text)
    assert phone.unread()[0].body == "Fernmoor: please call 111 now. Do not wait for an answer from us."
    phone.expects(SAFETY)
    (task,) = all_of(world, Task)
    assert (task.kind, task.raised_at) == (TaskKind.SAFETY_ANSWER, world.now)
    assert kept(world).safety_signs
    says(phone, "82.4", "still_call")  # what comes is kept; nothing more is asked
    assert len(all_of(world, Task)) == 1
    world.reading(asha)


def test_an_emergency_in_other_words_shows_staff_the_words(world, asha):
    phone = world.phone(asha)
    phone.texts("please call an ambulance")
    phone.expects(SAFETY)
    (task,) = all_of(world, Task)
    assert inwords.task(task) == (
        "They wrote: “please call an ambulance”. They were told at once to call 111. Call them."
    )
    world.reading(asha)


def test_in_the_patients_language(world):
    world.begins("2026-03-02T06:00", ZONE)
    asha = world.patient("Asha Rowan")
    with write_session(world.engine) as session:
        session.get_one(Patient, asha.id).language = "es"
    world.at(asha, "07:00")
    phone = world.phone(asha)
    phone.expects(prompt())
    says(phone, "peso 82,4 y tobillos hinchados", "safety_signs", language="es")
    says(phone, "nada", "breathlessness", language="es")
    says(phone, "eso es todo", "thanks", language="es")
    assert (kept(world).weight_kg, kept(world).swelling) == (82.4, Swelling.ANKLE)
    world.reading(asha)


# --- STOP and its kin ------------------------------------------------------------------


@pytest.mark.parametrize("word", ["STOP", "end", "Cancel", "UNSUBSCRIBE", "quit"])
def test_stop_is_confirmed_once_and_nothing_comes_after_it(world, asha, word):
    # Carrier convention: each of these words gets one confirmation, and no other message after it.
    phone = world.phone(asha)
    phone.texts(word)
    phone.expects(STOPPED)
    consent = next(row for row in all_of(world, Consent) if not row.given)
    assert (consent.kind, consent.how, consent.patient_id) == (ConsentKind.MESSAGES, "text STOP", asha.id)
    phone.texts(word).expects_nothing()
    world.advance(days=2)  # nothing comes; leaving the story would fail on it


def test_start_begins_again(world, asha):
    phone = world.phone(asha)
    phone.texts("stop").expects(STOPPED)
    world.at(asha, "12:00")
    phone.texts("START").expects(STARTED)
    world.at(asha, "07:00")
    phone.expects(prompt())
    world.reading(asha)


def test_after_stop_what_they_send_is_kept_and_an_emergency_is_still_answered(world, asha):
    phone = world.phone(asha)
    phone.texts("STOP").expects(STOPPED)
    phone.texts("82.4").expects_nothing()  # no consent, no reply
    assert kept(world).weight_kg == 82.4
    phone.texts("chest pain").expects(SAFETY)
    phone.texts("HELP").expects(HELP)
    world.reading(asha)


def test_a_racing_heart_is_for_the_clinic_today_and_with_more_an_emergency(world, asha):
    phone = world.phone(asha)
    says(phone, "hello", "safety_signs")
    phone.texts("6")
    body = phone.unread()[0].body
    assert "+64 9 999 0100" in body
    assert "111" in body
    phone.expects(CALL_CLINIC)
    assert kept(world).safety_signs == ["racing_heart"]
    phone.texts("and now I fainted").expects(SAFETY)
    assert kept(world).safety_signs == ["fainting", "racing_heart"]
    world.reading(asha)


@pytest.mark.parametrize(("sign", "told"), [("chest pain", SAFETY), ("my heart is racing", CALL_CLINIC)])
def test_what_comes_after_a_sign_is_not_told_that_this_is_all(world, asha, sign, told):
    phone = world.phone(asha)
    phone.texts(sign).expects(told)
    says(phone, "breath 3", "still_call")
    says(phone, "thank you", "still_call")
    world.reading(asha)


def test_help_names_sender_line_frequency_and_the_way_out(world, asha):
    # Carrier convention: HELP names the sender, a contact, how often, and how to opt out.
    phone = world.phone(asha)
    phone.texts("help")
    body = phone.unread()[0].body
    for part in ("Fernmoor", "+64 9 999 0100", "a day", "STOP", "111"):
        assert part in body
    phone.expects(HELP)
    world.reading(asha)


def test_stop_cancels_what_is_queued(world):
    world.begins("2026-03-02T06:00", ZONE)
    asha = world.patient("Asha Rowan")
    world.at(asha, "06:59")
    world.worker_stops()
    world.gateway.reply(world.phone(asha).number, "STOP")
    world.at(asha, "07:05")
    world.worker_starts()
    world.phone(asha).expects(STOPPED)


# --- who is speaking ---------------------------------------------------------------------


def test_an_unknown_number_changes_nothing_of_anybody(world, asha):
    before = {table: len(all_of(world, table)) for table in (Checkin, Consent)}
    audited = {line.id for line in all_of(world, AuditLine)}
    nobody = world.stranger()
    for text in ("82.4 b3", "STOP", "chest pain", "2"):
        nobody.texts(text)
    nobody.expects(Expected(MessageKind.STRANGER))
    assert {table: len(all_of(world, table)) for table in before} == before
    lines = [line for line in all_of(world, AuditLine) if line.id not in audited]
    assert sorted(line.action for line in lines) == ["contact.add", "contact.stop"]  # of their own number alone
    assert sorted(row.outcome for row in all_of(world, InboundText)) == ["safety", "stopped", "stranger", "stranger"]
    world.reading(asha)


def test_a_message_told_twice_is_taken_once(world, asha):
    number = world.phone(asha).number
    with write_session(world.engine) as session:
        assert take_text(session, "ref-1", number, "82.4", world.now) is TextOutcome.ANSWERED
    with write_session(world.engine) as session:
        assert take_text(session, "ref-1", number, "82.4", world.now) is TextOutcome.REPEATED
    assert kept(world).weight_kg == 82.4
    world.tick()
    world.phone(asha).expects(REPLY)
    with write_session(world.engine) as session:  # of a gateway that begins to count anew: it may be an alarm
        assert take_text(session, "ref-1", number, "chest pain", world.now) is TextOutcome.SAFETY
    world.tick()
    world.phone(asha).expects(SAFETY)
    world.reading(asha)


def test_the_same_words_under_the_same_name_are_another_text_once_no_gateway_tells_again(world, asha):
    number = world.phone(asha).number

    def told_at(hours: float, body: str) -> TextOutcome:
        with write_session(world.engine) as session:
            return take_text(session, "ref-1", number, body, world.now + timedelta(hours=hours - 52.5))

    assert [told_at(hours, "b3") for hours in (0, 47, 49, 49.5)] == [
        TextOutcome.ANSWERED, TextOutcome.REPEATED, TextOutcome.ANSWERED, TextOutcome.REPEATED,
    ]  # fmt: skip
    # An emergency is answered twice rather than not at all.
    assert [told_at(hours, "chest pain") for hours in (50, 50.5, 52, 52.5)] == [
        TextOutcome.SAFETY, TextOutcome.REPEATED, TextOutcome.SAFETY, TextOutcome.REPEATED,
    ]  # fmt: skip
    world.tick()
    world.phone(asha).expects(SAFETY)  # the answers before it are too old to be sent
    world.reading(asha)


def test_a_telephone_that_sends_our_own_words_back_has_said_nothing(world, asha):
    phone = world.phone(asha)
    question = told(phone, "hello")  # the signs of an emergency, by name
    phone.texts(question)
    phone.expects_nothing()
    phone.texts("chest pain")
    call = phone.unread()[-1].body
    phone.expects(SAFETY)
    phone.texts(call)
    phone.expects_nothing()
    assert "call 111" in call
    assert len(all_of(world, Task)) == 1
    assert kept(world).weight_kg is None
    world.reading(asha)


def test_after_the_end_each_text_is_told_what_became_of_it_and_words_reach_a_person(world, asha):
    phone = world.phone(asha)
    says(phone, "hello", "safety_signs")
    says(phone, "0", "weight")
    says(phone, "that's all", "thanks")
    assert told(phone, "82.4") == "Fernmoor: Thank you: weight 82.4 kg."
    says(phone, "feeling fine thanks", "nothing_asked")
    assert kept(world).note == ""
    for words in ("what is this", "3", "call my son on 82"):
        assert told(phone, words).startswith("Fernmoor: That we could not read. It is kept as a note. Nobody reads")
    row = kept(world)
    assert (row.weight_kg, row.breathlessness) == (82.4, None)
    assert row.note == "what is this; 3; call my son on 82"
    (task,) = all_of(world, Task)  # one a day
    assert (task.kind, inwords.task(task)) == (TaskKind.PATIENT_SAYS, "Texted on 2 March: “what is this”")
    world.reading(asha)


def test_the_number_is_known_however_it_is_written(world, asha):
    number = world.phone(asha).number
    for ref, written in enumerate((f"00{number[1:]}", f"{number[:3]} {number[3:]}", f"({number})")):
        with write_session(world.engine) as session:
            take_text(session, f"ref-{ref}", written, f"b{ref}", world.now)
    assert kept(world).breathlessness == 2
    world.tick()
    world.phone(asha).expects(REPLY, REPLY, REPLY)
    world.reading(asha)


def test_without_a_window_what_is_sent_is_kept_and_nothing_is_asked(world):
    world.begins("2026-03-02T05:00", ZONE)
    asha = world.patient("Asha Rowan")
    phone = world.phone(asha)
    says(phone, "hello", "nothing_asked")
    assert told(phone, "82.4 b3") == "Fernmoor: Thank you: weight 82.4 kg, breathless 3."
    assert kept(world).weight_kg == 82.4
    world.reading(asha)
    world.at(asha, "07:30")
    phone.expects_nothing()  # both came early; nothing is asked for


def test_a_talk_past_midnight_is_about_the_day_it_began_on(world):
    world.begins("2026-03-02T18:00", ZONE)
    asha = world.patient("Asha Rowan", window=("20:00", "23:30"), due="23:00")
    world.at(asha, "20:00")
    phone = world.phone(asha)
    phone.expects(prompt())
    world.reading(asha)
    world.at(asha, "23:20")
    says(phone, "82.4", "safety_signs")
    world.at(asha, "00:20")
    says(phone, "0", "breathlessness")
    row = kept(world)
    assert (row.local_date, row.weight_kg, row.safety_signs) == (date(2026, 3, 2), 82.4, [])


# --- caregivers ----------------------------------------------------------------------------


@pytest.fixture
def ben(world, asha):
    """A caregiver who was nudged because nothing came."""
    caregiver = world.caregiver(asha, "Ben Rowan")
    world.at(asha, "08:30")
    world.phone(asha).expects(reminder())
    world.at(asha, "10:00")
    world.phone(caregiver).expects(nudge())
    return caregiver


@pytest.mark.parametrize(
    ("text", "answer", "cause"),
    [
        ("1", CaregiverAnswer.SPOKE, None),
        ("2", CaregiverAnswer.IN_HOSPITAL, PauseCause.IN_HOSPITAL),
        ("3", CaregiverAnswer.AWAY, PauseCause.AWAY),
        ("4 the box has no light", CaregiverAnswer.EQUIPMENT, PauseCause.EQUIPMENT),
        ("she is in hospital", CaregiverAnswer.IN_HOSPITAL, PauseCause.IN_HOSPITAL),
    ],
)
def test_a_caregiver_answers_a_nudge_by_number_or_in_words(world, asha, ben, text, answer, cause):
    body = told(world.phone(ben), text)
    (reply,) = all_of(world, CaregiverReply)
    assert reply.answer is answer
    assert reply.note == (text if " " in text else "")
    assert [pause.cause for pause in all_of(world, Pause)] == ([cause] if cause else [])
    last = [pause.to_date for pause in all_of(world, Pause)]
    # Seven days away and three of equipment trouble end by themselves; a hospital stay lasts until told otherwise.
    assert last == {None: [], PauseCause.IN_HOSPITAL: [None], PauseCause.AWAY: [date(2026, 3, 8)],
                    PauseCause.EQUIPMENT: [date(2026, 3, 4)]}[cause]  # fmt: skip
    thanks = (
        messages.line_until(load_language("en"), last[0])
        if last
        else messages.line(load_language("en"), "caregiver_thanks")
    )
    assert body == f"Fernmoor: {thanks}"
    assert TaskKind.CAREGIVER_SAYS in world.clinic.sees(asha).tasks
    if cause:
        assert world.clinic.sees(asha).windows[-1][1] is WindowState.EXCUSED


@pytest.mark.parametrize(
    ("text", "answer", "last"),
    [
        ("3 until 12 March", CaregiverAnswer.AWAY, date(2026, 3, 12)),
        ("3 10 days", CaregiverAnswer.AWAY, date(2026, 3, 11)),
        ("2 until 2026-03-20", CaregiverAnswer.IN_HOSPITAL, date(2026, 3, 20)),
        ("4 two weeks", CaregiverAnswer.EQUIPMENT, date(2026, 3, 15)),
        ("3 until 1 March", CaregiverAnswer.AWAY, date(2026, 3, 8)),  # yesterday is no last day: the usual length
        ("3 until 12 March or 14 March", CaregiverAnswer.AWAY, date(2026, 3, 8)),  # nor are two
    ],
)
def test_a_caregiver_may_name_the_last_day_and_is_told_which_was_kept(world, asha, ben, text, answer, last):
    assert told(world.phone(ben), text) == f"Fernmoor: {messages.line_until(load_language('en'), last)}"
    (reply,), (pause,) = all_of(world, CaregiverReply), all_of(world, Pause)
    assert (reply.answer, reply.note) == (answer, text)  # and staff read the words
    assert (pause.from_date, pause.to_date) == (date(2026, 3, 2), last)
    world.until(world.now + (last - date(2026, 3, 2)))
    world.phone(asha).expects_nothing()
    world.at(asha, "07:00")  # the morning after the last day
    world.phone(asha).expects(prompt())
    world.reading(asha)


def test_a_last_day_may_come_in_a_message_of_its_own_and_another_one_after_it(world, asha, ben):
    phone = world.phone(ben)
    assert told(phone, "3").endswith(messages.line_until(load_language("en"), date(2026, 3, 8)))
    assert told(phone, "until 5 March").endswith(messages.line_until(load_language("en"), date(2026, 3, 5)))
    assert told(phone, "sorry, 10 days").endswith(messages.line_until(load_language("en"), date(2026, 3, 11)))
    assert [pause.to_date for pause in all_of(world, Pause)] == [date(2026, 3, 11)]
    assert [reply.answer for reply in all_of(world, CaregiverReply)] == [CaregiverAnswer.AWAY] * 3
    says(phone, "1", "caregiver_goes_on")  # they are there after all


def test_a_last_day_in_the_caregivers_language_not_the_patients(world, asha, ben):
    with write_session(world.engine) as session:
        session.get_one(Caregiver, ben.id).language = "es"
    assert told(world.phone(ben), "3 hasta el 5/4").endswith(
        "anotado hasta el 5 de abril. Si cambia, mande otra fecha."
    )


def test_a_last_day_alone_answers_nothing_when_nothing_was_answered(world, asha, ben):
    says(world.phone(ben), "10 days", "caregiver_ask", again=True)
    assert all_of(world, Pause) == []


def test_a_zero_lists_what_the_numbers_mean_and_is_no_failed_try(world, asha, ben):
    phone = world.phone(ben)
    for text in ("0", "?"):
        says(phone, text, "caregiver_ask")
    says(phone, "hm", "caregiver_ask", again=True)
    says(phone, "1", "caregiver_thanks")
    assert [reply.answer for reply in all_of(world, CaregiverReply)] == [CaregiverAnswer.SPOKE]


def test_a_caregiver_stops_starts_and_asks_for_help_in_their_own_language(world, asha, ben):
    with write_session(world.engine) as session:
        session.get_one(Caregiver, ben.id).language = "es"
    phone = world.phone(ben)
    for word, kind, body in (
        ("Ayuda", HELP, "uno o dos mensajes diarios"),
        ("parar por favor", STOPPED, "ya no le enviamos mensajes"),
        ("EMPEZAR", STARTED, "vuelven los mensajes"),
    ):
        phone.texts(word)
        assert body in phone.unread()[0].body
        phone.expects(kind)
    theirs = [row for row in all_of(world, Consent) if row.caregiver_id == ben.id and row.how.startswith("text")]
    given = [row.given for row in sorted(theirs, key=lambda row: row.at)]
    assert given == [False, True]
    world.at(asha, "07:00")
    world.phone(asha).expects(prompt())
    world.at(asha, "08:30")
    world.phone(asha).expects(reminder())
    world.at(asha, "10:00")
    phone.expects(nudge())  # asked again the next time


def test_after_stop_a_caregiver_is_nudged_no_more(world, asha, ben):
    world.phone(ben).texts("opt out").expects(STOPPED)
    world.advance(days=1)
    world.phone(asha).expects(prompt(), reminder())
    world.phone(ben).expects_nothing()


def test_a_caregivers_unclear_answer_is_asked_once_more_and_then_read_by_staff(world, asha, ben):
    phone = world.phone(ben)
    says(phone, "not sure, sorry", "caregiver_ask", again=True)
    says(phone, "he did not say", "caregiver_thanks")
    phone.texts("I am driving, I will answer later").expects_nothing()  # it may answer by itself, and would for ever
    sentences = [inwords.task(task) for task in all_of(world, Task) if task.kind is TaskKind.CAREGIVER_SAYS]
    assert sorted(sentences) == [
        f"Ben Rowan wrote, in answer to a nudge: “{words}”"
        for words in ("I am driving, I will answer later", "he did not say")
    ]


def test_a_caregiver_with_alarming_news_is_told_to_call(world, asha, ben):
    phone = world.phone(ben)
    phone.texts("found her confused and she fainted")
    phone.expects(SAFETY)
    task = next(task for task in all_of(world, Task) if task.kind is TaskKind.SAFETY_ANSWER)
    assert "Their caregiver Ben Rowan wrote: “found her confused and she fainted”" in inwords.task(task)


def test_a_caregiver_whom_nobody_asked_changes_nothing(world, asha):
    caregiver = world.caregiver(asha, "Ben Rowan")
    says(world.phone(caregiver), "2", "nothing_asked")
    assert (all_of(world, CaregiverReply), all_of(world, Pause)) == ([], [])
    world.reading(asha)


def test_a_caregivers_stop_is_their_own(world, asha, ben):
    world.phone(ben).texts("STOP").expects(STOPPED)
    withdrawn = [row for row in all_of(world, Consent) if not row.given]
    assert [(row.caregiver_id, row.kind) for row in withdrawn] == [(ben.id, ConsentKind.MESSAGES)]
    world.at(asha, "07:00")
    world.phone(asha).expects(prompt())  # the patient's go on
    world.reading(asha)


def test_two_people_on_one_telephone_are_told_apart_by_who_was_asked(world, asha):
    """Ben has no telephone of his own: the nudge comes to the one they share."""
    caregiver = world.caregiver(asha, "Ben Rowan")
    with write_session(world.engine) as session:
        theirs = session.scalars(select(Contact).where(Contact.caregiver_id == caregiver.id)).one()
        theirs.address = world.phone(asha).number
    phone = world.phone(asha)
    says(phone, "82.4", "safety_signs")  # the patient was asked last
    assert kept(world).weight_kg == 82.4
    world.at(asha, "08:30")
    phone.expects(reminder())
    world.at(asha, "10:00")
    phone.texts("2")  # now the caregiver was
    kinds = [session_kind(world, text.message_id) for text in phone.unread()]
    assert kinds == [MessageKind.NUDGE, MessageKind.REPLY]
    phone.expects(nudge(), REPLY)
    assert [reply.answer for reply in all_of(world, CaregiverReply)] == [CaregiverAnswer.IN_HOSPITAL]
    phone.texts("STOP").expects(STOPPED)  # the number is everybody's who has it
    assert len([row for row in all_of(world, Consent) if not row.given]) == 2


def session_kind(world: World, message_id) -> MessageKind:
    with read_session(world.engine) as session:
        return session.get_one(Message, message_id).kind


def test_no_answer_of_ours_waits_for_ever(world, asha):
    """A gateway that comes back an hour later does not tell what was true an hour before."""
    world.worker_stops()
    world.gateway.reply(world.phone(asha).number, "82.4")
    with write_session(world.engine) as session:
        take_text(session, "ref-late", world.phone(asha).number, "b3", world.now)
    world.advance(hours=1)
    with read_session(world.engine) as session:
        (late,) = session.scalars(select(Message).where(Message.dedupe_key == "reply:ref-late"))
    assert (late.channel, "Now: 1" in late.params["text"]) == (Channel.TEXT, True)
    world.reading(asha)
    world.worker_starts()
    world.phone(asha).expects(REPLY)  # to the message that was taken in only now
    with read_session(world.engine) as session:
        assert session.get_one(Message, late.id).state is MessageState.EXPIRED


def test_what_was_understood_is_said_back_and_what_was_not(world, asha):
    phone = world.phone(asha)
    assert told(phone, "69.9 b2").startswith("Fernmoor: Thank you: weight 69.9 kg, breathless 2. Now: 1 ")
    assert told(phone, "the cat is fat").startswith("Fernmoor: That we could not read. ")
    assert told(phone, "0").startswith("Fernmoor: Thank you: none of the signs. How many more pillows")
    assert told(phone, "2 extra, and the roses bloom").startswith(
        "Fernmoor: Thank you: pillows +2. The rest we could not read. It is kept as a note. "
    )
    assert "roses" in kept(world).note
    world.reading(asha)


@pytest.mark.parametrize("whose", ["clinic", "patient"])
def test_nothing_is_said_back_where_clinic_or_patient_wants_none(world, asha, whose):
    with write_session(world.engine) as session:
        patient = session.get_one(Patient, asha.id)
        (patient if whose == "patient" else session.get_one(Clinic, patient.clinic_id)).says_back = False
    body = told(world.phone(asha), "69.9 b2")
    assert body.startswith("Fernmoor: Now: 1 ")
    assert "69.9" not in body
    world.reading(asha)


@pytest.mark.parametrize("text", ["yes, I'll do it", "Yes I will", "ok yes", "Sí, ahora lo hago", "later"])
def test_a_promise_is_no_sign_of_an_emergency(world, asha, text):
    """Whoever says that they will answer is not told to call an ambulance; the signs are asked once more."""
    phone = world.phone(asha)
    says(phone, "hi", "safety_signs")
    assert told(phone, text).startswith("Fernmoor: That we could not read. Now: 1 ")
    assert all_of(world, Task) == []
    says(phone, "0", "weight")
    world.reading(asha)


def test_a_bare_yes_is_a_sign_and_so_is_one_that_is_said_again(world, asha):
    phone = world.phone(asha)
    says(phone, "hi", "safety_signs")
    told(phone, "ok yes")
    phone.texts("yes ok")
    phone.expects(SAFETY)
    assert len(all_of(world, Task)) == 1
    world.reading(asha)


def test_nothing_but_the_signs_is_asked_again_twice(world, asha):
    phone = world.phone(asha)
    says(phone, "hi", "safety_signs")
    says(phone, "0", "weight")
    says(phone, "mumble", "weight", again=True)
    says(phone, "mumble", "breathlessness")
    says(phone, "mumble", "extra_pillows")  # no second re-ask that day
    world.reading(asha)
