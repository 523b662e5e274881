"""Weight and symptoms of the week, a word each, with the way they went: what stands beside a strip.

Promises at most `MOST_SMALL` of them, the worst first, and "as usual" of what was compared alone.
"""

from __future__ import annotations

from enum import StrEnum

from service.domain.frozen import dataclass
from service.domain.signals.facts import DiaryFacts, Symptom, SymptomChange, WeightChange, WeightSpan
from service.domain.summary import TrendSummary
from service.domain.vocabulary import Knowledge
from service.words.language import Language
from service.words.sentences import brief


class Went(StrEnum):
    """Which way it went; the arrow that stands for it is the page's."""

    UP = "up"
    DOWN = "down"
    SAME = "same"  # compared, and unchanged
    WITHIN = "within"  # compared, and less than any rule calls a change
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Small:
    """One of the week's words: `weight`, up, `1.6 kg`."""

    name: str
    way: Went
    value: str = ""


MOST_SMALL = 3


def week(say: Language, known: TrendSummary) -> list[Small]:
    """Weight and symptoms of the week, at most `MOST_SMALL`: what is worse first, what is not known said as such.

    A bad night is among them, even where the newest answers were as usual.
    """
    told = known.diary
    words = [Small(*_small_symptom(say, change)) for change in told.worse]
    nights = [Small(*_small_symptom(say, change)) for change in told.once]
    words += [one for one in nights if one not in words]
    if told.light_headed:
        words.append(Small(say.gettext("light-headed"), Went.UP, say.gettext("%(days)d days", days=told.light_headed)))
    if told.eased is not None:
        words.append(Small(say.gettext("breathless"), Went.DOWN, say.figure(told.eased.now, 0)))
    if not words:
        words.append(_small_diary(say, known))
    return [_small_weight(say, told), *words][:MOST_SMALL]


def _small_weight(say: Language, told: DiaryFacts) -> Small:
    """An arrow only where a rule speaks of a change; else the change in a week, as no more than its figure."""
    change, name = told.weight.change_kg, say.gettext("weight")
    if (moved := told.weight_gain or told.weight_loss) is not None:
        return Small(name, Went.UP if moved.kg > 0 else Went.DOWN, _against(say, moved))
    if change is None:
        return Small(name, Went.UNKNOWN, say.gettext("not known"))
    return Small(name, Went.WITHIN, say.gettext("%(size)s kg", size=say.change(change)))


def _against(say: Language, moved: WeightChange) -> str:
    """`2.2 kg over dry`: how much, and against what where that is not a week ago."""
    size = say.figure(abs(moved.kg))
    match moved.span:
        case WeightSpan.DAYS_3:
            return say.gettext("%(size)s kg in 3 days", size=size)
        case WeightSpan.WEEK:
            return say.gettext("%(size)s kg", size=size)
        case WeightSpan.FORTNIGHT:
            return say.gettext("%(size)s kg in 14 days", size=size)
        case WeightSpan.OVER_USUAL:
            return say.gettext("%(size)s kg over usual", size=size)
        case WeightSpan.OVER_DRY:
            return say.gettext("%(size)s kg over dry", size=size)
        case WeightSpan.UNDER_DRY:
            return say.gettext("%(size)s kg under dry", size=size)


def _small_symptom(say: Language, change: SymptomChange) -> tuple[str, Went, str]:
    if change.symptom is Symptom.BREATHLESS:
        return say.gettext("breathless"), Went.UP, say.figure(change.now, 0)
    if change.symptom is Symptom.PILLOWS:
        return say.gettext("pillows"), Went.UP, say.figure(change.now, 0)
    return brief.symptom(say, change), Went.UP, ""


def _small_diary(say: Language, known: TrendSummary) -> Small:
    compared, name = known.diary.compared, say.gettext("diary")
    match compared.knowledge:
        case Knowledge.UNCHANGED:
            return Small(
                name, Went.SAME, say.gettext("as usual %(days)d of %(of)d", days=compared.days, of=compared.of)
            )
        case Knowledge.CHANGED:
            return Small(name, Went.UP, say.gettext("changed"))
        case Knowledge.TOO_LITTLE:
            return Small(name, Went.UNKNOWN, say.gettext("too little"))
        case Knowledge.NOTHING:
            return Small(name, Went.UNKNOWN, say.gettext("not known"))
