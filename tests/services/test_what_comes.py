"""What comes: the past behind a forecast, what the owner knows ahead, closed days, the record; on both databases."""

from datetime import date, datetime, timedelta

import numpy as np
import pytest

from spoolkeep.domain.errors import BadInput, Conflict, NotFound
from spoolkeep.domain.words import OrderState, Outcome
from spoolkeep.services import (
    asked,
    catalogue,
    explained,
    foresight,
    history,
    itemcare,
    jobs,
    onhand,
    orderplan,
    orders,
    outlooks,
    record,
    spools,
    stock,
    undoing,
)
from spoolkeep.services.catalogue import OfferEntry, ProductEntry, SupplierEntry
from spoolkeep.services.explained import Explained
from spoolkeep.services.foresight import Told
from spoolkeep.services.jobs import FeedGrams, JobReport
from spoolkeep.services.stock import StockRow
from spoolkeep.store.engine import Store
from spoolkeep.store.proof import differences
from tests.workshop import TestWorkshop, by

BLACK, WHITE = 0, 1
DAY = timedelta(days=1)


@pytest.fixture
def shop(store: Store, now: datetime) -> TestWorkshop:
    return TestWorkshop(store, now)


def printed(
    shop: TestWorkshop,
    days: int,
    *,
    grams: int = 50,
    item: int = BLACK,
    until: int = 0,
    every: int = 1,
    product_id: int | None = None,
) -> None:
    """Let a job of so many grams end each day for a span that ended so many days ago, from a shelf that lasts."""
    shop.deliver(3, article=item, at=shop.now - (days + until + 1) * DAY)
    for back in range(days + until, until, -every):
        feeds = (FeedGrams(grams * 1000, article_id=shop.articles[item]),)
        report = JobReport("Hook", None, feeds, product_id=product_id)
        at = shop.now - back * DAY
        shop.do(
            lambda s, at=at, report=report: jobs.report_job(  # type: ignore[misc]
                session=s, now=shop.now, by=by(), report=report, outcome=Outcome.GOOD, ended_at=at
            )
        )


def row(shop: TestWorkshop, item: int = BLACK) -> StockRow:
    with shop.store.read() as session:
        found = stock.rows(session=session, now=shop.now)
    return next(one for one in found if one.item.article_id == shop.articles[item])


def tell(shop: TestWorkshop, told: Told) -> int:
    return shop.do(lambda s: foresight.tell(session=s, now=shop.now, by=by(), told=told)).number


def today(shop: TestWorkshop) -> date:
    return shop.now.date()


def past(shop: TestWorkshop) -> history.Past:
    with shop.store.read() as session:
        return outlooks.told(session, today=today(shop)).past


def test_the_past_is_what_was_drawn_net_of_undo_and_knows_no_deliveries(shop: TestWorkshop) -> None:
    printed(shop, 5)
    last = shop.do(
        lambda s: jobs.report_job(
            session=s,
            now=shop.now,
            by=by(),
            report=JobReport("Vase", None, (FeedGrams(90_000, article_id=shop.articles[BLACK]),)),
            outcome=Outcome.GOOD,
            ended_at=shop.now - DAY,
        )
    )
    assert past(shop).grams[0].tolist() == [0, 50_000, 50_000, 50_000, 50_000, 140_000]
    shop.do(lambda s: undoing.undo_act(session=s, now=shop.now, by=by(), act_id=last.act_id))
    assert past(shop).grams[0].tolist() == [0, *[50_000] * 5]


def test_a_late_report_changes_what_is_expected_at_once(shop: TestWorkshop) -> None:
    printed(shop, 20)
    before = row(shop).days.daily_mg
    printed(shop, 20, grams=100)
    assert row(shop).days.daily_mg > 2 * before


def test_days_with_too_little_for_a_usual_job_are_not_on_the_shelf(shop: TestWorkshop) -> None:
    (code,) = shop.deliver(at=shop.now - 10 * DAY)
    shop.do(
        lambda s: itemcare.set_usual_job(session=s, now=shop.now, by=by(), article_id=shop.articles[BLACK], mg=100_000)
    )
    gone = shop.now - 6 * DAY
    shop.do(lambda s: spools.count(session=s, now=gone, by=by(), spool_code=code, left_mg=80_000))
    assert past(shop).on_shelf[0].tolist() == [1, 1, 1, 1, 1, 0, 0, 0, 0, 0]


def test_an_item_that_is_only_set_up_is_not_expected_to_be_drawn(shop: TestWorkshop) -> None:
    printed(shop, 30)
    assert row(shop, WHITE).days.daily_mg == 0
    assert row(shop, WHITE).days.days is None


def test_a_new_item_on_the_shelf_is_expected_to_be_like_its_kin(shop: TestWorkshop) -> None:
    printed(shop, 40)
    shop.deliver(article=WHITE, at=shop.now - timedelta(hours=1))
    found = row(shop, WHITE).days
    assert found.daily_mg == pytest.approx(50_000, rel=0.4)
    assert found.lasts.p10 is not None


def test_a_season_that_the_owner_knows_shortens_the_days_and_undo_takes_it_back(shop: TestWorkshop) -> None:
    printed(shop, 40)
    before = row(shop).days.days
    made = shop.do(
        lambda s: foresight.tell(
            session=s,
            now=shop.now,
            by=by(),
            told=Told(today(shop), today(shop) + 30 * DAY, shop.articles[BLACK], factor=2),
        )
    )
    assert before is not None
    assert row(shop).days.days == pytest.approx(before / 2, rel=0.15)
    shop.do(lambda s: undoing.undo_act(session=s, now=shop.now, by=by(), act_id=made.act_id))
    assert row(shop).days.days == before


def test_what_ends_is_not_drawn_any_more(shop: TestWorkshop) -> None:
    printed(shop, 40)
    tell(shop, Told(today(shop), article_id=shop.articles[BLACK], factor=0))
    assert row(shop).days.daily_mg == 0
    assert row(shop).days.days is None


def test_an_event_that_was_known_does_not_raise_what_is_expected_after_it(shop: TestWorkshop) -> None:
    printed(shop, 60, until=15)
    printed(shop, 15, grams=150)
    unknown = row(shop).days.daily_mg
    tell(shop, Told(today(shop) - 15 * DAY, today(shop) - DAY, shop.articles[BLACK], factor=3, why="the fair"))
    assert row(shop).days.daily_mg < unknown
    assert row(shop).days.daily_mg == pytest.approx(50_000, rel=0.2)


def test_grams_a_day_for_something_new_make_way_for_what_comes(shop: TestWorkshop) -> None:
    shop.deliver(at=shop.now - 40 * DAY)
    tell(shop, Told(today(shop), article_id=shop.articles[BLACK], mg_a_day=300_000))
    assert row(shop).days.daily_mg == pytest.approx(300_000, rel=0.01)
    shop.now += 28 * DAY
    printed(shop, 28, grams=60)
    # fourteen days of what came are worth as much as what was said: a third of it is left after twenty-eight
    assert row(shop).days.daily_mg == pytest.approx(300_000 / 3 + 60_000 * 2 / 3, rel=0.15)


def test_a_new_product_comes_on_top_of_each_of_its_items(shop: TestWorkshop) -> None:
    printed(shop, 40)
    entry = ProductEntry("Trug", None, ((shop.articles[BLACK], 30_000), (shop.articles[WHITE], 10_000)))
    product = shop.do(lambda s: catalogue.add_product(session=s, now=shop.now, by=by(), entry=entry)).row_id
    before = row(shop).days.daily_mg
    tell(shop, Told(today(shop), product_id=product, mg_a_day=40_000))
    assert row(shop).days.daily_mg == pytest.approx(before + 30_000)
    assert row(shop, WHITE).days.daily_mg == pytest.approx(10_000)


def test_a_product_that_ends_takes_its_share_of_an_item(shop: TestWorkshop) -> None:
    entry = ProductEntry("Trug", None, ((shop.articles[BLACK], 30_000),))
    product = shop.do(lambda s: catalogue.add_product(session=s, now=shop.now, by=by(), entry=entry)).row_id
    printed(shop, 40)
    report = JobReport("Trug", None, (FeedGrams(50_000, article_id=shop.articles[BLACK]),), product_id=product)
    for back in range(40, 0, -1):
        at = shop.now - back * DAY
        shop.do(
            lambda s, at=at: jobs.report_job(  # type: ignore[misc]
                session=s, now=shop.now, by=by(), report=report, outcome=Outcome.GOOD, ended_at=at
            )
        )
    before = row(shop).days.daily_mg
    tell(shop, Told(today(shop), product_id=product, factor=0))
    assert row(shop).days.daily_mg == pytest.approx(before / 2, rel=0.25)


@pytest.mark.parametrize(
    ("told", "code"),
    [
        (Told(date(2026, 3, 1)), "factor_or_grams"),
        (Told(date(2026, 3, 1), factor=2, mg_a_day=1, article_id=1), "factor_or_grams"),
        (Told(date(2026, 3, 1), factor=-1), "no_such_factor"),
        (Told(date(2026, 3, 1), factor=1000), "no_such_factor"),
        (Told(date(2026, 3, 1), mg_a_day=-5, article_id=1), "no_such_grams"),
        (Told(date(2026, 3, 2), date(2026, 3, 1), factor=2), "ends_before"),
        (Told(date(2026, 3, 1), mg_a_day=5), "grams_of_what"),
    ],
)
def test_what_cannot_be_known_is_refused_in_words(shop: TestWorkshop, told: Told, code: str) -> None:
    with pytest.raises(BadInput) as refused:
        tell(shop, told)
    assert refused.value.code == code


def test_what_is_known_of_nothing_is_refused(shop: TestWorkshop) -> None:
    for told in (Told(today(shop), article_id=999, factor=2), Told(today(shop), product_id=999, factor=2)):
        with pytest.raises(NotFound):
            tell(shop, told)
    with pytest.raises(NotFound):
        shop.do(lambda s: foresight.take_back(session=s, now=shop.now, by=by(), number=999))


def test_a_closed_week_ahead_draws_nothing_and_undo_opens_it(shop: TestWorkshop) -> None:
    printed(shop, 40)
    before = row(shop).days.days
    shut = shop.do(
        lambda s: foresight.close(
            session=s, now=shop.now, by=by(), from_day=today(shop), until_day=today(shop) + 6 * DAY, why="repairs"
        )
    )
    assert before is not None
    assert row(shop).days.days == pytest.approx(before + 7, rel=0.1)
    with shop.store.read() as session:
        (run,) = foresight.closings(session, since=today(shop))
    assert (run.from_day, run.until_day, run.why) == (today(shop), today(shop) + 6 * DAY, "repairs")
    shop.do(lambda s: undoing.undo_act(session=s, now=shop.now, by=by(), act_id=shut.act_id))
    assert row(shop).days.days == before
    with shop.store.read() as session:
        assert list(differences(session)) == []


def test_closed_days_are_entered_once_and_opened_only_where_closed(shop: TestWorkshop) -> None:
    def close(first: date, last: date) -> int:
        done = shop.do(
            lambda s: foresight.close(session=s, now=shop.now, by=by(), from_day=first, until_day=last, why="")
        )
        return done.number

    assert close(today(shop), today(shop) + DAY) == 2
    assert close(today(shop), today(shop) + 2 * DAY) == 1
    with pytest.raises(Conflict):
        close(today(shop), today(shop) + DAY)
    with pytest.raises(BadInput):
        close(today(shop) + DAY, today(shop))
    with pytest.raises(BadInput):
        close(today(shop), today(shop) + 400 * DAY)
    first, last = today(shop), today(shop) + 2 * DAY
    shop.do(lambda s: foresight.open_again(session=s, now=shop.now, by=by(), from_day=first, until_day=last))
    with pytest.raises(NotFound):
        shop.do(lambda s: foresight.open_again(session=s, now=shop.now, by=by(), from_day=first, until_day=last))


def test_orders_on_hand_beyond_planned_jobs_are_sure_to_be_asked(shop: TestWorkshop) -> None:
    printed(shop, 40)
    entry = ProductEntry("Trug", None, ((shop.articles[BLACK], 250_000),))
    shop.do(lambda s: catalogue.add_product(session=s, now=shop.now, by=by(), entry=entry))
    before = row(shop).days.days
    wanted = [asked.Wanted("1042", "Trug", pieces=4, due_on=today(shop) + DAY)]
    shop.do(lambda s: onhand.tell(session=s, now=shop.now, by=by(), wanted=wanted))
    with_order = row(shop).days.days
    assert before is not None
    assert with_order is not None
    # a kilogram in the first week, in place of the 350 g that it would draw
    assert with_order == pytest.approx(before - 13, abs=3)
    report = JobReport("Trug", None, (FeedGrams(1_000_000, article_id=shop.articles[BLACK]),))
    shop.do(lambda s: jobs.plan_job(session=s, now=shop.now, by=by(), report=report))
    assert row(shop).days.days == pytest.approx(with_order, abs=0.5)


def test_what_is_on_order_comes_on_its_day_and_postpones_the_order_only(shop: TestWorkshop) -> None:
    printed(shop, 40)
    before = row(shop).days
    entry = SupplierEntry(name="North Quay")
    supplier = shop.do(lambda s: catalogue.add_supplier(session=s, now=shop.now, by=by(), entry=entry)).row_id
    offered = OfferEntry(supplier, shop.articles[BLACK], 1_000_000, 1900)
    offer = shop.do(lambda s: catalogue.add_offer(session=s, now=shop.now, by=by(), entry=offered)).row_id
    wanted = [orders.Wanted(offer, 2)]
    (number,) = shop.do(lambda s: orders.draft(session=s, now=shop.now, by=by(), wanted=wanted)).order_ids
    for state in (OrderState.SENT, OrderState.PROMISED):
        day = today(shop) + 3 * DAY if state is OrderState.PROMISED else None
        shop.do(
            lambda s, state=state, day=day: orders.move_on(  # type: ignore[misc]
                session=s, now=shop.now, by=by(), order_id=number, state=state, promised_for=day
            )
        )
    after = row(shop).days
    assert after.lasts == before.lasts
    assert before.order_by is not None
    assert after.order_by is not None
    assert (after.order_by - before.order_by).days == pytest.approx(40, abs=12)


def test_grams_on_rests_last_nobody_a_day(shop: TestWorkshop) -> None:
    printed(shop, 40)
    (code,) = shop.deliver(at=shop.now - 2 * DAY)
    shop.scan(code, shop.feeds[0], code, shop.places[0], at=shop.now - DAY)
    before = row(shop)
    shop.do(lambda s: spools.count(session=s, now=shop.now, by=by(), spool_code=code, left_mg=30_000))
    after = row(shop)
    assert (before.rests_mg, after.rests_mg) == (0, 30_000)
    assert after.usable_mg == before.usable_mg - 1_000_000


def why(shop: TestWorkshop, item: int = BLACK) -> Explained:
    with shop.store.read() as session:
        return explained.of_item(session=session, now=shop.now, article_id=shop.articles[item])


def test_each_figure_opens_into_the_days_behind_it(shop: TestWorkshop) -> None:
    printed(shop, 280, every=7)
    found = why(shop)
    assert found.counted_days == 56
    assert found.a_day_mg == round(8 * 50_000 / 56)
    assert sum(one.mg for week in found.weeks for one in week) == 8 * 50_000
    assert len(found.busy) == 2
    assert (shop.now - 280 * DAY).weekday() in found.busy


def test_what_rises_is_said_to_rise_and_what_stands_still_is_not(shop: TestWorkshop) -> None:
    printed(shop, 60)
    assert why(shop).trend == ""
    printed(shop, 20, grams=80)
    assert why(shop).trend == "rising"


def test_an_item_without_a_page_cannot_be_explained(shop: TestWorkshop) -> None:
    with shop.store.read() as session, pytest.raises(NotFound):
        explained.of_item(session=session, now=shop.now, article_id=999)


def test_a_young_workshop_has_no_record_yet(shop: TestWorkshop) -> None:
    printed(shop, 40)
    with shop.store.read() as session:
        assert record.of_shop(session=session, now=shop.now).scores == ()


def test_the_record_holds_what_was_said_against_what_came(shop: TestWorkshop) -> None:
    printed(shop, 130)
    with shop.store.read() as session:
        found = record.of_shop(session=session, now=shop.now)
    assert [one.days for one in found.scores] == [7, 14, 28]
    week = found.scores[0]
    (said,) = (one for one in week.said if one.item.article_id == shop.articles[BLACK])
    assert said.came_mg == 350_000
    assert said.low_mg <= said.came_mg <= said.high_mg
    assert said.middle_mg == pytest.approx(350_000, rel=0.05)
    assert week.is_known is (week.pairs >= record.LEAST_PAIRS)
    assert np.isfinite([week.covered, week.bias, week.loss_ratio]).all()


def test_what_the_owner_foresaw_is_held_against_what_came(shop: TestWorkshop) -> None:
    printed(shop, 100, until=20)
    printed(shop, 20, grams=100)
    number = tell(shop, Told(today(shop) - 20 * DAY, today(shop) - DAY, shop.articles[BLACK], factor=3))
    with shop.store.read() as session:
        (found,) = record.foretold(session=session, now=shop.now)
    assert found.known.number == number
    assert found.times == pytest.approx(2.0, rel=0.1)


def test_what_was_foreseen_of_a_product_is_held_against_its_own_jobs(shop: TestWorkshop) -> None:
    entry = ProductEntry("Trug", None, ((shop.articles[BLACK], 25_000),))
    number = shop.do(lambda s: catalogue.add_product(session=s, now=shop.now, by=by(), entry=entry)).row_id
    printed(shop, 100, until=20)
    printed(shop, 100, until=20, grams=50, product_id=number)
    printed(shop, 20)
    printed(shop, 20, grams=100, product_id=number)
    tell(shop, Told(today(shop) - 20 * DAY, today(shop) - DAY, product_id=number, factor=3))
    tell(shop, Told(today(shop) - 20 * DAY, today(shop) - DAY, product_id=number, mg_a_day=90_000))
    with shop.store.read() as session:
        grams, times = record.foretold(session=session, now=shop.now)
    assert times.times == pytest.approx(2.0, rel=0.1)
    assert grams.came_mg / grams.days == 100_000


def test_planned_jobs_are_ordered_for_once_and_lumps_are_not_taken_for_a_pace(shop: TestWorkshop) -> None:
    printed(shop, 60, grams=200)
    with shop.store.read() as session:
        (before,) = orderplan.view(session=session, now=shop.now).items
    usual_mg = row(shop).days.daily_mg * 7
    report = JobReport("Hook", None, (FeedGrams(round(usual_mg), article_id=shop.articles[BLACK]),))
    shop.do(lambda s: jobs.plan_job(session=s, now=shop.now, by=by(), report=report))
    with shop.store.read() as session:
        (after,) = orderplan.view(session=session, now=shop.now).items
    assert after.wanted_mg == pytest.approx(before.wanted_mg, rel=0.15)
    assert abs(after.told.lasts_days - before.told.lasts_days) <= 1


def test_a_new_colour_that_customers_wait_for_is_expected_to_be_drawn(shop: TestWorkshop) -> None:
    entry = ProductEntry("Trug", None, ((shop.articles[WHITE], 250_000),))
    shop.do(lambda s: catalogue.add_product(session=s, now=shop.now, by=by(), entry=entry))
    wanted = [asked.Wanted("1042", "Trug", pieces=4, due_on=today(shop) + DAY)]
    shop.do(lambda s: onhand.tell(session=s, now=shop.now, by=by(), wanted=wanted))
    assert row(shop, WHITE).days.chance_short == 1.0


def test_a_spool_on_a_machine_is_no_rest_however_little_is_on_it(shop: TestWorkshop) -> None:
    shop.do(
        lambda s: itemcare.set_usual_job(
            session=s, now=shop.now, by=by(), article_id=shop.articles[BLACK], mg=2_000_000
        )
    )
    code, _ = shop.deliver(2)
    shop.scan(code, shop.feeds[0])
    shop.do(lambda s: spools.count(session=s, now=shop.now, by=by(), spool_code=code, left_mg=200_000))
    assert row(shop).rests_mg == 0


def test_what_an_item_drew_before_the_owner_spoke_says_nothing_while_it_holds(shop: TestWorkshop) -> None:
    printed(shop, 60, grams=100, every=7)
    tell(shop, Told(today(shop) - 14 * DAY, article_id=shop.articles[BLACK], mg_a_day=14_000))
    assert row(shop).days.daily_mg == pytest.approx(14_000, rel=0.35)
    tell(shop, Told(today(shop) - 14 * DAY, article_id=shop.articles[BLACK], mg_a_day=20_000))
    assert row(shop).days.daily_mg == pytest.approx(17_000, rel=0.35)


def test_less_than_usual_that_did_not_come_true_does_not_raise_what_follows(shop: TestWorkshop) -> None:
    printed(shop, 60, grams=100)
    tell(shop, Told(today(shop) - 30 * DAY, today(shop) - DAY, shop.articles[BLACK], factor=0))
    assert row(shop).days.daily_mg == pytest.approx(100_000, rel=0.1)
