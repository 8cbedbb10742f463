"""Order quantities held beside every way there is, on small cases, and beside what can be reckoned by hand.

The published examples stand in tests/worked/test_lot_sizes.py.
"""

from collections.abc import Callable, Sequence
from itertools import product

import numpy as np
import pytest

from spoolkeep.domain.errors import BadInput
from tests.benchmarks.ordering.lotsize import all_units, economic, incremental, joint_cycle, known_demand, silver_cycle
from tests.benchmarks.ordering.orderpoint import (
    Supply,
    newsvendor_discrete,
    newsvendor_normal,
    poisson,
    rq_best,
    rq_cost,
    rq_expected_level,
    rq_point,
    rq_poisson,
    ss_discrete,
)

SEEDS = range(12)
EXACT = 1e-9
EXAMPLE_5_1 = Supply(8, 0.225, 7.5, rate=1300, sd=150, lead_time=1 / 12)
"""The inputs of example 5.1 of Snyder and Shen, Fundamentals of Supply Chain Theory, 2nd edition."""


def same(found: object, expected: object, rel: float = EXACT) -> bool:
    """Tell whether a found number, or each of some, is the expected one."""
    return bool(found == pytest.approx(expected, rel=rel))


@pytest.mark.parametrize("seed", SEEDS)
def test_no_multiples_up_to_twelve_beat_the_best_cycle(seed: int) -> None:
    draw = np.random.default_rng(seed)
    shared = float(draw.choice([0, 1, 10, 100]))
    own, holding, demand = ([float(one) for one in np.exp(draw.uniform(0, 5, 3))] for _ in range(3))
    best = joint_cycle(shared, own, holding=holding, demand=demand)
    # the cost of given multiples, Silver 1976: sqrt(2 (K + sum k / m) sum m h d)
    value = [h * d for h, d in zip(holding, demand, strict=True)]
    every = min(
        2
        * (shared + sum(k / m for k, m in zip(own, many, strict=True)))
        * sum(v * m for v, m in zip(value, many, strict=True))
        for many in product(range(1, 13), repeat=3)
        if min(many) == 1
    )
    assert best.cost <= every**0.5 * (1 + EXACT)
    assert max(best.multiples) > 12 or same(best.cost, every**0.5)
    assert best.cost <= silver_cycle(shared, own, holding=holding, demand=demand).cost


@pytest.mark.parametrize("seed", SEEDS)
def test_a_joint_order_costs_what_its_parts_cost(seed: int) -> None:
    draw = np.random.default_rng(seed)
    own, holding, demand = ([float(one) for one in np.exp(draw.uniform(0, 5, 4))] for _ in range(3))
    found = joint_cycle(30, own, holding=holding, demand=demand)
    # by hand: orders in a unit of time, and half of each quantity held
    parts = [k / (m * found.cycle) for k, m in zip(own, found.multiples, strict=True)]
    held = [h * q / 2 for h, q in zip(holding, found.quantities, strict=True)]
    assert same(found.cost, 30 / found.cycle + sum(parts) + sum(held))


def _cost_of(orders: Sequence[bool], demand: list[int], prices: list[float], *, order_cost: float) -> float:
    """Give what it costs to order in these periods, a piece that is left costing 1."""
    total, since = 0.0, 0
    for period, (ordered, pieces) in enumerate(zip(orders, demand, strict=True)):
        since = period if ordered else since
        total += order_cost * ordered + pieces * (prices[since] + period - since)
    return total


@pytest.mark.parametrize("seed", SEEDS)
def test_no_choice_of_periods_beats_the_orders_for_a_known_demand(seed: int) -> None:
    draw = np.random.default_rng(seed)
    demand = [int(one) for one in draw.integers(1, 40, 8)]
    prices = [float(one) for one in draw.uniform(1, 4, 8)]
    found = known_demand(50, 1, demand=demand, prices=prices)
    every = min(_cost_of((True, *rest), demand, prices, order_cost=50) for rest in product([True, False], repeat=7))
    assert same(found.cost, every)
    assert same(_cost_of([one > 0 for one in found.quantities], demand, prices, order_cost=50), every)
    assert sum(found.quantities) == sum(demand)


@pytest.mark.parametrize("seed", SEEDS)
def test_no_point_and_quantity_in_whole_pieces_beat_the_best(seed: int) -> None:
    draw = np.random.default_rng(seed)
    cost, penalty, mean = float(draw.uniform(1, 60)), float(draw.uniform(2, 30)), float(draw.uniform(0.5, 8))
    best = rq_poisson(cost, 1, penalty=penalty, rate=mean, lead_time=1)
    # Snyder and Shen, section 5.4: the mean over the positions r + 1 to r + Q
    charge = [newsvendor_discrete(1, penalty, chances=poisson(mean), level=at).cost for at in range(-20, 60)]
    every = min(
        (cost * mean + sum(charge[point + 21 : point + 21 + many])) / many
        for point in range(-21, 20)
        for many in range(1, 39)
    )
    assert same(best.cost, every)


@pytest.mark.parametrize("seed", SEEDS)
def test_no_s_and_s_in_whole_pieces_beat_the_best(seed: int) -> None:
    draw = np.random.default_rng(seed)
    cost, penalty = float(draw.uniform(1, 30)), float(draw.uniform(2, 20))
    chances = draw.dirichlet(np.ones(5))
    best = ss_discrete(cost, 1, penalty=penalty, chances=chances)
    every = min(
        _renewed(chances, cost=cost, penalty=penalty, low=low, high=high)
        for low in range(-8, 8)
        for high in range(low + 1, 24)
    )
    assert same(best.cost, every)


def _renewed(chances: np.ndarray, *, cost: float, penalty: float, low: int, high: int) -> float:
    """Give what (s, S) costs a period by its chain of positions, solved as linear equations."""
    positions = list(range(low + 1, high + 1))
    moves = np.zeros((len(positions), len(positions)))
    orders = np.zeros(len(positions))
    for row, at in enumerate(positions):
        for pieces, chance in enumerate(chances):
            falls = at - pieces <= low
            orders[row] += chance * falls
            moves[row, -1 if falls else row - pieces] += chance
    level = np.vstack([moves.T - np.eye(len(positions)), np.ones(len(positions))])
    often = np.linalg.lstsq(level, np.append(np.zeros(len(positions)), 1.0))[0]
    charge = [newsvendor_discrete(1, penalty, chances=chances, level=at).cost for at in positions]
    return float(often @ (np.asarray(charge) + cost * orders))


def test_what_r_and_q_cost_is_the_mean_of_holding_and_waiting_over_the_positions() -> None:
    # Snyder and Shen, section 5.1: the integral, here added up in 200,000 steps
    step = 328.5 / 200_000
    total = sum(EXAMPLE_5_1.charge(126.8 + (one + 0.5) * step) for one in range(200_000)) * step
    assert same(rq_cost(EXAMPLE_5_1, 126.8, quantity=328.5), (8 * 1300 + total) / 328.5, rel=1e-8)


def test_no_point_and_quantity_near_by_beat_the_best() -> None:
    best = rq_best(EXAMPLE_5_1)
    for point, quantity in product((-1, 0, 1), repeat=2):
        assert best.cost <= rq_cost(EXAMPLE_5_1, best.point + point, quantity=best.quantity + quantity)


def test_a_certain_demand_needs_no_safety_stock() -> None:
    # by hand: without spread the best is the economic quantity where customers wait
    certain = Supply(8, 0.225, 5, rate=1300, sd=0, lead_time=1 / 12)
    lot = economic(8, 0.225, demand=1300, penalty=5)
    assert same((rq_best(certain).quantity, rq_best(certain).cost), (lot.quantity, lot.cost))
    assert same(newsvendor_normal(1, 4, mean=50, sd=0), (50, 0))


def test_one_item_alone_is_ordered_by_its_economic_quantity() -> None:
    # by hand: one order cost of 10 in all
    found = joint_cycle(7, [3], holding=[0.5], demand=[40])
    lot = economic(10, 0.5, demand=40)
    assert found.multiples == (1,)
    assert same((found.quantities[0], found.cost), (lot.quantity, lot.cost))


def test_a_least_order_is_kept() -> None:
    # by hand: 50 pieces at 2, a year of 100: 200 + 2 orders of 1 + 0.1 * 2 * 25
    assert same(all_units(1, 0.1, demand=100, breaks=[(50, 2)]), (50, 0, 207))
    assert same(incremental(1, 0.1, demand=100, breaks=[(50, 2)]), (50, 0, 207))


def test_nothing_is_ordered_for_periods_without_demand() -> None:
    # by hand: one order, in the second period, 3 pieces left for one period
    assert known_demand(10, 1, demand=[0, 5, 3, 0]) == ((0, 8, 0, 0), 13)


def test_a_lead_time_of_whole_periods_adds_them_up() -> None:
    # a sum of Poisson demands is Poisson
    assert same(
        newsvendor_discrete(1, 4, chances=poisson(2), lead_time=2), newsvendor_discrete(1, 4, chances=poisson(6))
    )
    assert same(poisson(3) @ np.arange(len(poisson(3))), 3)


@pytest.mark.parametrize(
    ("wrong", "code"),
    [
        (lambda: economic(-1, 1, demand=1), "below_nothing"),
        (lambda: economic(1, 0, demand=1), "not_above_nothing"),
        (lambda: economic(1, 1, demand=float("nan")), "not_above_nothing"),
        (lambda: all_units(1, 1, demand=1, breaks=[]), "no_breaks"),
        (lambda: incremental(1, 1, demand=1, breaks=[]), "no_breaks"),
        (lambda: all_units(1, 1, demand=1, breaks=[(0, 2), (5, 3)]), "breaks_out_of_order"),
        (lambda: joint_cycle(1, [], holding=[], demand=[]), "items_differ"),
        (lambda: joint_cycle(1, [1, 2], holding=[1], demand=[1]), "items_differ"),
        (lambda: joint_cycle(0, [0], holding=[1], demand=[1]), "not_above_nothing"),
        (lambda: newsvendor_normal(1, 1, mean=-1, sd=1), "below_nothing"),
        (lambda: newsvendor_discrete(1, 1, chances=[]), "bad_chances"),
        (lambda: newsvendor_discrete(1, 1, chances=[0.5, 0.4]), "bad_chances"),
        (lambda: newsvendor_discrete(1, 1, chances=[1], lead_time=-1), "below_nothing"),
        (lambda: poisson(0), "not_above_nothing"),
        (lambda: ss_discrete(1, 1, penalty=1, chances=[1]), "no_demand"),
        (lambda: Supply(1, 1, 1, rate=1, sd=-1, lead_time=1), "below_nothing"),
        (lambda: Supply(1, 1, 1, rate=1, sd=1, lead_time=0), "not_above_nothing"),
        (lambda: rq_expected_level(Supply(1, 1, 0.001, rate=1, sd=1, lead_time=1)), "penalty_too_low"),
        (lambda: rq_point(EXAMPLE_5_1, 0), "not_above_nothing"),
        (lambda: known_demand(1, 1, demand=[]), "periods_differ"),
        (lambda: known_demand(1, 1, demand=[1], prices=[1, 2]), "periods_differ"),
        (lambda: known_demand(1, 1, demand=[-1]), "below_nothing"),
    ],
)
def test_a_figure_that_cannot_be_is_refused_in_a_sentence(wrong: Callable[[], object], code: str) -> None:
    with pytest.raises(BadInput) as refused:
        wrong()
    assert refused.value.code == code
    assert refused.value.words.endswith(".")
