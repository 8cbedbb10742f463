"""What to order today, from whom, how much and why."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spoolkeep.domain.errors import BadInput
from spoolkeep.domain.planned import Case, Cause, House, Line, Lot, Plan, Source, State
from spoolkeep.domain.reorder import Planner, plan
from spoolkeep.domain.shortfall import HORIZON, Floats, Pile
from spoolkeep.domain.terms import OfferTerms, SellerTerms
from tests.benchmarks.ordering.lotsize import economic

KG = 1_000_000
HOUSE = House(order_minor=500.0, carry_a_day=0.2 / 365, review_days=1)
TERMS = OfferTerms(1, price_minor=1800, spool_mg=KG)


def pile(*items: tuple[float, float], lost: float = 4200.0, spread: float = 2.0, risk: float = 1.0) -> Pile:
    """Give items that are drawn so many grams a day and of which so many are here; `spread` is variance over mean."""
    days = np.arange(HORIZON + 1, dtype=np.float64)
    mean: Floats = np.array([daily * 1000.0 for daily, _ in items])[:, None] * days
    held = np.repeat(np.array([here * 1000.0 for _, here in items])[:, None], HORIZON + 1, axis=1)
    variance = mean * spread * 40_000.0  # draws of some forty grams
    return Pile(mean, variance, held, np.full(len(items), lost), np.full(len(items), risk))


def lead(*days: int) -> Floats:
    """Give a supplier whose orders serve from one of these days on, all as likely."""
    found = np.zeros(HORIZON + 1)
    for day in days:
        found[day] += 1 / len(days)
    return found


def source(*days: int, parcel: int = 500, **terms: object) -> Source:
    """Give a supplier."""
    return Source(SellerTerms(1, parcel, **terms), lead(*days or (5, 6, 7)))  # type: ignore[arg-type]


def lots(many: int, terms: OfferTerms = TERMS, at: int = 0) -> list[Lot]:
    """Give an offer of each item."""
    return [Lot(row, at, replace(terms, offer_id=100 * at + row)) for row in range(many)]


def planned(items: Pile, sold: Sequence[Lot], *sources: Source, house: House = HOUSE) -> Plan:
    """Give the plan."""
    return plan(items, sold, sources or (source(),), house)


def spools(found: Plan) -> list[int]:
    """Give the spools of each item."""
    return [line.spools for line in found.lines]


def test_enough_is_left_alone_and_says_when_to_order() -> None:
    found = planned(pile((50, 5000)), lots(1))
    (line,), (supplier,) = found.lines, found.sources
    assert (line.spools, line.cause, line.state) == (0, None, State.ENOUGH)
    assert not supplier.is_due
    # hand calculation: 5,000 g at 50 a day last 100 days, of which an order takes 6
    assert line.lasts_days == 100
    assert line.order_by_days is not None
    assert 60 < line.order_by_days < 94
    assert supplier.next_days is not None
    assert abs(supplier.next_days - line.order_by_days) <= 5


def test_what_runs_out_before_a_delivery_is_late() -> None:
    (line,) = planned(pile((100, 300)), lots(1)).lines
    assert (line.state, line.cause) == (State.NOW, Cause.LATE)
    assert line.chance_now > 0.7
    assert line.needed_days is not None
    assert line.needed_days <= 2


def test_an_item_that_has_enough_for_now_joins_the_parcel_of_one_that_has_not() -> None:
    alone = planned(pile((50, 1600)), lots(1))
    assert spools(alone) == [0]
    with_another = planned(pile((50, 1600), (100, 500)), lots(2))
    assert with_another.lines[0].cause is Cause.JOINS
    assert with_another.lines[1].cause in {Cause.LATE, Cause.DUE}
    assert all(spools(with_another))


def test_a_dear_stop_keeps_more_on_the_shelf_than_a_cheap_one() -> None:
    dear, cheap = (planned(pile((60, 450), lost=lost), lots(1)).lines[0] for lost in (20_000.0, 100.0))
    assert dear.spools > 0
    assert dear.order_by_days is not None
    assert cheap.order_by_days is not None
    assert cheap.order_by_days >= dear.order_by_days
    assert [planned(pile((60, here)), lots(1)).lines[0].order_by_days for here in (900, 3000)] == sorted(
        line.order_by_days or 0 for line in (planned(pile((60, here)), lots(1)).lines[0] for here in (900, 3000))
    )


def test_a_dear_parcel_is_shared_by_more_plastic() -> None:
    few, many = (
        sum(spools(planned(pile((80, 300), (60, 200)), lots(2), source(parcel=parcel)))) for parcel in (100, 8000)
    )
    assert many > few > 0


def test_an_accepted_chance_stands_instead_of_what_a_stop_costs() -> None:
    careful, easy = (
        planned(pile((60, 700), lost=0.0, risk=risk), lots(1)).lines[0].order_by_days for risk in (0.01, 0.4)
    )
    assert careful is not None
    assert easy is not None
    assert careful < easy
    (line,) = planned(pile((60, 300), lost=0.0, risk=0.01), lots(1)).lines
    assert line.spools > 0
    assert line.at(line.spools).chance_out <= 0.02


def test_what_nobody_draws_is_not_ordered() -> None:
    assert spools(planned(pile((0, 0), (0, 500)), lots(2))) == [0, 0]


def test_what_nobody_sells_is_named() -> None:
    found = planned(pile((100, 300), (100, 300)), lots(1))
    assert [line.state for line in found.lines] == [State.NOW, State.NOBODY]
    assert found.lines[1].chance_now > 0.7


def test_without_any_supplier_or_item_there_is_no_plan() -> None:
    assert plan(pile((10, 100)), [], [], HOUSE).sources == ()
    assert planned(pile(), []).lines == ()


def test_packs_of_two_are_bought_in_twos() -> None:
    found = planned(pile((90, 200), (70, 200)), lots(2, replace(TERMS, pack=2)))
    assert all(many > 0 and many % 2 == 0 for many in spools(found))


def test_a_least_number_is_bought_or_nothing() -> None:
    (line,) = planned(pile((20, 30)), lots(1, replace(TERMS, least_spools=5))).lines
    assert line.spools >= 5


def test_a_break_is_reached_where_it_pays_and_is_left_where_it_would_lie() -> None:
    ten = replace(TERMS, breaks=((10, 1500),))
    (busy,) = planned(pile((300, 800)), lots(1, ten)).lines
    (idle,) = planned(pile((4, 5)), lots(1, ten)).lines
    assert busy.spools >= 10
    assert 0 < idle.spools < 10


def test_an_order_is_raised_to_free_freight_where_little_is_missing() -> None:
    plain = planned(pile((150, 500)), lots(1), source(parcel=900))
    least = spools(plain)[0] * 1800
    raised = planned(pile((150, 500)), lots(1), source(parcel=900, free_from_minor=least + 1500))
    assert spools(raised)[0] == spools(plain)[0] + 1
    assert raised.lines[0].raised
    assert raised.sources[0].bill is not None
    assert raised.sources[0].bill.freight_minor == 0


def test_free_freight_that_is_far_away_is_not_bought_for() -> None:
    plain = planned(pile((20, 60)), lots(1), source(parcel=300))
    far = planned(pile((20, 60)), lots(1), source(parcel=300, free_from_minor=200_000))
    assert spools(far) == spools(plain)


def test_a_least_order_is_reached_or_nothing_is_ordered() -> None:
    found = planned(pile((40, 100)), lots(1), source(least_minor=12_000))
    assert found.sources[0].bill is not None
    assert found.sources[0].bill.goods_minor >= 12_000


def test_a_basket_of_ten_is_filled_where_that_pays() -> None:
    items = pile((120, 300), (100, 300), (90, 900))
    without, with_it = (planned(items, lots(3), source(basket=basket)) for basket in ((), ((10, 150_000),)))
    assert sum(spools(with_it)) >= 10
    assert with_it.sources[0].bill is not None
    assert with_it.sources[0].bill.off_ppm == 150_000
    assert sum(spools(without)) <= sum(spools(with_it))


def test_a_budget_and_a_full_shelf_are_kept_to_and_the_worst_comes_first() -> None:
    items = pile((100, 5000), (100, 100), (100, 5000), (100, 1200))
    for limit in ({"budget_minor": 4500}, {"room_spools": 2}):
        found = planned(items, lots(4), house=replace(HOUSE, **limit))
        assert 0 < sum(spools(found)) <= 2
        assert spools(found)[1] > 0
        assert found.sources[0].cycle.cut
    assert sum(spools(planned(items, lots(4), house=replace(HOUSE, budget_minor=100)))) == 0


def test_nothing_is_bought_for_longer_than_the_workshop_allows() -> None:
    for most in (10, 40):
        (line,) = planned(pile((100, 100)), lots(1), source(parcel=50_000), house=replace(HOUSE, most_days=most)).lines
        assert line.at(line.spools).lasts_days <= most + 25


def test_a_quick_dear_supplier_is_taken_only_where_the_cheap_one_comes_too_late() -> None:
    slow, quick = source(30, 31, 32), source(2)
    sold = [*lots(1, TERMS, 0), *lots(1, replace(TERMS, price_minor=2400), 1)]
    calm = planned(pile((60, 3000)), sold, slow, quick).lines[0]
    late = planned(pile((60, 200)), sold, slow, quick).lines[0]
    assert calm.lot is not None
    assert calm.lot.source == 0
    assert late.lot is not None
    assert (late.lot.source, late.passed_over and late.passed_over.source) == (1, 0)


def test_what_a_kilogram_costs_beside_its_price_decides_too() -> None:
    sold = [Lot(0, 0, TERMS, beside_minor_per_kg=900.0), Lot(0, 1, replace(TERMS, offer_id=2, price_minor=2000))]
    (line,) = planned(pile((60, 300)), sold, source(), source()).lines
    assert line.lot is not None
    assert line.lot.source == 1


def test_a_large_spool_is_bought_by_who_uses_it_up() -> None:
    large = OfferTerms(2, price_minor=4000, spool_mg=2_500_000)
    busy, idle = (planned(pile((daily, 50)), [Lot(0, 0, TERMS), Lot(0, 0, large)]).lines[0] for daily in (150, 0.5))
    assert [line.lot and line.lot.terms.offer_id for line in (busy, idle)] == [2, 1]


def test_what_each_number_of_spools_does_only_gets_better() -> None:
    (line,) = planned(pile((80, 200)), lots(1)).lines
    chances = [after.chance_out for after in line.after]
    days = [after.lasts_days for after in line.after]
    assert [after.spools for after in line.after] == sorted({after.spools for after in line.after})
    assert chances == sorted(chances, reverse=True)
    assert days == sorted(days)
    assert any(after.spools == line.spools for after in line.after)
    between = line.at(line.spools)
    assert between.chance_out == next(one.chance_out for one in line.after if one.spools == line.spools)


def test_an_order_that_comes_otherwise_costs_more_in_its_own_way() -> None:
    found = {one.case: one for one in planned(pile((90, 500), (60, 300)), lots(2)).sources[0].outcomes}
    usual = found[Case.AS_FORESEEN]
    assert found[Case.MORE].lost_minor > usual.lost_minor > found[Case.LESS].lost_minor
    assert found[Case.LESS].lies_minor > usual.lies_minor > found[Case.MORE].lies_minor
    assert found[Case.LATE].out_days > usual.out_days


def test_a_weekly_look_orders_sooner_than_a_daily_one() -> None:
    here = next(grams for grams in range(600, 3000, 50) if not planned(pile((80, grams)), lots(1)).sources[0].is_due)
    weekly = planned(pile((80, here)), lots(1), house=replace(HOUSE, review_days=7))
    assert weekly.sources[0].is_due


@pytest.mark.parametrize("comes", [16, 20, 26, 32])
def test_a_gap_before_a_late_parcel_is_closed_by_few_spools(comes: int) -> None:
    # hand calculation: 1,300 g at 100 g a day last 13 days; until 12 kg come, 3 to 19 days lack 300 to 1,900 g
    items = pile((100, 1300), (90, 6000), (13, 700))
    items.held[0, comes:] += 12 * KG
    found = planned(items, lots(3), source(free_from_minor=15_000), house=replace(HOUSE, review_days=7))
    assert 1 <= spools(found)[0] <= 4
    assert found.sources[0].outcomes[0].out_days < 0.5


def test_a_gap_that_costs_less_than_an_order_is_left_open() -> None:
    # hand calculation: three days without at 30 a day cost 90, an order 1,000
    items = pile((100, 1000), (60, 9000), lost=30.0)
    items.held[0, 13:] += 12 * KG
    assert spools(planned(items, lots(2), house=replace(HOUSE, review_days=7))) == [0, 0]
    dear = pile((100, 1000), lost=4200.0)
    dear.held[0, 13:] += 12 * KG
    assert spools(planned(dear, lots(1), house=replace(HOUSE, review_days=7)))[0] > 0


@pytest.mark.parametrize(("daily", "parcel"), [(400, 1000), (900, 2500), (1500, 5000)])
def test_what_is_drawn_for_certain_is_ordered_by_the_textbooks_quantity(daily: float, parcel: int) -> None:
    # Snyder and Shen, 2nd ed., section 3.2: T = sqrt(2 K / (h d)), cost sqrt(2 K h d); the plan weighs lengths a
    # tenth apart and buys whole spools
    items = pile((daily, 0.5 * daily), spread=0.0)
    cycle = planned(items, lots(1), source(1, parcel=parcel)).sources[0].cycle
    holding = 1800 * HOUSE.carry_a_day / KG
    best = economic(HOUSE.order_minor + parcel, holding, demand=daily * 1000.0)
    assert cycle.days == pytest.approx(best.quantity / (daily * 1000.0), rel=0.15)
    assert cycle.rate_minor == pytest.approx(best.cost, rel=0.08)


def test_a_draw_without_end_is_refused() -> None:
    endless = pile((10, 100))
    with pytest.raises(BadInput) as refused:
        planned(replace(endless, mean=endless.mean + np.inf), lots(1))
    assert refused.value.code == "endless_demand"


ITEMS = st.lists(st.tuples(st.floats(0, 400), st.floats(0, 6000)), min_size=1, max_size=6)


@given(items=ITEMS, parcel=st.integers(0, 3000), pack=st.integers(1, 5), lost=st.floats(1, 50_000))
@settings(max_examples=40, deadline=None)
def test_every_plan_can_be_ordered_and_is_explained(
    items: list[tuple[float, float]], parcel: int, pack: int, lost: float
) -> None:
    terms = replace(TERMS, pack=pack, breaks=((10, 1600),))
    found = planned(pile(*items, lost=lost), lots(len(items), terms), source(parcel=parcel, free_from_minor=9000))
    for line in found.lines:
        _explained(line, pack)
    (supplier,) = found.sources
    assert supplier.is_due == any(spools(found))
    if supplier.bill is not None:
        assert supplier.bill.total_minor >= 0


def _explained(line: Line, pack: int) -> None:
    assert line.spools % pack == 0
    assert (line.spools > 0) == (line.state is State.NOW) == (line.cause is not None)
    assert 0 <= line.chance_now <= line.chance_week + 1e-6 <= 1 + 1e-6
    if line.state is State.BY:
        assert line.order_by_days is not None


@given(items=ITEMS, more=st.floats(1, 3000))
@settings(max_examples=30, deadline=None)
def test_more_on_the_shelf_never_makes_an_item_alone_more_urgent(items: list[tuple[float, float]], more: float) -> None:
    daily, here = items[0]
    before, after = (planned(pile((daily, left)), lots(1)).lines[0] for left in (here, here + more))
    assert after.chance_now <= before.chance_now
    assert after.lasts_days >= before.lasts_days


@dataclass
class Shop:
    """What the public door reads."""

    spool: float = 1000.0
    order_cost: float = 12.0
    out_cost: float = 42.0
    lead: tuple[int, int] = (5, 9)
    h: float = 0.2 * 18 / 1000 / 365


def test_the_public_door_orders_what_is_low_and_waits_where_nothing_is() -> None:
    rng = np.random.default_rng(3)
    history = rng.poisson(1.5, (4, 120)) * 40.0
    decide = Planner()
    full = decide(history, np.full(4, 4000.0), np.zeros(4), Shop())
    low = decide(history, np.array([4000.0, 300.0, 4000.0, 300.0]), np.zeros(4), Shop())
    assert full is None
    assert low is not None
    assert low[[1, 3]].min() >= 1
    assert low == pytest.approx(np.rint(low))
    coming = decide(history, np.full(4, 300.0), np.full(4, 4000.0), Shop())
    assert coming is None
