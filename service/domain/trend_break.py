"""The break from baseline: how far the pressures are beyond it, and how sure that is.

Promises one number per patient from whichever of the three pressures there are:
each pressure's distance from its own reference, weighed by how steady that
pressure is in this patient (generalised least squares with weights that are
never negative, so that three columns of the same noise count as one).

Two baselines are used. The reference is anchored and never moves; but a mean of
14 days is itself uncertain and healthy pressures wander by a mmHg or so over
months, so a quick rise is judged against the patient's recent usual, the mean
level of about three to eight weeks ago, into which the reference is mixed as so
many days' worth. A level far beyond the reference counts however slowly it came.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.domain.signals_settings import Settings

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
# Rows of the carried second moments of the surprises: diastolic, mean, systolic, and their products.
DD, MM, SS, DM, DS, MS = range(6)


@dataclass(frozen=True)
class Excess:
    """Beyond the reference, mmHg of PA diastolic (or of what there is), one element a patient."""

    now: Array
    ahead: Array  # a few days on
    now_var: Array
    ahead_var: Array
    reference_var: Array
    known: Flags


@dataclass(frozen=True)
class Evidence:
    """How many standard deviations beyond the margin, one element a patient; −inf where nothing is known."""

    rise: Array
    fall: Array
    far_up: Array
    far_down: Array
    usual: Array  # the recent usual they were judged against, mmHg beyond the reference


def weights(moments: Array, known: Flags) -> Array:
    """What each pressure counts for, [3, patient], adding to 1 where any is known."""
    pair = _share(moments[DD], moments[MM], moments[DM])
    first = np.where(known[0] & known[1], pair, np.where(known[0], 1.0, 0.0))
    second = np.where(known[0] & known[1], 1.0 - pair, np.where(known[1], 1.0, 0.0))
    var = first**2 * moments[DD] + second**2 * moments[MM] + 2 * first * second * moments[DM]
    shared = first * moments[DS] + second * moments[MS]
    either = known[0] | known[1]
    two = np.where(either & known[2], _share(var, moments[SS], shared), np.where(either, 1.0, 0.0))
    three = np.where(either & known[2], 1.0 - two, np.where(known[2], 1.0, 0.0))
    return np.stack([first * two, second * two, three])


def excess(weight: Array, moments: Array, now: Array, ahead: Array, now_var: Array, ahead_var: Array,
           reference_var: Array, known: Flags) -> Excess:  # fmt: skip
    """The pressures' distances from their references, [3, patient], as one."""
    parts = [np.where(known, values, 0.0) for values in (now, ahead, now_var, ahead_var, reference_var)]
    return Excess(
        (weight * parts[0]).sum(axis=0),
        (weight * parts[1]).sum(axis=0),
        _variance(weight, moments, parts[2]),
        _variance(weight, moments, parts[3]),
        _variance(weight, moments, parts[4]),
        np.logical_or.reduce(known, axis=0),
    )


def evidence(beyond: Excess, usual: Array, settings: Settings) -> Evidence:
    """How sure a break is, up and down."""
    wander = settings.wander**2
    quick = np.sqrt(beyond.ahead_var + wander)
    slow = np.sqrt(beyond.now_var + beyond.reference_var + wander)
    margin, far = settings.margin, settings.far_margin
    rise = (beyond.ahead - usual - margin) / quick
    # Coming back to the reference from below is no rise, and from above no fall.
    rise = np.where(beyond.ahead > margin, rise, -np.inf)
    fall = (-np.maximum(beyond.ahead - usual, beyond.ahead) - margin) / quick
    far_up, far_down = (beyond.now - far) / slow, (-beyond.now - far) / slow
    nothing = ~beyond.known
    for found in (rise, fall, far_up, far_down):
        found[nothing] = -np.inf
    return Evidence(rise, fall, far_up, far_down, usual)


def _share(one: Array, other: Array, both: Array) -> Array:
    """The first one's weight in the steadiest mix of two, never negative."""
    first, second = np.maximum(other - both, 0.0), np.maximum(one - both, 0.0)
    share: Array = np.divide(first, first + second, out=np.full_like(first, 0.5), where=first + second > 0)
    return share


def _variance(weight: Array, moments: Array, var: Array) -> Array:
    sd = np.sqrt(np.maximum(var, 0.0)) * weight
    total: Array = (sd * sd).sum(axis=0)
    for one, other, row in ((0, 1, DM), (0, 2, DS), (1, 2, MS)):
        scale = np.sqrt(moments[one] * moments[other])
        alike = np.clip(np.divide(moments[row], scale, out=np.zeros_like(scale), where=scale > 0), -1.0, 1.0)
        total = np.asarray(total + 2 * alike * sd[one] * sd[other], dtype=np.float64)
    held: Array = np.maximum(total, 0.0)
    return held
