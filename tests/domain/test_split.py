"""Splitting an amount so that nothing is lost."""

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from spoolkeep.domain.errors import BadInput
from spoolkeep.domain.split import largest_remainders

TOTALS = st.integers(-(10**12), 10**12)
WEIGHTS = st.lists(st.integers(0, 10**9), min_size=1, max_size=20)


@pytest.mark.parametrize(
    ("total", "weights", "parts"),
    [
        (100, [1, 1, 1], (34, 33, 33)),
        (2, [1, 1, 1], (1, 1, 0)),  # ties go to the earlier
        (-100, [1, 1, 1], (-34, -33, -33)),
        (10, [0, 0, 0], (4, 3, 3)),
        (10, [0, 1, 0], (0, 10, 0)),
        (7, [3], (7,)),
        (0, [5, 0], (0, 0)),
        (0, [], ()),
        # hand calculation, a tie of 0.6 in it: quotas 4.7, 1.6, 1.59, 0.8, 0.71, 0.6 of 10 seats
        (10, [47000, 16000, 15900, 8000, 7100, 6000], (5, 2, 1, 1, 1, 0)),
    ],
)
def test_freight_splits_to_the_cent(total: int, weights: list[int], parts: tuple[int, ...]) -> None:
    assert largest_remainders(total, weights) == parts


@given(total=TOTALS, weights=WEIGHTS)
def test_parts_add_up_and_each_is_within_one_of_its_share(total: int, weights: list[int]) -> None:
    parts = largest_remainders(total, weights)
    fair = weights if any(weights) else [1] * len(weights)
    assert sum(parts) == total
    assert all(abs(part - Fraction(total * weight, sum(fair))) < 1 for part, weight in zip(parts, fair, strict=True))


@given(total=TOTALS, weights=WEIGHTS)
def test_a_refund_mirrors_the_charge(total: int, weights: list[int]) -> None:
    assert largest_remainders(-total, weights) == tuple(-part for part in largest_remainders(total, weights))


@given(total=st.integers(0, 10**12), weights=WEIGHTS)
def test_who_weighs_more_never_gets_less(total: int, weights: list[int]) -> None:
    pairs = sorted(zip(weights, largest_remainders(total, weights), strict=True))
    assert [part for _, part in pairs] == sorted(part for _, part in pairs)


def test_a_negative_share_is_refused() -> None:
    with pytest.raises(BadInput) as refused:
        largest_remainders(10, [2, -1])
    assert refused.value.code == "negative_weight"


def test_an_amount_cannot_be_split_over_nothing() -> None:
    with pytest.raises(BadInput) as refused:
        largest_remainders(1, [])
    assert refused.value.code == "nothing_to_split_over"
