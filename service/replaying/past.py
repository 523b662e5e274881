"""Try the settings on past data before trusting them: files in, signals out, no database.

Promises to run strictly day by day, so that a signal of one day rests on that day and earlier
ones only; that a bad row is reported with its line, field, value and what is accepted, and every
good one is kept whatever the order of the lines; and to use the very code that runs when a
reading arrives: the rows' reader, the rule for several readings of a date, and the engine are the
clinic's own. Past data ask for three differences: a column that is not known is passed over and
named, one pressure alone is enough for a reading, and the local date and hour are those written in
the reading's own offset, since no zone is known. The same reading twice counts once; of two diaries
of one date the later line counts, as a correction does. Either file may have a column `received_at`:
`evenings` looks at no row before it had come. Signals are told as if every row had come on its date.

The settings file is JSON, every field optional, an unknown one refused:

{
  "engine":      {"rise_sure": 0.97, …},             numbers of domain.signals.settings, by their names
  "limits":      {"P-1": {"upper": 25, "lower": 8}},  mmHg of PA diastolic, per patient, as a clinician typed them
  "references":  {"P-1": {"pa_diastolic": 18, "pa_mean": 26, "pa_systolic": 40,    mmHg, instead of the first days'
                          "from_date": "2026-01-05", "to_date": "2026-01-18"}},    no day before to_date is judged
  "goals":       {"P-1": {"upper": 20, "lower": null, "from_date": "2026-01-05", "until": "2026-06-30"}},    mmHg
  "tags":        {"P-1": [{"kind": "travel", "from_date": "2026-02-01", "to_date": "2026-02-09"},    what else was so;
                          {"kind": "recalibrated", "from_date": "2026-03-01", "offset_mmhg": 2.5}]}, references are
                                                      on the scale after the last recalibration
  "stays":       {"P-1": [{"discharged_on": "2026-03-01", "until": "2026-04-12",     the days after it are counted;
                           "watched_until": "2026-03-15"}]},    null, or until when a rise is told at a lower bar
  "dry_weights": {"P-1": 80.5},                       kg
  "only":        ["rising", "above_limit"]            kinds of signal to write; left out: all of them
}
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, tzinfo
from typing import Any, TypeVar

from service.domain import days, diary, readings, rows
from service.domain.days import Day, Taken
from service.domain.diary import Answers, NewCheckin
from service.domain.filedates import INSTANT
from service.domain.measures import per_100_patient_weeks
from service.domain.readings import EARLIEST, MMHG, CheckedReading, NewReading
from service.domain.rows import CheckinRows, ReadingRows
from service.domain.signals import engine, settings
from service.domain.signals.episodes import KINDS
from service.domain.signals.facts import (
    AfterStay,
    AnchoredReference,
    Case,
    ContextTag,
    Goal,
    PressureLimits,
    typed_reference,
)
from service.domain.signals.settings import DEFAULT, EngineSettings
from service.domain.trend.state import CHANNELS
from service.domain.validation import Refused, number
from service.domain.vocabulary import ContextKind, SignalKind
from service.words.language import FALLBACK, load_language
from service.words.sentences import signals

# --- the settings file ---------------------------------------------------------------


Found = TypeVar("Found")
SILENT_DAYS = 3  # what a new clinic begins with
LEAST, MOST = -5.0, 200.0  # mmHg a limit or a reference may be


@dataclass(frozen=True, slots=True)
class Options:
    """What a replay is told besides the data."""

    engine: EngineSettings = DEFAULT
    limits: Mapping[str, PressureLimits] = field(default_factory=dict)
    references: Mapping[str, AnchoredReference] = field(default_factory=dict)
    goals: Mapping[str, Goal] = field(default_factory=dict)
    tags: Mapping[str, tuple[ContextTag, ...]] = field(default_factory=dict)
    stays: Mapping[str, tuple[AfterStay, ...]] = field(default_factory=dict)
    dry_weights: Mapping[str, float] = field(default_factory=dict)
    only: frozenset[SignalKind] = frozenset(SignalKind)

    @property
    def silent_days(self) -> int:
        """From how many dates without a reading on a patient is silent."""
        return self.engine.silent_days or SILENT_DAYS


def read_options(text: str) -> Options:
    """The options in a JSON text. Raises Refused for anything not named above."""
    try:
        raw = json.loads(text)
    except ValueError as error:
        raise Refused("settings", text[:40], f"a JSON object ({error})") from None
    fields = {
        "engine": settings.from_json,
        "limits": _each(_limits),
        "references": _each(_reference),
        "goals": _each(_goal),
        "tags": _each(_tags),
        "stays": _each(_stays),
        "dry_weights": _each(lambda value: number("dry_weights", value, 20, 400, "kg")),
        "only": _only,
    }
    values: dict[str, Any] = {}
    _of_names("settings", raw, fields)
    for name, value in raw.items():
        values[name] = fields[name](_object(name, value) if name != "only" else value)
    return Options(**values)


def _each(read: Callable[[Any], Found]) -> Callable[[Mapping[str, Any]], dict[str, Found]]:
    def all_of(raw: Mapping[str, Any]) -> dict[str, Found]:
        return {patient: read(value) for patient, value in raw.items()}

    return all_of


def _limits(raw: Any) -> PressureLimits:
    values = _named("limits", raw, ("upper", "lower"))
    upper, lower = values["upper"], values["lower"]
    if upper is not None and lower is not None and lower >= upper:
        raise Refused("lower", lower, f"less than upper, {upper:g}")
    return PressureLimits(upper, lower)


def _reference(raw: Any) -> AnchoredReference:
    dates = {name: raw[name] for name in ("from_date", "to_date") if name in _object("references", raw)}
    values = _named("references", {name: value for name, value in raw.items() if name not in dates}, CHANNELS)
    if all(value is None for value in values.values()):
        raise Refused("references", raw, f"at least one of: {', '.join(CHANNELS)}")
    days = {name: _date(name, value) for name, value in dates.items()}
    pressures = (values[CHANNELS[0]], values[CHANNELS[1]], values[CHANNELS[2]])
    return typed_reference(pressures, days.get("from_date"), days.get("to_date"))


def _goal(raw: Any) -> Goal:
    dates = {name: _object("goals", raw).get(name) for name in ("from_date", "until")}
    values = _named("goals", {name: value for name, value in raw.items() if name not in dates}, ("upper", "lower"))
    from_day, until = (_needed(name, given) for name, given in dates.items())
    if values["upper"] is None and values["lower"] is None:
        raise Refused("goals", raw, "at least one of: upper, lower")
    if until < from_day:
        raise Refused("until", until.isoformat(), f"a date from {from_day.isoformat()}")
    return Goal(values["lower"], values["upper"], from_day, until)


def _tags(raw: Any) -> tuple[ContextTag, ...]:
    if not isinstance(raw, list):
        raise Refused("tags", raw, "a list")
    return tuple(sorted((_tag(one) for one in raw), key=lambda tag: tag.from_day))


def _tag(raw: Any) -> ContextTag:
    names = ("kind", "from_date", "to_date", "offset_mmhg")
    _of_names("tags", raw, names)
    if raw.get("kind") not in set(ContextKind):
        raise Refused("kind", raw.get("kind"), f"one of: {', '.join(ContextKind)}")
    kind, from_day = ContextKind(raw["kind"]), _needed("from_date", raw.get("from_date"))
    if kind is ContextKind.RECALIBRATED:
        offset = number("offset_mmhg", raw.get("offset_mmhg"), -MOST, MOST, "mmHg")
        return ContextTag(kind, from_day, from_day, offset)
    if raw.get("offset_mmhg") is not None:
        raise Refused("offset_mmhg", raw["offset_mmhg"], "nothing, but for a recalibration")
    return ContextTag(kind, from_day, _date("to_date", raw.get("to_date")))


def _stays(raw: Any) -> tuple[AfterStay, ...]:
    if not isinstance(raw, list):
        raise Refused("stays", raw, "a list")
    return tuple(sorted((_stay(one) for one in raw), key=lambda stay: stay.discharged_on))


def _stay(raw: Any) -> AfterStay:
    names = ("discharged_on", "until", "watched_until")
    _of_names("stays", raw, names)
    out, until = (_needed(name, raw.get(name)) for name in names[:2])
    watched = _date("watched_until", raw.get("watched_until"))
    for name, day in (("until", until), ("watched_until", watched)):
        if day is not None and day < out:
            raise Refused(name, day.isoformat(), f"a date from {out.isoformat()}")
    if watched is not None and watched > until:
        # No longer than their number is told, as at a clinic: a lower bar is named beside what it raised.
        raise Refused("watched_until", watched.isoformat(), f"a date from {out.isoformat()} to {until.isoformat()}")
    return AfterStay(out, until, watched)


def _needed(name: str, raw: Any) -> date:
    found = _date(name, raw)
    if found is None:
        raise Refused(name, raw, "a date such as 2026-03-01")
    return found


def _date(name: str, raw: Any) -> date | None:
    if raw is None:
        return None
    try:
        return date.fromisoformat(raw)
    except (TypeError, ValueError):
        raise Refused(name, raw, "a date such as 2026-03-01") from None


def _named(field_name: str, raw: Any, names: tuple[str, ...]) -> dict[str, float | None]:
    _of_names(field_name, raw, names)
    return {name: None if raw.get(name) is None else number(name, raw[name], LEAST, MOST, "mmHg") for name in names}


def _only(raw: Any) -> frozenset[SignalKind]:
    accepted = f"a list of kinds: {', '.join(SignalKind)}"
    if not isinstance(raw, list):
        raise Refused("only", raw, accepted)
    for kind in raw:
        if kind not in set(SignalKind):
            raise Refused("only", kind, accepted)
    return frozenset(SignalKind(kind) for kind in raw)


def _of_names(field_name: str, raw: Any, names: Collection[str]) -> None:
    """That it is an object, and that each of its keys is known. Raises Refused."""
    for name, value in _object(field_name, raw).items():
        if name not in names:
            raise Refused(name, value, f"one of: {', '.join(names)}")


def _object(name: str, raw: Any) -> Mapping[str, Any]:
    if not isinstance(raw, dict):
        raise Refused(name, raw, "a JSON object")
    return raw


# --- the files -----------------------------------------------------------------------


RECEIVED_AT = "received_at"
READINGS = replace(
    rows.READINGS,
    columns=(*rows.READINGS.columns, RECEIVED_AT),
    needed=("patient", "taken_at"),
    some_of=CHANNELS,
    others_ignored=True,
)
QUESTIONS = tuple(question.key for question in diary.QUESTIONS)
DIARY = replace(rows.CHECKINS, columns=(*rows.CHECKINS.columns, RECEIVED_AT), some_of=QUESTIONS, others_ignored=True)
LATEST = datetime(2100, 1, 1, tzinfo=UTC)  # nothing is in the future of a file, but a slip of the pen


@dataclass(slots=True)
class PastFile:
    """What a file came to besides its good rows: those refused, those given twice, columns passed over."""

    refused: list[Refused] = field(default_factory=list)
    duplicates: int = 0
    ignored_columns: tuple[str, ...] = ()
    rows: int = 0

    @property
    def refused_rows(self) -> int:
        return len({refusal.line for refusal in self.refused})


@dataclass(slots=True)
class PastReadings(PastFile):
    """Good readings by patient, in the order of the file, and beside each the date by whose evening it had come."""

    taken: dict[str, list[Taken]] = field(default_factory=dict)
    came_on: dict[str, list[date]] = field(default_factory=dict)


@dataclass(slots=True)
class PastDiaries(PastFile):
    """Good diaries by patient and date; and every one with the date by whose evening it had come."""

    days: dict[str, dict[date, Day]] = field(default_factory=dict)
    came: dict[str, list[tuple[date, Day]]] = field(default_factory=dict)


def read_readings(lines: Iterable[str]) -> PastReadings:
    """Every reading of a CSV file. Raises Refused where the file as a whole cannot be read."""
    past = PastReadings()
    sheet = rows.sheet_of(iter(lines), READINGS)
    past.ignored_columns = sheet.ignored
    read = ReadingRows(sheet, MMHG)
    known: dict[tuple[str, datetime], tuple[CheckedReading, int]] = {}
    for line, cells in _sound_rows(sheet, past):
        try:
            new, _ = read.read(cells)
            checked = readings.checked(new, LATEST, in_part=True)
            came_on = _came_on(cells[sheet.places[RECEIVED_AT]], new.taken_at.date(), new.taken_at.tzinfo)
            patient = str(new.patient)
            came = past.came_on.setdefault(patient, [])
            earlier, place = known.setdefault((patient, checked.taken_at), (checked, len(came)))
            if earlier is not checked:
                if not readings.says_nothing_new(checked, earlier):
                    raise Refused("taken_at", new.taken_at.isoformat(), "one reading of one patient at one instant")
                came[place] = min(came[place], came_on)
                past.duplicates += 1
                continue
        except Refused as refusal:
            past.refused.append(refusal.at_line(line))
            continue
        past.rows += 1
        past.taken.setdefault(patient, []).append(_taken(new, checked))
        came.append(came_on)
    return past


def read_diary(lines: Iterable[str]) -> PastDiaries:
    """Every diary of a CSV file. Raises Refused where the file as a whole cannot be read."""
    past = PastDiaries()
    sheet = rows.sheet_of(iter(lines), DIARY)
    past.ignored_columns = sheet.ignored
    read = CheckinRows(sheet)
    said: dict[str, list[Answers]] = {}
    for line, cells in _sound_rows(sheet, past):
        try:
            new, refused = read.read(cells)
            day = _past_day(new)
            came_on = _came_on(cells[sheet.places[RECEIVED_AT]], day.day, None)
        except Refused as refusal:
            refused = [refusal]
        if refused:
            past.refused += [refusal.at_line(line) for refusal in refused]
            continue
        days = past.days.setdefault(str(new.patient), {})
        past.duplicates += day.day in days
        past.rows += 1
        days[day.day] = day
        past.came.setdefault(str(new.patient), []).append((came_on, day))
        said.setdefault(str(new.patient), []).append(new.answers)
    for patient, answers in said.items():
        _doubt_weights(past.days[patient], past.came[patient], answers)
    return past


def _doubt_weights(days: dict[date, Day], came: list[tuple[date, Day]], said: Sequence[Answers]) -> None:
    """Mark the weights that are compared with nothing, by the sure ones before them. `said` goes with `came`."""
    answers = {day.day: given for (_, day), given in zip(came, said, strict=True)}  # of several of a date the last
    before: dict[date, tuple[float | None, float | None]] = {}
    sure, newest = None, None
    for on in sorted(days):
        before[on] = (sure, newest)
        kg, doubt = answers[on].weight_kg, diary.weight_doubt(answers[on], sure, newest)
        days[on] = replace(days[on], weight_doubt=doubt)
        newest = newest if kg is None else kg
        sure = newest if doubt is None else sure
    came[:] = [
        (came_on, replace(day, weight_doubt=diary.weight_doubt(given, *before[day.day])))
        for (came_on, day), given in zip(came, said, strict=True)
    ]


def _sound_rows(sheet: rows.Sheet, past: PastFile) -> Iterator[tuple[int, list[str]]]:
    for line, cells in rows.rows_of(sheet):
        if isinstance(cells, Refused):
            past.refused.append(cells.at_line(line))
        else:
            yield line, cells


def _came_on(received_at: str, day: date, zone: tzinfo | None) -> date:
    """The date by whose evening a row of `day` had come, by its own clock; that day where none is told."""
    if not received_at.strip():
        return day
    try:
        instant = datetime.fromisoformat(received_at.strip())
    except ValueError:
        raise Refused(RECEIVED_AT, received_at, INSTANT) from None
    if instant.tzinfo is None:
        raise Refused(RECEIVED_AT, received_at, INSTANT)
    return max(day, instant.astimezone(zone or instant.tzinfo).date())


def _taken(new: NewReading, checked: CheckedReading) -> Taken:
    return Taken(
        new.taken_at.date(),
        checked.pa_systolic,
        checked.pa_diastolic,
        checked.pa_mean,
        checked.heart_rate,
        tuple(checked.remarks),
        hour=new.taken_at.hour + new.taken_at.minute / 60.0,
        posture=new.posture,
    )


def _past_day(new: NewCheckin) -> Day:
    day = new.local_date
    if day is None or not EARLIEST.date() <= day < LATEST.date():
        raise Refused("local_date", day and day.isoformat(), f"a year from {EARLIEST.year} to {LATEST.year - 1}")
    return Day.of_answers(day, new.answers)


# --- the run -------------------------------------------------------------------------


AT_ONCE = 1000  # patients worked on together
DAYS_A_YEAR = 365.25


@dataclass(frozen=True, slots=True)
class ReplayedSignal:
    """One line of the answer."""

    patient: str
    local_date: date
    signal: SignalKind
    sentence: str


@dataclass(slots=True)
class Replayed:
    """What a replay result, in order of date, patient and kind."""

    signals: list[ReplayedSignal] = field(default_factory=list)
    patients: int = 0
    patient_days: int = 0

    def per_patient_year(self) -> dict[SignalKind, float]:
        """Signals per patient-year, by kind."""
        counts = Counter(line.signal for line in self.signals)
        years = max(self.patient_days, 1) / DAYS_A_YEAR
        return {kind: counts[kind] / years for kind in KINDS}

    def burden(self) -> float:
        """Signals per 100 patients and week."""
        return per_100_patient_weeks(len(self.signals), self.patient_days) or 0.0


def replay(
    readings: PastReadings,
    diaries: PastDiaries | None,
    options: Options,
    progress: Callable[[int], None] = lambda patients: None,
) -> Replayed:
    """Run every patient of the two files. `progress` is told how many patients are done."""
    names = sorted({*readings.taken, *(diaries.days if diaries else ())})
    result = Replayed(patients=len(names))
    english = load_language(FALLBACK)
    for begin in range(0, len(names), AT_ONCE):
        some = names[begin : begin + AT_ONCE]
        courses = {name: _course(name, readings, diaries) for name in some}
        # Everybody is run to the same day, side by side; what a patient's own last day does not hold is left out.
        today = max(course[-1].day for course in courses.values())
        cases = [
            replace(case_of(name, course[0].day, diaries, options), days=course, today=today)
            for name, course in courses.items()
        ]
        for (name, course), assessment in zip(courses.items(), engine.assess_many(cases, options.engine), strict=True):
            result.patient_days += (course[-1].day - course[0].day).days + 1
            result.signals += [
                ReplayedSignal(
                    name, episode.raised_on, episode.kind, signals.signal(english, episode.kind, episode.facts)
                )
                for episode in assessment.signals
                if episode.raised_on <= course[-1].day and episode.kind in options.only
            ]
        progress(begin + len(some))
    result.signals.sort(key=lambda line: (line.local_date, line.patient, KINDS.index(line.signal)))
    return result


def _course(name: str, readings: PastReadings, diaries: PastDiaries | None) -> list[Day]:
    """The days of one patient that hold anything, in order."""
    taken = readings.taken.get(name, [])
    written = diaries.days.get(name, {}) if diaries else {}
    known = {*written, *(reading.day for reading in taken)}
    joined = days.join(min(known), max(known), readings=taken, diary=written.values())
    return [day for day in joined if day.readings or day.checkin]


def case_of(name: str, first: date, diaries: PastDiaries | None, options: Options) -> Case:
    """What one patient is judged by from their `first` date on, without the days; `today` is that date still.

    A past file tells no plan: a reading is expected of every date, and a diary of whoever keeps one.
    """
    return Case(
        days=(),
        today=first,
        reference=options.references.get(name),
        limits=options.limits.get(name, PressureLimits()),
        goal=options.goals.get(name),
        tags=options.tags.get(name, ()),
        stays=options.stays.get(name, ()),
        dry_weight_kg=options.dry_weights.get(name),
        readings_a_week=7,
        diaries_a_week=7 if diaries and name in diaries.came else 0,
        enrolled_on=first,
        silent_days=options.silent_days,
    )
