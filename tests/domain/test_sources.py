"""From whom to buy which item."""

import itertools

import numpy as np
import pytest

from spoolkeep.domain.sources import Sourcing, assigned, cost_a_day

NEVER = np.array([np.inf, np.inf])


def sourcing(goods: list[list[float]], order: list[float], **more: object) -> Sourcing:
    """Give items that lie and count alike."""
    each = np.array(goods)
    sold = np.isfinite(each)
    lies = np.where(sold, 0.02, 0.0)
    worth = np.where(sold, each, 0.0)
    free = more.get("free_from", np.full(each.shape[1], np.inf))
    return Sourcing(each, lies, worth, np.array(order), np.array(order) / 2, np.asarray(free))


def test_the_cheapest_sells_where_parcels_cost_nothing() -> None:
    assert assigned(sourcing([[1.0, 0.9], [0.8, 1.0]], [0.0, 0.0])).tolist() == [1, 0]


def test_one_parcel_is_worth_more_than_a_slightly_lower_price() -> None:
    # hand calculation: two parcels cost sqrt(2 x 10 x 0.02) x 2 = 1.26 a day, one sqrt(2 x 10 x 0.04) = 0.89
    assert assigned(sourcing([[1.0, 0.9], [0.8, 1.0]], [10.0, 10.0])).tolist() == [0, 0]


def test_what_only_one_sells_is_bought_there_and_draws_others_along() -> None:
    found = assigned(sourcing([[1.0, np.inf], [1.0, 0.95], [1.0, 0.95]], [10.0, 10.0]))
    assert found.tolist() == [0, 0, 0]


def test_what_nobody_sells_has_nobody() -> None:
    assert assigned(sourcing([[np.inf, np.inf], [1.0, np.inf]], [1.0, 1.0])).tolist() == [-1, 0]


def test_free_freight_draws_items_where_it_is_reached() -> None:
    one = sourcing([[1.0, 1.0]] * 4, [10.0, 10.0], free_from=[np.inf, 5.0])
    assert assigned(one).tolist() == [1, 1, 1, 1]


@pytest.mark.parametrize("seed", range(20))
def test_the_search_comes_near_the_best_of_all_ways(seed: int) -> None:
    rng = np.random.default_rng(seed)
    goods = rng.uniform(0.5, 1.5, (6, 3))
    goods[rng.random((6, 3)) < 0.3] = np.inf
    goods[:, 0] = np.where(np.isfinite(goods).any(axis=1), goods[:, 0], 1.0)
    case = sourcing(goods.tolist(), rng.uniform(0.0, 20.0, 3).tolist(), free_from=rng.uniform(1, 60, 3))
    ways = [[at for at in range(3) if np.isfinite(row[at])] for row in goods]
    best = min(cost_a_day(case, np.array(way)) for way in itertools.product(*ways))
    found = cost_a_day(case, assigned(case))
    # the search is local: within 3 % of the best, and mostly the best itself
    assert best <= found <= best * 1.03
