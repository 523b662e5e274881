"""What the review would have shown of each patient on each evening of the past.

Promises that an evening's row rests on what had come by then alone: a row that came late
counts from the evening it came, and judges the days since its date again, as it does in a
clinic; that the steps are the clinic's own (the carried engine, resumed from the evening
before; the panel's row; the rules that place a patient; the sentences); and that what is not
known is empty. A past file tells no plan: every date from a patient's first to their last
counts as one on which a reading was expected, and a diary is expected of whoever keeps one
(`past.case_of`). What staff did (tasks, signatures, pauses) is not in the files, and so not in
the rows.
"""

from __future__ import annotations

import uuid
from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import date, timedelta

from service.domain import days, review, summary
from service.domain.days import Day, Planned, Taken
from service.domain.review import PatientFacts
from service.domain.signals import engine
from service.domain.signals.engine import NOTHING_CARRIED
from service.domain.signals.facts import Assessment, Case, PictureFacts, SilenceFacts
from service.domain.signals.settings import EngineSettings
from service.domain.signals.state import CarriedState
from service.domain.summary import STRIP_DAYS
from service.domain.vocabulary import Lane, WindowState
from service.replaying.past import AT_ONCE, Options, PastDiaries, PastReadings, case_of
from service.words.language import FALLBACK, load_language
from service.words.sentences import review as words


@dataclass(frozen=True, slots=True)
class ReplayedEvening:
    """One patient on one evening: the picture with all its facts, and what the review says."""

    patient: str
    local_date: date
    picture: PictureFacts
    lane: Lane
    reasons: tuple[review.Reason, ...]  # the most pressing first

    @property
    def sentence(self) -> str:
        """Every reason, in words."""
        return " ".join(words.reasons(load_language(FALLBACK), self.reasons))


def replay_evenings(readings: PastReadings, diaries: PastDiaries | None, options: Options) -> Iterator[ReplayedEvening]:
    """Each patient's evenings from their first date to their last, by date within some hundred patients."""
    names = sorted({*readings.taken, *(diaries.came if diaries else ())})
    for begin in range(0, len(names), AT_ONCE):
        some = [_followed(name, readings, diaries, options) for name in names[begin : begin + AT_ONCE]]
        yield from _together(some, options.engine)


@dataclass(slots=True)
class _Followed:
    """One patient as far as they are known on some evening."""

    name: str
    case: Case
    first: date
    last: date
    coming: Mapping[date, list[Taken | Day]]  # by the evening it had come
    read: dict[date, list[Taken]] = field(default_factory=lambda: defaultdict(list))
    written: dict[date, Day] = field(default_factory=dict)
    shown: dict[date, Day] = field(default_factory=dict)
    carried: CarriedState = NOTHING_CARRIED
    last_read: date | None = None


def _followed(name: str, readings: PastReadings, diaries: PastDiaries | None, options: Options) -> _Followed:
    came: list[tuple[date, Taken | Day]] = list(
        zip(readings.came_on.get(name, ()), readings.taken.get(name, ()), strict=True)
    )
    came += diaries.came.get(name, ()) if diaries else ()
    coming: dict[date, list[Taken | Day]] = defaultdict(list)
    for on, what in came:
        coming[on].append(what)
    known = [what.day for _, what in came]
    first = min(known)
    case = case_of(name, first, diaries, options)
    # Silence is told from evening to evening, as a clinic's windows tell it: the engine need not count it as well.
    case = replace(case, silent_days=0, silence=SilenceFacts(silent_days=case.silent_days))
    return _Followed(name, case, first, max(known), coming)


def _together(everyone: list[_Followed], settings: EngineSettings) -> Iterator[ReplayedEvening]:
    for evening in days.dates(min(one.first for one in everyone), max(one.last for one in everyone)):
        some = [one for one in everyone if one.first <= evening <= one.last]
        cases = [_case(one, evening) for one in some]
        worked_out = engine.work_out(cases, [one.carried for one in some], settings)
        for one, case, worked in zip(some, cases, worked_out, strict=True):
            one.carried = worked.carried
            yield _evening(one, case, worked.assessment)


def _case(one: _Followed, evening: date) -> Case:
    """The patient's case with the days that the engine has still to see, once what came by this evening is taken in."""
    changed_from = _take_in(one, evening)
    case = replace(one.case, today=evening)
    one.carried = engine.still_valid(one.carried, case, changed_from)
    hour, new_from = None, one.first
    if one.carried.states:
        newest = one.carried.states[-1]
        new_from = date.fromordinal(newest.day + 1)
        hour = newest.usual_hour if newest.usual_hour == newest.usual_hour else None  # not nan
    new = days.dates(new_from, evening)
    joined = days.join(
        new_from,
        evening,
        readings=[taken for day in new for taken in one.read.get(day, ())],
        diary=[one.written[day] for day in new if day in one.written],
        windows=[_planned(day, read=day in one.read) for day in new],
        usual_hour=hour,
    )
    one.shown.update((day.day, day) for day in joined)
    return replace(case, days=joined, silence=_silence(one, evening))


def _take_in(one: _Followed, evening: date) -> date | None:
    """The first date of which anything came."""
    come = one.coming.get(evening, ())
    for what in come:
        if isinstance(what, Day):
            one.written[what.day] = what
        else:
            one.read[what.day].append(what)
            one.last_read = max(one.last_read or what.day, what.day)
    return min((what.day for what in come), default=None)


def _planned(day: date, *, read: bool) -> Planned:
    return Planned(day, WindowState.ANSWERED if read else WindowState.MISSED, wants_reading=True, got_reading=read)


def _silence(one: _Followed, evening: date) -> SilenceFacts:
    since = one.first if one.last_read is None else one.last_read + timedelta(days=1)
    missed = (evening - since).days + 1
    return replace(one.case.silence, missed=missed, since=since if missed else None)


def _evening(one: _Followed, case: Case, assessment: Assessment) -> ReplayedEvening:
    from_day = max(one.first, case.today - timedelta(days=STRIP_DAYS - 1))
    row = summary.of_assessment(
        assessment,
        summary.recent([one.shown[day] for day in days.dates(from_day, case.today)]),
        case.limits,
        silence=None,  # of why nothing came a file says nothing
        pause=None,
        has_plan=True,
        silent_days=case.silence.silent_days,
    )
    placed = review.place(PatientFacts(uuid.UUID(int=0), one.first, row, case.silence.silent_days))
    return ReplayedEvening(one.name, case.today, assessment.picture, placed.lane, placed.reasons)
