"""When somebody usually looks again after an adjustment: a proposal for staff to edit, never a rule.

Common practice, as published tables give it; nothing here advises a dose or a drug.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

from service.domain.vocabulary import AdjustmentKind


@dataclass(frozen=True, slots=True)
class FollowUpProposal:
    """What to look at again, after how many days, and where that is from."""

    what: str
    after_days: int
    source: str

    def due(self, made_on: date) -> date:
        return made_on + timedelta(days=self.after_days)


PROPOSALS: dict[AdjustmentKind, FollowUpProposal] = {
    AdjustmentKind.MEDICINE: FollowUpProposal(
        "Blood chemistry",
        10,
        "Common practice: chemistry 1 to 2 weeks after starting or changing an ACE inhibitor or ARB; "
        "for an MRA at about 1 and 4 weeks (Postgrad Med J tables; NHS Specialist Pharmacy Service).",
    ),
    AdjustmentKind.DIET: FollowUpProposal(
        "Weight and symptoms", 14, "Common practice: review days to 2 weeks after a change (NICE NG106, QS9)."
    ),
    AdjustmentKind.DIALYSIS: FollowUpProposal(
        "Weight and pressures", 7, "Common practice: review days to 2 weeks after a change (NICE NG106, QS9)."
    ),
    AdjustmentKind.DEVICE: FollowUpProposal(
        "Pressures after reprogramming",
        14,
        "Common practice: review days to 2 weeks after a change (NICE NG106, QS9).",
    ),
}


def proposal(kind: AdjustmentKind) -> FollowUpProposal | None:
    """What is usually looked at again after this kind of change; None where nothing is usual."""
    return PROPOSALS.get(kind)
