"""Bounds of shares against published figures, and against what they promise."""

import random

import pytest

from spoolkeep.domain.intervals import of_count, of_ratio


@pytest.mark.parametrize(
    ("hits", "cases", "low", "high"),
    [
        # Newcombe 1998, Statistics in Medicine 17, 857 to 872, table I, method 3 (Wilson without correction), 95 %
        (81, 263, 0.2553, 0.3662),
        (15, 148, 0.0624, 0.1605),
        (0, 20, 0.0000, 0.1611),
        (1, 29, 0.0061, 0.1718),
    ],
)
def test_a_counts_bounds_are_the_published_ones(hits: int, cases: int, low: float, high: float) -> None:
    bounds = of_count(hits, cases, z=1.959964)
    assert (round(bounds.low, 4), round(bounds.high, 4)) == (low, high)


def test_of_no_case_nothing_is_known() -> None:
    assert (of_count(0, 0).low, of_count(0, 0).high) == (0, 1)
    assert (of_ratio([]).low, of_ratio([]).high) == (0, 1)


def test_few_jobs_have_wide_bounds_and_many_narrow_ones() -> None:
    few, many = of_count(1, 5), of_count(100, 500)
    assert few.high - few.low > 5 * (many.high - many.low)
    assert of_ratio([(0, 50)] * 3).high > of_ratio([(0, 50)] * 300).high > 0


def test_the_bounds_of_wasted_grams_hold_in_nine_of_ten_worlds() -> None:
    rng = random.Random(5)  # noqa: S311 - fixed worlds
    inside = 0
    for _ in range(600):
        parts = []
        for _ in range(80):
            grams = rng.lognormvariate(3, 0.7)
            parts.append((grams * rng.random() if rng.random() < 0.12 else 0.0, grams))
        bounds = of_ratio(parts)
        inside += bounds.low <= 0.06 <= bounds.high
    assert 0.82 <= inside / 600 <= 0.96
