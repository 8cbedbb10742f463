"""What is advised to be ordered, from whom, and the sheets that say so."""

from datetime import datetime, timedelta

import pytest

from spoolkeep.domain.words import OrderState, Outcome
from spoolkeep.services import catalogue, figures, jobs, orders, sheets, stock
from spoolkeep.services.catalogue import OfferEntry, SupplierEntry
from spoolkeep.services.jobs import FeedGrams, JobReport
from spoolkeep.services.orders import Advice, PassedOver, Wanted
from spoolkeep.store.engine import Store
from spoolkeep.store.tables import Offer
from tests.workshop import TestWorkshop, by


@pytest.fixture
def shop(store: Store, now: datetime) -> TestWorkshop:
    """Give a workshop that draws 100 g a day and has 600 g left: 6 days, of which 3 are kept in reserve."""
    shop = TestWorkshop(store, now)
    shop.deliver(grams=600, at=now - timedelta(days=60))
    for back in range(60, 0, -1):
        report = JobReport("Hook", None, (FeedGrams(100_000, article_id=shop.articles[0]),))
        ended_at = now - timedelta(days=back)
        shop.do(
            lambda s, ended_at=ended_at, report=report: jobs.report_job(  # type: ignore[misc]
                session=s, now=now, by=by(), report=report, outcome=Outcome.GOOD, ended_at=ended_at
            )
        )
    return shop


def _offer(shop: TestWorkshop, supplier: str, price_minor: int, *, lead_days: int | None = None, pack: int = 1) -> int:
    made = shop.do(
        lambda s: catalogue.add_supplier(
            session=s,
            now=shop.now,
            by=by(),
            entry=SupplierEntry(name=supplier, address=f"1 {supplier} Lane", lead_days=lead_days),
        )
    )
    entry = OfferEntry(made.row_id, shop.articles[0], 1_000_000, price_minor, f"{supplier}-1", "", None, pack, ())
    return shop.do(lambda s: catalogue.add_offer(session=s, now=shop.now, by=by(), entry=entry)).row_id


def _advice(shop: TestWorkshop) -> list[Advice]:
    with shop.store.read() as session:
        return orders.advise(session=session, now=shop.now)


def _held_until_yesterday(shop: TestWorkshop, offer: int) -> None:
    with shop.store.write() as session:
        session.get_one(Offer, offer).until_day = shop.now.date() - timedelta(days=1)


def test_the_lead_time_that_counts_is_that_of_who_is_ordered_from(shop: TestWorkshop) -> None:
    quick = _offer(shop, "Quick", 3000, lead_days=2)
    _offer(shop, "Slow", 1000, lead_days=40)
    (one,) = _advice(shop)
    # hand calculation: 100 x (2 + 3 + 7 + 21) - 600 = 2,700 g: 3 spools, to be ordered in 6 - 2 - 3 = 1 day
    assert (one.offer_id, one.supplier, one.spools) == (quick, "Quick", 3)
    assert one.wanted_mg == pytest.approx(2_700_000, rel=0.05)
    assert (one.why.lead_days, one.gap_days) == (2, 0)
    assert one.why.order_by is not None
    assert abs((one.why.order_by - shop.now.date()).days - 1) <= 1
    assert one.passed_over == PassedOver("Slow", 40)


def test_a_gap_that_cannot_be_helped_is_told_in_full(shop: TestWorkshop) -> None:
    _offer(shop, "Slow", 1000, lead_days=40)
    with shop.store.read() as session:
        (line,) = figures.reorder(session=session, now=shop.now)["lines"]
    # hand calculation: 40 days of delivery, of which 6 are covered
    assert (line["supplier"], line["lead_days"], line["days_without"], line["reason"]) == ("Slow", 40, 34, "late")


def test_an_offer_that_no_longer_holds_says_nothing_about_lead_time(shop: TestWorkshop) -> None:
    _held_until_yesterday(shop, _offer(shop, "Quick", 3000, lead_days=2))
    slow = _offer(shop, "Slow", 1000, lead_days=40)
    (one,) = _advice(shop)
    assert (one.offer_id, one.gap_days, one.passed_over) == (slow, 34, None)
    with shop.store.read() as session:
        (row,) = [row for row in stock.rows(session=session, now=shop.now) if row.left_mg]
    assert row.lead_days == 40


def test_a_supplier_without_a_lead_time_takes_the_workshops(shop: TestWorkshop) -> None:
    _offer(shop, "Usual", 1000)
    assert [(one.why.lead_days, one.gap_days) for one in _advice(shop)] == [(7, 1)]


def test_a_pack_of_ten_is_not_bought_where_a_few_spools_do(shop: TestWorkshop) -> None:
    _offer(shop, "Packs", 1900, lead_days=2, pack=10)
    single = _offer(shop, "Singles", 2000, lead_days=2)
    assert [(one.offer_id, one.spools, one.total_minor) for one in _advice(shop)] == [(single, 3, 6000)]


def test_what_nobody_offers_is_advised_in_grams(shop: TestWorkshop) -> None:
    (one,) = _advice(shop)
    # hand calculation: 100 x (7 + 3 + 7 + 21) - 600 = 3,200 g
    assert (one.offer_id, one.supplier, one.spools) == (None, "", 4)
    assert one.wanted_mg == pytest.approx(3_200_000, rel=0.05)


def test_what_is_drafted_or_sent_is_not_advised_again(shop: TestWorkshop) -> None:
    offer = _offer(shop, "Quick", 3000, lead_days=2)
    drafted = shop.do(lambda s: orders.draft(session=s, now=shop.now, by=by(), wanted=[Wanted(offer, 3)]))
    assert _advice(shop) == []
    shop.do(
        lambda s: orders.move_on(session=s, now=shop.now, by=by(), order_id=drafted.order_ids[0], state=OrderState.SENT)
    )
    assert _advice(shop) == []


def test_an_orders_sheet_and_an_advices_sheet_both_bear_the_suppliers_address(shop: TestWorkshop) -> None:
    offer = _offer(shop, "Quick", 3000, lead_days=2)
    with shop.store.read() as session:
        advice = orders.advise(session=session, now=shop.now)
        (advised,) = sheets.advised_sheets(session=session, now=shop.now, advice=advice).values()
    number = shop.do(lambda s: orders.draft(session=s, now=shop.now, by=by(), wanted=[Wanted(offer, 3)])).order_ids[0]
    with shop.store.read() as session:
        ordered = sheets.sheet_of(session=session, now=shop.now, order_id=number)
    assert ordered.supplier == advised.supplier == "Quick"
    assert ordered.supplier_address == advised.supplier_address == "1 Quick Lane"
    assert ordered.lines == advised.lines
    assert ordered.order_code is not None
    assert ordered.reference == ordered.order_code.text
