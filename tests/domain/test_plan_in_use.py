"""The order plan as a workshop uses it: what limits and terms do to an order, and what a year of it costs."""

from dataclasses import replace

import numpy as np
import pytest

from spoolkeep.domain.planned import House, Line, Lot, Plan, Source, State
from spoolkeep.domain.reorder import plan
from spoolkeep.domain.replenish import ahead
from spoolkeep.domain.shortfall import HORIZON, Pile
from spoolkeep.domain.terms import OfferTerms, SellerTerms
from tests.benchmarks.ordering import game, ways, world

SPOOL_MG = 1_000_000
HOUSE = House(order_minor=600.0, carry_a_day=0.2 / 365, room_minor_a_day=0.67)
LEAST_NOTHING_MINOR = 2_000_000


def pile(items: int, *, daily_mg: float = 50_000.0, held_mg: float = 300_000.0, lost_minor: float = 4200.0) -> Pile:
    """Give items that are drawn alike; with these figures six days are left."""
    mean = np.repeat(daily_mg * np.arange(HORIZON + 1)[None, :], items, axis=0)
    held = np.full_like(mean, held_mg)
    return Pile(mean, mean * 60_000.0, held, np.full(items, lost_minor), np.ones(items))


def seller(terms: SellerTerms) -> Source:
    """Give a supplier that delivers in five to seven days."""
    serves = np.zeros(HORIZON + 1)
    serves[5:8] = 1 / 3
    return Source(terms, serves)


def offers(items: int, terms: OfferTerms) -> list[Lot]:
    """Give the same offer of each item."""
    return [Lot(item, 0, replace(terms, offer_id=item)) for item in range(items)]


def single(price_minor: int = 1700) -> OfferTerms:
    """Give an offer of single kilograms."""
    return OfferTerms(0, price_minor, SPOOL_MG)


def spools(told: Plan) -> list[int]:
    """Give the spools of each item."""
    return [line.spools for line in told.lines]


@pytest.mark.parametrize("budget_minor", [2_400, 5_000, 9_000, 15_000])
def test_a_tight_budget_buys_something_of_what_is_nearly_out_and_is_never_passed(budget_minor: int) -> None:
    parcel = SellerTerms(1, parcel_minor=600)
    dear = replace(single(), breaks=((3, 1200),))
    told = plan(pile(8), offers(8, dear), [seller(parcel)], replace(HOUSE, budget_minor=budget_minor))
    bill = told.sources[0].bill
    assert bill is not None
    assert budget_minor - 1700 < bill.total_minor <= budget_minor
    assert told.sources[0].cycle.cut


def test_a_tight_budget_brings_one_spool_of_each_before_a_second_of_any() -> None:
    told = plan(pile(8), offers(8, single()), [seller(SellerTerms(1))], replace(HOUSE, budget_minor=8 * 1700))
    assert spools(told) == [1] * 8


def test_what_a_limit_leaves_out_is_not_called_enough() -> None:
    told = plan(pile(8), offers(8, single()), [seller(SellerTerms(1))], replace(HOUSE, budget_minor=0))
    assert {line.state for line in told.lines} == {State.BY}
    assert {line.order_by_days for line in told.lines} == {0}


@pytest.mark.parametrize("room_spools", [0, 1, 2, 5, 8])
def test_no_more_spools_are_bought_than_there_is_room_for_in_whole_packs(room_spools: int) -> None:
    twos = replace(single(), pack=2)
    told = plan(pile(8), offers(8, twos), [seller(SellerTerms(1))], replace(HOUSE, room_spools=room_spools))
    assert sum(spools(told)) == room_spools // 2 * 2


def test_an_order_below_what_a_supplier_takes_is_not_placed_and_its_items_stay_to_be_ordered() -> None:
    terms = SellerTerms(1, least_minor=LEAST_NOTHING_MINOR)
    told = plan(pile(2), offers(2, single()), [seller(terms)], HOUSE)
    assert not told.sources[0].is_due
    assert told.sources[0].cycle.cut
    assert {line.state for line in told.lines} == {State.BY}


def test_an_order_that_a_basket_makes_cheaper_still_reaches_what_the_supplier_takes_at_least() -> None:
    terms = SellerTerms(1, least_minor=20_000, basket=((6, 200_000),))
    bill = plan(pile(4), offers(4, single()), [seller(terms)], HOUSE).sources[0].bill
    assert bill is not None
    assert bill.goods_minor >= terms.least_minor


def test_plastic_that_costs_nothing_to_keep_is_bought_for_the_days_that_are_told_and_no_further() -> None:
    told = plan(pile(3), offers(3, single()), [seller(SellerTerms(1, parcel_minor=600))], House(600.0, 0.0))
    drawn, scatter = 6.0, (6.0 * 0.06) ** 0.5
    assert max(spools(told)) <= np.ceil(drawn + 6 * scatter)


@pytest.mark.parametrize("items", [0, 3])
@pytest.mark.parametrize("sources", [[], [seller(SellerTerms(1))]])
def test_without_items_offers_or_suppliers_there_is_nothing_to_order(items: int, sources: list[Source]) -> None:
    told = plan(pile(items), [], sources, HOUSE)
    assert [line.state for line in told.lines] == [State.NOBODY] * items


def test_what_is_never_drawn_is_never_ordered() -> None:
    told = plan(pile(3, daily_mg=0.0, held_mg=0.0), offers(3, single()), [seller(SellerTerms(1))], HOUSE)
    assert spools(told) == [0, 0, 0]


def test_what_waits_is_weighed_on_the_day_that_is_served() -> None:
    daily = np.array([[0.0, 1.0, 2.0, 3.0]])
    serves = np.array([0.0, 0.5, 0.5, 0.0])
    # by hand: half of tomorrow's and half of the day's after, and beyond the last day as on it
    assert ahead(daily, serves).tolist() == [[1.5, 2.5, 3.0, 3.0]]
    assert ahead(daily, serves, before=True).tolist() == [[0.5, 1.5, 2.5, 3.0]]


def test_the_bound_of_the_game_is_below_every_rule_and_without_a_day_out() -> None:
    rules = game.Game()
    asked = game.drawn(np.random.default_rng(1), 4, 200, grams_a_day=400.0)
    least = game.foreseen(asked, rules, first=120)
    makers = (game.when_last_is_opened, game.each_alone, game.weekly_together, game.by_textbook, game.planned)
    years = [game.played(asked, make(asked, rules), rules, first=120, seed=1) for make in makers]
    assert least.out_days == 0
    assert least.total < min(one.total for one in years)


def test_the_bound_of_the_game_is_the_cheapest_of_all_order_days_tried_by_hand() -> None:
    # two spools are opened on the first day's stock of one: of 40 g a day over 60 days, 2,400 g, one order of two must
    # come before day 25, or two orders of one before days 25 and 50
    rules = game.Game(order_cost=1.0)
    asked = np.full((1, 90), 40.0)
    least = game.foreseen(asked, rules, first=30)
    held = {
        "at once": 1.0 + _lying(rules, {24: 2000.0}),
        "one by one": 2.0 + _lying(rules, {24: 1000.0, 49: 1000.0}),
    }
    part = 365 / 60
    assert least.total == pytest.approx(min(held.values()) * part, rel=0.05)


def _lying(rules: game.Game, comes: dict[int, float]) -> float:
    here, lies = 1000.0, 0.0
    for day in range(60):
        here += comes.get(day, 0.0) - 40.0
        assert here >= 0
        lies += here * rules.h
    return lies


def test_a_world_bills_every_way_alike_and_a_plan_that_sees_all_never_pays_for_what_it_did_not_order() -> None:
    small = world.world(3, items=3, spools_a_year=60)
    short = replace(small, first=small.asked.shape[1] - 60)
    told = world.lived(short, ways.planned(short, review_days=7))
    rule = world.lived(short, ways.each_alone(short))
    for year in (told, rule):
        assert year.total == pytest.approx(year.goods + year.parcels + year.minutes + year.lying + year.lost)
        assert year.minutes == year.orders * short.house.order_minor
    assert told.total < rule.total + short.lost_minor


def test_an_evening_between_two_looks_orders_nothing() -> None:
    small = world.world(4, items=2, spools_a_year=60)
    way = ways.planned(small, review_days=7)
    assert way(world.Evening(small.first + 1, np.zeros(2), ())) == {}
    assert way(world.Evening(small.first, np.zeros(2), ()))


def _weekly(idle_days: int) -> Source:
    """Give a supplier that takes orders once a week and delivers six days later."""
    serves = np.zeros(HORIZON + 1)
    serves[6 + idle_days] = 1.0
    return Source(SellerTerms(1), serves, idle_days, 7)


def test_an_order_waits_for_the_day_on_which_it_is_taken_as_it_comes_no_sooner() -> None:
    early = plan(pile(3), offers(3, single()), [_weekly(3)], HOUSE)
    on_the_day = plan(pile(3), offers(3, single()), [_weekly(0)], HOUSE)
    assert not early.sources[0].is_due
    assert [(line.state, line.order_by_days) for line in early.lines] == [(State.BY, 3)] * 3
    assert min(spools(on_the_day)) > 0


def test_an_order_is_not_left_for_a_day_on_which_nobody_looks() -> None:
    told = plan(pile(3), offers(3, single()), [_weekly(3)], replace(HOUSE, review_days=7))
    assert told.sources[0].is_due


def test_a_supplier_that_takes_orders_once_a_week_is_ordered_from_a_week_ahead() -> None:
    seventeen_days = pile(3, held_mg=850_000.0)
    any_day = replace(_weekly(0), every_days=1)
    assert not plan(seventeen_days, offers(3, single()), [any_day], HOUSE).sources[0].is_due
    assert plan(seventeen_days, offers(3, single()), [_weekly(0)], HOUSE).sources[0].is_due


def test_a_basket_that_a_months_draw_reaches_makes_a_supplier_cheaper_than_its_prices() -> None:
    basket = SellerTerms(1, basket=((10, 100_000),))
    lots = [Lot(item, at, OfferTerms(item * 2 + at, (1700, 1650)[at], SPOOL_MG)) for item in range(8) for at in (0, 1)]
    busy = plan(pile(8), lots, [seller(basket), seller(SellerTerms(2))], HOUSE)
    assert [line.lot and line.lot.source for line in busy.lines] == [0] * 8
    few = pile(8, daily_mg=5_000.0, held_mg=30_000.0)
    slow = plan(few, lots, [seller(basket), seller(SellerTerms(2))], HOUSE)
    assert [line.lot and line.lot.source for line in slow.lines] == [1] * 8


def _of(told: Plan, item: int) -> Line:
    return told.lines[item]


def test_what_runs_out_before_the_cheap_supplier_comes_is_bought_from_the_quick_one() -> None:
    late = np.zeros(HORIZON + 1)
    late[20] = 1.0
    lots = [Lot(0, 0, single(1700)), Lot(0, 1, replace(single(1900), offer_id=1))]
    told = plan(pile(1), lots, [Source(SellerTerms(1), late), seller(SellerTerms(2))], HOUSE)
    bought = _of(told, 0)
    assert bought.lot == lots[1]
    assert bought.passed_over == lots[0]
