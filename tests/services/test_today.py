"""What needs a person today, on both databases: each kind of need, worst first, in few queries."""

from datetime import UTC, date, datetime, timedelta
from typing import TypeVar

import pytest
from sqlalchemy import event
from sqlalchemy.orm import Session

from spoolkeep.domain.words import OrderState, Outcome, TakingsKind
from spoolkeep.services import bench, catalogue, finding, jobs, orders, stops, takings, today
from spoolkeep.services.catalogue import OfferEntry, SupplierEntry
from spoolkeep.services.firsthour import Step
from spoolkeep.services.jobs import FeedGrams, JobReport
from spoolkeep.services.orders import Wanted
from spoolkeep.services.takings import Taken
from spoolkeep.services.today import Today
from spoolkeep.store.acts import By
from spoolkeep.store.engine import Store
from spoolkeep.store.seeds import FIRST_ACTOR
from tests.workshop import TestWorkshop, by, station_at

MOST_QUERIES = 80
"""A fresh order plan among them; it is kept until something changes at the desk."""
T = TypeVar("T")


@pytest.fixture
def shop(store: Store, now: datetime) -> TestWorkshop:
    return TestWorkshop(store, now)


def _today(shop: TestWorkshop) -> Today:
    with shop.store.read() as session:
        return today.needed(session=session, now=shop.now)


def _load(shop: TestWorkshop, spool: str, feed: str, at: datetime) -> None:
    def both(session: Session) -> None:
        station = station_at(session, at, "bench")
        for code in (spool, feed):
            who = By(actor_id=FIRST_ACTOR, key=f"{code}-{at}", station_id=station)
            bench.scan(session=session, now=at, by=who, text=code)

    shop.do(both)


def _draw(shop: TestWorkshop, grams: int, at: datetime, feed: int = 0) -> None:
    def report(session: Session) -> None:
        row = finding.feed_of(session, shop.feeds[feed])
        told = JobReport("Hook", row.machine_id, (FeedGrams(grams * 1000, row.id),))
        jobs.report_job(session=session, now=shop.now, by=by(), report=told, outcome=Outcome.GOOD, ended_at=at)

    shop.do(report)


def _offer(shop: TestWorkshop) -> int:
    supplier = shop.do(
        lambda s: catalogue.add_supplier(session=s, now=shop.now, by=by(), entry=SupplierEntry("North Quay"))
    ).row_id
    entry = OfferEntry(supplier, shop.articles[0], 1_000_000, 1900)
    return shop.do(lambda s: catalogue.add_offer(session=s, now=shop.now, by=by(), entry=entry)).row_id


def _order(shop: TestWorkshop, *, promised: date | None = None, send: bool = True) -> int:
    wanted, now = [Wanted(_offer(shop), 2)], shop.now
    order = shop.do(lambda s: orders.draft(session=s, now=now, by=by(), wanted=wanted)).order_ids[0]
    steps: list[tuple[OrderState, date | None]] = [(OrderState.SENT, None)] if send else []
    steps += [(OrderState.PROMISED, promised)] if promised else []
    for state, day in steps:
        shop.do(
            lambda s, state=state, day=day: orders.move_on(  # type: ignore[misc] # bound here
                session=s, now=now, by=by(), order_id=order, state=state, promised_for=day
            )
        )
    return order


def test_a_new_workshop_is_given_its_first_steps(shop: TestWorkshop) -> None:
    found = _today(shop)
    assert found.steps is not None
    assert found.steps.done == {Step.MACHINES, Step.PLACES}
    assert found.steps.next == Step.WORKSHOP
    assert found.needs == ()


def test_a_workshop_with_spools_has_no_first_steps_and_a_calm_day(shop: TestWorkshop) -> None:
    shop.deliver()
    found = _today(shop)
    assert found.steps is None
    assert found.needs == ()


def _runs(shop: TestWorkshop, grams: int) -> None:
    """Let a job of 24 hours run on the first feed from now, at noon; the shop opens at 7, after 19 of them."""
    with shop.store.read() as session:
        feed = finding.feed_of(session, shop.feeds[0]).id
    shop.start(shop.plan("Long run", FeedGrams(grams * 1000, feed, shop.articles[0]), duration_s=24 * 3600))


def test_a_feed_that_ends_before_the_opening_is_named_with_its_hour(shop: TestWorkshop) -> None:
    # 480 g in 24 h is 20 g an hour; 240 g last 12 h from noon, to midnight, or somewhat less: files tell too little
    (spool,) = shop.deliver(grams=240, at=shop.now - timedelta(days=8))
    _load(shop, spool, shop.feeds[0], shop.now - timedelta(days=7))
    _runs(shop, 480)
    feeds = _today(shop).feeds
    assert [(one.feed, one.left_mg) for one in feeds.first] == [("Larch feed 1", 240_000)]
    assert datetime(2026, 3, 4, 22, 0, tzinfo=UTC) < feeds.first[0].ends_at < datetime(2026, 3, 5, 0, 1, tzinfo=UTC)
    assert feeds.first[0].chance < 0.05


def test_a_feed_that_lasts_until_the_opening_needs_nobody(shop: TestWorkshop) -> None:
    # at the same 20 g an hour, 460 g last 23 h, until 11 in the morning
    (spool,) = shop.deliver(grams=460, at=shop.now - timedelta(days=8))
    _load(shop, spool, shop.feeds[0], shop.now - timedelta(days=7))
    _runs(shop, 480)
    assert not _today(shop).feeds


def test_an_item_of_which_jobs_need_more_than_is_there_is_short(shop: TestWorkshop) -> None:
    shop.deliver(grams=500)
    report = JobReport("Long run", None, (FeedGrams(900_000, article_id=shop.articles[0]),))
    shop.do(lambda s: jobs.plan_job(session=s, now=shop.now, by=by(), report=report))
    assert [(one.item.name, one.short_mg) for one in _today(shop).items.first] == [("PLA Slate black", 400_000)]


def test_a_drafted_order_stands_for_the_items_in_it(shop: TestWorkshop) -> None:
    shop.deliver(grams=500)
    report = JobReport("Long run", None, (FeedGrams(900_000, article_id=shop.articles[0]),))
    shop.do(lambda s: jobs.plan_job(session=s, now=shop.now, by=by(), report=report))
    order = _order(shop, send=False)
    found = _today(shop)
    assert found.needs == ("drafts",)
    assert [one.order_id for one in found.drafts.first] == [order]


@pytest.mark.parametrize(("promised", "due"), [(3, False), (0, True), (-1, True)])
def test_a_delivery_is_due_on_the_day_it_is_promised_for(shop: TestWorkshop, promised: int, *, due: bool) -> None:
    shop.deliver()
    later, noon = shop.now + timedelta(days=1), shop.now
    order = _order(shop, promised=(later + timedelta(days=promised)).date())
    shop.now = later
    found = _today(shop).deliveries
    assert [one.order_id for one in found.first] == ([order] if due else [])
    shop.now = noon


def test_a_sent_order_without_a_promise_is_due_after_the_usual_days(shop: TestWorkshop) -> None:
    shop.deliver()
    _order(shop)
    shop.now += timedelta(days=6)
    assert not _today(shop).deliveries
    shop.now += timedelta(days=1)  # the settings say 7
    assert [one.promised for one in _today(shop).deliveries.first] == [False]


def test_a_job_past_its_time_a_draw_and_a_stop_each_wait(shop: TestWorkshop) -> None:
    shop.deliver()
    _draw(shop, 40, shop.now - timedelta(hours=1), feed=1)
    with shop.store.read() as session:
        machine = finding.feed_of(session, shop.feeds[0]).machine_id
    needs = (FeedGrams(1000, article_id=shop.articles[1]),)
    late = JobReport("Planter", machine, needs, due_at=shop.now - timedelta(hours=2))
    shop.do(lambda s: jobs.plan_job(session=s, now=shop.now, by=by(), report=late))
    since = shop.now - timedelta(hours=3)
    shop.do(
        lambda s: stops.book_stop(
            session=s, now=shop.now, by=by(), machine_id=machine, from_at=since, article_id=shop.articles[1]
        )
    )
    found = _today(shop)
    assert [one.name for one in found.jobs.first] == ["Planter"]
    assert [(one.name, one.mg) for one in found.draws.first] == [("Hook", 40_000)]
    assert [(one.name, one.at, one.item and one.item.colour) for one in found.stops.first] == [
        ("Larch", since, "Chalk white")
    ]
    assert found.needs[0] == "stops"


def test_a_spool_drawn_beyond_its_end_asks_for_the_scale(shop: TestWorkshop) -> None:
    (spool,) = shop.deliver(grams=100, at=shop.now - timedelta(days=8))
    _load(shop, spool, shop.feeds[0], shop.now - timedelta(days=7))
    _draw(shop, 140, shop.now - timedelta(hours=1))
    found = _today(shop)
    assert [one.spool_code for one in found.weighings.first] == [spool]
    assert found.feeds.first[0].left_mg == 0
    assert found.feeds.first[0].ends_at == shop.now


def _take(shop: TestWorkshop, *days_ago: int) -> None:
    for days in days_ago:
        day = shop.now.date() - timedelta(days=days)
        shop.do(
            lambda s, day=day: takings.enter(  # type: ignore[misc] # bound here
                session=s, now=shop.now, by=by(), taken=[Taken(shop_day=day, channel="Counter", amount_minor=9000)]
            )
        )


def test_takings_are_asked_for_only_where_there_were_any(shop: TestWorkshop) -> None:
    shop.deliver()
    assert _today(shop).takings_until is None
    _take(shop, 2)
    assert _today(shop).takings_until == date(2026, 3, 2)
    _take(shop, 1)
    assert _today(shop).takings_until is None


def test_a_weekday_on_which_nothing_is_ever_sold_is_not_asked_for(shop: TestWorkshop) -> None:
    shop.deliver()
    # the tests' noon is a Wednesday: three weeks of takings on every day but Tuesday
    _take(shop, *(days for days in range(1, 22) if days % 7 != 1))
    assert _today(shop).takings_until is None
    shop.now += timedelta(days=1)
    assert _today(shop).takings_until == date(2026, 3, 2)


def test_today_asks_few_questions_however_much_there_is(shop: TestWorkshop) -> None:
    def queries() -> int:
        asked: list[str] = []

        def note(*given: object) -> None:
            asked.append(str(given[2]))

        event.listen(shop.store.engine, "before_cursor_execute", note)
        _today(shop)
        event.remove(shop.store.engine, "before_cursor_execute", note)
        return sum(one.lstrip("( ").upper().startswith(("SELECT", "WITH")) for one in asked)

    few = queries()
    spools = shop.deliver(spools=4, grams=100, at=shop.now - timedelta(days=8))
    _load(shop, spools[0], shop.feeds[0], shop.now - timedelta(days=7))
    _draw(shop, 140, shop.now - timedelta(hours=1))
    _draw(shop, 20, shop.now - timedelta(hours=1), feed=1)
    _order(shop, promised=shop.now.date())
    _take(shop, 3)
    assert set(_today(shop).needs) >= {"feeds", "draws", "weighings", "deliveries", "takings_until"}
    assert max(few, queries()) <= MOST_QUERIES


def test_of_many_only_a_few_are_named(shop: TestWorkshop) -> None:
    shop.deliver()
    for number in range(5):
        report = JobReport(
            f"Planter {number}",
            None,
            (FeedGrams(1000, article_id=shop.articles[0]),),
            due_at=shop.now - timedelta(hours=5 - number),
        )
        shop.do(lambda s, report=report: jobs.plan_job(session=s, now=shop.now, by=by(), report=report))  # type: ignore[misc] # bound here
    found = _today(shop).jobs
    assert (found.count, [one.name for one in found.first]) == (5, ["Planter 0", "Planter 1", "Planter 2"])


def test_one_tiny_draw_does_not_carry_a_feed_beyond_the_calendar(shop: TestWorkshop) -> None:
    spool = shop.deliver()[0]
    _load(shop, spool, shop.feeds[0], shop.now - timedelta(days=2))

    def report(session: Session) -> None:
        row = finding.feed_of(session, shop.feeds[0])
        told = JobReport("Hook", row.machine_id, (FeedGrams(2, row.id),))
        jobs.report_job(session=session, now=shop.now, by=by(), report=told, outcome=Outcome.FAILED)

    shop.do(report)
    assert _today(shop).feeds.count == 0


def test_a_fee_of_yesterday_is_no_takings(shop: TestWorkshop) -> None:
    _take(shop, 3, 2)
    shop.do(
        lambda s: takings.enter(
            session=s,
            now=shop.now,
            by=by(),
            taken=[
                Taken(
                    shop_day=shop.now.date() - timedelta(days=1),
                    channel="Market",
                    amount_minor=300,
                    kind=TakingsKind.FEE,
                )
            ],
        )
    )
    assert _today(shop).takings_until == shop.now.date() - timedelta(days=2)


def test_a_draft_that_is_too_small_hides_no_shortage(shop: TestWorkshop) -> None:
    offer = _offer(shop)
    told = JobReport("Vase", 1, (FeedGrams(9_000_000, article_id=shop.articles[0]),))
    shop.do(lambda s: jobs.plan_job(session=s, now=shop.now, by=by(), report=told))
    shop.deliver(1, article=1)
    shop.do(lambda s: orders.draft(session=s, now=shop.now, by=by(), wanted=[Wanted(offer, 1)]))
    assert _today(shop).items.count == 1
