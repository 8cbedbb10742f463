"""Order quantities held beside the worked examples of textbooks, to every digit that is printed.

Source: "example n" and "problem n" are of Snyder and Shen, Fundamentals of Supply Chain Theory, 2nd edition, Wiley
2019; their answers, and where no other source stands, are those that the library stockpyl 1.0.2 prints in its
documentation or gives on its shipped instances (see tests/benchmarks/ordering/test_lot_sizes_stockpyl.py).
"""

from collections.abc import Callable

import pytest

from tests.benchmarks.ordering.lotsize import all_units, economic, incremental, joint_cycle, known_demand, silver_cycle
from tests.benchmarks.ordering.orderpoint import (
    Reorder,
    Supply,
    newsvendor_discrete,
    newsvendor_normal,
    poisson,
    rq_backorders,
    rq_best,
    rq_cost,
    rq_expected_level,
    rq_loss,
    rq_point,
    rq_poisson,
    rq_safety_stock,
    ss_discrete,
    ss_power,
)

Breaks = list[tuple[float, float]]

PRINTED = 1e-9
SETTLED = 1e-8
"""Where the printed answer comes from a search that stopped at a step of 1e-6, its last digits are the search's."""

BOOK: Breaks = [(0, 0.75), (400, 0.72), (800, 0.68)]
MILL: Breaks = [(0, 1490), (1200, 1220), (2400, 1100)]
EXAMPLE_5_1 = Supply(8, 0.225, 7.5, rate=1300, sd=150, lead_time=1 / 12)


def same(found: object, printed: object, rel: float = PRINTED) -> bool:
    """Tell whether a found number, or each of some, is the printed one."""
    return bool(found == pytest.approx(printed, rel=rel))


def test_example_3_1_the_economic_order_quantity() -> None:
    assert same(economic(8, 0.225, demand=1300), (304.0467800264368, 68.41052550594829, 0.0))


def test_problem_3_1_the_economic_order_quantity() -> None:
    assert same(economic(2250, 275, demand=182500), (1728.1098449935514, 475230.20737322664, 0.0))


def test_example_3_8_customers_wait() -> None:
    printed = (310.81255515896464, 66.92136355097325, 0.0430622009569378)
    assert same(economic(8, 0.225, demand=1300, penalty=5), printed)


@pytest.mark.parametrize(
    ("order_cost", "rate", "demand", "breaks", "printed"),
    [
        # example 3.5; by hand 884 + 13 + 81.6
        (8, 0.3, 1300, BOOK, (800, 2, 978.60)),
        # problem 3.12
        (2250, 0.25, 182500, MILL, (2400, 2, 201251093.75)),
        # stockpyl's documentation of the all-units discount
        (200, 0.2, 1000, [(0, 500), (200, 475), (500, 450)], (500, 2, 472900.0)),
    ],
)
def test_the_whole_order_has_the_price_of_its_break(
    order_cost: float, rate: float, demand: float, breaks: Breaks, printed: tuple[float, int, float]
) -> None:
    assert same(all_units(order_cost, rate, demand=demand, breaks=breaks), printed)


@pytest.mark.parametrize(
    ("order_cost", "rate", "demand", "breaks", "printed"),
    [
        # example 3.5 with incremental prices
        (8, 0.3, 1300, BOOK, (304.0467800264368, 0, 1043.4105255059483)),
        # stockpyl's documentation of the incremental discount
        (150, 0.25, 2400, [(0, 100), (300, 90), (600, 80)], (1481.8906842274164, 2, 222762.8136845483)),
    ],
)
def test_only_the_pieces_beyond_a_break_have_its_price(
    order_cost: float, rate: float, demand: float, breaks: Breaks, printed: tuple[float, int, float]
) -> None:
    assert same(incremental(order_cost, rate, demand=demand, breaks=breaks), printed)


JOINT: dict[str, tuple[float, list[float], list[float], list[float]]] = {
    # stockpyl's documentation of joint replenishment
    "scmo_jrp_ex": (600, [120, 840, 300], [160, 20, 50], [1, 1, 1]),
    # Silver, Pyke and Peterson 1998, p. 428
    "spp_jrp": (40, [15] * 4, [0.24] * 4, [86000, 12500, 1400, 3000]),
    # Silver, Management Science 22(12) (1976), 1351-1361
    "silver_jrp": (10, [1.87, 5.27, 7.94, 8.19, 8.87], [0.2] * 5, [1736, 656, 558, 170, 142]),
    # the other three: stockpyl's shipped instances
    "scmo_jrp_hw_1": (20000, [36000, 46000, 34000, 38000], [1000, 900, 1200, 1000], [1780, 445, 920, 175]),
    "scmo_jrp_hw_2": (1500, [4000, 1000, 2000], [300, 200, 200], [9100, 83200, 20800]),
    "scmo_jrp_hw_3": (180, [60, 100, 180, 115, 135], [5.32, 3.92, 4.76, 3.92, 3.36], [6200, 1300, 400, 4400, 1800]),
}
HEURISTIC = {
    "scmo_jrp_ex": ((1, 3, 1), 3.103164454170876, 837.8544026261366),
    "spp_jrp": ((1, 1, 4, 3), 0.07617340262784976, 2067.650840930354),
    "silver_jrp": ((1, 1, 1, 3, 3), 0.2813771490671472, 218.68632025498687),
    "scmo_jrp_hw_1": ((1, 2, 1, 3), 0.24433405218634363, 1028646.3597045067),
    "scmo_jrp_hw_2": ((3, 1, 2), 0.017076411245211497, 566083.0327787611),
    "scmo_jrp_hw_3": ((1, 2, 4, 1, 2), 0.11364657309360865, 9107.181781429423),
}
# to the printed digits; found there by trying every vector of multiples up to 10
BEST = HEURISTIC | {"silver_jrp": ((1, 1, 2, 3, 3), 0.245558, 218.251586)}
ALONE = {
    "scmo_jrp_ex": 1020.00,
    "spp_jrp": 2554.92,
    "silver_jrp": 285.28,
    "scmo_jrp_hw_1": 1164201.49,
    "scmo_jrp_hw_2": 632381.60,
    "scmo_jrp_hw_3": 11981.16,
}


@pytest.mark.parametrize("name", JOINT)
def test_silvers_heuristic_for_items_in_one_order(name: str) -> None:
    shared, own, holding, demand = JOINT[name]
    found = silver_cycle(shared, own, holding=holding, demand=demand)
    multiples, cycle, cost = HEURISTIC[name]
    assert found.multiples == multiples
    assert same((found.cycle, found.cost), (cycle, cost))


@pytest.mark.parametrize("name", JOINT)
def test_the_best_cycle_is_never_dearer_than_silvers(name: str) -> None:
    shared, own, holding, demand = JOINT[name]
    found = joint_cycle(shared, own, holding=holding, demand=demand)
    multiples, cycle, cost = BEST[name]
    assert found.multiples == multiples
    assert (round(found.cycle, 6), round(found.cost, 6)) == (round(cycle, 6), round(cost, 6))
    assert found.cost <= HEURISTIC[name][2] * (1 + PRINTED)


@pytest.mark.parametrize("name", JOINT)
def test_every_item_alone_costs_what_is_printed(name: str) -> None:
    shared, own, holding, demand = JOINT[name]
    alone = [economic(shared + k, h, demand=d).cost for k, h, d in zip(own, holding, demand, strict=True)]
    assert round(sum(alone), 2) == ALONE[name]


def test_spp_jrp_orders_the_quantities_of_page_428() -> None:
    shared, own, holding, demand = JOINT["spp_jrp"]
    found = silver_cycle(shared, own, holding=holding, demand=demand)
    # Silver, Pyke and Peterson 1998, p. 428
    assert [round(one, 2) for one in found.quantities] == [6550.91, 952.17, 426.57, 685.56]


def test_example_4_1_and_4_3_a_normal_season() -> None:
    assert same(newsvendor_normal(0.18, 0.70, mean=50, sd=8), (56.60395592743389, 1.9976051931766445))
    assert same(newsvendor_normal(0.18, 0.70, mean=50, sd=8, level=60), (60, 2.156131552870387))


def test_example_4_2_the_same_told_as_a_profit() -> None:
    revenue, price, salvage, mean = 1, 0.3, 0.12, 50
    found = newsvendor_normal(price - salvage, revenue - price, mean=mean, sd=8)
    assert same((found.level, (revenue - price) * mean - found.cost), (56.60395592743389, 33.002394806823354))


def test_example_4_4_a_base_stock_with_a_lead_time_of_four() -> None:
    found = newsvendor_normal(0.18, 0.70, mean=50, sd=8, lead_time=4)
    # by hand: 250 + sqrt(5) * 8 * 0.825494
    assert same(found, (264.76689437415484, 4.466781004149577))


@pytest.mark.parametrize(
    ("holding", "penalty", "mean", "printed"),
    [
        # stockpyl's documentation of the Poisson newsvendor
        (0.18, 0.70, 50, (56, 1.797235211809178)),
        # example 4.7
        (1, 4, 6, (8, 3.5701069457709416)),
        # problem 4.8a
        (200, 270, 18, (19, 786.0884409351079)),
    ],
)
def test_a_season_of_whole_pieces(holding: float, penalty: float, mean: float, printed: tuple[int, float]) -> None:
    assert same(newsvendor_discrete(holding, penalty, chances=poisson(mean)), printed)


def test_example_4_7_at_five_pieces() -> None:
    assert same(newsvendor_discrete(1, 4, chances=poisson(6), level=5), (5, 6.590296024616343))


def test_problem_4_7b_a_season_of_any_chances() -> None:
    chances = [0, 0.25, 0.05, 0.1, 0.2, 0.15, 0.1, 0.1, 0.05]
    assert same(newsvendor_discrete(5e5, 1e6, chances=chances), (5, 1225000))


def test_example_4_7_s_and_s_in_whole_pieces() -> None:
    assert same(ss_discrete(5, 1, penalty=4, chances=poisson(6)), (4, 10, 8.034111561471642))


def test_example_4_8_the_power_approximation() -> None:
    found = ss_power(2.5, 0.18, penalty=0.70, mean=50, sd=8)
    assert same((found.low, found.high), (40.19461695647407, 74.29017010980579))
    assert found.cost is None


def test_example_5_1_what_a_point_and_a_quantity_cost() -> None:
    assert same(rq_cost(EXAMPLE_5_1, 126.8, quantity=328.5), 78.07116250928294)


def test_example_5_1_the_best_point_for_a_quantity() -> None:
    printed, found = 129.4272799263067, rq_point(EXAMPLE_5_1, 300).point
    assert same(found, printed, rel=SETTLED)
    # the rule itself: holding and waiting cost the same at both ends, and nearer so than at the printed point
    ends = [abs(EXAMPLE_5_1.charge(r) - EXAMPLE_5_1.charge(r + 300)) for r in (found, printed)]
    assert ends[0] < 1e-9 < ends[1]


def test_example_5_1_by_the_expected_level() -> None:
    printed = (213.97044213580244, 318.5901810768729, 95.45114022285196)
    assert same(rq_expected_level(EXAMPLE_5_1), printed, rel=SETTLED)


def test_example_5_1_by_the_loss_function() -> None:
    assert same(rq_loss(EXAMPLE_5_1)[:2], (126.8670634479628, 328.4491421980451), rel=SETTLED)


def test_example_5_1_by_backorders_and_by_safety_stock() -> None:
    assert same(rq_backorders(EXAMPLE_5_1)[:2], (128.63781442427097, 308.5737801203754))
    assert same(rq_safety_stock(EXAMPLE_5_1)[:2], (190.3369965715624, 304.0467800264368))


def test_problem_5_3_by_safety_stock() -> None:
    found = rq_safety_stock(Supply(85, 0.21428571428571427, 40, rate=192, sd=17.4, lead_time=3))
    assert same(found[:2], (652.9638947041127, 390.281949364815))


@pytest.mark.parametrize(
    ("order_cost", "holding", "penalty", "rate", "lead_time", "printed"),
    [
        # example 5.8
        (100, 20, 150, 1.5, 2, (3, 5, 107.92358063314975)),
        # problem 5.2
        (4, 4, 28, 12, 0.5, (6, 7, 28.241312842169155)),
    ],
)
def test_a_point_and_a_quantity_in_whole_pieces(
    order_cost: float, holding: float, penalty: float, rate: float, lead_time: float, printed: tuple[int, int, float]
) -> None:
    assert same(rq_poisson(order_cost, holding, penalty=penalty, rate=rate, lead_time=lead_time), printed)


@pytest.mark.parametrize("rule", [rq_backorders, rq_safety_stock, rq_loss])
def test_no_approximation_is_cheaper_than_the_best_point_and_quantity(rule: Callable[[Supply], Reorder]) -> None:
    best = rq_best(EXAMPLE_5_1)
    assert best.cost <= rule(EXAMPLE_5_1).cost * (1 + PRINTED)
    # the near-optimal exact pair of example 5.1 costs 78.07116 and is not far off
    assert same(best.cost, 78.07116250928294, rel=1e-5)
    assert best.cost < 78.07116250928294


@pytest.mark.parametrize(
    ("order_cost", "holding", "demand", "prices", "orders", "cost"),
    [
        # example 3.9
        (500, 2, [90, 120, 80, 70], None, (210, 0, 150, 0), 1380),
        # problem 3.27
        (120, 0.8, [150, 100, 80, 200], None, (150, 180, 0, 200), 424),
        # problem 3.29
        (100, 0.1, [730, 580, 445, 650, 880], None, (1310, 0, 1095, 0, 880), 423),
        # stockpyl's shipped instance scmo_ww_hw_c
        (100, 0.1, [400, 500, 500, 1100, 900], [3, 1, 4, 6, 6], (400, 3000, 0, 0, 0), 4940),
    ],
)
def test_orders_for_a_known_demand(
    order_cost: float,
    holding: float,
    demand: list[float],
    prices: list[float] | None,
    orders: tuple[float, ...],
    cost: float,
) -> None:
    found = known_demand(order_cost, holding, demand=demand, prices=prices)
    assert found.quantities == orders
    assert same(found.cost, cost)
