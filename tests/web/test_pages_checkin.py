"""The check-in page over HTTP, as a patient meets it: no account, no cookie, no script."""

from __future__ import annotations

import csv
import gzip
import io
import re
from datetime import timedelta
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from sqlalchemy import Engine, update

from service.domain import diary
from service.domain.diary import Answers, NewCheckin
from service.domain.vocabulary import LinkPurpose, PatientState, SafetySign, Source, Swelling, TaskKind, TaskState
from service.filing.importing import Intake, import_checkins
from service.intake.checkins import record_checkin
from service.links import Leads
from service.replaying.past import read_diary
from service.store import histories
from service.store.audit import OPERATOR, Act
from service.store.session import read_session, write_session
from service.store.tables import Checkin, Clinic, Patient, Task
from tests import inwords
from tests.house import House, open_house, words
from tests.statements import writes_of

pytestmark = pytest.mark.databases("sqlite")

CALL = 'href="tel:111"'  # the invented clinic's emergency number


@pytest.fixture
def house(engine: Engine, tmp_path: Path) -> House:
    return open_house(engine, tmp_path)


def everything() -> dict[str, str]:
    """A form with every question answered."""
    return {
        "safety_signs": "none",
        "weight": "82.4",
        "weight_unit": "kg",
        "breathlessness": "3",
        "extra_pillows": "1",
        "woke_breathless": "no",
        "slept_in_chair": "yes",
        "swelling": "ankle",
        "full_belly": "no",
        "light_headed": "yes",
        "tiredness": "4",
        "missed_medicines": "no",
        "note": "Slept badly.",
    }


def test_looking_changes_nothing(house: House) -> None:
    """Mail scanners and message previews open links."""
    with writes_of(house.engine) as writes:
        for path in (house.link(house.asha), house.link(house.asha) + "/thanks"):
            assert house.client.get(path).status_code in {200, 303}
            house.client.head(path)
    assert writes == []


def test_every_answer_is_kept(house: House) -> None:
    answer = house.client.post(house.link(house.asha), data=everything())
    assert answer.status_code == 303
    (row,) = house.checkins()
    assert (row.weight_kg, row.weight_unit, row.breathlessness, row.extra_pillows) == (82.4, "kg", 3, 1)
    assert (row.woke_breathless, row.swelling, row.light_headed) == (False, Swelling.ANKLE, True)
    assert (row.tiredness, row.missed_medicines, row.safety_signs) == (4, False, [])
    assert (row.slept_in_chair, row.full_belly) == (True, False)
    assert (row.note, row.source, row.local_date) == ("Slept badly.", Source.PAGE, house.window().local_date)
    thanks = house.client.get(answer.headers["Location"])
    assert thanks.status_code == 200
    assert "Thank you" in words(thanks.get_data(as_text=True))
    assert CALL in thanks.get_data(as_text=True)  # in the line that is on every page
    assert 'id="alarm"' not in thanks.get_data(as_text=True)


def test_a_page_that_is_sent_twice_is_kept_once(house: House) -> None:
    for _ in range(2):
        assert house.client.post(house.link(house.asha), data=everything()).status_code == 303
    assert len(house.checkins()) == 1


@pytest.mark.parametrize(("weight", "unit"), [("82.375", "kg"), ("181.3", "[lb_av]"), ("82,4 kg", "[lb_av]")])
def test_the_same_answers_by_page_api_file_and_replay_are_one_and_the_same_diary(
    house: House, weight: str, unit: str
) -> None:
    """One reader: what came by the page is recognised when it comes again by another road."""
    form = everything() | {"weight": weight, "weight_unit": unit}
    assert house.client.post(house.link(house.asha), data=form).status_code == 303
    (row,) = house.checkins()
    as_json = form | {
        "token": house.link(house.asha).rsplit("/", 1)[1], "safety_signs": [], "breathlessness": 3, "extra_pillows": 1,
        "woke_breathless": False, "slept_in_chair": True, "full_belly": False, "light_headed": True, "tiredness": 4, "missed_medicines": False,
        "weight": float(weight.removesuffix(" kg").replace(",", ".")), "weight_unit": row.weight_unit,
    }  # fmt: skip
    assert house.client.post("/api/v1/checkins", json=as_json).status_code == 200  # there already
    file = io.StringIO(newline="")
    writer = csv.DictWriter(file, ["patient", "local_date", *form])
    writer.writeheader()
    writer.writerow({"patient": str(house.asha.id), "local_date": row.local_date.isoformat()} | form)
    raw = io.BytesIO(file.getvalue().encode())
    report = import_checkins(Intake(house.engine, row.clinic_id, OPERATOR, house.world.now), raw)
    assert (report.taken, report.duplicates, report.refused) == (0, 1, [])
    with read_session(house.engine) as session:
        (day,) = histories.load(session, row.clinic_id, [house.asha.id])[house.asha.id].diary
    past = read_diary(io.StringIO(file.getvalue(), newline=""))
    assert past.days == {str(house.asha.id): {row.local_date: day}}


@pytest.mark.parametrize(
    ("typed", "unit", "kg"),
    [
        ("82,4", "kg", 82.4),  # a decimal comma
        (" 82.4 ", "kg", 82.4),
        ("82", "kg", 82.0),
        ("181.5", "[lb_av]", 82.327),  # 1 lb = 0.45359237 kg exactly (NIST SP 811)
        ("181,5 lb", "kg", 82.327),  # the unit that was written counts
        ("82.4kg", "[lb_av]", 82.4),
    ],
)
def test_a_weight_as_people_write_it(house: House, typed: str, unit: str, kg: float) -> None:
    house.client.post(house.link(house.asha), data={"weight": typed, "weight_unit": unit})
    (row,) = house.checkins()
    assert row.weight_kg == pytest.approx(kg, abs=0.0005)


def test_the_page_asks_what_is_due_and_always_the_signs_of_an_emergency(house: House) -> None:
    yesterday = house.window().local_date - timedelta(days=1)
    path = house.link(house.asha)
    assert 'id="q-tiredness"' in house.client.get(path).get_data(as_text=True)  # never answered
    new = NewCheckin(house.asha.id, Answers(tiredness=4, full_belly=True), yesterday)
    with write_session(house.engine) as session:
        record_checkin(Act(session, OPERATOR, house.asha.clinic_id, house.world.now), new)
    page = house.client.get(path).get_data(as_text=True)
    shown = {key for key in everything() if f'id="q-{key}"' in page}
    assert shown == {*everything()} - {"tiredness", "weight_unit"}  # a trouble is asked about until it is gone


def test_the_thanks_page_repeats_the_weight(house: House) -> None:
    answer = house.client.post(house.link(house.asha), data={"weight": "82,4"}, follow_redirects=True)
    assert "Your weight: 82.4 kg." in words(answer.get_data(as_text=True))


def test_thanks_that_are_kept_show_everybody_their_own_link_and_weight(house: House) -> None:
    leads = Leads(LinkPurpose.CHECKIN, house.asha.clinic_id, house.asha.id, window_id=house.window().id)
    now = house.world.now
    with write_session(house.engine) as session:
        paths = [urlsplit(house.world.links.make(session, leads, now, now + timedelta(days=1))).path for _ in range(2)]
    for path, typed, shown in ((paths[0], "82,4", ["82.4 kg"]), (paths[1], "83,1", ["83.1 kg"]), (paths[0], "", [])):
        answer = house.client.post(path, data={"weight": typed, "tiredness": "1"}, follow_redirects=True)
        page = answer.get_data(as_text=True)
        assert re.findall(r'href="(/c/[^"#]+)"', page) == [path]
        assert re.findall(r"Your weight: ([^<]+)\.<", page) == shown


def test_a_form_that_is_kept_compressed_is_the_same_page_of_a_length_that_does_not_tell(house: House) -> None:
    path = house.link(house.asha)
    packed = [house.client.get(path, headers={"Accept-Encoding": "gzip"}).data for _ in range(8)]
    # gzip's own reader opens it (RFC 1952).
    assert {gzip.decompress(one) for one in packed} == {house.client.get(path).data}
    assert len({len(one) for one in packed}) > 1


@pytest.mark.parametrize(("said", "kg"), [("other_unit", 69.853), ("as_given", 154.0)])
def test_a_weight_that_fits_the_other_unit_is_asked_about_once(house: House, said: str, kg: float) -> None:
    yesterday = house.window().local_date - timedelta(days=1)
    new = NewCheckin(house.asha.id, Answers(weight=70.2), yesterday)
    with write_session(house.engine) as session:
        record_checkin(Act(session, OPERATOR, house.asha.clinic_id, house.world.now), new)
    path = house.link(house.asha)
    page = house.client.post(path, data={"weight": "154", "breathlessness": "2"}, follow_redirects=True)
    # 154 lb = 69.853 kg (NIST SP 811)
    assert "154 kg? Or 154 lb, 69.9 kg?" in words(page.get_data(as_text=True))
    after = house.client.post(f"{path}/weight", data={"said": said}, follow_redirects=True)
    text = words(after.get_data(as_text=True))
    assert f"Your weight: {'154 lb' if said == 'other_unit' else '154 kg'}." in text
    assert "Or 154" not in text
    (newest,) = [row for row in house.checkins() if row.superseded_at is None and row.local_date > yesterday]
    assert (newest.weight_kg, newest.weight_doubt, newest.breathlessness) == (kg, None, 2)
    assert [task.state for task in house.rows(Task)] == [TaskState.CLOSED]


def test_an_answer_to_mend_is_named_and_costs_none_of_the_others(house: House) -> None:
    answer = house.client.post(house.link(house.asha), data=everything() | {"weight": "8x"})
    page = answer.get_data(as_text=True)
    assert answer.status_code == 422
    field = page[page.index('id="q-weight"') : page.index('id="q-breathlessness"')]
    assert "from 25 to 350 kg" in field
    assert 'value="8x"' in field
    assert 'aria-invalid="true"' in field
    assert re.search(r'name="breathlessness" value="3" checked', page)
    (row,) = house.checkins()  # the rest is kept already
    assert (row.weight_kg, row.breathlessness) == (None, 3)
    house.client.post(house.link(house.asha), data=everything())
    assert [(row.weight_kg, row.superseded_at is None) for row in house.checkins()] == [(None, False), (82.4, True)]


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("weight", "9999"),
        ("weight", "24.9"),
        ("weight", "-80"),
        ("weight", "nan"),
        ("weight_unit", "stone"),
        ("breathlessness", "11"),
        ("tiredness", "-1"),
        ("extra_pillows", "2.5"),
        ("swelling", "hip"),
        ("woke_breathless", "maybe"),
        ("safety_signs", "dizzy"),
        ("note", "x" * 1001),
        ("note", "a\x00b"),
    ],
)
def test_what_cannot_be_true_is_refused_by_name(house: House, field: str, value: str) -> None:
    answer = house.client.post(house.link(house.asha), data=everything() | {field: value})
    assert answer.status_code == 422
    named = "weight" if field == "weight_unit" else field
    assert f'id="wrong-{named}"' in answer.get_data(as_text=True)
    (row,) = house.checkins()
    column = "weight_kg" if named == "weight" else named
    assert getattr(row, column) in (None, "")


def test_nothing_at_all_is_said_so(house: House) -> None:
    answer = house.client.post(house.link(house.asha), data={"weight": "", "note": ""})
    assert answer.status_code == 422
    assert "answer at least one question" in answer.get_data(as_text=True)
    assert house.checkins() == []


@pytest.mark.parametrize("sign", sorted({*SafetySign} - diary.SAME_DAY_ALONE))
def test_a_sign_of_an_emergency_is_answered_with_the_number_first(house: House, sign: SafetySign) -> None:
    answer = house.client.post(house.link(house.asha), data={"safety_signs": sign.value}, follow_redirects=True)
    page = answer.get_data(as_text=True)
    main = page[page.index("<main") :]
    assert words(main).startswith("Call now")
    assert 'class="call" href="tel:111"' in main
    assert "taken your reading" not in main  # nothing that could be done first
    (task,) = [row for row in house.rows(Task) if row.kind is TaskKind.SAFETY_ANSWER]
    assert task.patient_id == house.asha.id


def test_a_note_that_may_be_an_emergency_is_heard_as_a_text_is(house: House) -> None:
    path, form = house.link(house.asha), everything()
    house.client.post(path, data=form | {"note": "No chest pain."})
    assert house.rows(Task) == []
    for _ in range(2):
        answer = house.client.post(path, data=form | {"note": "I cannot breathe"}, follow_redirects=True)
    page = answer.get_data(as_text=True)
    assert page.index(CALL) < page.index("Your answers have arrived")
    (task,) = house.rows(Task)
    assert (task.kind, inwords.task(task)) == (
        TaskKind.SAFETY_ANSWER,
        "They wrote: “I cannot breathe”. They were told at once to call 111. Call them.",
    )


def test_a_racing_heart_alone_says_to_call_the_clinic_today(house: House) -> None:
    path = house.link(house.asha)
    answer = house.client.post(path, data={"safety_signs": "racing_heart"}, follow_redirects=True)
    main = answer.get_data(as_text=True).split("<main", 1)[1]
    assert words("<main" + main).startswith("Call the clinic today")
    assert 'class="call" href="tel:+' in main
    assert CALL in main  # what to do when it gets worse
    assert [row.kind for row in house.rows(Task)] == [TaskKind.SAME_DAY]
    worse = house.client.post(path, data={"safety_signs": ["racing_heart", "chest_pain"]}, follow_redirects=True)
    page = worse.get_data(as_text=True)
    assert words(page[page.index("<main") :]).startswith("Call now")


def test_a_sign_counts_even_when_everything_else_is_wrong(house: House) -> None:
    form = {
        "safety_signs": ["chest_pain", "none"],  # the sign wins over "none of these" beside it
        "weight": "heavy",
        "breathlessness": "99",
        "swelling": "hip",
        "note": "x" * 2000,
    }
    answer = house.client.post(house.link(house.asha), data=form)
    page = answer.get_data(as_text=True)
    assert answer.status_code == 422
    assert words(page[page.index("<main") :]).startswith("Call now")
    assert [row.safety_signs for row in house.checkins()] == [["chest_pain"]]
    assert [row.kind for row in house.rows(Task)] == [TaskKind.SAFETY_ANSWER]


def test_a_sign_counts_even_when_it_cannot_be_written_down(
    house: House, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def broken(*_args: object, **_options: object) -> None:
        raise OSError("database or disk is full")

    monkeypatch.setattr("service.web.pages.phone.record_checkin", broken)
    answer = house.client.post(house.link(house.asha), data={"safety_signs": "fainting", "weight": "82"})
    page = answer.get_data(as_text=True)
    assert answer.status_code == 503
    assert words(page[page.index("<main") :]).startswith("Call now")
    assert "Not saved yet" in page
    assert "clinic has been told" not in page  # it has not


def test_the_number_is_first_whenever_the_link_is_opened_again(house: House) -> None:
    path = house.link(house.asha)
    house.client.post(path, data={"safety_signs": "new_confusion"})
    for again in (path, f"{path}/thanks"):
        page = house.client.get(again).get_data(as_text=True)
        assert words(page[page.index("<main") :]).startswith("Call now")


def test_opened_again_it_shows_what_was_answered_and_takes_a_correction(house: House) -> None:
    path = house.link(house.asha)
    house.client.post(path, data=everything() | {"weight": "181.55", "weight_unit": "[lb_av]"})
    page = house.client.get(path).get_data(as_text=True)
    assert "You have answered already" in page
    for shown in (
        'name="safety_signs" value="none" checked',
        'value="181.55"',
        'name="weight_unit" value="[lb_av]" checked',
        'name="breathlessness" value="3" checked',
        'name="extra_pillows" value="1" checked',
        'name="woke_breathless" value="no" checked',
        'name="swelling" value="ankle" checked',
        'name="light_headed" value="yes" checked',
        ">Slept badly.</textarea>",
    ):
        assert shown in page
    house.client.post(path, data=everything() | {"weight": "181.55", "weight_unit": "[lb_av]", "tiredness": "6"})
    rows = house.checkins()
    assert [row.tiredness for row in rows] == [4, 6]
    assert rows[0].superseded_at is not None
    assert rows[1].supersedes_id == rows[0].id
    assert rows[0].weight_kg == rows[1].weight_kg  # there and back again loses nothing


def test_a_mistyped_correction_leaves_what_was_right_before(house: House) -> None:
    path = house.link(house.asha)
    house.client.post(path, data=everything())
    house.client.post(path, data=everything() | {"weight": "oops", "tiredness": "6"})
    current = [row for row in house.checkins() if row.superseded_at is None]
    assert [(row.weight_kg, row.tiredness) for row in current] == [(82.4, 6)]


def test_more_pillows_than_the_page_offers_are_not_cut_down_by_a_look(house: House) -> None:
    house.world.checks_in(house.asha, extra_pillows=5)
    path = house.link(house.asha)
    assert 'name="extra_pillows" value="3" checked' in house.client.get(path).get_data(as_text=True)
    house.client.post(path, data=everything() | {"extra_pillows": "3"})
    assert [row.extra_pillows for row in house.checkins() if row.superseded_at is None] == [5]


def test_it_tells_whether_the_reading_has_arrived_without_its_numbers(house: House) -> None:
    path = house.link(house.asha)
    assert "If you have not taken your reading yet" in house.client.get(path).get_data(as_text=True)
    house.world.reading(house.asha, diastolic=23.7)
    house.client.post(path, data={"tiredness": "1"})
    for page in (path, f"{path}/thanks"):
        told = words(house.client.get(page).get_data(as_text=True))
        assert "Your reading has arrived. Thank you." in told
        assert "23.7" not in told
        assert "41.7" not in told  # the systolic pressure that was sent with it
        assert "mmHg" not in told


def test_a_late_evening_answer_still_counts_and_the_next_day_the_link_is_over(house: House) -> None:
    path = house.link(house.asha)
    house.world.at(house.asha, "20:00")
    assert house.client.post(path, data={"tiredness": "2"}).status_code == 303
    house.world.advance(days=3)
    for answer in (house.client.get(path), house.client.post(path, data={"tiredness": "9"})):
        page = answer.get_data(as_text=True)
        assert answer.status_code == 410
        assert "for an earlier day" in page
        assert 'href="tel:+6499990100"' in page
        assert CALL in page
    assert [row.tiredness for row in house.checkins()] == [2]
    with write_session(house.world.engine) as session:
        session.execute(update(Patient).values(state=PatientState.ENDED))
    assert "next message" not in house.client.get(path).get_data(as_text=True)  # none follows


@pytest.mark.parametrize("cut", ["", "x", "/thanks"])
def test_a_link_that_is_not_whole_is_told_kindly(house: House, cut: str) -> None:
    path = house.link(house.asha)
    broken = path[:-4] + cut
    answer = house.client.get(broken)
    assert answer.status_code == 404
    assert "This link is not complete" in answer.get_data(as_text=True)
    assert "emergency number" in answer.get_data(as_text=True)
    assert house.client.post(broken.removesuffix("/thanks"), data={"tiredness": "9"}).status_code == 404
    assert house.checkins() == []


def test_one_persons_link_opens_nothing_of_anothers(house: House) -> None:
    """A caregiver's token is no check-in token, and a token names its own window."""
    nudge = house.nudged()
    assert house.client.get(nudge.replace("/g/", "/c/")).status_code == 404
    other = house.world.patient("Walter Heath")
    house.world.at(other, "07:30")
    house.client.post(house.link(other), data={"tiredness": "5"})
    assert [row.patient_id for row in house.rows(Checkin)] == [other.id]


def test_a_link_of_somebody_who_has_left_is_closed(house: House) -> None:
    path = house.link(house.asha)
    house.change(house.asha, state=PatientState.ENDED)
    clinic = house.rows(Clinic)[0]
    # ITU-T E.123, 7.1: digits of a number are set in groups by spaces; what is no number of a plan stays as typed.
    for typed, shown in (("+6433660100", "+64 3 366 0100"), ("+999 1", "+999 1"), ("03 3660100", "03 3660100")):
        house.change(clinic, contact_line=typed)
        closed = house.client.get(path)
        assert (closed.status_code, f'Call the clinic: <span class="nowrap">{shown}</span>' in closed.text) == (
            410,
            True,
        )
    assert house.client.post(path, data={"tiredness": "5"}).status_code == 410
    assert house.checkins() == []


def test_the_page_speaks_the_language_on_the_record_not_the_browsers(house: House) -> None:
    path = house.link(house.asha)
    english = house.client.get(path, headers={"Accept-Language": "es"}).get_data(as_text=True)
    assert '<html lang="en"' in english
    house.change(house.asha, language="es")
    spanish = house.client.get(path, headers={"Accept-Language": "en"}).get_data(as_text=True)
    assert '<html lang="es"' in spanish
    assert "¿Cuánto ha pesado esta mañana?" in spanish
    assert "lunes, 2 de marzo" in spanish
    assert "Lo habitual en usted son 2 almohadas." in spanish
    wrong = house.client.post(path, data={"weight": "mucho"}).get_data(as_text=True)
    assert "Escriba el peso como un número" in wrong
    alarm = house.client.post(path, data={"safety_signs": "chest_pain"}, follow_redirects=True)
    assert "Llame al 111" in alarm.get_data(as_text=True)


def test_a_blank_form_is_the_patients_own_however_often_it_was_made_for_others(house: House) -> None:
    """Its questions are made once for everybody alike: unit, pillows and answers are nobody else's."""

    def page() -> str:
        return house.client.get(house.link(house.asha)).get_data(as_text=True)

    other = house.world.patient("Walter Heath")
    house.world.at(other, "07:30")
    assert 'name="weight_unit" value="kg" checked' in page()
    house.change(house.asha, weight_unit="[lb_av]", usual_pillows=4)
    assert 'name="weight_unit" value="[lb_av]" checked' in page()
    assert "Your usual is 4 pillows." in page()
    house.client.post(house.link(house.asha), data={"weight": "181.3", "weight_unit": "[lb_av]", "note": "Slept badly"})
    assert "Slept badly" in page()
    theirs = house.client.get(house.link(other)).get_data(as_text=True)
    assert "Slept badly" not in theirs
    assert "181.3" not in theirs
    assert 'name="weight_unit" value="kg" checked' in theirs


def test_a_note_is_shown_as_text_not_as_markup(house: House) -> None:
    path = house.link(house.asha)
    house.client.post(path, data={"note": "</textarea><script>alert(1)</script>"})
    page = house.client.get(path).get_data(as_text=True)
    assert "<script>alert" not in page
    assert "&lt;script&gt;alert(1)" in page


def test_it_is_said_everywhere_that_this_is_no_emergency_service(house: House) -> None:
    path = house.link(house.asha)
    house.client.post(path, data={"tiredness": "1"})
    for page in (path, f"{path}/thanks", path[:-3], house.nudged()):
        assert "This is not an emergency service." in words(house.client.get(page).get_data(as_text=True))


def test_it_needs_no_cookie_and_sets_none(house: House) -> None:
    client = house.app.test_client(use_cookies=False)
    path = house.link(house.asha)
    assert "Set-Cookie" not in client.get(path).headers
    assert "Set-Cookie" not in client.post(path, data={"tiredness": "1"}).headers


def test_what_it_sends_may_not_be_kept_or_framed_or_told_on(house: House) -> None:
    headers = house.client.get(house.link(house.asha)).headers
    assert headers["Cache-Control"] == "no-store"
    assert headers["Referrer-Policy"] == "no-referrer"  # the address is the key
    assert "frame-ancestors 'none'" in headers["Content-Security-Policy"]
    assert "unsafe" not in headers["Content-Security-Policy"]


def test_the_link_names_neither_the_person_nor_the_day(house: House) -> None:
    path = house.link(house.asha)
    assert "asha" not in path.lower()
    opened = house.world.link(path.rsplit("/", 1)[1], LinkPurpose.CHECKIN)
    assert opened.window_id == house.window().id
