"""Order quantities against stockpyl, a library of inventory theory: on its shipped instances, and on random draws.

Its searches for (r, Q) stop at a step of 1e-6, so there quantities are held to 1e-6; all else to 1e-9.
"""

from typing import Any

import numpy as np
import pytest

pytest.importorskip("stockpyl")

from stockpyl import eoq, newsvendor, rq, ss
from stockpyl.instances import load_instance
from stockpyl.wagner_whitin import wagner_whitin

from spoolkeep.domain.errors import BadInput
from tests.benchmarks.ordering import lotsize, orderpoint

pytestmark = pytest.mark.reference

EXACT, SEARCHED = 1e-9, 1e-6
DRAWS = range(40)
_RANDOM = np.random.default_rng(1913)


def _numbers(low: float, high: float, size: int) -> list[float]:
    """Draw numbers even in their logarithm."""
    return [float(one) for one in np.exp(_RANDOM.uniform(np.log(low), np.log(high), size))]


def _costs(*, order: float = 20) -> dict[str, Any]:
    """Draw what an order, holding and running short cost: the last two to twenty times as much as holding."""
    fixed, holding, ratio = (*_numbers(order / 5, order * 5, 1), *_numbers(0.1, 2, 1), *_numbers(2, 20, 1))
    return {"fixed_cost": fixed, "holding_cost": holding, "stockout_cost": holding * ratio}


def _breaks() -> dict[str, Any]:
    starts, steps = sorted(_numbers(20, 2000, 3)), _RANDOM.uniform(0.8, 0.99, 4)
    prices = [float(one) for one in 20 * np.cumprod(steps)]
    return {"breakpoints": [0, *starts], "unit_costs": prices, "holding_cost_rate": float(_RANDOM.uniform(0.05, 0.4))}


def _joint(items: int) -> dict[str, Any]:
    return {
        "shared_fixed_cost": _numbers(5, 500, 1)[0],
        "individual_fixed_costs": _numbers(1, 100, items),
        "holding_costs": _numbers(0.1, 2, items),
        "demand_rates": _numbers(10, 5000, items),
    }


def _periods(count: int) -> dict[str, Any]:
    return {
        "num_periods": count,
        "holding_cost": _numbers(0.05, 2, 1)[0],
        "fixed_cost": _numbers(20, 400, 1)[0],
        "demand": [int(one) for one in _RANDOM.integers(1, 120, count)],
        "purchase_cost": [float(one) for one in _RANDOM.uniform(1, 6, count)],
    }


def _normal(lead_time: float) -> dict[str, Any]:
    mean = _numbers(20, 2000, 1)[0]
    return {"demand_mean": mean, "demand_sd": mean * float(_RANDOM.uniform(0.05, 0.25)), "lead_time": lead_time}


def close(found: object, theirs: object, rel: float = EXACT) -> bool:
    """Tell whether what we found is what they found."""
    return bool(found == pytest.approx(theirs, rel=rel, abs=rel))


EOQ = ["example_3_1", "problem_3_1"]
DISCOUNTS = ["example_3_5", "problem_3_12"]
JOINT = ["scmo_jrp_ex", "spp_jrp", "silver_jrp", "scmo_jrp_hw_1", "scmo_jrp_hw_2", "scmo_jrp_hw_3"]
KNOWN = ["example_3_9", "problem_3_27", "problem_3_29", "scmo_ww_hw_c"]


@pytest.mark.parametrize(
    "case",
    [
        *map(load_instance, EOQ),
        *({"fixed_cost": k, "holding_cost": h, "demand_rate": d} for k, h, d in (_numbers(0.1, 900, 3) for _ in DRAWS)),
    ],
)
def test_the_economic_order_quantity(case: dict[str, Any]) -> None:
    found = lotsize.economic(case["fixed_cost"], case["holding_cost"], demand=case["demand_rate"])
    assert close(found[:2], eoq.economic_order_quantity(**case))


@pytest.mark.parametrize(
    "case", [load_instance("example_3_8"), *({**_costs(), "demand_rate": _numbers(5, 900, 1)[0]} for _ in DRAWS)]
)
def test_the_economic_order_quantity_where_customers_wait(case: dict[str, Any]) -> None:
    found = lotsize.economic(
        case["fixed_cost"], case["holding_cost"], demand=case["demand_rate"], penalty=case["stockout_cost"]
    )
    quantity, short, cost = eoq.economic_order_quantity_with_backorders(**case)
    assert close(found, (quantity, cost, short))


@pytest.mark.parametrize(
    "case",
    [
        *map(load_instance, DISCOUNTS),
        *({"fixed_cost": k, "demand_rate": 40 * d, **_breaks()} for k, d in (_numbers(1, 300, 2) for _ in DRAWS)),
    ],
)
def test_price_breaks(case: dict[str, Any]) -> None:
    breaks = list(zip(case["breakpoints"], case["unit_costs"], strict=True))
    given = (case["fixed_cost"], case["holding_cost_rate"])
    assert close(
        lotsize.all_units(*given, demand=case["demand_rate"], breaks=breaks),
        eoq.economic_order_quantity_with_all_units_discounts(**case),
    )
    assert close(
        lotsize.incremental(*given, demand=case["demand_rate"], breaks=breaks),
        eoq.economic_order_quantity_with_incremental_discounts(**case),
    )


@pytest.mark.parametrize("case", [*map(load_instance, JOINT), *(_joint(2 + draw % 6) for draw in DRAWS)])
def test_items_in_one_order(case: dict[str, Any]) -> None:
    given: dict[str, Any] = {"holding": case["holding_costs"], "demand": case["demand_rates"]}
    ours = lotsize.silver_cycle(case["shared_fixed_cost"], case["individual_fixed_costs"], **given)
    theirs = eoq.joint_replenishment_problem_silver_heuristic(**case)
    assert close(list(ours.quantities), theirs[0])
    assert list(ours.multiples) == theirs[2]
    assert close((ours.cycle, ours.cost), (theirs[1], theirs[3]))
    best = lotsize.joint_cycle(case["shared_fixed_cost"], case["individual_fixed_costs"], **given)
    assert best.cost <= theirs[3] * (1 + EXACT)
    assert min(best.multiples) == 1


@pytest.mark.parametrize(
    "case",
    [
        load_instance("example_4_1"),
        load_instance("example_4_4"),
        *({**_costs(), **_normal(lead_time=draw % 5)} for draw in DRAWS),
    ],
)
def test_a_normal_season_and_a_base_stock(case: dict[str, Any]) -> None:
    case.pop("fixed_cost", None)
    given: dict[str, Any] = {
        "mean": case["demand_mean"],
        "sd": case["demand_sd"],
        "lead_time": case.get("lead_time", 0),
    }
    found = orderpoint.newsvendor_normal(case["holding_cost"], case["stockout_cost"], **given)
    assert close(found, newsvendor.newsvendor_normal(**case))
    level = found.level * 0.9
    fixed = orderpoint.newsvendor_normal(case["holding_cost"], case["stockout_cost"], **given, level=level)
    assert close(fixed, newsvendor.newsvendor_normal(**case, base_stock_level=level))


@pytest.mark.parametrize(
    "case",
    [
        load_instance("example_4_7"),
        load_instance("problem_4_8a"),
        *({**_costs(), "demand_mean": _numbers(0.5, 60, 1)[0]} for _ in DRAWS),
    ],
)
def test_a_season_of_whole_pieces(case: dict[str, Any]) -> None:
    chances = orderpoint.poisson(case["demand_mean"])
    found = orderpoint.newsvendor_discrete(case["holding_cost"], case["stockout_cost"], chances=chances)
    theirs = newsvendor.newsvendor_poisson(case["holding_cost"], case["stockout_cost"], case["demand_mean"])
    assert close(found, theirs)


def test_a_season_of_any_chances() -> None:
    case = load_instance("problem_4_7b")
    chances = [case["demand_pmf"].get(pieces, 0) for pieces in range(9)]
    found = orderpoint.newsvendor_discrete(case["holding_cost"], case["stockout_cost"], chances=chances)
    assert close(found, newsvendor.newsvendor_discrete(**case))


SUPPLIES = [load_instance("example_5_1"), *({**_costs(order=60), **_normal(lead_time=0.1)} for _ in DRAWS)]


def _supply(case: dict[str, Any]) -> orderpoint.Supply:
    return orderpoint.Supply(
        case["fixed_cost"],
        case["holding_cost"],
        case["stockout_cost"],
        rate=case["demand_mean"],
        sd=case["demand_sd"],
        lead_time=case["lead_time"],
    )


@pytest.mark.parametrize("case", SUPPLIES)
def test_the_expected_level_or_that_it_has_no_answer(case: dict[str, Any]) -> None:
    theirs = rq.r_q_eil_approximation(**case)
    if np.isnan(theirs[0]):
        with pytest.raises(BadInput):
            orderpoint.rq_expected_level(_supply(case))
    else:
        assert close(orderpoint.rq_expected_level(_supply(case)), theirs, SEARCHED)


@pytest.mark.filterwarnings("ignore:.*good progress:RuntimeWarning")  # their search says so where it has arrived
@pytest.mark.parametrize("case", SUPPLIES)
def test_a_point_and_a_quantity(case: dict[str, Any]) -> None:
    ours = _supply(case)
    assert close(orderpoint.rq_backorders(ours)[:2], rq.r_q_eoqb_approximation(**case), SEARCHED)
    assert close(orderpoint.rq_safety_stock(ours)[:2], rq.r_q_eoqss_approximation(**case))
    assert close(orderpoint.rq_loss(ours)[:2], rq.r_q_loss_function_approximation(**case), SEARCHED)
    near = orderpoint.rq_loss(ours)
    assert close(near.cost, rq.r_q_cost(near.point, near.quantity, **case), SEARCHED)


@pytest.mark.parametrize(
    "case",
    [
        load_instance("example_5_8"),
        load_instance("problem_5_2"),
        *(
            {**_costs(order=8), "demand_mean": rate, "lead_time": lead_time}
            for rate, lead_time in (_numbers(0.5, 6, 2) for _ in DRAWS)
        ),
    ],
)
def test_a_point_and_a_quantity_in_whole_pieces(case: dict[str, Any]) -> None:
    found = orderpoint.rq_poisson(
        case["fixed_cost"],
        case["holding_cost"],
        penalty=case["stockout_cost"],
        rate=case["demand_mean"],
        lead_time=case["lead_time"],
    )
    assert close(found, rq.r_q_poisson_exact(**case))


@pytest.mark.parametrize(
    "case", [load_instance("example_4_7"), *({**_costs(order=8), "demand_mean": 1 + draw / 5} for draw in DRAWS[::4])]
)
def test_s_and_s_in_whole_pieces(case: dict[str, Any]) -> None:
    found = orderpoint.ss_discrete(
        case["fixed_cost"],
        case["holding_cost"],
        penalty=case["stockout_cost"],
        chances=orderpoint.poisson(case["demand_mean"]),
    )
    assert close(found, ss.s_s_discrete_exact(**case, use_poisson=True))


@pytest.mark.parametrize("case", [load_instance("example_4_8"), *({**_costs(), **_normal(0)} for _ in DRAWS)])
def test_the_power_approximation(case: dict[str, Any]) -> None:
    case.pop("lead_time", None)
    found = orderpoint.ss_power(
        case["fixed_cost"],
        case["holding_cost"],
        penalty=case["stockout_cost"],
        mean=case["demand_mean"],
        sd=case["demand_sd"],
    )
    assert close(found[:2], ss.s_s_power_approximation(**case))


@pytest.mark.parametrize("case", [*map(load_instance, KNOWN), *(_periods(2 + draw % 9) for draw in DRAWS)])
def test_orders_for_a_known_demand(case: dict[str, Any]) -> None:
    prices = case.get("purchase_cost")
    found = lotsize.known_demand(case["fixed_cost"], case["holding_cost"], demand=case["demand"], prices=prices)
    quantities, cost, *_ = wagner_whitin(**case)
    assert close(found.cost, cost)
    assert close(list(found.quantities), quantities[1:])
