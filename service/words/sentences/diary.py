"""The diary in words for staff: what changed, how often it was compared and unchanged, or what the last answers said.

Promises that "unchanged" and "as usual" are said of nothing but what was compared, that a scale is
named where a number of it stands, and that breathlessness stands before weight: published, it tells
more (`domain.signals.facts.OF_BREATH`).
"""

from __future__ import annotations

from dataclasses import replace

from service.domain.signals.facts import (
    DiaryFacts,
    LastAnswers,
    PictureFacts,
    Symptom,
    SymptomChange,
    WeightChange,
    WeightSpan,
)
from service.domain.vocabulary import HEIGHTS, Knowledge, Swelling
from service.words.labels import label
from service.words.language import Language


def diary_clause(say: Language, facts: PictureFacts) -> str:
    """What comparing the diary came to: one of the four states of knowledge."""
    diary, compared = facts.diary, facts.diary.compared
    match compared.knowledge:
        case Knowledge.CHANGED:
            return changes(say, diary)
        case Knowledge.UNCHANGED:
            text = say.gettext(
                "diary compared and unchanged on %(days)d of the last %(of)d days", days=compared.days, of=compared.of
            )
            return f"{text}; {last_answers(say, diary.said)}" if diary.last_differs and diary.said else text
        case Knowledge.TOO_LITTLE if diary.said is not None:
            said = last_answers(say, diary.said)
            if not compared.heard:
                return say.gettext(
                    "%(gap)s, so how they feel is not known; %(said)s", gap=no_diary_for(say, facts), said=said
                )
            return say.gettext("diary too little to compare; %(said)s", said=said)
    return say.gettext("no diary, so how they feel is not known")


def changes(say: Language, diary: DiaryFacts) -> str:
    """Every change of the symptoms, and since when: `more breathless (4 of 10, usual 2), since 19 November`."""
    symptoms = [symptom_clause(say, change) for change in diary.worse]
    clauses = [*symptoms, eased_clause(say, diary), light_headed_clause(say, diary)]
    text = say.listed([clause for clause in clauses if clause])
    if diary.standing_on is not None:
        return say.gettext(
            "%(changes)s, said on %(day)s and not closed by answers since", changes=text, day=say.day(diary.standing_on)
        )
    if diary.since is None:
        return text
    return say.gettext("%(changes)s, since %(day)s", changes=text, day=say.day(diary.since))


def last_answers(say: Language, said: LastAnswers) -> str:
    """`the last, 19 November, said: breathlessness 7 of 10, 3 more pillows than usual`."""
    parts = []
    if said.breathlessness is not None:
        parts.append(say.gettext("breathlessness %(number)d of 10", number=said.breathlessness))
    if said.woke_breathless:
        parts.append(say.gettext("woken breathless"))
    if said.slept_in_chair:
        parts.append(say.gettext("slept in a chair"))
    if said.extra_pillows:
        parts.append(_pillows(say, said.extra_pillows))
    if said.swelling not in {None, Swelling.NONE}:
        parts.append(say.gettext("swelling %(place)s", place=label(say, said.swelling)))
    if said.full_belly:
        parts.append(say.gettext("belly swollen or full early"))
    if said.light_headed:
        parts.append(say.gettext("light-headed"))
    if said.weight_kg is not None:
        parts.append(say.gettext("weight %(kg)s kg", kg=say.figure(said.weight_kg)))
    answers = ", ".join(parts) or say.gettext("nothing that can be compared")
    return say.gettext("the last, %(day)s, said: %(answers)s", day=say.day(said.on), answers=answers)


def nights_clause(say: Language, diary: DiaryFacts) -> str:
    """The bad nights that what is said of the diary does not rest on: told beside it, whatever that is."""
    said = {symptom_clause(say, change) for change in diary.worse}  # an open episode may still tell of the same night
    return "; ".join(clause for one in diary.once if (clause := symptom_clause(say, one)) not in said)


def _pillows(say: Language, more: int) -> str:
    if more < 0:
        return say.ngettext("%(num)d pillow fewer than usual", "%(num)d pillows fewer than usual", -more)
    return say.ngettext("%(num)d more pillow than usual", "%(num)d more pillows than usual", more)


def no_diary_for(say: Language, facts: PictureFacts) -> str:
    last = facts.diary.last_on or facts.today
    return say.ngettext("no diary for %(num)d day", "no diary for %(num)d days", (facts.today - last).days)


def is_unchanged(diary: DiaryFacts) -> bool:
    """Whether "unchanged" may be said of the diary as a whole."""
    changed = diary.weighed.knowledge is Knowledge.CHANGED
    return diary.compared.knowledge is Knowledge.UNCHANGED and not changed and not diary.once


def worse(say: Language, diary: DiaryFacts) -> list[str]:
    """What is worse, breathlessness first and weight last: published, it tells less."""
    symptoms = [changes(say, replace(diary, eased=None, light_headed=0))] if diary.worse else []
    return [*symptoms, *([weight_clause(say, diary.weight_gain)] if diary.weight_gain else [])]


def symptom_clause(say: Language, change: SymptomChange) -> str:
    """`woken by breathlessness on 2 nights of 7`."""
    match change.symptom:
        case Symptom.BREATHLESS:
            return say.gettext(
                "more breathless (%(now)s of 10, usual %(usual)s)",
                usual=say.figure(change.usual or 0.0, 0),
                now=say.figure(change.now, 0),
            )
        case Symptom.PILLOWS:
            return _pillows(say, int(change.now))
        case Symptom.WOKEN:
            return say.ngettext(
                "woken by breathlessness on %(num)d night of %(of)d",
                "woken by breathlessness on %(num)d nights of %(of)d",
                int(change.now),
                of=change.of,
            )
        case Symptom.CHAIR:
            return say.ngettext(
                "slept in a chair on %(num)d night of %(of)d",
                "slept in a chair on %(num)d nights of %(of)d",
                int(change.now),
                of=change.of,
            )
        case Symptom.BELLY:
            return say.ngettext(
                "belly swollen or full early on %(num)d day of %(of)d",
                "belly swollen or full early on %(num)d days of %(of)d",
                int(change.now),
                of=change.of,
            )
        case Symptom.SWELLING:
            return say.gettext(
                "swelling up to the %(place)s", place=label(say, HEIGHTS[min(round(change.now), len(HEIGHTS) - 1)])
            )
        case Symptom.TIRED:
            return say.gettext("more tired than usual")


def eased_clause(say: Language, diary: DiaryFacts) -> str:
    """`less breathless (3 of 10, usual 5)`; empty when it is not so."""
    if diary.eased is None:
        return ""
    return say.gettext(
        "less breathless (%(now)s of 10, usual %(usual)s)",
        usual=say.figure(diary.eased.usual or 0.0, 0),
        now=say.figure(diary.eased.now, 0),
    )


def medicines_clause(say: Language, diary: DiaryFacts) -> str:
    """`medicines missed on 2 days of 7`; empty when none were reported missed."""
    if not diary.medicines_missed:
        return ""
    return say.ngettext(
        "medicines missed on %(num)d day of %(of)d",
        "medicines missed on %(num)d days of %(of)d",
        diary.medicines_missed,
        of=diary.compared.of,
    )


def light_headed_clause(say: Language, diary: DiaryFacts) -> str:
    """`light-headed on 3 days of 7`; empty when it was not reported more than usual."""
    if not diary.light_headed:
        return ""
    return say.ngettext(
        "light-headed on %(num)d day of %(of)d",
        "light-headed on %(num)d days of %(of)d",
        diary.light_headed,
        of=diary.compared.of,
    )


def weight_clause(say: Language, moved: WeightChange) -> str:
    """`weight up 1.6 kg from about a week ago`."""
    spans = {
        WeightSpan.DAYS_3: say.gettext("from about 3 days ago"),
        WeightSpan.WEEK: say.gettext("from about a week ago"),
        WeightSpan.FORTNIGHT: say.gettext("in 14 days by the trend of all weighings"),
        WeightSpan.OVER_USUAL: say.gettext("over this patient's own usual"),
        WeightSpan.OVER_DRY: say.gettext("over the dry weight set for this patient"),
        WeightSpan.UNDER_DRY: say.gettext("under the dry weight set for this patient"),
    }
    words = {"kg": say.figure(abs(moved.kg)), "span": spans[moved.span]}
    if moved.kg > 0:
        text = say.gettext("weight up %(kg)s kg %(span)s", **words)
    else:
        text = say.gettext("weight down %(kg)s kg %(span)s", **words)
    if moved.on is None:
        return text
    return say.gettext(
        "%(changes)s, said on %(day)s and not closed by weighings since", changes=text, day=say.day(moved.on)
    )


def weight_week(say: Language, diary: DiaryFacts) -> str:
    """`+1.6 kg in a week`, the last weighing, or that none is known."""
    if diary.weight.change_kg is not None:
        return say.gettext("%(change)s kg in a week", change=say.change(diary.weight.change_kg))
    if diary.weighed.last_on is None:
        return say.gettext("nothing known")
    return say.gettext("too little to compare; last weighed on %(day)s", day=say.day(diary.weighed.last_on))


def diary_week(say: Language, facts: PictureFacts | None) -> str:
    """The diary in few words, where its name stands beside it."""
    if facts is None or facts.diary.compared.knowledge is Knowledge.NOTHING:
        return say.gettext("nothing known")
    diary, compared = facts.diary, facts.diary.compared
    match compared.knowledge:
        case Knowledge.CHANGED:
            text = changes(say, diary)
        case Knowledge.UNCHANGED:
            text = say.gettext("as usual on %(days)d of the last %(of)d days", days=compared.days, of=compared.of)
            if diary.last_differs and diary.said:
                text = f"{text}; {last_answers(say, diary.said)}"
        case _:
            said = last_answers(say, diary.said) if diary.said else ""
            text = say.gettext("too little to compare; %(said)s", said=said)
    clauses = (text, nights_clause(say, diary), medicines_clause(say, diary))
    return "; ".join(clause for clause in clauses if clause)
