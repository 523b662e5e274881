"""The table Now in words: what counts of one patient today, a line a subject, each with its date.

Promises a line for every subject that is asked for, empty where it is not known; that a newest value is held against
the patient's own earlier ones, with how many they are; and that a published figure is named with its source and year.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from zoneinfo import ZoneInfo

from service.domain.localtime import local_date
from service.domain.record.now import Happened, Recorded, RecordNow
from service.domain.record.results import TimedResult
from service.domain.record.standing import Among, ArmPressure, ejection_class, gfr_stage
from service.domain.vocabulary import Knowledge, ResultKind
from service.words.labels import label, title
from service.words.language import Language
from service.words.sentences import record

K = ResultKind
WHERE_KNOWN = (K.UREA, K.FERRITIN, K.RIGHT_ATRIAL, K.CARDIAC_OUTPUT)


@dataclass(frozen=True, slots=True)
class Body:
    """The newest weight that may be compared, kg, its local date, and the dry weight; None is not known."""

    weight_kg: float | None = None
    weighed_on: date | None = None
    dry_weight_kg: float | None = None


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a table: an empty `value` is not known."""

    what: str
    value: str = ""
    on: str = ""
    notes: tuple[str, ...] = ()
    stands_out: bool = False  # outside this patient's own, or overdue


def glance(say: Language, now: RecordNow, today: date, where: ZoneInfo, level: float | None) -> list[Line]:
    """The four that are asked first: who is in touch next, what is taken, kidney and potassium, the last event.

    `level` is where PA diastolic is now, mmHg; None is not known.
    """
    contact = Line(say.gettext("In touch next"), say.gettext("nobody is named"))
    if now.contact is not None:
        told = record.contacting(say, now.contact, today)
        contact = Line(contact.what, told, stands_out=now.overdue(today))
    takes = "; ".join(record.taken_as(say, one.course) for one in now.taking) or say.gettext("no medicine is entered")
    newest = {one.result.kind: one for one in now.newest}
    kidney = [_dated(say, newest[kind], where) for kind in (K.CREATININE, K.POTASSIUM) if kind in newest]
    if now.egfr is not None:
        kidney.insert(min(1, len(kidney)), f"{title(say, K.EGFR)} {say.figure(now.egfr.value, 0)}")
    last = say.gettext("none is entered") if now.last_event is None else event(say, now.last_event, level)
    return [
        contact,
        Line(say.gettext("Takes"), takes),
        Line(say.gettext("Kidney, potassium"), "; ".join(kidney)),
        Line(say.gettext("Last event"), last),
    ]


def _dated(say: Language, one: TimedResult, where: ZoneInfo) -> str:
    """`Potassium 5.2 mmol/L (20 Nov 2026), before it 4.1 mmol/L (17 Nov 2026)`."""
    told = [f"{record.measured(say, it)} ({say.dated(local_date(it.at, where))})" for it in (one, one.before) if it]
    first = f"{title(say, one.result.kind)} {told[0]}"
    return first if len(told) == 1 else say.gettext("%(now)s, before it %(before)s", now=first, before=told[1])


def event(say: Language, one: Happened, level: float | None) -> str:
    """`Admission from … to …, heart failure; PA diastolic a week before: 24 mmHg; last known 4 below that`."""
    told = record.happened(say, one)
    if one.level_before is None:
        return say.gettext("%(event)s; PA diastolic a week before: not known", event=told)
    before = say.figure(one.level_before, 0)
    if level is None:
        return say.gettext("%(event)s; PA diastolic a week before: %(before)s mmHg", event=told, before=before)
    apart = say.figure(abs(level - one.level_before), 0)
    if apart == "0":
        text = say.gettext("%(event)s; PA diastolic a week before: %(before)s mmHg; last known as high")
    elif level > one.level_before:
        text = say.gettext("%(event)s; PA diastolic a week before: %(before)s mmHg; last known %(apart)s above that")
    else:
        text = say.gettext("%(event)s; PA diastolic a week before: %(before)s mmHg; last known %(apart)s below that")
    return text % {"event": told, "before": before, "apart": apart}


def table(say: Language, now: RecordNow, body: Body, where: ZoneInfo) -> list[Line]:
    """The table Now, in its order."""
    newest = {one.result.kind: one for one in now.newest}
    among = {one.kind: one for one in now.among}

    def of(kind: ResultKind, *notes: str) -> Line:
        known = newest.get(kind)
        if known is None:
            return Line(title(say, kind))
        stands = among[kind]
        return Line(
            title(say, kind),
            record.measured(say, known),
            say.dated(local_date(known.at, where)),
            (*notes, *_among(say, stands, where)),
            stands.knowledge is Knowledge.CHANGED,
        )

    fraction = newest.get(K.EJECTION_FRACTION)
    named = () if fraction is None else (_ejection(say, fraction),)
    peptides = [of(kind) for kind in (K.BNP, K.NT_PROBNP) if kind in newest]
    return [
        of(K.NYHA),
        of(K.MRC),
        of(K.EJECTION_FRACTION, *named),
        _weight(say, body),
        _loop(say, now),
        of(K.CREATININE),
        _egfr(say, now),
        of(K.POTASSIUM),
        of(K.SODIUM),
        *(peptides or [Line(say.gettext("BNP or NT-proBNP"))]),
        of(K.HAEMOGLOBIN),
        *_arm(say, now, among.get(K.SYSTOLIC), where),
        of(K.SATURATION),
        *(of(kind) for kind in WHERE_KNOWN if kind in newest),
        *_person(say, now),
        _gradient(say, now),
    ]


def _among(say: Language, stands: Among, where: ZoneInfo) -> tuple[str, ...]:
    """How it stands among the patient's own of the year before; nothing where there is none."""
    if stands.least is None or stands.most is None or stands.since is None:
        return ()
    if stands.knowledge is Knowledge.TOO_LITTLE:
        before = stands.most if stands.most.at > stands.least.at else stands.least
        day = say.dated(local_date(before.at, where))
        return (say.gettext("before: %(value)s on %(day)s", value=record.measured(say, before), day=day),)
    values = {
        "count": stands.earlier,
        "least": say.as_given(stands.least.result.value),
        "most": record.measured(say, stands.most),
        "day": say.dated(stands.since),
    }
    if stands.least.result.unit != stands.most.result.unit:
        values["least"] = record.measured(say, stands.least)
    if stands.knowledge is Knowledge.UNCHANGED:
        return (say.gettext("within their own %(count)d since %(day)s: %(least)s to %(most)s", **values),)
    if stands.above:
        return (say.gettext("above all their own %(count)d since %(day)s: %(least)s to %(most)s", **values),)
    return (say.gettext("below all their own %(count)d since %(day)s: %(least)s to %(most)s", **values),)


def _ejection(say: Language, fraction: TimedResult) -> str:
    named = label(say, ejection_class(fraction.result.compared))
    return say.gettext("%(class)s (to 40, to 49, from 50 %%: ESC 2021)", **{"class": named})


def _weight(say: Language, body: Body) -> Line:
    notes = []
    if body.dry_weight_kg is None:
        notes.append(say.gettext("dry weight not known"))
    else:
        notes.append(say.gettext("dry weight %(weight)s kg", weight=say.figure(body.dry_weight_kg)))
        if body.weight_kg is not None:
            notes[0] += f" ({say.change(body.weight_kg - body.dry_weight_kg)})"
    if body.weight_kg is None or body.weighed_on is None:
        return Line(say.gettext("Weight"), notes=tuple(notes))
    value = f"{say.figure(body.weight_kg)} kg"
    return Line(say.gettext("Weight"), value, say.dated(body.weighed_on), tuple(notes))


def _loop(say: Language, now: RecordNow) -> Line:
    what = say.gettext("Loop diuretic")
    if now.loop is None:
        return Line(what, say.gettext("none is entered"))
    value, notes = record.loop(say, now.loop)
    return Line(what, value, notes=notes)


def _egfr(say: Language, now: RecordNow) -> Line:
    known = now.egfr
    if known is None:
        notes = () if now.age is not None else (say.gettext("computed where age, sex and creatinine are known"),)
        return Line(title(say, K.EGFR), notes=notes)
    how = say.gettext("computed (CKD-EPI 2021)") if known.computed else say.gettext("as reported")
    stage = say.gettext("%(stage)s if it lasts (KDIGO 2012)", stage=gfr_stage(known.value))
    value = f"{say.figure(known.value, 0)} mL/min/1.73 m²"
    return Line(title(say, K.EGFR), value, say.dated(known.on), (how, stage))


def _arm(say: Language, now: RecordNow, among: Among | None, where: ZoneInfo) -> Iterator[Line]:
    """The newest pressure of the arm, and the newest pair of lying and standing."""
    what = say.gettext("Arm pressure")
    if now.arm is None or among is None:
        yield Line(what)
    else:
        how = () if now.arm.systolic.posture is None else (label(say, now.arm.systolic.posture),)
        stands = among.knowledge is Knowledge.CHANGED
        value, on = f"{_both(say, now.arm)} mmHg", say.dated(now.arm.on)
        yield Line(what, value, on, (*how, *_among(say, among, where)), stands)
    what = say.gettext("Lying, standing")
    if now.pair is None:
        yield Line(what)
        return
    systolic, diastolic = now.pair.drop
    lower = say.change(-float(systolic), 0) + ("" if diastolic is None else f"/{say.change(-float(diastolic), 0)}")
    both = f"{_both(say, now.pair.lying)}, {_both(say, now.pair.standing)} mmHg"
    notes = (
        say.gettext("on standing %(change)s", change=lower),
        say.gettext("a fall of 20/10 within 3 minutes is called orthostatic (consensus of 2011)"),
    )
    yield Line(what, both, say.dated(now.pair.standing.on), notes)


def _both(say: Language, pressure: ArmPressure) -> str:
    diastolic = "–" if pressure.diastolic is None else say.as_given(pressure.diastolic.result.value)
    return f"{say.as_given(pressure.systolic.result.value)}/{diastolic}"


def _person(say: Language, now: RecordNow) -> Iterator[Line]:
    heard, person = now.heard, now.person
    what = title(say, K.RHYTHM)
    yield Line(what) if heard is None else Line(what, label(say, heard.rhythm), say.dated(heard.on))
    yield Line(say.gettext("Pacing, defibrillator"), "" if person.device is None else label(say, person.device))
    days = person.dialysis_days
    on = "" if days is None else say.listed([say.weekdays[day] for day in days]) or say.gettext("no day")
    yield Line(say.gettext("Dialysis on"), on)
    a_day = [
        "" if person.fluid_ml is None else say.gettext("fluid up to %(ml)d mL a day", ml=person.fluid_ml),
        "" if person.sodium_mg is None else say.gettext("sodium up to %(mg)d mg a day", mg=person.sodium_mg),
    ]
    yield Line(say.gettext("Diet"), say.listed([one for one in a_day if one]) if any(a_day) else "")
    height = "" if person.altitude_m is None else say.gettext("%(metres)d m", metres=person.altitude_m)
    yield Line(say.gettext("Usual altitude"), height)


def person(say: Language, known: Recorded) -> list[tuple[str, str]]:
    """Who it is, name and value, beside what the table has; what is not known says so."""
    own = known.person
    side = "" if own.implant_side is None else f", {label(say, own.implant_side)}"
    told = {
        say.gettext("Born on"): known.born_on and say.dated(known.born_on),
        say.gettext("Sex"): known.sex and label(say, known.sex),
        say.gettext("Height, cm"): own.height_cm and say.figure(own.height_cm),
        say.gettext("Sensor implanted on"): own.implanted_on and f"{say.dated(own.implanted_on)}{side}",
    }
    return [(what, value or say.gettext("not known")) for what, value in told.items()]


def _gradient(say: Language, now: RecordNow) -> Line:
    what = say.gettext("PA diastolic − wedge")
    known = now.catheter
    if known is None:
        return Line(what)
    both = f"{say.as_given(known.diastolic.result.value)} − {say.as_given(known.wedge.result.value)}"
    value = f"{both} = {say.as_given(known.gradient)} mmHg"
    place = say.gettext("at implant") if known.at_implant else say.gettext("at catheter")
    return Line(what, value, say.dated(known.on), (place,), known.is_raised)
