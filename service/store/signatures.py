"""Which signatures of the weekly review count: for the panel, the page, the records and the measures alike.

One that was taken back counts no more, and stays on record. What is new of a signature: itself, what was added to it,
and that it was taken back.
"""

from __future__ import annotations

import uuid

from sqlalchemy import Subquery, exists, func, select, union_all

from service.store.tables import ReviewAddition, SignOff, SignOffWithdrawal

COUNTS = ~exists().where(SignOffWithdrawal.sign_off_id == SignOff.id).correlate(SignOff)


def news(patient_id: uuid.UUID) -> Subquery:
    """The `id` of each of a patient's signatures, with the `mark` of what came last of it."""
    parts = (
        (SignOff, SignOff.id),
        (ReviewAddition, ReviewAddition.sign_off_id),
        (SignOffWithdrawal, SignOffWithdrawal.sign_off_id),
    )
    each = [
        select(signed.label("id"), part.mark.label("mark")).where(part.patient_id == patient_id)
        for part, signed in parts
    ]
    marks = union_all(*each).subquery()
    return select(marks.c.id, func.max(marks.c.mark).label("mark")).group_by(marks.c.id).subquery()
