"""Splitting a whole amount without losing a cent or a milligram.

Deliveries, draws and imports call it. It must not know what is split, nor among whom.
"""

from collections.abc import Sequence
from fractions import Fraction
from math import floor

from spoolkeep.domain.errors import BadInput


def largest_remainders(total: int, weights: Sequence[int]) -> tuple[int, ...]:
    """Give whole parts of `total` in proportion to `weights`; they add up to it exactly.

    Ties go to the earlier. Where all weights are 0 the parts are as even as can be. A negative total is split as
    its opposite. Errors: BadInput where a weight is negative, or where there is nobody to take a total.
    Source: the method of largest remainders (Hamilton's), in whole numbers throughout.
    """
    if any(weight < 0 for weight in weights):
        raise BadInput("negative_weight", "An amount cannot be split by a negative share. Use 0 or more.")
    if not weights:
        if total:
            raise BadInput("nothing_to_split_over", "There is nothing to split this amount over. Enter a line first.")
        return ()
    if total < 0:
        return tuple(-part for part in largest_remainders(-total, weights))
    return _split(total, weights if any(weights) else [1] * len(weights))


def _split(total: int, weights: Sequence[int]) -> tuple[int, ...]:
    whole = sum(weights)
    parts = [total * weight // whole for weight in weights]
    by_remainder = sorted(range(len(weights)), key=lambda index: -(total * weights[index] % whole))
    for index in by_remainder[: total - sum(parts)]:
        parts[index] += 1
    return tuple(parts)


def whole_parts(total: int, parts: Sequence[float | Fraction]) -> tuple[int, ...]:
    """Give parts of any sign as whole numbers that add up to `total`: those with the largest remainders go up.

    Ties go to the earlier. Source: the method of largest remainders, of signed parts.
    """
    if not parts:
        return ()
    floors = [floor(part) for part in parts]
    missing = total - sum(floors)
    by_remainder = sorted(range(len(parts)), key=lambda at: floors[at] - parts[at])
    each, rest = divmod(missing, len(parts))
    for rank, at in enumerate(by_remainder):
        floors[at] += each + (rank < rest)
    return tuple(floors)
