"""The plan of today from the books: what to order, from whom, why, and the sheets and orders that follow."""

import json
from datetime import datetime, timedelta

import pytest

from spoolkeep.domain.errors import Conflict
from spoolkeep.domain.planned import Cause, State
from spoolkeep.domain.words import Lasting, OrderState
from spoolkeep.services import (
    asked,
    catalogue,
    deliveries,
    figures,
    offers,
    onhand,
    orderbook,
    orderdays,
    orderplan,
    orders,
    sheets,
)
from spoolkeep.services.catalogue import OfferEntry, ProductEntry, SupplierEntry
from spoolkeep.services.deliveries import Arrived
from spoolkeep.services.orderplan import PlanView
from spoolkeep.services.orders import Wanted
from spoolkeep.services.shop import load_shop
from spoolkeep.store.engine import Store
from spoolkeep.store.ledger import workshop
from spoolkeep.store.tables import Article, BasketBreak, Offer, PriceBreak, Substitute, Supplier
from tests.workshop import TestWorkshop, by


@pytest.fixture
def shop(store: Store, now: datetime) -> TestWorkshop:
    """Give a workshop that draws 100 g a day in three hours, and has 600 g left: 6 days."""
    shop = TestWorkshop(store, now)
    shop.run_low(machine_id=shop.machine(), duration_s=3 * 3600)
    return shop


def _supplier(shop: TestWorkshop, name: str, *, lead_days: int | None = None) -> int:
    entry = SupplierEntry(name=name, address=f"1 {name} Lane", lead_days=lead_days)
    return shop.do(lambda s: catalogue.add_supplier(session=s, now=shop.now, by=by(), entry=entry)).row_id


def _offer(
    shop: TestWorkshop,
    supplier: str,
    price_minor: int,
    *,
    lead_days: int | None = None,
    pack: int = 1,
    article: int = 0,
) -> int:
    made = _supplier(shop, supplier, lead_days=lead_days)
    entry = OfferEntry(made, shop.articles[article], 1_000_000, price_minor, f"{supplier}-1", "", None, pack, ())
    return shop.do(lambda s: catalogue.add_offer(session=s, now=shop.now, by=by(), entry=entry)).row_id


def _plan(shop: TestWorkshop, instead: dict[int, int] | None = None) -> PlanView:
    with shop.store.read() as session:
        return orderplan.view(session=session, now=shop.now, instead=instead)


def test_what_runs_out_is_ordered_from_who_sells_it_with_its_reason(shop: TestWorkshop) -> None:
    offer = _offer(shop, "Quick", 2000, lead_days=5)
    plan = _plan(shop)
    (line,) = plan.now
    assert line.held is not None
    assert (line.held.terms.offer_id, line.held.supplier) == (offer, "Quick")
    assert line.told.cause in {Cause.LATE, Cause.DUE}
    assert line.spools >= 1
    # hand calculation: 600 g at 100 g a day
    assert line.told.lasts_days == pytest.approx(6, abs=1)
    (supplier,) = plan.due
    assert supplier.needed_by is not None
    assert 3 <= (supplier.needed_by - shop.now.date()).days <= 6
    assert plan.total_minor == line.total_minor == line.spools * 2000


def test_a_cheaper_supplier_who_comes_too_late_is_passed_over_and_named(shop: TestWorkshop) -> None:
    _offer(shop, "Quick", 2400, lead_days=2)
    _offer(shop, "Slow", 2000, lead_days=40)
    (line,) = _plan(shop).now
    assert line.held is not None
    assert line.held.supplier == "Quick"
    assert line.passed_over is not None
    assert line.passed_over.supplier == "Slow"


def test_what_is_drafted_or_sent_is_not_ordered_again_and_undo_brings_it_back(shop: TestWorkshop) -> None:
    offer = _offer(shop, "Quick", 2000, lead_days=2)
    drafted = shop.do(lambda s: orders.draft(session=s, now=shop.now, by=by(), wanted=[Wanted(offer, 9)]))
    assert _plan(shop).now == ()
    number = drafted.order_ids[0]
    shop.do(lambda s: orders.move_on(session=s, now=shop.now, by=by(), order_id=number, state=OrderState.SENT))
    assert _plan(shop).now == ()
    shop.do(lambda s: orders.move_on(session=s, now=shop.now, by=by(), order_id=number, state=OrderState.CALLED_OFF))
    assert len(_plan(shop).now) == 1


def test_nobody_who_sells_it_is_said_with_what_a_month_needs(shop: TestWorkshop) -> None:
    (line,) = _plan(shop).standing(State.NOBODY)
    assert line.held is None
    assert line.wanted_mg == pytest.approx(2_800_000, rel=0.1)  # hand calculation: 28 days of 100 g


@pytest.mark.parametrize("gone", [False, True])
def test_an_offer_that_ended_or_whose_supplier_is_gone_is_not_bought_on(shop: TestWorkshop, *, gone: bool) -> None:
    offer = _offer(shop, "Quick", 2000)
    assert len(_plan(shop).now) == 1
    with shop.store.write() as session:
        row = session.get_one(Offer, offer)
        row.until_day = None if gone else shop.now.date() - timedelta(days=1)
        session.get_one(Supplier, row.supplier_id).retired = gone
    assert _plan(shop).now == ()


def test_a_draft_counts_from_the_day_on_which_it_would_come(shop: TestWorkshop) -> None:
    offer = _offer(shop, "Slow", 2000, lead_days=40)
    shop.do(lambda s: orders.draft(session=s, now=shop.now, by=by(), wanted=[Wanted(offer, 9)]))
    (line,) = _plan(shop).items
    # hand calculation: 600 g at 100 g a day end long before a draft would come in 40 days
    assert line.told.lasts_days == pytest.approx(6, abs=1)
    assert line.told.chance_now > 0.9


def test_a_delivery_at_a_lower_price_leaves_no_dearer_break_behind(shop: TestWorkshop) -> None:
    offer = _offer(shop, "Quick", 2000, lead_days=2)
    with shop.store.write() as session:
        session.add(PriceBreak(offer_id=offer, from_spools=10, price_minor=1800))
        number = session.get_one(Offer, offer).supplier_id
    arrived = Arrived(
        shop.articles[0], 1, 1_000_000, 1700, tare_mg=200_000, offer_id=offer, lasting=Lasting.FROM_NOW_ON
    )
    shop.do(lambda s: deliveries.book_delivery(session=s, now=shop.now, by=by(), arrived=[arrived], supplier_id=number))
    with shop.store.read() as session:
        (held,) = offers.holding(session, shop=load_shop(session), today=shop.now.date())[shop.articles[0]]
    assert [held.terms.price_at(spools) for spools in (1, 10)] == [1700, 1700]


def test_a_page_older_than_the_newest_order_drafts_nothing(shop: TestWorkshop) -> None:
    offer = _offer(shop, "Quick", 2000, lead_days=2)
    with shop.store.read() as session:
        seen = orders.last_id(session)
        orders.check_seen(session, seen)
    shop.do(lambda s: orders.draft(session=s, now=shop.now, by=by(), wanted=[Wanted(offer, 1)]))
    with shop.store.read() as session, pytest.raises(Conflict):
        orders.check_seen(session, seen)


def test_what_is_drafted_today_is_off_the_days_budget(shop: TestWorkshop) -> None:
    offer = _offer(shop, "Quick", 2000, lead_days=2)
    with shop.store.write() as session:
        workshop(session).budget_minor = 4500
    shop.do(lambda s: orders.draft(session=s, now=shop.now, by=by(), wanted=[Wanted(offer, 2)]))
    assert _plan(shop).now == ()


def test_prices_in_another_currency_are_not_weighed_and_that_is_said(shop: TestWorkshop) -> None:
    offer = _offer(shop, "Abroad", 100)
    with shop.store.write() as session:
        session.get_one(Supplier, session.get_one(Offer, offer).supplier_id).currency = "CHF"
    plan = _plan(shop)
    assert plan.now == ()
    assert [words.split(",")[0] for words in plan.left_out] == ["Abroad is paid in CHF"]
    assert [line.told.state for line in plan.items] == [State.NOBODY]


def test_what_a_person_asks_about_is_priced_and_told_without_changing_the_plan(shop: TestWorkshop) -> None:
    offer = _offer(shop, "Quick", 2000, lead_days=2)
    few, many = (_plan(shop, {offer: spools}).now[0] for spools in (1, 12))
    assert (few.total_minor, many.total_minor) == (2000, 24_000)
    assert few.after.chance_out >= many.after.chance_out
    assert few.after.lasts_days < many.after.lasts_days
    assert _plan(shop, {offer: 0}).now == ()


def test_the_basket_counts_in_the_plan_and_in_the_order(shop: TestWorkshop) -> None:
    offer = _offer(shop, "Quick", 2000, lead_days=2)
    with shop.store.write() as session:
        number = session.get_one(Offer, offer).supplier_id
        session.add(BasketBreak(supplier_id=number, from_spools=10, off_ppm=100_000))
    (line,) = _plan(shop, {offer: 10}).now
    assert line.price_minor == 1800  # hand calculation: a tenth off 20.00
    drafted = shop.do(lambda s: orders.draft(session=s, now=shop.now, by=by(), wanted=[Wanted(offer, 10)]))
    with shop.store.read() as session:
        order = orderbook.view(session=session, now=shop.now, order_id=drafted.order_ids[0])
    assert order.total_minor == 18_000


def test_a_stop_that_costs_nothing_lets_the_shelf_run_lower(shop: TestWorkshop) -> None:
    _offer(shop, "Quick", 2000, lead_days=2)
    dear = _plan(shop)
    with shop.store.write() as session:
        workshop(session).idle_ppm = 1_000
    cheap = _plan(shop)
    assert dear.items[0].order_by is not None
    assert cheap.items[0].order_by is None or cheap.items[0].order_by >= dear.items[0].order_by
    assert cheap.suppliers[0].waiting_minor < dear.suppliers[0].waiting_minor / 100


def test_customers_who_would_wait_make_a_day_without_it_dearer(shop: TestWorkshop) -> None:
    _offer(shop, "Quick", 2000, lead_days=2)
    entry = ProductEntry("Wreath", None, ((shop.articles[0], 5_000),))
    shop.do(lambda s: catalogue.add_product(session=s, now=shop.now, by=by(), entry=entry))
    wanted = [asked.Wanted("1042", "Wreath", pieces=1, due_on=shop.now.date() + timedelta(days=9))]
    shop.do(lambda s: onhand.tell(session=s, now=shop.now, by=by(), wanted=wanted))
    before = _plan(shop).suppliers[0].waiting_minor
    with shop.store.write() as session:
        workshop(session).late_minor = 100_000
    assert _plan(shop).suppliers[0].waiting_minor > before * 1.2


def test_an_accepted_chance_stands_instead(shop: TestWorkshop) -> None:
    _offer(shop, "Quick", 2000, lead_days=2)
    with shop.store.write() as session:
        session.get_one(Article, shop.articles[0]).risk_ppm = 400_000
    easy = _plan(shop).items[0]
    with shop.store.write() as session:
        session.get_one(Article, shop.articles[0]).risk_ppm = 1_000
    careful = _plan(shop).items[0]
    assert careful.told.state is State.NOW
    assert careful.told.cause in {Cause.RISK, Cause.LATE}
    assert careful.order_by == shop.now.date()
    assert easy.order_by is not None
    assert easy.order_by > careful.order_by


def test_a_substitute_that_is_there_makes_it_less_urgent(shop: TestWorkshop) -> None:
    _offer(shop, "Quick", 2000, lead_days=2)
    shop.deliver(5, article=1)
    before = _plan(shop).suppliers[0].waiting_minor
    with shop.store.write() as session:
        session.add(Substitute(article_id=shop.articles[0], instead_id=shop.articles[1]))
    assert _plan(shop).suppliers[0].waiting_minor < before / 2


def test_a_budget_and_the_room_on_the_shelf_are_kept_to(shop: TestWorkshop) -> None:
    _offer(shop, "Quick", 2000, lead_days=2)
    with shop.store.write() as session:
        workshop(session).budget_minor = 4500
    assert 0 < sum(line.spools for line in _plan(shop).now) <= 2
    with shop.store.write() as session:
        workshop(session).budget_minor = None
        workshop(session).shelf_spools = 2
    assert sum(line.spools for line in _plan(shop).now) <= 1
    assert _plan(shop).due[0].cut


def test_a_supplier_nobody_knows_the_days_of_is_said_to_be_as_setup_says(shop: TestWorkshop) -> None:
    _offer(shop, "Unknown", 2000)
    (supplier,) = _plan(shop).due
    assert not supplier.said_lead


def test_the_plans_sheet_and_the_orders_sheet_say_the_same(shop: TestWorkshop) -> None:
    offer = _offer(shop, "Quick", 2000, lead_days=2)
    with shop.store.write() as session:
        supplier = session.get_one(Supplier, session.get_one(Offer, offer).supplier_id)
        supplier.parcel_minor, supplier.free_freight_minor = 490, 900_000
        session.add(BasketBreak(supplier_id=supplier.id, from_spools=2, off_ppm=50_000))
    plan = _plan(shop)
    (planned,) = sheets.planned_sheets(plan).values()
    (line,) = plan.now
    assert line.held is not None
    wanted = [Wanted(line.held.terms.offer_id, line.spools)]
    number = shop.do(lambda s: orders.draft(session=s, now=shop.now, by=by(), wanted=wanted)).order_ids[0]
    with shop.store.read() as session:
        ordered = sheets.sheet_of(session=session, now=shop.now, order_id=number)
    assert ordered.supplier == planned.supplier == "Quick"
    assert ordered.supplier_address == planned.supplier_address == "1 Quick Lane"
    assert (ordered.lines, ordered.needed_by, ordered.total_minor) == (
        planned.lines,
        planned.needed_by,
        planned.total_minor,
    )
    assert ordered.order_code is not None
    assert planned.terms == ordered.terms
    assert [words.split(":")[0] for words in planned.terms] == [
        "Prices are for one spool, in EUR.",
        "From 2 spools on, you take 5.0\N{NO-BREAK SPACE}% off all spools",
        "The parcel as you charge it",
    ]
    assert planned.terms[-1].endswith("free from €9,000.00 of goods.")
    assert (planned.order_code, planned.reference) == (None, ""), "what is only planned is no order yet"


def test_figures_tell_the_plan_with_units_in_their_names(shop: TestWorkshop) -> None:
    _offer(shop, "Quick", 2000, lead_days=2)
    told = json.loads(json.dumps(figures.reorder(_plan(shop))))
    assert told["suppliers"][0]["order_now"] is True
    (item,) = told["items"]
    assert (item["state"], item["supplier"]) == ("order now", "Quick")
    assert item["total_minor"] == item["spools"] * 2000 == told["total_minor"]
    assert 0 <= item["chance_out_before_it_comes"] <= item["chance_out_a_week_later"] <= 1


def test_a_workshop_without_anything_has_an_empty_plan(store: Store, now: datetime) -> None:
    plan = _plan(TestWorkshop(store, now))
    assert (plan.now, plan.due, plan.total_minor) == ((), (), 0)


def test_stock_an_items_page_and_orders_say_the_same_day(shop: TestWorkshop) -> None:
    _offer(shop, "Quick", 2000, lead_days=2)
    shop.deliver(5, grams=1000)
    with shop.store.read() as session:
        (line,) = orderplan.view(session=session, now=shop.now).items
        row = next(one for one in orderdays.rows(session=session, now=shop.now) if one.item == line.item)
        (told,) = [one for one in figures.runout(session=session, now=shop.now)["items"] if one["order_from"]]
    assert line.order_by is not None
    assert line.order_by > shop.now.date()
    assert (row.order.day, row.order.supplier, row.order.comes_days) == (line.order_by, "Quick", line.comes_days)
    assert line.comes_days == pytest.approx(2, abs=2)
    assert row.order.chance_short == line.told.chance_now
    assert (told["order_by"], told["order_from"]) == (line.order_by.isoformat(), "Quick")


def test_where_no_stop_costs_anything_the_workshops_own_risk_decides(shop: TestWorkshop) -> None:
    _offer(shop, "Quick", 2000, lead_days=2)
    found = []
    for risk_ppm in (1_000, 400_000):
        with shop.store.write() as session:
            workshop(session).idle_ppm = workshop(session).idle_busy_ppm = 0
            workshop(session).risk_ppm = risk_ppm
        found.append(_plan(shop).items[0])
    careful, easy = found
    assert careful.told.cause in {Cause.RISK, Cause.LATE}
    assert careful.order_by == shop.now.date()
    assert easy.order_by is not None
    assert easy.order_by > careful.order_by
