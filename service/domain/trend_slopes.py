"""The slope that half of all pairs agree on (Theil–Sen), for many patients at once.

Sen 1968, J Am Stat Assoc 63:1379–89, with the same paper's confidence limits.
Promises a slope that a single odd day cannot turn; nan where fewer than two days are known.
"""

from __future__ import annotations

from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def theil_sen(when: Array, values: Array, sure: float = 0.95) -> tuple[Array, Array, Array]:
    """Slope, and its lower and upper confidence limit, of [day, patient] values at the times `when` [day].

    Times must differ from one another; nan values are left out.
    """
    first, second = np.triu_indices(len(when), k=1)
    slopes = (values[second] - values[first]) / (when[second] - when[first])[:, None]
    slopes.sort(axis=0)  # nan last
    pairs = (~np.isnan(slopes)).sum(axis=0)
    days = (~np.isnan(values)).sum(axis=0)
    # The variance of Kendall's score without ties.
    sigma = np.sqrt(days * (days - 1) * (2 * days + 5) / 18.0)
    reach = NormalDist().inv_cdf(0.5 + sure / 2) * sigma
    low = np.clip(np.round((pairs - reach) / 2.0), 1, np.maximum(pairs, 1)).astype(np.intp) - 1
    high = np.clip(np.round((pairs + reach) / 2.0), 0, np.maximum(pairs - 1, 0)).astype(np.intp)
    everyone = np.arange(values.shape[1])
    enough = pairs > 0
    lower, upper = np.maximum((pairs - 1) // 2, 0), np.maximum(pairs // 2, 0)
    middle = (slopes[lower, everyone] + slopes[np.minimum(upper, len(slopes) - 1), everyone]) / 2
    return (
        np.where(enough, middle, np.nan),
        np.where(enough, slopes[low, everyone], np.nan),
        np.where(enough, slopes[high, everyone], np.nan),
    )
