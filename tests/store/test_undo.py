"""Undo and redo across acts: each stands on what it needs, and names what is in its way."""

from collections.abc import Callable
from datetime import date, datetime, timedelta

import pytest
from sqlalchemy import select, text
from sqlmodel import col

from spoolkeep.domain.errors import BadInput, Conflict, NotFound
from spoolkeep.domain.words import Finish, Kind, OrderState, Outcome
from spoolkeep.services import (
    bench,
    catalogue,
    deliveries,
    finding,
    joblist,
    jobs,
    money,
    orderbook,
    orders,
    setup,
    spools,
    takings,
    undoing,
)
from spoolkeep.services.catalogue import OfferEntry, SupplierEntry
from spoolkeep.services.deliveries import Arrived
from spoolkeep.services.jobs import FeedGrams, JobAnswer, JobReport
from spoolkeep.services.orders import Wanted
from spoolkeep.services.shop import Settings, load_shop
from spoolkeep.services.takings import Taken
from spoolkeep.store import guards
from spoolkeep.store.acts import By
from spoolkeep.store.engine import Store
from spoolkeep.store.proof import differences
from spoolkeep.store.seeds import FIRST_ACTOR
from spoolkeep.store.tables import Act, Loading
from spoolkeep.store.upgrade import guards_of
from tests.workshop import TestWorkshop, by, station_at


@pytest.fixture
def shop(store: Store, now: datetime) -> TestWorkshop:
    return TestWorkshop(store, now)


def _undo(shop: TestWorkshop, act_id: int) -> int:
    return shop.do(lambda s: undoing.undo_act(session=s, now=shop.now, by=by(), act_id=act_id)).act_id


def _last_act(shop: TestWorkshop) -> int:
    with shop.store.read() as session:
        return session.scalars(select(col(Act.id)).order_by(col(Act.id).desc())).first() or 0


def _sound(shop: TestWorkshop) -> None:
    with shop.store.read() as session:
        assert list(differences(session)) == []


def _scan(shop: TestWorkshop, *texts: str) -> int:
    with shop.store.write() as session:
        station = station_at(session, shop.now, "bench")
        for words in texts:
            answer = bench.scan(session=session, now=shop.now, by=By(FIRST_ACTOR, by().key, station), text=words)
    return answer.act_id


def _job(shop: TestWorkshop, mg: int = 50_000) -> JobAnswer:
    with shop.store.read() as session:
        feed_id = finding.feed_of(session, shop.feeds[0]).id
    report = JobReport("Hook", None, (FeedGrams(mg, feed_id),))
    return shop.do(lambda s: jobs.report_job(session=s, now=shop.now, by=by(), report=report, outcome=Outcome.GOOD))


def _settle(shop: TestWorkshop, code: str) -> int:
    with shop.store.read() as session:
        number = joblist.open_draws(session=session)[0].movement_id
    return shop.do(
        lambda s: jobs.settle_open_draw(session=s, now=shop.now, by=by(), movement_id=number, spool_code=code)
    ).act_id


def test_a_job_whose_open_draw_was_settled_names_the_settling(shop: TestWorkshop) -> None:
    code = shop.deliver()[0]
    job = _job(shop)
    settled = _settle(shop, code)
    with pytest.raises(Conflict, match=f"Act {settled} "):
        _undo(shop, job.act_id)
    _sound(shop)


def test_a_job_is_undone_after_its_settling_was(shop: TestWorkshop) -> None:
    code = shop.deliver()[0]
    job = _job(shop)
    unsettled = _undo(shop, _settle(shop, code))
    gone = _undo(shop, job.act_id)
    _sound(shop)
    with shop.store.read() as session:
        assert joblist.open_draws(session=session) == []
    with pytest.raises(Conflict, match=f"Act {gone} "):
        _undo(shop, unsettled)
    _undo(shop, gone)
    with shop.store.read() as session:
        assert [one.mg for one in joblist.open_draws(session=session)] == [50_000]
    _undo(shop, unsettled)
    with shop.store.read() as session:
        assert joblist.open_draws(session=session) == []
        assert spools.view(session=session, spool_code=code).left_mg == 950_000
    _sound(shop)


def test_what_stood_on_an_undone_delivery_is_not_done_again(shop: TestWorkshop) -> None:
    code = shop.deliver()[0]
    delivered = _last_act(shop)
    loaded = _scan(shop, code, shop.feeds[0])
    job = _job(shop).act_id
    job_gone, load_gone, delivery_gone = _undo(shop, job), _undo(shop, loaded), _undo(shop, delivered)
    for act_id in (load_gone, job_gone):
        with pytest.raises(Conflict):
            _undo(shop, act_id)
    for act_id in (delivery_gone, load_gone, job_gone):
        _undo(shop, act_id)
    with shop.store.read() as session:
        assert spools.view(session=session, spool_code=code).left_mg == 950_000
    _sound(shop)


def test_a_scrapped_spool_does_not_go_back_on_its_feed_by_undo(shop: TestWorkshop) -> None:
    first, second = shop.deliver(2)
    _scan(shop, first, shop.feeds[0])
    swapped = _scan(shop, second, shop.feeds[0])
    scrapped = shop.do(
        lambda s: spools.give_up(session=s, now=shop.now, by=by(), spool_code=first, kind=Kind.SCRAP)
    ).act_id
    with pytest.raises(Conflict, match=f"Act {scrapped} "):
        _undo(shop, swapped)
    with shop.store.read() as session:
        on = session.scalars(select(Loading).where(col(Loading.live), col(Loading.until_at).is_(None))).all()
    assert len(on) == 1


def test_a_part_delivery_undone_leaves_the_order_as_what_is_here_says(shop: TestWorkshop) -> None:
    supplier = shop.do(
        lambda s: catalogue.add_supplier(session=s, now=shop.now, by=by(), entry=SupplierEntry(name="Fen Road"))
    ).row_id
    entries = [OfferEntry(supplier, article, 1_000_000, 1850) for article in shop.articles]
    offers = [
        shop.do(lambda s, entry=entry: catalogue.add_offer(session=s, now=shop.now, by=by(), entry=entry)).row_id  # type: ignore[misc]
        for entry in entries
    ]
    wanted = [Wanted(offers[0], 3), Wanted(offers[1], 1)]
    number = shop.do(lambda s: orders.draft(session=s, now=shop.now, by=by(), wanted=wanted)).order_ids[0]
    shop.do(lambda s: orders.move_on(session=s, now=shop.now, by=by(), order_id=number, state=OrderState.SENT))
    with shop.store.read() as session:
        lines = [line.line_id for line in orderbook.view(session=session, now=shop.now, order_id=number).lines]

    def came(line: int, spools_in: int) -> int:
        arrived = [Arrived(shop.articles[line], spools_in, 1_000_000, 1850, order_line_id=lines[line])]
        return shop.do(
            lambda s: deliveries.book_delivery(session=s, now=shop.now, by=by(), arrived=arrived, order_id=number)
        ).act_id

    def state() -> str:
        with shop.store.read() as session:
            return orderbook.view(session=session, now=shop.now, order_id=number).state

    first = came(0, 2)
    came(0, 1)
    _undo(shop, first)
    assert state() == "part in"
    came(1, 1)
    assert state() == "part in"
    came(0, 2)
    assert state() == "in"


def test_settings_are_undone_and_every_day_with_them(shop: TestWorkshop) -> None:
    code = shop.deliver(at=datetime(2026, 3, 3, 2, 0, tzinfo=shop.now.tzinfo))[0]
    with shop.store.read() as session:
        before = load_shop(session)
    names = [name for name in vars(before) if name != "is_set_up"]
    settings = Settings(**{**{name: getattr(before, name) for name in names}, "day_starts_hour": 0})
    changed = shop.do(lambda s: setup.set_up(session=s, now=shop.now, by=by(), settings=settings)).act_id
    _sound(shop)
    _undo(shop, changed)
    _sound(shop)
    with shop.store.read() as session:
        assert load_shop(session).day_starts_hour == before.day_starts_hour
        assert spools.view(session=session, spool_code=code).left_mg == 1_000_000


def test_a_currency_does_not_change_under_booked_money(shop: TestWorkshop) -> None:
    shop.deliver()
    with shop.store.read() as session:
        before = load_shop(session)
    names = [name for name in vars(before) if name != "is_set_up"]
    settings = Settings(**{**{name: getattr(before, name) for name in names}, "currency": "JPY"})
    with pytest.raises(Conflict, match="stays EUR"):
        shop.do(lambda s: setup.set_up(session=s, now=shop.now, by=by(), settings=settings))


def _close(shop: TestWorkshop, through: date) -> None:
    shop.do(lambda s: setup.close_books(session=s, now=shop.now, by=by(), through=through))


def test_what_comes_late_to_a_closed_month_falls_in_the_open_one(shop: TestWorkshop) -> None:
    january = datetime(2026, 1, 20, 12, 0, tzinfo=shop.now.tzinfo)
    code = shop.deliver(at=january, price_minor=2000)[0]
    _close(shop, date(2026, 2, 28))
    shop.do(
        lambda s: spools.give_up(
            session=s, now=shop.now, by=by(), spool_code=code, kind=Kind.SCRAP, mg=100_000, at=january
        )
    )
    shop.do(
        lambda s: takings.enter(
            session=s,
            now=shop.now,
            by=by(),
            taken=[Taken(shop_day=january.date(), channel="Market", amount_minor=9_900)],
        )
    )
    with shop.store.read() as session:
        months = {month.month: month for month in money.view(session=session).months}
    assert months[date(2026, 1, 1)].bought_minor == 2000
    assert months[date(2026, 1, 1)].takings_minor == 0
    assert months[date(2026, 3, 1)].takings_minor == 9_900
    _sound(shop)


@pytest.mark.parametrize("through", [date(2026, 2, 27), date(2026, 3, 31)])
def test_books_close_only_at_the_end_of_a_month_that_is_over(shop: TestWorkshop, through: date) -> None:
    with pytest.raises(BadInput, match="last day of a month"):
        _close(shop, through)


def test_the_bench_forgets_half_a_scan_of_an_undone_spool(shop: TestWorkshop) -> None:
    code = shop.deliver()[0]
    delivered = _last_act(shop)
    _scan(shop, code)
    _undo(shop, delivered)
    with shop.store.read() as session:
        station = station_at(session, shop.now, "bench")
        assert bench.waiting(session=session, station_id=station, now=shop.now) == ""
    with pytest.raises(NotFound):
        _scan(shop, code)


def test_an_undone_item_or_place_is_not_booked_on(shop: TestWorkshop) -> None:
    made = shop.do(
        lambda s: catalogue.add_article(
            session=s, now=shop.now, by=by(), material="PETG", colour="Clear", finish=Finish.CLEAR, srgb=["#ffffff"]
        )
    )
    _undo(shop, made.act_id)
    arrived = [Arrived(made.row_id, 1, 1_000_000)]
    with pytest.raises(NotFound, match="no such article"):
        shop.do(lambda s: deliveries.book_delivery(session=s, now=shop.now, by=by(), arrived=arrived))


def test_letters_of_either_case_keep_their_order_on_every_database(shop: TestWorkshop) -> None:
    code = shop.deliver(grams=1)[0]
    _scan(shop, code, shop.feeds[0])
    shop.now += timedelta(hours=1)
    with shop.store.read() as session:
        feed_id = finding.feed_of(session, shop.feeds[0]).id
    report = JobReport("Hook", None, (FeedGrams(800, feed_id),))
    for key in ("alder-3", "Birch-7", "cedar-1"):
        shop.do(
            lambda s, key=key: jobs.report_job(  # type: ignore[misc]
                session=s, now=shop.now, by=By(FIRST_ACTOR, key), report=report, outcome=Outcome.GOOD
            )
        )
    _sound(shop)


def test_a_hollow_guard_is_no_guard(sqlite_store: Store) -> None:
    with sqlite_store.engine.begin() as connection:
        connection.execute(text("DROP TRIGGER guard_line_update"))
        connection.execute(text("CREATE TRIGGER guard_line_update BEFORE UPDATE ON line BEGIN SELECT 1; END"))
    assert "guard_line_update" not in guards_of(sqlite_store)
    with sqlite_store.read() as session:
        assert "guard_line_update" in next(differences(session))


def test_lines_added_to_a_movement_that_was_taken_back_are_found(shop: TestWorkshop) -> None:
    code = shop.deliver()[0]
    act = shop.do(lambda s: spools.count(session=s, now=shop.now, by=by(), spool_code=code, left_mg=900_000)).act_id
    _undo(shop, act)
    with shop.store.engine.begin() as connection, guards.lifted(connection, "line"):
        number = connection.execute(text("SELECT min(id) FROM movement WHERE kind = 'count'")).scalar_one()
        for kind, mg in (("count", -700), ("delivery", 700)):
            row = {"movement": number, "act": act, "kind": kind, "mg": mg}
            connection.execute(
                text(
                    "INSERT INTO line (movement_id, act_id, spool_id, kind, mg, value_minor, book_day)"
                    " VALUES (:movement, :act, 1, :kind, :mg, 0, '2026-03-04')"
                ),
                row,
            )
    with shop.store.read() as session:
        assert "taken back of spool 1" in next(differences(session))


def test_nothing_moves_when_an_undo_is_refused(shop: TestWorkshop, by: Callable[[], By]) -> None:
    code = shop.deliver()[0]
    delivered = _last_act(shop)
    _scan(shop, code, shop.feeds[0])
    before = _last_act(shop)
    with pytest.raises(Conflict):
        shop.do(lambda s: undoing.undo_act(session=s, now=shop.now, by=by(), act_id=delivered))
    assert _last_act(shop) == before
