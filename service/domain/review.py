"""The weekly review: which lane each patient is in, why, and in which order.

Promises that every patient given is placed in exactly one of four lanes, with
one sentence that says why and every other reason beside it, and that whoever
needs attention first comes first. Reads no data and computes no trend; ships no
clinical goal: what is "above" is above what a clinician typed in.
"""

from __future__ import annotations

import uuid
from collections.abc import Callable, Iterable
from datetime import date, timedelta

from service.domain.review_facts import Placement, Standing, Why
from service.domain.review_reasons import RULES, settled
from service.domain.vocabulary import Lane

LANES = (Lane.CALL_TODAY, Lane.LOOK_CLOSELY, Lane.NOT_HEARD_FROM, Lane.SETTLED)
DAYS_BETWEEN_REVIEWS = 7


def week_of(today: date, review_weekday: int) -> date:
    """The first day of the review week that `today` is in: the newest `review_weekday` (0 is Monday)."""
    return today - timedelta(days=(today.weekday() - review_weekday) % DAYS_BETWEEN_REVIEWS)


def place(standing: Standing) -> Placement:
    """The lane, the sentence why, and the key that orders the lane.

    Every reason is found; the most pressing lane wins, and its first reason is
    the sentence. Somebody with no reason at all is Settled, and the sentence says
    what is known, not that all is well.
    """
    reasons = [reason for rule in RULES for reason in rule(standing)]
    reasons.sort(key=lambda reason: (LANES.index(reason.lane), not reason.urgent))
    if not reasons:
        reasons = [Why(Lane.SETTLED, settled(standing))]
    sentences = list(dict.fromkeys(reason.sentence for reason in reasons))
    return Placement(
        standing.patient_id,
        reasons[0].lane,
        sentences[0],
        tuple(sentences[1:]),
        _order(standing, urgent=reasons[0].urgent),
    )


def in_order(placements: Iterable[Placement], names: Callable[[uuid.UUID], str]) -> dict[Lane, list[Placement]]:
    """The four lanes, each ordered by urgency, days to the limit, size of the break, length of silence, name."""
    lanes: dict[Lane, list[Placement]] = {lane: [] for lane in LANES}
    for placement in placements:
        lanes[placement.lane].append(placement)
    for lane in lanes.values():
        lane.sort(key=lambda placement: (placement.order, names(placement.patient_id).casefold()))
    return lanes


def _order(standing: Standing, *, urgent: bool) -> tuple[float, ...]:
    soon = float("inf") if standing.days_to_limit is None else standing.days_to_limit
    return (0.0 if urgent else 1.0, soon, -abs(standing.size), -float(standing.silent_for))
