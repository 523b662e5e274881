"""What pressures are compared with: the anchored reference, and the newest settled fortnight.

Promises that a reference, once there, never moves by itself, and that none is made of a
stretch that moved, nor of one above the first readings: the first other settled fortnight
stands in until staff accept or type one. The
readings are gathered fourteen days at a time, on and on, so that a fortnight that has settled
elsewhere can be proposed to staff, with its days and how sure its mean is. The convention
of a mean of 14 days is Zile 2025, Circ Heart Fail 18:e012754.

The area over it, in mmHg-days: each day counts max(0, pressure − reference), with
the day's own reading where there is one and the filter's level where there is
none; days are added, not joined by trapezoids. Noise alone therefore adds a little
(about 0.4 standard deviations a day at the reference): compare a patient with
themselves. The same sum whatever order the readings came in. Over a goal it is the same sum of the days
on which that was in force; `domain.record.goals` gives it of the days that were read alone, beside their number.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from service.domain.arrays import Array, Days, Flags

SETTLED_SLOPE = 0.1  # mmHg a day: a fortnight that moves faster is no baseline; common practice, no source
# mmHg between two fortnights, or the middle of one and its ends, that are not the same level: twice what their means
# and harmless wandering come to (0.35, 0.5 and 0.7). Days after which a reference is asked about. Our own numbers.
DIFFERENT, OLD = 2.0, 365
# mmHg from which a reference taken from days that surely moved is asked about; and standard errors of a slope from
# which it surely is one: the noise of neighbouring days is alike, so that two are passed by noise. Our own numbers.
WORTH_ASKING, SURE_SLOPE = 1.0, 3.0
STILL_THERE = 28  # days after which a settled fortnight is no more than history
WIDEST = 56  # days that fourteen readings may take: two a week take 49. Our own number, no source


@dataclass(frozen=True)
class Stretch:
    """The readings being gathered, [channel, patient]: sums of the pressures, and of the days since its first."""

    total: Array
    squares: Array
    count: Array
    days: Array
    days_squared: Array
    products: Array
    bend: Array  # how far the middle third of its readings is above the others, once it is full
    first_day: Days  # ordinals, [patient]; 0 is none
    last_day: Days


@dataclass(frozen=True)
class Fortnight:
    """A settled one: its mean, mmHg, and that mean's variance, [channel, patient]; its days, [patient]."""

    value: Array  # nan where there is none
    var: Array
    first_day: Days
    last_day: Days


@dataclass(frozen=True)
class Anchor:
    """What each patient's pressures are compared with, mmHg."""

    origin: Array  # what distances are counted from, and no more: the first readings' mean, or what staff set
    reference: Fortnight
    is_set: Flags  # by staff
    from_day: Days  # a set reference judges no day before this ordinal
    was_moving: Flags  # the days it was taken from surely moved
    stretch: Stretch
    newest: Fortnight  # the newest that was settled

    @property
    def value(self) -> Array:
        """The reference itself."""
        return self.reference.value


def unanchored(channels: int, patients: int) -> Anchor:
    """No reading yet."""
    never = np.zeros(patients, dtype=np.int64)
    unknown, nobody = np.full((channels, patients), np.nan), np.zeros(patients, dtype=np.bool_)
    none = Fortnight(unknown, unknown, never, never)
    return Anchor(unknown, none, nobody, never, nobody, _empty(channels, patients), none)


def take(anchor: Anchor, readings: Array, day: int, days_wanted: int) -> Anchor:
    """Let a day's readings count towards the fortnight that is being gathered."""
    stretch = _gather(anchor.stretch, readings, day, days_wanted)
    full = stretch.count.max(axis=0) >= days_wanted
    if not full.any():
        return replace(anchor, stretch=stretch)
    enough = full & (stretch.count >= days_wanted / 2)
    mean = np.divide(stretch.total, stretch.count, out=np.zeros_like(stretch.total), where=stretch.count > 0)
    spread = np.maximum(stretch.squares - stretch.count * mean * mean, 0.0) / np.maximum(stretch.count - 1, 1)
    made = Fortnight(
        np.where(enough, mean, np.nan),
        np.where(enough, spread / np.maximum(stretch.count, 1), np.nan),
        stretch.first_day,
        stretch.last_day,
    )
    slope, unsure, bend = _line(stretch)
    within = stretch.last_day - stretch.first_day < WIDEST
    settled = full & within & (np.abs(slope) <= SETTLED_SLOPE) & (np.abs(bend) <= DIFFERENT)
    moved = full & ~settled & ((np.abs(slope) >= SURE_SLOPE * unsure) | (np.abs(bend) > DIFFERENT))
    unset = ~anchor.is_set
    # Whoever settles first above their first readings has risen: that is no baseline until staff say so.
    main = np.argmax(stretch.count, axis=0), np.arange(stretch.count.shape[1])
    higher = made.value[main] - anchor.origin[main] > DIFFERENT  # nan is not
    of_set = (
        np.minimum(made.last_day, anchor.reference.last_day) - np.maximum(made.first_day, anchor.reference.first_day)
    ) >= days_wanted // 2
    return Anchor(
        np.where(np.isnan(anchor.origin) & unset, made.value, anchor.origin),
        _fortnight(settled & unset & ~higher & np.isnan(anchor.value), made, anchor.reference),
        anchor.is_set,
        anchor.from_day,
        anchor.was_moving | (moved & anchor.is_set & of_set),
        _emptied(stretch, full),
        _fortnight(np.broadcast_to(settled, mean.shape), made, anchor.newest),
    )


def with_set(anchor: Anchor, given: Array, sd: Array, first_day: Days, last_day: Days) -> Anchor:
    """References that staff set, [channel, patient], nan where none is, with the standard deviation of each.

    Each judges no day before its last. A pressure without one of its own is then not judged.
    """
    is_set: Flags = np.logical_or.reduce(~np.isnan(given), axis=0)
    reference = anchor.reference
    return replace(
        anchor,
        origin=np.where(is_set, given, anchor.origin),
        reference=Fortnight(
            np.where(is_set, given, reference.value),
            np.where(is_set, sd * sd, reference.var),
            np.where(is_set, first_day, reference.first_day),
            np.where(is_set, last_day, reference.last_day),
        ),
        is_set=is_set,
        from_day=np.where(is_set, last_day, 0),
    )


def _empty(channels: int, patients: int) -> Stretch:
    zero, never = np.zeros((channels, patients)), np.zeros(patients, dtype=np.int64)
    return Stretch(zero, zero, zero, zero, zero, zero, zero, never, never)


def _emptied(stretch: Stretch, which: Flags) -> Stretch:
    return Stretch(*(np.where(which, 0, getattr(stretch, item.name)) for item in fields(Stretch)))


def _gather(stretch: Stretch, readings: Array, day: int, days_wanted: int) -> Stretch:
    seen = ~np.isnan(readings)
    given = np.where(seen, readings, 0.0)
    read = np.logical_or.reduce(seen, axis=0)
    first_day = np.where(read & (stretch.first_day == 0), day, stretch.first_day)
    when = np.where(seen, (day - first_day).astype(np.float64), 0.0)
    edge = days_wanted // 3
    in_middle = (stretch.count >= edge) & (stretch.count < days_wanted - edge)
    weight = np.where(in_middle, 1.0 / (days_wanted - 2 * edge), -0.5 / edge)
    return Stretch(
        stretch.total + given,
        stretch.squares + given * given,
        stretch.count + seen,
        stretch.days + when,
        stretch.days_squared + when * when,
        stretch.products + when * given,
        stretch.bend + weight * given,
        first_day,
        np.where(read, day, stretch.last_day),
    )


def _line(stretch: Stretch) -> tuple[Array, Array, Array]:
    """Of the first pressure there is, [patient]: slope, mmHg a day, with its standard error, and the middle's bend."""
    channel, everyone = np.argmax(stretch.count, axis=0), np.arange(stretch.count.shape[1])
    n, y, yy, t, tt, ty, bend = (
        values[channel, everyone]
        for values in (
            stretch.count, stretch.total, stretch.squares, stretch.days, stretch.days_squared, stretch.products,
            stretch.bend,
        )
    )  # fmt: skip
    n = np.maximum(n, 1.0)
    across = np.maximum(tt - t * t / n, 1e-9)
    slope = (ty - t * y / n) / across
    left = np.maximum(yy - y * y / n - slope * slope * across, 0.0) / np.maximum(n - 2.0, 1.0)
    return slope, np.sqrt(left / across), bend


def _fortnight(which: Flags, made: Fortnight, otherwise: Fortnight) -> Fortnight:
    """`made` in those channels and patients where it is wanted, [channel, patient]."""
    who = np.logical_or.reduce(which, axis=0)
    return Fortnight(
        np.where(which, made.value, otherwise.value),
        np.where(which, made.var, otherwise.var),
        np.where(who, made.first_day, otherwise.first_day),
        np.where(who, made.last_day, otherwise.last_day),
    )


PERIODS = (7, 30, 90)


def area_over(values: Array, level: Array | float) -> Array:
    """mmHg-days of [day, …] values over a reference, or a goal's upper end; nan days count nothing."""
    above = np.maximum(np.nan_to_num(values - level, nan=0.0), 0.0)
    total: Array = above.sum(axis=0)
    return total


def newest(ring: NDArray[np.float32], day: int, days: int) -> Array:
    """The last `days` rows of a ring that is indexed by day, oldest first."""
    rows = (day - np.arange(days - 1, -1, -1)) % len(ring)
    return ring[rows].astype(np.float64)
