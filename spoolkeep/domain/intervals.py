"""Honest bounds for shares that few cases tell of.

Services call it. It must not know what the cases are.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

NINETY = 1.6448536269514722
"""The standard normal deviate with five per cent above it."""


@dataclass(frozen=True)
class Bounds:
    """A share and the bounds between which it lies with ninety per cent."""

    share: float
    low: float
    high: float


def of_count(hits: int, cases: int, z: float = NINETY) -> Bounds:
    """Give the share of hits among cases with Wilson's bounds; of no case, anything from nothing to all.

    Source: Wilson 1927, JASA 22, 209 to 212; recommended for few cases by Brown, Cai and DasGupta 2001, Statistical
    Science 16, 101 to 133.
    """
    return _wilson(hits / cases, cases, z) if cases else Bounds(0.0, 0.0, 1.0)


def of_ratio(parts: ArrayLike, z: float = NINETY) -> Bounds:
    """Give the share of the first of (part, whole), shape (cases, 2), in the second, all cases together, with bounds.

    They are Wilson's, for as many cases as would scatter so much: large and small cases count by their size, and where
    none had a part the share may still be more than nothing.
    Source: the ratio estimator of Cochran, Sampling Techniques, 3rd ed., 6.4; effective sample size as in Korn and
    Graubard 1998, Survey Methodology 24, 193 to 201 (both from memory).
    """
    part, all_of = np.asarray(parts, np.float64).reshape(-1, 2).T
    whole, count = float(all_of.sum()), len(part)
    if not whole:
        return Bounds(0.0, 0.0, 1.0)
    share = float(part.sum()) / whole
    spread = float(((part - share * all_of) ** 2).sum())
    variance = spread * count / max(1, count - 1) / whole**2
    cases = share * (1 - share) / variance if variance else float(count)
    return _wilson(share, min(cases, float(count)), z)


def _wilson(share: float, cases: float, z: float) -> Bounds:
    middle = (share + z * z / (2 * cases)) / (1 + z * z / cases)
    half = z / (1 + z * z / cases) * math.sqrt(share * (1 - share) / cases + z * z / (4 * cases * cases))
    return Bounds(share, max(0.0, middle - half), min(1.0, middle + half))
