"""When somebody usually looks again after an adjustment: a proposal for staff to edit, never a rule.

Common practice, as published tables give it; nothing here advises a dose or a drug. What is looked
at, and the sources, are said by `service.words.sentences.plans`.
"""

from __future__ import annotations

from datetime import date, timedelta

from service.domain.vocabulary import AdjustmentKind

# Days after the change. Medicine: chemistry 1 to 2 weeks after starting or changing an ACE inhibitor or ARB
# (Postgrad Med J tables; NHS Specialist Pharmacy Service). The others: NICE NG106 and QS9.
AFTER_DAYS: dict[AdjustmentKind, int] = {
    AdjustmentKind.MEDICINE: 10,
    AdjustmentKind.DIET: 14,
    AdjustmentKind.DIALYSIS: 7,
    AdjustmentKind.DEVICE: 14,
}


def usually_due(kind: AdjustmentKind, made_on: date) -> date | None:
    """The day on which this kind of change is usually looked at again; None where nothing is usual."""
    days = AFTER_DAYS.get(kind)
    return None if days is None else made_on + timedelta(days=days)
