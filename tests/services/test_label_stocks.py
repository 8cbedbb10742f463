"""Label stocks as they lie in a workshop's printers, and labels of every kind on them."""

from dataclasses import replace
from datetime import datetime

import pytest
import zxingcpp

from spoolkeep.domain.cards import Card
from spoolkeep.domain.codes import Code, CodeKind
from spoolkeep.domain.errors import BadInput, NotFound
from spoolkeep.domain.formats import Formats
from spoolkeep.domain.words import StockKind
from spoolkeep.paper.stocks import Stock, stock_named
from spoolkeep.services import catalogue, jobs, labels, orders, stocks, undoing
from spoolkeep.services.catalogue import OfferEntry, SupplierEntry
from spoolkeep.services.jobs import FeedGrams, JobReport
from spoolkeep.services.orders import Wanted
from spoolkeep.store.engine import Store
from spoolkeep.store.tables import Job
from tests.paper.pictures import codes_in, pages_of, runs_in, words_of
from tests.workshop import TestWorkshop, by

OWN = Stock("60x40", StockKind.ROLL, 60, 40, 60, 40)


@pytest.fixture
def shop(store: Store, now: datetime) -> TestWorkshop:
    """Give a small workshop, on each database."""
    return TestWorkshop(store, now)


def kept(shop: TestWorkshop, stock: Stock = OWN) -> int:
    return shop.do(lambda s: stocks.keep(session=s, now=shop.now, by=by(), stock=stock)).act_id


def printed(shop: TestWorkshop, *codes: str, stock: str = "50x25", **how: bool) -> list[str]:
    """Give the codes that a reader finds on the labels of these codes, page by page."""
    with shop.store.read() as session:
        gathered = labels.of_codes(session=session, now=shop.now, codes=codes, stock=stock)
    pages = pages_of(labels.press(gathered, dpi=203, **how), 203)
    return [code for page in pages for code in codes_in(page)]


def test_a_stock_of_the_workshops_own_prints_labels_that_read_back(shop: TestWorkshop) -> None:
    kept(shop)
    codes = shop.deliver(spools=2)
    assert printed(shop, *codes, stock="60x40") == list(codes)
    with shop.store.read() as session:
        assert stocks.named(session, " 60X40 ") == OWN
        assert stocks.every(session)[0] == OWN


def test_a_nudge_moves_every_bar_by_as_many_dots(shop: TestWorkshop) -> None:
    codes = shop.deliver()

    def first_bar() -> int:
        with shop.store.read() as session:
            gathered = labels.of_codes(session=session, now=shop.now, codes=codes, stock="50x25")
        page = pages_of(labels.press(gathered), 203)[0]
        return runs_in(page[page.shape[0] - 30])[0][0]

    before = first_bar()
    shop.do(lambda s: stocks.nudge(session=s, now=shop.now, by=by(), name="50x25", right_mm=1.25, down_mm=0))
    assert first_bar() - before == 10, "an eighth of a millimetre is a dot of 203 an inch"
    shop.do(lambda s: stocks.withdraw(session=s, now=shop.now, by=by(), name="50x25"))
    assert first_bar() == before


def test_the_usual_stock_is_taken_where_none_is_named(shop: TestWorkshop) -> None:
    kept(shop)
    shop.do(lambda s: stocks.make_usual(session=s, now=shop.now, by=by(), name="60x40"))
    with shop.store.read() as session:
        assert stocks.named(session, "") == OWN
    shop.do(lambda s: stocks.withdraw(session=s, now=shop.now, by=by(), name="60x40"))
    with shop.store.read() as session:
        assert stocks.usual(session) == "a4-3x8", "one that is gone is usual no more"


def test_a_kept_stock_is_undone(shop: TestWorkshop) -> None:
    act_id = kept(shop)
    shop.do(lambda s: undoing.undo_act(session=s, now=shop.now, by=by(), act_id=act_id))
    with shop.store.read() as session, pytest.raises(BadInput, match="no label stock"):
        stocks.named(session, "60x40")


SHEET = stock_named("a4-3x8")


@pytest.mark.parametrize(
    ("stock", "says"),
    [
        (replace(SHEET, name="x", pitch_x_mm=60), "overlap"),
        (replace(SHEET, name="x", rows=9), "on a page of"),
        (replace(SHEET, name="x", left_mm=-1), "on a page of"),
        (replace(SHEET, name="x", kind=StockKind.ROLL), "one label a page"),
        (replace(OWN, inset_x_mm=30), "blank edge"),
        (replace(OWN, page_width_mm=20, label_width_mm=20), "too narrow"),
        (replace(OWN, page_height_mm=9, label_height_mm=9), "too low"),
        (replace(OWN, label_height_mm=0), "more than 0 mm"),
        (replace(OWN, nudge_x_mm=11), "nudge is at most"),
        (replace(OWN, columns=0), "1 to 60 labels"),
        (replace(OWN, dpi=7), "cannot be used"),
        (replace(OWN, name=" "), "Name the stock"),
    ],
)
def test_a_stock_that_cannot_be_is_refused_with_what_does_not_fit(shop: TestWorkshop, stock: Stock, says: str) -> None:
    with pytest.raises(BadInput, match=says):
        kept(shop, stock)


def _order(shop: TestWorkshop) -> str:
    entry = SupplierEntry(name="North Quay")
    supplier = shop.do(lambda s: catalogue.add_supplier(session=s, now=shop.now, by=by(), entry=entry)).row_id
    offer = OfferEntry(supplier, shop.articles[0], 1_000_000, 1900)
    number = shop.do(lambda s: catalogue.add_offer(session=s, now=shop.now, by=by(), entry=offer)).row_id
    shop.do(lambda s: orders.draft(session=s, now=shop.now, by=by(), wanted=[Wanted(number, 2)]))
    return Code(CodeKind.ORDER, 1).text


def _ticket(shop: TestWorkshop) -> str:
    report = JobReport("Cable comb", None, (FeedGrams(40_000, article_id=shop.articles[0]),))
    job = shop.do(lambda s: jobs.plan_job(session=s, now=shop.now, by=by(), report=report)).job_id
    with shop.store.write() as session:
        session.get_one(Job, job).serial = 5
    return Code(CodeKind.JOB, 5).text


def test_a_label_of_every_kind_reads_back(shop: TestWorkshop) -> None:
    codes = [*shop.deliver(), shop.feeds[0], shop.places[0], _order(shop), _ticket(shop), Card.WEIGH.code.text]
    assert {code[0] for code in codes} == set(CodeKind)
    for stock in ("50x25", "100x50"):
        assert printed(shop, *codes, stock=stock) == codes
    assert printed(shop, *codes, stock="100x50", square=True) == codes


def test_a_pair_is_one_code_for_the_box_and_the_reel(shop: TestWorkshop) -> None:
    one, other = shop.deliver(spools=2)
    assert printed(shop, one, other, pairs=True) == [one, one, other, other]


@pytest.mark.parametrize("code", [Code(kind, 999_000).text for kind in CodeKind])
def test_a_code_that_nothing_carries_has_no_label(shop: TestWorkshop, code: str) -> None:
    with shop.store.read() as session, pytest.raises(NotFound, match="has the code"):
        labels.of_codes(session=session, now=shop.now, codes=[code])


def test_the_bench_cards_are_one_sheet_that_reads_back(shop: TestWorkshop) -> None:
    with shop.store.read() as session:
        gathered = labels.of_cards(session=session, now=shop.now)
    (page,) = pages_of(labels.press(gathered), gathered.stock.dpi)
    assert codes_in(page) == [card.code.text for card in Card]


@pytest.mark.parametrize("stock", ["100x50", "a4-3x8", "letter-2x10"])
def test_the_square_code_says_what_the_linear_one_says(shop: TestWorkshop, stock: str) -> None:
    today, formats = shop.now.date(), Formats("en_GB", "EUR", "UTC")
    pdf, codes = labels.sample_labels(today=today, formats=formats, count=3, stock=stock, dpi=203, square=True)
    read = [one for page in pages_of(pdf, 203) for one in zxingcpp.read_barcodes(page)]
    squares = [one.text for one in read if one.format == zxingcpp.BarcodeFormat.QRCode]
    assert sorted(squares) == codes
    assert sorted(one.text for one in read) == sorted(codes * 2)


def test_a_narrow_label_leaves_the_square_code_out_before_it_cuts_a_weight(shop: TestWorkshop) -> None:
    codes = shop.deliver()
    with shop.store.read() as session:
        gathered = labels.of_codes(session=session, now=shop.now, codes=codes, stock="50x30")
    assert labels.press(gathered, square=True) == labels.press(gathered)
    assert "reel 200" in words_of(labels.press(gathered))[0].replace("\N{NO-BREAK SPACE}", " ")
