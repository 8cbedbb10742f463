"""What is left over is spread by how little each quantity is known, and nothing leaves its bounds."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from spoolkeep.domain.spread import Between, settled

BETWEEN = st.tuples(*[st.floats(0, 1000)] * 3).map(sorted).map(lambda one: Between(one[1], one[0], one[2]))


def test_it_is_the_least_squares_that_meet_the_sum() -> None:
    """Against numpy: minimise the squared moves by their variances and the sum's miss by its own."""
    each = [Between(50, 0, 100), Between(30, 0, 60), Between(200, 190, 210)]
    more, variance = 25.0, 16.0
    weights = 1 / np.sqrt([*(one.variance for one in each), variance])
    rows = np.vstack([np.eye(3), np.ones((1, 3))]) * weights[:, None]
    moves, *_ = np.linalg.lstsq(rows, np.array([0, 0, 0, more]) * weights, rcond=None)
    found = settled(each, more, variance=variance)
    assert [after.value - before.value for before, after in zip(each, found, strict=True)] == pytest.approx(moves)


@given(st.lists(BETWEEN, max_size=8), st.floats(-5000, 5000), st.floats(0, 100))
def test_nothing_leaves_its_bounds_and_they_come_nearer(each: list[Between], more: float, spread: float) -> None:
    found = settled(each, more, variance=spread**2)
    for before, after in zip(each, found, strict=True):
        assert before.low <= after.low <= after.value + 1e-6
        assert after.value - 1e-6 <= after.high <= before.high
    moved = sum(after.value - before.value for before, after in zip(each, found, strict=True))
    assert abs(moved) <= abs(more) + 1e-6
    assert moved * more >= -1e-6


def test_what_all_cannot_take_is_left_over() -> None:
    found = settled([Between(50, 0, 100), Between(5, 0, 10)], 500, variance=0)
    assert [one.value for one in found] == [100, 10]


def test_one_that_meets_its_bound_leaves_the_rest_to_the_others() -> None:
    found = settled([Between(90, 0, 100), Between(50, 0, 100)], 40, variance=0)
    assert [one.value for one in found] == pytest.approx([100, 80])


def test_what_is_known_stays() -> None:
    assert settled([Between(7, 7, 7)], 40, variance=0) == [Between(7, 7, 7)]
    assert settled([], 40, variance=0) == []
