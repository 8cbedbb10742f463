"""The true cost of a good kilogram, by hand and at its limits."""

from dataclasses import replace

import numpy as np
import pytest

from spoolkeep.domain.failing import CHANCES, Chance, Learned, Seller
from spoolkeep.domain.truecost import (
    DAYS_PER_MONTH,
    DAYS_PER_YEAR,
    Cost,
    Losing,
    Lost,
    Parts,
    Rates,
    beside,
    carry_share,
    losing,
    parts,
    ranked,
    sure_to_be_dearer,
    unknown_losing,
)
from tests.benchmarks.truecost import tried

RATES = Rates(hour_minor=2400, change_seconds=180, carry_ppm_a_year=200_000, space_minor_a_month=60)
A, B = Seller("PLA", 1), Seller("PLA", 2)


def _sure(share: float) -> Chance:
    """Give a chance of failing that is known: all weight on the nearest point of the grid."""
    weights = np.zeros(len(CHANCES))
    weights[np.abs(CHANCES - share).argmin()] = 1
    return Chance(weights, 0, 0)


def _cost(seller: Seller, price: float, chance: Chance, losing: Losing | None = None) -> Cost:
    return Cost(seller, Parts(price, 0, 0, 0, 0), losing or Losing(0, 0.5, 4000), chance)


def test_what_a_bought_kilogram_costs_by_hand() -> None:
    """A spool of 750 g at 18.00 a kilogram, 1.20 a kilogram of freight, lying a month.

    A change takes 180 s of an hour worth 24.00: 1.20 a spool, 1.20 / 0.75 = 1.60 a kilogram.
    Cash: 19.20 for a twelfth of a year at 20 %: 19.20 * 0.2 / 12 = 0.32.
    Room: 0.60 a spool and month, one month: 0.60 / 0.75 = 0.80.
    """
    found = parts(price_minor=1800, freight_minor=120, spool_mg=750_000, lies_days=DAYS_PER_MONTH, rates=RATES)
    assert tuple(found) == pytest.approx((1800, 120, 160, 32, 80))


def test_a_larger_spool_shows_its_worth() -> None:
    """2.5 kg are changed once: 1.20 / 2.5 = 0.48 a kilogram beside 1.20 on a kilogram's spool."""
    small, large = (
        parts(price_minor=1800, freight_minor=0, spool_mg=mg, lies_days=0, rates=RATES) for mg in (1_000_000, 2_500_000)
    )
    assert (small.changing, large.changing) == pytest.approx((120, 48))


def test_without_freight_carrying_and_room_only_price_and_hand_are_left() -> None:
    free = Rates(hour_minor=2400, change_seconds=180, carry_ppm_a_year=0, space_minor_a_month=0)
    found = parts(price_minor=1800, freight_minor=0, spool_mg=1_000_000, lies_days=90, rates=free)
    assert tuple(found) == pytest.approx((1800, 0, 120, 0, 0))


def test_a_good_kilogram_by_hand() -> None:
    """20.00 a kilogram; one job in five fails, half a job's plastic and its hours lost each time.

    Odds 0.2 / 0.8 = 0.25: a quarter of a failed job for each good one. Drawn for a good kilogram: 1 + 0.25 * 0.5 =
    1.125 kg, which is 1 / (1 - 1/9): a ninth of what is drawn is wasted. Plastic: 1.125 * 20.00 = 22.50. Hours: a
    failed job of a kilogram's good work would have earned 40.00, so 0.25 * 40.00 = 10.00. In all 32.50.
    """
    at = np.abs(CHANCES - 0.2).argmin()
    odds = CHANCES[at] / (1 - CHANCES[at])
    assert odds == pytest.approx(0.25, abs=0.006)  # the nearest point of the grid
    cost = _cost(A, 2000, _sure(0.2))
    assert cost.mean == pytest.approx(2000 * (1 + odds * 0.5) + odds * 4000)
    assert cost.mean == pytest.approx(3250, abs=25)
    assert cost.mean_drawn == pytest.approx(1 / (1 - 1 / 9), abs=0.003)
    assert cost.bought + cost.wasted + cost.hours == pytest.approx(cost.mean)


def test_what_is_purged_on_good_jobs_is_paid_too() -> None:
    """5 % purged beside good parts, nothing fails: 1.05 * 20.00 = 21.00."""
    cost = _cost(A, 2000, _sure(0), Losing(0.05, 0.5, 4000))
    assert cost.mean == pytest.approx(2100, abs=2)


def test_with_no_jobs_at_all_it_is_dearer_than_its_price_and_hardly_known() -> None:
    cost = _cost(A, 2000, Learned({}).of(A))
    assert 2000 < cost.low < cost.mean < cost.high
    assert cost.high > 1.2 * cost.low


def test_where_every_job_failed_it_is_very_dear_and_still_a_number() -> None:
    cost = _cost(A, 2000, Learned({A: [(1, 1)] * 40}).of(A))
    assert 10_000 < cost.mean < 200_000
    assert np.isfinite(cost.high)


def test_a_cheaper_kilogram_that_fails_more_is_not_the_best_buy() -> None:
    cheap, good = _cost(B, 1600, _sure(0.12)), _cost(A, 1900, _sure(0.02))
    assert ranked([cheap, good]) == [1, 0]


def test_of_two_alike_the_earlier_is_taken() -> None:
    assert ranked([_cost(A, 1900, _sure(0.02)), _cost(B, 1900, _sure(0.02))]) == [0, 1]


def test_what_it_would_take_by_hand() -> None:
    """B costs 16.00 and fails in about 12 %, A 19.00 and about 2 %; a failed job wastes half, and 40.00 of hours.

    With b = 0.12 / 0.88 = 0.13636: B = 16 * (1 + 0.06818) + 5.4545 = 22.545. A: 19 * (1 + 0.0102) + 0.8163 = 20.010.
    B would have to fall by (22.545 - 20.010) / 1.06818 = 2.37 a kilogram. Or fail less: 16 + odds * (8 + 40) = 20.010
    gives odds 0.08355, which is a chance of 7.7 %.
    """
    cheap, good = _cost(B, 1600, _sure(0.12)), _cost(A, 1900, _sure(0.02))
    found = beside(cheap, good, carried=0)
    assert found.falls_minor == pytest.approx(237, abs=10)
    assert found.fails_below == pytest.approx(0.0771, abs=0.002)
    assert found.told_apart
    # and so it is: at that price, and at that chance, they cost the same
    assert found.falls_minor is not None
    fallen = replace(cheap, parts=cheap.parts._replace(price=1600 - found.falls_minor))
    assert good.mean - 2 < fallen.mean <= good.mean
    assert found.fails_below is not None
    odds = found.fails_below / (1 - found.fails_below)
    assert 1600 * (1 + odds * 0.5) + odds * 4000 == pytest.approx(good.mean)


def test_a_price_that_falls_takes_its_carrying_along() -> None:
    carried = carry_share(RATES, DAYS_PER_YEAR / 2)
    assert carried == pytest.approx(0.1)
    dear, best = _cost(B, 2200, _sure(0)), _cost(A, 2000, _sure(0))
    # of 2.00 to fall, 1.82 do: 1.82 * 1.1 = 2.00
    assert beside(dear, best, carried=carried).falls_minor == pytest.approx(182, abs=1)


def test_what_is_dearer_if_nothing_fails_is_told_so_and_what_is_dear_at_nothing_too() -> None:
    dear, best = _cost(B, 2500, _sure(0.01)), _cost(A, 2000, _sure(0.01))
    assert beside(dear, best, carried=0).fails_below is None
    hopeless = _cost(B, 100, _sure(0.5))
    assert beside(hopeless, best, carried=0).falls_minor is None


def test_two_suppliers_of_whom_little_is_known_are_not_told_apart() -> None:
    learned = Learned({A: [(0, 1)] * 5, B: [(1, 1), (0, 1), (0, 1), (0, 1), (0, 1)]})
    one, other = _cost(A, 1800, learned.of(A)), _cost(B, 1800, learned.of(B))
    assert one.mean < other.mean
    assert not beside(other, one, carried=0).told_apart


def test_two_sizes_of_one_supplier_are_always_told_apart() -> None:
    chance = Learned({}).of(A)
    small, large = _cost(A, 1850, chance), _cost(A, 1800, chance)
    assert sure_to_be_dearer(small, large) == pytest.approx(1)
    assert sure_to_be_dearer(large, small) == 0


def test_how_sure_it_is_agrees_with_drawing_lots() -> None:
    """A simulation that draws both chances, beside the sum over the grid."""
    learned = Learned({A: [(0, 1)] * 30 + [(1, 1)] * 3, B: [(0, 1)] * 20 + [(1, 1)] * 4})
    one, other = _cost(A, 1900, learned.of(A)), _cost(B, 1800, learned.of(B))
    rng = np.random.default_rng(4)
    drawn = [rng.choice(cost.each[:, 0], 40_000, p=cost.chance.weights) for cost in (one, other)]
    assert sure_to_be_dearer(one, other) == pytest.approx(float((drawn[0] > drawn[1]).mean()), abs=0.01)


def test_what_jobs_lose_by_hand() -> None:
    """Eighty good jobs of 100 g with 2 g purged each, twenty failed that wasted 40 g and 6.00 of hours each.

    Beside a like of 0, half a job and 60.00 a kilogram, for five jobs: other (80 * 0.02 + 0) / 85; a failure
    (20 * 0.4 + 5 * 0.5) / 25 = 0.42 of a job; hours 20 * 6.00 / 100 g = 60.00 a kilogram each, as the like.
    """
    lost = Lost(80, 8_000_000, 160_000, 20, 800_000, 20 * 600)
    found = losing(lost, like=Losing(0, 0.5, 6000))
    assert found.other_share == pytest.approx(80 * 0.02 / 85)
    assert found.per_failure == pytest.approx(0.42)
    assert found.hours_minor == pytest.approx(6000)
    assert found.spread == pytest.approx(1 / 25**0.5)


def test_where_no_job_ended_a_good_half_of_a_job_and_its_hours_are_lost() -> None:
    """A kilogram takes 40 h at 25 g an hour; 0.65 of that at 3.00 an hour is 78.00."""
    found = unknown_losing(300)
    assert (found.per_failure, found.hours_minor) == pytest.approx((0.65, 7800))
    assert losing(Lost(0, 0, 0, 3, 90_000, 900), like=found) == found


def test_what_failures_lose_being_little_known_widens_the_bounds_and_not_the_mean() -> None:
    chance = Learned({A: [(1, 1)] * 3 + [(0, 1)] * 40}).of(A)
    sharp, wide = (_cost(A, 1900, chance, Losing(0, 0.5, 6000, spread)) for spread in (0, 0.45))
    assert wide.mean == pytest.approx(sharp.mean)
    assert wide.high - wide.low > sharp.high - sharp.low


def test_by_true_cost_more_workshops_choose_rightly_than_by_price_or_bare_rates() -> None:
    """Worlds that share nothing with the model; the benchmark tells it of many more."""
    found = tried(150, seed=20)
    assert found.right["true cost"] > found.right["cheapest kilogram"]
    assert found.regret["true cost"] < 0.7 * found.regret["cheapest kilogram"]
    assert found.regret["true cost"] < found.regret["bare rates"]
    assert found.covered > 0.8
