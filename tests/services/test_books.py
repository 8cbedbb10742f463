"""The books of stock: the identity over lived histories, closed months, a past day's stock, and what leaves them."""

import io
import os
import random
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import fields, replace
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from shutil import copytree

import pytest
from openpyxl import load_workbook
from pypdfium2 import PdfDocument
from sqlalchemy import func, select
from sqlmodel import col

from spoolkeep.domain.errors import BadInput, Conflict, NotFound, Refusal
from spoolkeep.domain.words import CostFlow, Kind, OrderState, Outcome
from spoolkeep.services import bookpapers, books, catalogue, deliveries, jobs, orderbook, orders, setup, spools, undoing
from spoolkeep.services.catalogue import OfferEntry, SupplierEntry
from spoolkeep.services.deliveries import Arrived
from spoolkeep.services.instance import Instance
from spoolkeep.services.jobs import FeedGrams, JobReport
from spoolkeep.services.shop import Settings, load_shop
from spoolkeep.services.workbooks import write_workbook
from spoolkeep.store.engine import Store, open_store
from spoolkeep.store.tables import Balance, Feed, Workshop
from tests.workshop import TestWorkshop, by

HISTORIES = int(os.environ.get("SPOOLKEEP_HISTORIES", "12"))
"""How many histories are lived; 500 were, for the record."""
DAY = timedelta(days=1)


@pytest.fixture
def shop(store: Store, now: datetime) -> TestWorkshop:
    return TestWorkshop(store, now)


def told(shop: TestWorkshop) -> books.Books:
    with shop.store.read() as session:
        return books.by_month(session=session, now=shop.now)


def flow_by(shop: TestWorkshop, flow: CostFlow) -> None:
    with shop.store.write() as session:
        session.get_one(Workshop, 1).cost_flow = flow


def stock_on(shop: TestWorkshop, day: date) -> books.StockList:
    with shop.store.read() as session:
        return books.stock_on(session=session, now=shop.now, day=day)


def close(shop: TestWorkshop, through: date) -> None:
    shop.do(lambda s: setup.close_books(session=s, now=shop.now, by=by(), through=through))


def draw(shop: TestWorkshop, grams: int, at: datetime, code: str) -> None:
    shop.scan(code, shop.feeds[0], at=at)
    with shop.store.read() as session:
        feed_id = session.scalars(select(col(Feed.id)).order_by(col(Feed.position))).first()
    report = JobReport("Hook", shop.machine(), (FeedGrams(grams * 1000, feed_id=feed_id),))
    ended = at + timedelta(hours=1)
    shop.do(
        lambda s: jobs.report_job(session=s, now=shop.now, by=by(), report=report, outcome=Outcome.GOOD, ended_at=ended)
    )


@pytest.mark.parametrize("flow", CostFlow)
def test_a_month_told_as_a_story(shop: TestWorkshop, flow: CostFlow) -> None:
    flow_by(shop, flow)
    january, february = (
        datetime(2026, 1, 12, 12, tzinfo=shop.now.tzinfo),
        datetime(2026, 2, 9, 12, tzinfo=shop.now.tzinfo),
    )
    (old,) = shop.deliver(1, price_minor=2000, at=january)
    draw(shop, 400, january, old)
    (new,) = shop.deliver(1, price_minor=2600, at=february)
    draw(shop, 300, february, old)
    shop.do(
        lambda s: spools.give_up(session=s, now=shop.now, by=by(), spool_code=old, kind=Kind.SCRAP, at=february + DAY)
    )
    first, second, third = told(shop).months
    assert (first.flow.bought_minor, first.flow.used_minor, first.flow.closing_minor) == (2000, 800, 1200)
    # by average 600 g at 12.00 and a kilogram at 26.00 are 23.75 a kilogram: 300 g are 7.125, half up 7.13
    used = {CostFlow.AVERAGE: 713, CostFlow.FIFO: 600}[flow]
    assert (second.flow.opening_minor, second.flow.bought_minor, second.flow.used_minor) == (1200, 2600, used)
    gone = {CostFlow.AVERAGE: 712, CostFlow.FIFO: 600}[flow]
    assert (second.flow.written_off_mg, second.flow.written_off_minor) == (300_000, gone)
    assert second.by_spool.closing_minor == 2600
    assert third.flow.opening_minor == third.flow.closing_minor == 3800 - used - gone
    listed = stock_on(shop, shop.now.date())
    assert [(one.mg, one.minor, [spool.code.text for spool in one.spools]) for one in listed.items] == [
        (1_000_000, 3800 - used - gone, [new])
    ]


def test_a_closed_month_stays_as_it_was_and_what_comes_late_falls_in_the_open_one(shop: TestWorkshop) -> None:
    january = datetime(2026, 1, 12, 12, tzinfo=shop.now.tzinfo)
    (code,) = shop.deliver(1, price_minor=2000, at=january)
    draw(shop, 400, january, code)
    assert told(shop).can_close == (date(2026, 2, 28), date(2026, 1, 31))
    with pytest.raises(BadInput):
        close(shop, date(2026, 1, 30))
    close(shop, date(2026, 1, 31))
    before = told(shop)
    assert [one.is_closed for one in before.months] == [True, False, False]
    assert before.can_close == (date(2026, 2, 28),)
    draw(shop, 100, january + 3 * DAY, code)
    after = told(shop)
    assert after.months[0] == before.months[0]
    assert after.months[2].flow.used_mg == 100_000
    assert stock_on(shop, date(2026, 1, 31)).minor == before.months[0].flow.closing_minor == 1200


@pytest.mark.parametrize("flow", CostFlow)
def test_a_delivery_corrected_after_its_month_is_closed_keeps_what_it_truly_cost(
    shop: TestWorkshop, flow: CostFlow
) -> None:
    flow_by(shop, flow)
    january = datetime(2026, 1, 12, 12, tzinfo=shop.now.tzinfo)
    (wrong,) = shop.deliver(1, grams=2000, price_minor=2000, at=january)
    close(shop, date(2026, 1, 31))
    with shop.store.read() as session:
        act = spools.view(session=session, spool_code=wrong).events[-1].act_id
    shop.do(lambda s: undoing.undo_act(session=s, now=shop.now, by=by(), act_id=act))
    (right,) = shop.deliver(1, grams=1000, price_minor=5000, at=january)
    first, _, third = told(shop).months
    assert (first.flow.closing_mg, first.flow.closing_minor) == (2_000_000, 2000)
    assert (third.flow.bought_minor, third.flow.used_minor) == (3000, 0)
    assert third.flow.closing_minor == third.by_spool.closing_minor == 5000
    draw(shop, 500, shop.now - DAY, right)
    shop.do(lambda s: spools.change_cost(session=s, now=shop.now, by=by(), spool_code=right, cost_minor=-1000))
    last = told(shop).months[-1].flow
    assert (last.used_minor, last.closing_minor, last.gap_minor) == (2000, 2000, 0)


def test_two_deliveries_of_a_day_are_two_layers(shop: TestWorkshop) -> None:
    flow_by(shop, CostFlow.FIFO)
    at = shop.now - 3 * DAY
    (first,) = shop.deliver(1, price_minor=2000, at=at)
    shop.deliver(1, price_minor=3000, at=at + timedelta(hours=1))
    draw(shop, 500, at + timedelta(hours=2), first)
    assert told(shop).months[-1].flow.used_minor == 1000


def test_how_cost_leaves_the_books_stays_once_a_month_is_closed(shop: TestWorkshop) -> None:
    shop.deliver(1, at=datetime(2026, 1, 12, 12, tzinfo=shop.now.tzinfo))
    with shop.store.read() as session:
        loaded = load_shop(session)
    settings = Settings(**{one.name: getattr(loaded, one.name) for one in fields(Settings)})
    fifo = replace(settings, cost_flow=CostFlow.FIFO)
    shop.do(lambda s: setup.set_up(session=s, now=shop.now, by=by(), settings=settings))
    close(shop, date(2026, 1, 31))
    with pytest.raises(Conflict, match="stays average"):
        shop.do(lambda s: setup.set_up(session=s, now=shop.now, by=by(), settings=fifo))


def test_a_spool_that_the_books_have_below_nothing_on_a_day_stands_on_its_list(shop: TestWorkshop) -> None:
    shop.deliver(1, price_minor=2000, at=datetime(2026, 1, 10, 12, tzinfo=shop.now.tzinfo))
    close(shop, date(2026, 1, 31))
    drawn = datetime(2026, 2, 2, 12, tzinfo=shop.now.tzinfo)
    (late,) = shop.deliver(1, price_minor=2000, at=datetime(2026, 1, 20, 12, tzinfo=shop.now.tzinfo))
    draw(shop, 200, drawn, late)
    (item,) = stock_on(shop, date(2026, 2, 3)).items
    assert sum(spool.left_mg for spool in item.spools) == item.mg == 800_000
    assert sum(spool.value_minor for spool in item.spools) == item.minor
    assert min(spool.left_mg for spool in item.spools) == -200_000


def test_the_stock_of_a_day_to_come_or_of_long_ago_is_refused(shop: TestWorkshop) -> None:
    for day in (shop.now.date() + DAY, date(1999, 12, 31)):
        with pytest.raises(BadInput, match="Choose a day"):
            stock_on(shop, day)
    assert stock_on(shop, shop.now.date()).items == ()
    assert told(shop).months == ()


def test_a_spool_s_values_on_a_list_add_up_to_the_item_s(shop: TestWorkshop) -> None:
    shop.deliver(3, price_minor=1999)
    shop.deliver(2, article=1, price_minor=2501, grams=750)
    listed = stock_on(shop, shop.now.date())
    for one in listed.items:
        assert sum(spool.value_minor for spool in one.spools) == one.minor
        assert sum(spool.left_mg for spool in one.spools) == one.mg
    assert listed.minor == 3 * 1999 + 2 * 2501


def test_a_month_leaves_as_csv_and_as_a_workbook_with_true_types(shop: TestWorkshop) -> None:
    shop.item("PLA", "=1+1", "#111111")
    shop.deliver(1, price_minor=1999)
    month = shop.now.date().replace(day=1)
    with shop.store.read() as session:
        table = bookpapers.month_table(session=session, now=shop.now, month=month)
        with pytest.raises(NotFound):
            bookpapers.month_table(session=session, now=shop.now, month=date(2020, 1, 1))
    assert table.rows[-1][1] == "all items"
    assert dict(zip(table.header, table.rows[-1], strict=True))["bought, amount"] == Decimal("19.99")
    assert b"19.99" in table.as_csv()
    sheet = load_workbook(io.BytesIO(table.as_workbook())).active
    assert [cell.data_type for cell in sheet[2]][:4] == ["s", "s", "s", "n"]
    assert table.as_workbook() == table.as_workbook()


def test_a_workbook_runs_nothing_and_holds_days_as_days() -> None:
    data = write_workbook(
        "a/b", ("what", "on"), [("=1+1", date(2026, 3, 4)), ("\x00@x", None)], made_on=date(2026, 3, 4)
    )
    sheet = load_workbook(io.BytesIO(data)).active
    assert [(sheet.cell(row, 1).data_type, sheet.cell(row, 1).value) for row in (2, 3)] == [("s", "=1+1"), ("s", "@x")]
    assert sheet.cell(2, 2).value == datetime(2026, 3, 4)  # noqa: DTZ001 - as a workbook has days
    assert sheet.title == "a-b"


def test_the_stock_list_has_every_spool_and_room_to_sign(shop: TestWorkshop) -> None:
    codes = shop.deliver(70, price_minor=1999)
    with shop.store.read() as session:
        settings = load_shop(session)
        listed = books.stock_on(session=session, now=shop.now, day=shop.now.date())
    data = bookpapers.stock_pdf(listed, settings, now=shop.now)
    assert data == bookpapers.stock_pdf(listed, settings, now=shop.now)
    pages = [page.get_textpage().get_text_range() for page in PdfDocument(data)]
    assert len(pages) == 2
    text = "".join(pages)
    assert all(f"{code[:4]} {code[4:7]} {code[7:]}" in text for code in codes)
    assert "Signature" in pages[-1]
    assert "page 2 of 2" in pages[-1]
    assert len(bookpapers.stock_table(listed, settings).rows) == 70


def test_the_books_of_the_demo_agree_to_the_gram_and_the_cent(small_demo: Path, tmp_path: Path) -> None:
    copytree(small_demo, tmp_path / "demo")
    with closing(Instance(tmp_path / "demo").open()) as store:
        for flow in CostFlow:
            with store.write() as session:
                session.get_one(Workshop, 1).cost_flow = flow
            _agree(store, datetime.now(UTC))


# ---- lived histories


@contextmanager
def _shop(template: bytes, path: Path, now: datetime) -> Iterator[TestWorkshop]:
    path.write_bytes(template)
    store = open_store(f"sqlite:///{path}")
    yield TestWorkshop(store, now)
    store.close()


def _something(shop: TestWorkshop, pick: random.Random, codes: list[str], acts: list[int]) -> None:
    """Do one thing that a workshop does, at some moment of the last ninety days."""
    at = shop.now - timedelta(days=pick.uniform(0, 90))
    code = pick.choice(codes)
    s_of: dict[str, Callable[[], int]] = {
        "deliver": lambda: _deliver(shop, pick, at, codes),
        "part": lambda: _comes_in_part(shop, pick, codes),
        "draw": lambda: _draw(shop, pick, at),
        "weigh": lambda: (
            shop.do(
                lambda s: spools.count(
                    session=s, now=shop.now, by=by(), spool_code=code, left_mg=pick.randint(0, 10**6), at=at
                )
            ).act_id
        ),
        "cost": lambda: (
            shop.do(
                lambda s: spools.change_cost(
                    session=s, now=shop.now, by=by(), spool_code=code, cost_minor=pick.randint(-300, 900)
                )
            ).act_id
        ),
        "give up": lambda: (
            shop.do(
                lambda s: spools.give_up(
                    session=s,
                    now=shop.now,
                    by=by(),
                    spool_code=code,
                    kind=pick.choice([Kind.SCRAP, Kind.RETURN, Kind.WRITE_OFF]),
                    mg=pick.choice([None, pick.randint(1, 400_000)]),
                    at=at,
                )
            ).act_id
        ),
        "undo": lambda: (
            shop.do(lambda s: undoing.undo_act(session=s, now=shop.now, by=by(), act_id=pick.choice(acts))).act_id
        ),
    }
    what = pick.choices(list(s_of), [2, 2, 6, 2, 1, 2, 3])[0]
    try:
        acts.append(s_of[what]())
    except Refusal:
        return


def _deliver(shop: TestWorkshop, pick: random.Random, at: datetime, codes: list[str]) -> int:
    arrived = [
        Arrived(article, pick.randint(1, 3), pick.choice([250, 1000]) * 1000, pick.randint(1, 4000))
        for article in pick.sample(shop.articles, pick.randint(1, 2))
    ]
    answer = shop.do(
        lambda s: deliveries.book_delivery(
            session=s, now=shop.now, by=by(), arrived=arrived, freight_minor=pick.randint(0, 999), arrived_at=at
        )
    )
    codes += answer.spool_codes
    return answer.act_id


def _ordered(shop: TestWorkshop) -> None:
    """Send an order of six spools, that will come in parts."""
    supplier = SupplierEntry(name="Fen Road Plastics", lead_days=6)
    number = shop.do(lambda s: catalogue.add_supplier(session=s, now=shop.now, by=by(), entry=supplier)).row_id
    entry = OfferEntry(number, shop.articles[0], 1_000_000, 1850)
    offer = shop.do(lambda s: catalogue.add_offer(session=s, now=shop.now, by=by(), entry=entry)).row_id
    wanted = [orders.Wanted(offer, 6)]
    (order,) = shop.do(lambda s: orders.draft(session=s, now=shop.now, by=by(), wanted=wanted)).order_ids
    shop.do(lambda s: orders.move_on(session=s, now=shop.now, by=by(), order_id=order, state=OrderState.SENT))


def _comes_in_part(shop: TestWorkshop, pick: random.Random, codes: list[str]) -> int:
    with shop.store.read() as session:
        (order,) = orderbook.listed(session=session, now=shop.now)
    arrived = [Arrived(shop.articles[0], pick.randint(1, 2), 1_000_000, 1850, order_line_id=order.lines[0].line_id)]
    freight = pick.randint(0, 700)
    answer = shop.do(
        lambda s: deliveries.book_delivery(
            session=s, now=shop.now, by=by(), arrived=arrived, order_id=order.order_id, freight_minor=freight
        )
    )
    codes += answer.spool_codes
    return answer.act_id


def _draw(shop: TestWorkshop, pick: random.Random, at: datetime) -> int:
    report = JobReport("Hook", None, (FeedGrams(pick.randint(1, 600_000), article_id=pick.choice(shop.articles)),))
    outcome = pick.choice([Outcome.GOOD, Outcome.GOOD, Outcome.FAILED])
    return shop.do(
        lambda s: jobs.report_job(session=s, now=shop.now, by=by(), report=report, outcome=outcome, ended_at=at)
    ).act_id


def test_the_books_of_lived_histories_agree_to_the_gram_and_the_cent(
    sqlite_template: bytes, tmp_path: Path, now: datetime
) -> None:
    for seed in range(HISTORIES):
        pick = random.Random(seed)  # noqa: S311 - no secret
        with _shop(sqlite_template, tmp_path / f"{seed}.sqlite", now) as shop:
            codes = list(shop.deliver(2, at=now - 91 * DAY))
            acts: list[int] = [1]
            _ordered(shop)
            closes_after = pick.randint(5, 25)
            for number in range(25):
                _something(shop, pick, codes, acts)
                if number == closes_after:
                    close(shop, date(2026, 1, 31))
            for flow in CostFlow:
                flow_by(shop, flow)
                _agree(shop.store, shop.now)


def _agree(store: Store, now: datetime) -> None:
    with store.read() as session:
        found = books.by_month(session=session, now=now)
        listed = books.stock_on(session=session, now=now, day=load_shop(session).today(now))
    for month in found.months:
        assert month.flow.gap_minor == month.by_spool.gap_minor == 0
        assert month.flow.closing_mg == month.by_spool.closing_mg
        assert month.flow.closing_minor >= 0
    with store.read() as session:
        left, value = session.execute(select(func.sum(col(Balance.left_mg)), func.sum(col(Balance.value_minor)))).one()
    assert found.months[-1].by_spool.closing_mg == left
    assert found.months[-1].by_spool.closing_minor == value
    assert listed.mg == left
    assert sum(spool.left_mg for item in listed.items for spool in item.spools) == left
