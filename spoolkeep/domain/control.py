"""A control chart of single values: which of them differ from the others by more than chance.

The Money page calls it. It must not know what is charted.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise
from statistics import fmean

RANGE_PER_SIGMA = 1.128
"""The mean of the range of two normal values, in standard deviations (d2 for 2). Source: NIST/SEMATECH e-Handbook
6.3.2.2."""
SIGMAS = 3
RUN = 8
"""So many in a row on one side of the middle are no chance. Source: Western Electric rules, NIST/SEMATECH 6.3.2."""
LEAST_VALUES = 8
"""Below so many values limits say little. Source: our own choice."""


class Sign(StrEnum):
    """Why a value is marked."""

    BEYOND = "beyond"
    """It lies beyond a limit."""
    RUN = "run"
    """It is the last of a run on one side of the middle."""


@dataclass(frozen=True)
class Limits:
    """The middle of a series, and between what nearly all of it lies while nothing changes."""

    middle: float
    low: float
    high: float

    def signs(self, values: Sequence[float]) -> tuple[Sign | None, ...]:
        """Give for each value why it is marked, if it is: in the order of time."""
        found: list[Sign | None] = []
        side = run = 0
        for value in values:
            now = (value > self.middle) - (value < self.middle)
            run = run + 1 if now == side else 1
            side = now
            if not self.low <= value <= self.high:
                found.append(Sign.BEYOND)
            else:
                found.append(Sign.RUN if side and run >= RUN else None)
        return tuple(found)


def limits(values: Sequence[float]) -> Limits | None:
    """Give the limits of an individuals chart: mean ± 3 * mean moving range ÷ 1.128; None of fewer than two values.

    `values` in the order of time, of one unit. Source: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2.
    """
    if len(values) <= 1:
        return None
    middle = fmean(values)
    reach = SIGMAS * fmean(abs(after - before) for before, after in pairwise(values)) / RANGE_PER_SIGMA
    return Limits(middle, middle - reach, middle + reach)
