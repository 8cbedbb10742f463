"""How likely a job fails: few jobs lean on many, two failures in five condemn nobody, and lots count as lots."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from spoolkeep.domain.failing import LOT_LIKENESS, LOT_WEIGHT, MOST, Learned, Seller, likeness_of_lots

NEW, OLD, OTHER = Seller("PLA", 1001), Seller("PLA", 1002), Seller("PLA", 1003)


def _singly(failed: int, jobs: int) -> list[tuple[int, int]]:
    """Give jobs that were each of a lot of its own, so that no two are alike."""
    return [(1, 1)] * failed + [(0, 1)] * (jobs - failed)


def test_two_failures_in_five_jobs_condemn_nobody() -> None:
    learned = Learned({NEW: _singly(2, 5), OLD: _singly(4, 100)})
    new, old = learned.of(NEW), learned.of(OLD)
    assert old.mean < new.mean < 0.2  # not 0.4
    assert new.low < old.high
    assert (new.jobs, new.failed) == (5, 2)


def test_forty_failures_in_a_hundred_do() -> None:
    learned = Learned({NEW: _singly(40, 100), OLD: _singly(4, 100)})
    assert learned.of(NEW).low > learned.of(OLD).high
    assert learned.of(NEW).mean == pytest.approx(0.4, abs=0.05)


def test_many_jobs_lean_on_nobody() -> None:
    learned = Learned({NEW: _singly(100, 2000), OLD: _singly(600, 2000)})
    assert learned.of(NEW).mean == pytest.approx(0.05, abs=0.005)
    assert learned.of(OLD).mean == pytest.approx(0.3, abs=0.01)


def test_without_any_job_it_is_about_one_in_twenty_and_hardly_known() -> None:
    chance = Learned({}).of(OTHER)
    assert 0.03 < chance.mean < 0.1
    assert chance.high > 10 * chance.low
    assert (chance.jobs, chance.failed) == (0, 0)


def test_a_supplier_never_bought_from_is_taken_as_the_material_is() -> None:
    good = Learned({OLD: _singly(2, 200)}).of(OTHER)
    bad = Learned({OLD: _singly(60, 200)}).of(OTHER)
    assert good.mean < 0.05
    assert bad.mean > 0.15
    assert good.high - good.low > Learned({OLD: _singly(2, 200)}).of(OLD).high


def test_where_everything_failed_it_stays_a_chance() -> None:
    chance = Learned({NEW: _singly(5, 5)}).of(NEW)
    assert 0.3 < chance.mean < MOST
    assert Learned({NEW: _singly(500, 500)}).of(NEW).mean == pytest.approx(MOST, abs=0.03)


def test_the_same_is_given_whenever_it_is_asked() -> None:
    learned = Learned({NEW: _singly(1, 9)})
    assert learned.of(NEW) is learned.of(NEW)


def test_one_seller_alone_by_another_way_of_adding_it_up() -> None:
    """The mean over every prior mean and likeness, by plain loops and the beta's own mean, without the grid of chances.

    Three of thirty fail, of the only seller. The shop's mean leans on 20 jobs at 0.05: (3 + 1) / (30 + 20) = 0.08; the
    material's is a beta of ten jobs around that, (0.8, 9.2). A likeness M at a mean m is as likely as the beta-binomial
    of 3 in 30 with (M m, M (1 - m)), and then the chance is (M m + 3) / (M + 30).
    """
    learned = Learned({NEW: _singly(3, 30)})
    assert learned.shop == pytest.approx(0.08)
    assert learned.likeness == pytest.approx(LOT_LIKENESS)

    def log_beta(a: float, b: float) -> float:
        return math.lgamma(a) + math.lgamma(b) - math.lgamma(a + b)

    means = [1 / (1 + math.exp(-x)) for x in np.linspace(math.log(0.002 / 0.998), math.log(1.5), 32)]
    total = told = 0.0
    for size in (4, 8, 16, 32, 64, 128, 256):
        for mean in means:
            a, b = size * mean, size * (1 - mean)
            weight = math.exp(
                0.8 * math.log(mean) + 9.2 * math.log(1 - mean) + log_beta(a + 3, b + 27) - log_beta(a, b)
            )
            total += weight
            told += weight * (a + 3) / (size + 30)
    assert learned.of(NEW).mean == pytest.approx(told / total, abs=0.0005)


def test_jobs_of_lots_that_fail_whole_are_as_alike_as_can_be() -> None:
    """Ten lots of ten, of which three fail whole.

    Share 0.3. Between lots: 10 * (3 * 0.7² + 7 * 0.3²) / 9 = 10 * 2.1 / 9. Within: 0. So the likeness is 1, and with
    nine lots' freedom beside ten of 0.02: (9 * 1 + 10 * 0.02) / 19.
    """
    found = likeness_of_lots([[(10, 10)] * 3 + [(0, 10)] * 7])
    assert found == pytest.approx((9 * 1 + LOT_WEIGHT * LOT_LIKENESS) / (9 + LOT_WEIGHT))


def test_lots_that_are_all_the_same_are_not_alike() -> None:
    """Each of ten lots fails two of ten: between is 0, so the estimate is below 0 and taken as 0."""
    found = likeness_of_lots([[(2, 10)] * 10])
    assert found == pytest.approx(LOT_WEIGHT * LOT_LIKENESS / (9 + LOT_WEIGHT))


def test_one_bad_lot_condemns_a_supplier_less_than_as_many_failures_spread_out() -> None:
    other = [(1, 20)] * 20
    one_lot = Learned({NEW: [(10, 10), (0, 10), (0, 10)], OLD: other, Seller("PLA", 3): [(20, 20), *[(0, 20)] * 9]})
    spread = Learned({NEW: _singly(10, 30), OLD: other, Seller("PLA", 3): _singly(20, 200)})
    assert one_lot.likeness > 0.2
    assert spread.likeness < 0.05
    assert one_lot.of(NEW).mean < spread.of(NEW).mean - 0.05
    assert one_lot.of(NEW).low < spread.of(NEW).low / 2


@given(
    st.lists(st.lists(st.tuples(st.integers(0, 30), st.integers(0, 30)), max_size=4), max_size=4),
)
def test_whatever_happened_the_chance_is_one_and_its_bounds_hold_it(told: list[list[tuple[int, int]]]) -> None:
    lots = {Seller("PLA", at): [(min(pair), max(pair)) for pair in pairs] for at, pairs in enumerate(told)}
    learned = Learned(lots)
    assert 0 <= learned.likeness <= 1
    for seller in (*lots, OTHER):
        chance = learned.of(seller)
        assert float(chance.weights.sum()) == pytest.approx(1)
        assert np.all(chance.weights >= 0)
        assert 0 < chance.low < chance.mean < chance.high <= MOST
        assert math.isfinite(chance.mean)
