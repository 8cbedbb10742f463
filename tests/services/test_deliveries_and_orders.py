"""What comes in, what it costs, and what is ordered."""

from datetime import datetime, timedelta

import pytest
from sqlalchemy import func, select
from sqlmodel import col

from spoolkeep.domain.errors import BadInput, Conflict, NotFound
from spoolkeep.domain.planned import Cause
from spoolkeep.domain.words import Finish, OrderState, Outcome
from spoolkeep.services import (
    catalogue,
    deliveries,
    finding,
    joblist,
    jobs,
    money,
    orderbook,
    orderplan,
    orders,
    spools,
    stock,
    takings,
    undoing,
)
from spoolkeep.services.catalogue import OfferEntry, SupplierEntry
from spoolkeep.services.deliveries import Arrived
from spoolkeep.services.jobs import FeedGrams, JobReport
from spoolkeep.services.orders import Wanted
from spoolkeep.services.takings import Taken
from spoolkeep.store.engine import Store
from spoolkeep.store.proof import differences
from spoolkeep.store.tables import Act
from tests.workshop import TestWorkshop, by


@pytest.fixture
def shop(store: Store, now: datetime) -> TestWorkshop:
    return TestWorkshop(store, now)


def _offer(shop: TestWorkshop, *, pack: int = 1, breaks: tuple[tuple[int, int], ...] = ()) -> int:
    supplier = shop.do(
        lambda s: catalogue.add_supplier(
            session=s, now=shop.now, by=by(), entry=SupplierEntry(name="Fen Road Plastics", lead_days=6)
        )
    )
    entry = OfferEntry(supplier.row_id, shop.articles[0], 1_000_000, 1850, "FR-1", "", 210_000, pack, breaks)
    return shop.do(lambda s: catalogue.add_offer(session=s, now=shop.now, by=by(), entry=entry)).row_id


def test_freight_is_split_over_the_spools_to_the_cent(shop: TestWorkshop) -> None:
    arrived = [Arrived(shop.articles[0], 2, 1_000_000, 1000), Arrived(shop.articles[1], 1, 500_000, 999)]
    answer = shop.do(
        lambda s: deliveries.book_delivery(session=s, now=shop.now, by=by(), arrived=arrived, freight_minor=500)
    )
    with shop.store.read() as session:
        costs = [spools.view(session=session, spool_code=code).cost_minor for code in answer.spool_codes]
    assert sum(costs) == answer.landed_minor == 3499
    assert max(costs[:2]) - min(costs[:2]) <= 1


@pytest.mark.parametrize("count", [0, -1, 501, 10_000])
def test_a_delivery_of_no_spools_or_far_too_many_is_refused_whole(shop: TestWorkshop, count: int) -> None:
    with pytest.raises(BadInput):
        shop.deliver(count)
    with shop.store.read() as session:
        assert deliveries.recent(session=session) == []


def test_the_same_delivery_sent_twice_is_booked_once(shop: TestWorkshop) -> None:
    who, arrived = by(), [Arrived(shop.articles[0], 3, 1_000_000)]
    first, again = (
        shop.do(lambda s: deliveries.book_delivery(session=s, now=shop.now, by=who, arrived=arrived)) for _ in range(2)
    )
    assert first == again
    with shop.store.read() as session:
        assert [one.spools for one in deliveries.recent(session=session)] == [3]


def test_a_delivery_that_was_drawn_from_is_not_undone_and_the_draw_is_named(shop: TestWorkshop) -> None:
    code = shop.deliver()[0]
    weighed = shop.do(lambda s: spools.count(session=s, now=shop.now, by=by(), spool_code=code, left_mg=900_000))
    with shop.store.read() as session:
        act = spools.view(session=session, spool_code=code).events[-1].act_id
    with pytest.raises(Conflict, match=f"Act {weighed.act_id} "):
        shop.do(lambda s: undoing.undo_act(session=s, now=shop.now, by=by(), act_id=act))
    shop.do(lambda s: undoing.undo_act(session=s, now=shop.now, by=by(), act_id=weighed.act_id))
    shop.do(lambda s: undoing.undo_act(session=s, now=shop.now, by=by(), act_id=act))
    with shop.store.read() as session, pytest.raises(NotFound):
        spools.view(session=session, spool_code=code)


def test_a_name_freed_by_undo_can_be_given_again(shop: TestWorkshop) -> None:
    made = shop.do(lambda s: catalogue.add_machine(session=s, now=shop.now, by=by(), name="Alder", feeds=1))
    shop.do(lambda s: undoing.undo_act(session=s, now=shop.now, by=by(), act_id=made.act_id))
    shop.do(lambda s: catalogue.add_machine(session=s, now=shop.now, by=by(), name="Alder", feeds=4))
    with pytest.raises(Conflict, match="already"):
        shop.do(lambda s: catalogue.add_machine(session=s, now=shop.now, by=by(), name="Alder", feeds=1))


def _draw_daily(shop: TestWorkshop, mg: int, days: int) -> None:
    for back in range(days, 0, -1):
        report = JobReport("Hook", None, (FeedGrams(mg, article_id=shop.articles[0]),))
        at = shop.now - timedelta(days=back)
        shop.do(
            lambda s, at=at, report=report: jobs.report_job(  # type: ignore[misc]
                session=s, now=shop.now, by=by(), report=report, outcome=Outcome.GOOD, ended_at=at
            )
        )


def test_days_of_stock_are_about_what_is_left_over_a_steady_draw(shop: TestWorkshop) -> None:
    shop.deliver(at=shop.now - timedelta(days=10))
    _draw_daily(shop, 50_000, 10)
    with shop.store.read() as session:
        row = stock.rows(session=session, now=shop.now)[0]
    assert row.days.daily_mg == pytest.approx(50_000, rel=0.05)
    assert row.days.days == pytest.approx(20, rel=0.1)
    early, middle, late = row.days.lasts
    assert early is not None
    assert middle is not None
    assert late is not None
    assert early < middle < late
    assert row.days.run_out_on == shop.now.date() + timedelta(days=int(middle))


def test_what_runs_out_before_it_can_arrive_is_ordered_with_its_reason(shop: TestWorkshop) -> None:
    offer = _offer(shop, breaks=((10, 1600),))
    shop.deliver(at=shop.now - timedelta(days=20))
    _draw_daily(shop, 100_000, 10)
    with shop.store.read() as session:
        plan = orderplan.view(session=session, now=shop.now)
    (line,) = plan.now
    assert line.held is not None
    assert line.held.terms.offer_id == offer
    assert line.told.cause in {Cause.DUE, Cause.LATE}
    assert line.total_minor == line.spools * line.price_minor == plan.total_minor


def test_an_order_is_sent_arrives_in_parts_and_is_in(shop: TestWorkshop) -> None:
    offer = _offer(shop)
    drafted = shop.do(lambda s: orders.draft(session=s, now=shop.now, by=by(), wanted=[Wanted(offer, 3)]))
    number = drafted.order_ids[0]
    shop.do(lambda s: orders.move_on(session=s, now=shop.now, by=by(), order_id=number, state=OrderState.SENT))
    assert _on_order(shop) == 3_000_000
    with shop.store.read() as session:
        line = orderbook.view(session=session, now=shop.now, order_id=number).lines[0].line_id
    for came, state, coming in ((1, "part in", 2_000_000), (2, "in", 0)):
        arrived = [Arrived(shop.articles[0], came, 1_000_000, 1850, order_line_id=line)]
        shop.do(
            lambda s, arrived=arrived: deliveries.book_delivery(  # type: ignore[misc]
                session=s, now=shop.now, by=by(), arrived=arrived, order_id=number
            )
        )
        with shop.store.read() as session:
            assert orderbook.view(session=session, now=shop.now, order_id=number).state == state
        assert _on_order(shop) == coming


def _on_order(shop: TestWorkshop) -> int:
    with shop.store.read() as session:
        return sum(row.on_order_mg for row in stock.rows(session=session, now=shop.now))


def test_a_promise_that_has_passed_is_overdue(shop: TestWorkshop) -> None:
    offer = _offer(shop)
    drafted = shop.do(lambda s: orders.draft(session=s, now=shop.now, by=by(), wanted=[Wanted(offer, 1)]))
    number = drafted.order_ids[0]
    shop.do(lambda s: orders.move_on(session=s, now=shop.now, by=by(), order_id=number, state=OrderState.SENT))
    shop.do(
        lambda s: orders.move_on(
            session=s,
            now=shop.now,
            by=by(),
            order_id=number,
            state=OrderState.PROMISED,
            promised_for=shop.now.date() + timedelta(days=3),
        )
    )
    with shop.store.read() as session:
        assert orderbook.view(session=session, now=shop.now, order_id=number).state == "promised"
        later = shop.now + timedelta(days=4)
        assert orderbook.view(session=session, now=later, order_id=number).state == "overdue"


def test_a_pack_is_not_broken(shop: TestWorkshop) -> None:
    offer = _offer(shop, pack=2)
    with pytest.raises(BadInput, match="packs of 2"):
        shop.do(lambda s: orders.draft(session=s, now=shop.now, by=by(), wanted=[Wanted(offer, 3)]))


def test_a_sent_order_cannot_be_sent_again(shop: TestWorkshop) -> None:
    offer = _offer(shop)
    number = shop.do(lambda s: orders.draft(session=s, now=shop.now, by=by(), wanted=[Wanted(offer, 1)])).order_ids[0]
    send = by()
    for _ in range(2):
        shop.do(lambda s: orders.move_on(session=s, now=shop.now, by=send, order_id=number, state=OrderState.SENT))
    with pytest.raises(Conflict, match="cannot become sent"):
        shop.do(lambda s: orders.move_on(session=s, now=shop.now, by=by(), order_id=number, state=OrderState.SENT))


def test_material_share_of_a_mature_workshops_month(shop: TestWorkshop) -> None:
    """350 of plastic on 25,000 of takings is 1.4 % (common practice, no source)."""
    shop.deliver(spools=1, grams=1000, price_minor=70_000)
    report = JobReport("Hook", None, (FeedGrams(500_000, article_id=shop.articles[0]),))
    drawn = shop.do(lambda s: jobs.report_job(session=s, now=shop.now, by=by(), report=report, outcome=Outcome.GOOD))
    assert drawn.open_draws == 1
    with shop.store.read() as session:
        number = joblist.open_draws(session=session)[0].movement_id
        code = stock.spools_of(session=session, article_id=shop.articles[0])[0].code
    shop.do(lambda s: jobs.settle_open_draw(session=s, now=shop.now, by=by(), movement_id=number, spool_code=code))
    shop.do(
        lambda s: takings.enter(
            session=s,
            now=shop.now,
            by=by(),
            taken=[Taken(shop_day=shop.now.date(), channel="Market", amount_minor=2_500_000)],
        )
    )
    with shop.store.read() as session:
        month = money.view(session=session).months[-1]
        assert list(differences(session)) == []
    assert month.drawn_minor == 35_000
    assert month.material_bp == 140


def test_late_freight_is_used_at_once_for_what_is_gone(shop: TestWorkshop) -> None:
    code = shop.deliver(price_minor=2000)[0]
    shop.do(lambda s: spools.count(session=s, now=shop.now, by=by(), spool_code=code, left_mg=250_000))
    shop.do(lambda s: spools.change_cost(session=s, now=shop.now, by=by(), spool_code=code, cost_minor=400))
    with shop.store.read() as session:
        view = spools.view(session=session, spool_code=code)
        assert list(differences(session)) == []
    assert (view.cost_minor, view.value_minor) == (2400, 600)


def test_a_wrong_shade_is_mended_by_undoing_the_item_and_entering_it_again(shop: TestWorkshop) -> None:
    def add(shade: str, material: str = "PETG") -> int:
        return shop.do(
            lambda s: catalogue.add_article(
                session=s, now=shop.now, by=by(), material=material, colour="Brick", finish=Finish.SATIN, srgb=[shade]
            )
        ).row_id

    wrong = add("#00ff00")
    with pytest.raises(Conflict, match="#00ff00 in other materials"):
        add("#ff0000", "TPU")
    with shop.store.read() as session:
        act = session.scalars(select(func.max(col(Act.id)))).one()
    shop.do(lambda s: undoing.undo_act(session=s, now=shop.now, by=by(), act_id=act or 0))
    right = add("#ff0000")
    assert right != wrong
    with shop.store.read() as session:
        assert finding.item(session, right).srgb == ("#ff0000",)
