"""A panel row's summary in and out of JSON, as it is carried and as it is frozen.

Promises that what comes back is what went in, to the tenth of a mmHg that a
sensor gives; and that a record written by an earlier layout of this service is
read or refused, never guessed at.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Any

from service.domain.review_facts import Adherence, PauseNow, Raised, SilenceNow
from service.domain.signals_facts import Picture
from service.domain.summary import Judged, Strip, Summary, WeightChange
from service.domain.vocabulary import Lane, PauseCause, Response, SignalKind, SilenceCause


def as_json(known: Summary) -> dict[str, Any]:
    """Plain JSON; pressures to a tenth of a mmHg, as a sensor gives them."""
    judged = known.judged
    return {
        "today": known.today.isoformat(),
        "first": known.strip.first_day.isoformat(),
        "values": [None if value is None else round(value, 1) for value in known.strip.values],
        "marks": known.strip.marks,
        "received": [known.adherence.received, known.adherence.expected, known.adherence.excused],
        "level": _tenth(judged.level),
        "level_sd": _rounded(judged.level_sd, 3),
        "pace": _rounded(judged.pace, 3),
        "pace_sd": _rounded(judged.pace_sd, 3),
        "reference": _tenth(judged.reference),
        "reference_is_set": judged.reference_is_set,
        "days_to_limit": _tenth(judged.days_to_limit),
        "signals": [[signal.kind.value, signal.sentence, signal.since.isoformat()] for signal in judged.signals],
        "picture": [judged.picture, judged.lane, judged.sentence, round(judged.size, 2)],
        "response": None if judged.response is None else [judged.response.value, judged.response_sentence],
        "upper": known.upper,
        "lower": known.lower,
        "last_reading": _iso(known.last_reading_on),
        "last_diary": _iso(known.last_diary_on),
        "weight": None
        if known.weight is None
        else [known.weight.now_kg, round(known.weight.change_kg, 2), known.weight.on.isoformat()],
        "symptoms": known.symptoms,
        "silence": None
        if known.silence is None
        else [
            known.silence.first_day.isoformat(),
            known.silence.last_day.isoformat(),
            known.silence.missed,
            known.silence.cause.value,
        ],
        "pause": None
        if known.pause is None
        else [known.pause.cause.value, known.pause.from_day.isoformat(), _iso(known.pause.to_day)],
        "has_plan": known.has_plan,
        "silent_days": known.silent_days,
        "trouble": known.trouble,
    }


def from_json(told: Mapping[str, Any]) -> Summary:
    """The summary that `as_json` told of. Raises KeyError or ValueError for anything else."""
    response = told["response"]
    weight, silence, pause = told["weight"], told["silence"], told["pause"]
    return Summary(
        today=date.fromisoformat(told["today"]),
        strip=Strip(date.fromisoformat(told["first"]), tuple(told["values"]), told["marks"]),
        adherence=Adherence(*told["received"]),
        judged=Judged(
            level=told["level"],
            level_sd=told["level_sd"],
            pace=told["pace"],
            pace_sd=told["pace_sd"],
            reference=told["reference"],
            reference_is_set=told["reference_is_set"],
            days_to_limit=told["days_to_limit"],
            signals=tuple(
                Raised(SignalKind(kind), sentence, date.fromisoformat(since))
                for kind, sentence, since in told["signals"]
            ),
            picture=None if told["picture"][0] is None else Picture(told["picture"][0]),
            lane=None if told["picture"][1] is None else Lane(told["picture"][1]),
            sentence=told["picture"][2],
            size=told["picture"][3],
            response=None if response is None else Response(response[0]),
            response_sentence="" if response is None else response[1],
        ),
        upper=told["upper"],
        lower=told["lower"],
        last_reading_on=_date(told["last_reading"]),
        last_diary_on=_date(told["last_diary"]),
        weight=None if weight is None else WeightChange(weight[0], weight[1], date.fromisoformat(weight[2])),
        symptoms=told["symptoms"],
        silence=None
        if silence is None
        else SilenceNow(
            date.fromisoformat(silence[0]), date.fromisoformat(silence[1]), silence[2], SilenceCause(silence[3])
        ),
        pause=None if pause is None else PauseNow(PauseCause(pause[0]), date.fromisoformat(pause[1]), _date(pause[2])),
        has_plan=told["has_plan"],
        silent_days=told["silent_days"],
        trouble=told["trouble"],
    )


def as_kept(known: Summary) -> Summary:
    """The summary as it will read once stored: what is compared, so that rounding is no difference."""
    return from_json(as_json(known))


def _tenth(value: float | None) -> float | None:
    return _rounded(value, 1)


def _rounded(value: float | None, places: int) -> float | None:
    return None if value is None else round(value, places)


def _iso(day: date | None) -> str | None:
    return None if day is None else day.isoformat()


def _date(text: str | None) -> date | None:
    return None if text is None else date.fromisoformat(text)
