"""How a patient is followed in words: the pace, hours that would suit better, and what is usually looked at again."""

from __future__ import annotations

from service.domain.plan import HoursProposal
from service.domain.vocabulary import AdjustmentKind, Pace
from service.words.language import Language


def pace(say: Language, followed: Pace) -> str:
    """What staff read beside a patient who is followed at this pace."""
    match followed:
        case Pace.NEW_HERE:
            return say.gettext(
                "Closer follow-up in the first two weeks: an earlier reminder, and you are told a day sooner."
            )
        case Pace.BACK_FROM_HOSPITAL:
            return say.gettext(
                "Closer follow-up for two weeks after a hospital stay: an earlier reminder, and you are told a day "
                "sooner."
            )
        case Pace.ANSWERS_RELIABLY:
            return say.gettext(
                "Easier follow-up, because nearly every day is answered: a later reminder, and the caregiver is asked "
                "an hour later."
            )


def hours(say: Language, proposal: HoursProposal) -> str:
    """Other hours for a plan, and the habit they follow from."""
    return say.ngettext(
        "Usually measures at about %(usual)s (%(num)d reading): %(opens)s to %(closes)s, reminder %(due)s, would suit "
        "better.",
        "Usually measures at about %(usual)s (%(num)d readings): %(opens)s to %(closes)s, reminder %(due)s, would suit "
        "better.",
        proposal.readings,
        usual=f"{proposal.usual:%H:%M}",
        opens=f"{proposal.rule.opens:%H:%M}",
        closes=f"{proposal.rule.closes:%H:%M}",
        due=f"{proposal.rule.due:%H:%M}",
    )


def usual_follow_up(say: Language, kind: AdjustmentKind) -> str:
    """What is usually looked at again after this kind of change; KeyError where nothing is usual."""
    return {
        AdjustmentKind.MEDICINE: say.gettext("Blood chemistry"),
        AdjustmentKind.DIET: say.gettext("Weight and symptoms"),
        AdjustmentKind.DIALYSIS: say.gettext("Weight and pressures"),
        AdjustmentKind.DEVICE: say.gettext("Pressures after reprogramming"),
    }[kind]


def follow_up_source(say: Language, kind: AdjustmentKind) -> str:
    """Where that is from."""
    if kind is AdjustmentKind.MEDICINE:
        return say.gettext(
            "Common practice: chemistry 1 to 2 weeks after starting or changing an ACE inhibitor or ARB; "
            "for an MRA at about 1 and 4 weeks (Postgrad Med J tables; NHS Specialist Pharmacy Service)."
        )
    return say.gettext("Common practice: review days to 2 weeks after a change (NICE NG106, QS9).")
