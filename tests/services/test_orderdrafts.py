"""An order while it is drafted, when it comes, its sheet in numbers and its mail."""

import csv
import io
import urllib.parse
from collections.abc import Callable
from datetime import date, datetime, timedelta
from decimal import Decimal

import openpyxl
import pytest

from spoolkeep.domain.errors import BadInput, Conflict, NotFound, Refusal
from spoolkeep.domain.words import OrderState
from spoolkeep.paper.sheets import ReorderSheet
from spoolkeep.services import (
    bench,
    catalogue,
    deliveries,
    orderbook,
    orderdrafts,
    ordermail,
    orders,
    sheets,
    today,
    undoing,
)
from spoolkeep.services.catalogue import OfferEntry, SupplierEntry
from spoolkeep.services.deliveries import Arrived
from spoolkeep.services.orderbook import OrderView
from spoolkeep.services.orderdrafts import DraftAnswer
from spoolkeep.services.orders import Wanted
from spoolkeep.services.shop import load_shop
from spoolkeep.store.engine import Store
from spoolkeep.store.tables import BasketBreak, Offer, PriceBreak, Supplier
from tests.workshop import TestWorkshop, by


class Ordering(TestWorkshop):
    """The small workshop, with a supplier of both items: 6 days, a parcel of 6.90 that is free from 100.00 on."""

    __test__ = False

    def __post_init__(self) -> None:
        super().__post_init__()
        terms = SupplierEntry("North Quay", "1 Quay Road", lead_days=6, parcel_minor=690, free_freight_minor=10_000)
        self.supplier = self._supplier(terms)
        self.black = self.offer(self.supplier, 0, 1900, pack=2, breaks=((6, 1700),))
        self.white = self.offer(self.supplier, 1, 2000)

    def _supplier(self, entry: SupplierEntry) -> int:
        return self.do(lambda s: catalogue.add_supplier(session=s, now=self.now, by=by(), entry=entry)).row_id

    def offer(
        self, supplier: int, article: int, price: int, *, pack: int = 1, breaks: tuple[tuple[int, int], ...] = ()
    ) -> int:
        """Give a new offer."""
        number = f"NQ-{article}"
        entry = OfferEntry(supplier, self.articles[article], 1_000_000, price, number, "", 210_000, pack, breaks)
        return self.do(lambda s: catalogue.add_offer(session=s, now=self.now, by=by(), entry=entry)).row_id

    def elsewhere(self, currency: str | None = None) -> int:
        """Give the offer of another supplier, paid in a currency."""
        supplier = self._supplier(SupplierEntry("Fen Road Plastics", parcel_minor=500))
        with self.store.write() as session:
            session.get_one(Supplier, supplier).currency = currency
        return self.offer(supplier, 0, 1500)

    def drafted(self, *wanted: Wanted) -> int:
        """Give a draft."""
        chosen = wanted or (Wanted(self.black, 2),)
        return self.do(lambda s: orders.draft(session=s, now=self.now, by=by(), wanted=chosen)).order_ids[0]

    def order(self, number: int) -> OrderView:
        """Give an order as it stands."""
        with self.store.read() as session:
            return orderbook.view(session=session, now=self.now, order_id=number)

    def lines(self, number: int) -> list[tuple[int, int]]:
        """Give spools and price of each line."""
        return [(line.spools, line.price_minor) for line in self.order(number).lines]

    def set(self, number: int, *spools: int) -> DraftAnswer:
        """Set the numbers of a draft's lines, in their order."""
        lines = dict(zip((line.line_id for line in self.order(number).lines), spools, strict=False))
        return self.do(
            lambda s: orderdrafts.set_spools(session=s, now=self.now, by=by(), order_id=number, spools=lines)
        )

    def add(self, number: int, offer: int, spools: int) -> DraftAnswer:
        """Add a line."""
        wanted = Wanted(offer, spools)
        return self.do(lambda s: orderdrafts.add_line(session=s, now=self.now, by=by(), order_id=number, wanted=wanted))

    def need(self, number: int, needed_by: date | None, note: str = "") -> DraftAnswer:
        """Say by when a draft is needed."""
        return self.do(
            lambda s: orderdrafts.note_and_day(
                session=s, now=self.now, by=by(), order_id=number, note=note, needed_by=needed_by
            )
        )

    def move(self, number: int, state: OrderState, day: date | None = None, *, at: datetime | None = None) -> None:
        """Move an order on."""
        now = at or self.now
        self.do(lambda s: orders.move_on(session=s, now=now, by=by(), order_id=number, state=state, promised_for=day))

    def send_all(self, *numbers: int) -> DraftAnswer:
        """Say that these are sent."""
        return self.do(lambda s: orderdrafts.send_all(session=s, now=self.now, by=by(), order_ids=numbers))

    def undo(self, answer: DraftAnswer) -> None:
        """Undo an act."""
        self.do(lambda s: undoing.undo_act(session=s, now=self.now, by=by(), act_id=answer.act_id))

    def late(self, now: datetime | None = None) -> list[tuple[int, int]]:
        """Give which orders Today says are too late, and by how many days."""
        with self.store.read() as session:
            found = today.needed(session=session, now=now or self.now).late_orders
        return [(one.order_id, one.arrival.days_without) for one in found.first]

    def sheet(self, number: int) -> ReorderSheet:
        """Give an order's sheet."""
        with self.store.read() as session:
            return sheets.sheet_of(session=session, now=self.now, order_id=number)


@pytest.fixture
def shop(store: Store, now: datetime) -> Ordering:
    return Ordering(store, now)


# ------------------------------------------------------------------ changing a draft


def test_the_numbers_of_a_draft_change_with_their_prices_and_one_undo_brings_them_back(shop: Ordering) -> None:
    number = shop.drafted(Wanted(shop.black, 2), Wanted(shop.white, 1))
    changed = shop.set(number, 6, 3)
    assert shop.lines(number) == [(6, 1700), (3, 2000)], "from 6 spools on the first costs 17.00"
    assert [note.split(":")[0] for note in changed.notes] == ["PLA Slate black"]
    shop.undo(changed)
    assert shop.lines(number) == [(2, 1900), (1, 2000)]


def test_nothing_of_a_line_takes_it_out_and_the_last_one_stays(shop: Ordering) -> None:
    number = shop.drafted(Wanted(shop.black, 2), Wanted(shop.white, 1))
    gone = shop.set(number, 0)
    assert shop.lines(number) == [(1, 2000)]
    with pytest.raises(BadInput, match="call it off"):
        shop.set(number, 0)
    shop.undo(gone)
    assert shop.lines(number) == [(2, 1900), (1, 2000)]


@pytest.mark.parametrize("spools", [-2, 3, 502, 10**12])
def test_a_number_that_cannot_be_had_is_refused(shop: Ordering, spools: int) -> None:
    number = shop.drafted()
    with pytest.raises(BadInput):
        shop.set(number, spools)
    with pytest.raises(Refusal):
        shop.add(number, shop.white, spools if spools != 3 else 0)
    assert shop.lines(number) == [(2, 1900)]


def test_a_further_offer_of_the_same_supplier_is_added_once(shop: Ordering) -> None:
    number = shop.drafted()
    with shop.store.read() as session:
        offered = orderdrafts.addable(session=session, now=shop.now, order=shop.order(number))
    assert [one.offer_id for one in offered] == [shop.white]
    added = shop.add(number, shop.white, 3)
    assert shop.lines(number) == [(2, 1900), (3, 2000)]
    with pytest.raises(Conflict, match="in the order already"):
        shop.add(number, shop.white, 1)
    with pytest.raises(BadInput, match="is not North Quay's"):
        shop.add(number, shop.elsewhere(), 1)
    with pytest.raises(NotFound):
        shop.add(number, 987_654, 1)
    shop.undo(added)
    assert shop.lines(number) == [(2, 1900)]


def test_a_basket_break_is_taken_off_every_line_and_given_back_below_it(shop: Ordering) -> None:
    """5 % of 17.00 and of 20.00 are 0.85 and 1.00: by hand."""
    with shop.store.write() as session:
        session.add(BasketBreak(supplier_id=shop.supplier, from_spools=10, off_ppm=50_000))
    number = shop.drafted(Wanted(shop.black, 6), Wanted(shop.white, 1))
    shop.set(number, 6, 4)
    assert shop.lines(number) == [(6, 1615), (4, 1900)]
    assert shop.order(number).terms.basket == (10, 50_000)
    told = " ".join(shop.sheet(number).terms).replace("\N{NO-BREAK SPACE}", " ")
    assert "From 10 spools on, you take 5.0 % off all spools" in told
    shop.set(number, 6, 3)
    assert shop.lines(number) == [(6, 1700), (3, 2000)]
    assert shop.order(number).terms.basket is None


def test_a_break_of_an_older_book_that_is_dearer_costs_nobody_more(shop: Ordering) -> None:
    """From 3 spools on the second offer asks 25.00, which is more than the 20.00 of a single one: never paid."""
    with shop.store.write() as session:
        session.add(PriceBreak(offer_id=shop.white, from_spools=3, price_minor=2500))
        session.add(BasketBreak(supplier_id=shop.supplier, from_spools=4, off_ppm=100_000))
    number = shop.drafted(Wanted(shop.white, 3))
    assert shop.lines(number) == [(3, 2000)]
    shop.set(number, 4)
    assert shop.lines(number) == [(4, 1800)], "20.00 less a tenth"


def test_the_note_and_the_day_are_kept_when_it_is_sent_and_then_stand(shop: Ordering) -> None:
    number, day = shop.drafted(), shop.now.date() + timedelta(days=5)
    shop.need(number, day, "  Ring at the gate. ")
    shop.move(number, OrderState.SENT)
    order = shop.order(number)
    assert (order.needed_by, order.note) == (day, "Ring at the gate.")
    doings: list[Callable[[], DraftAnswer]] = [
        lambda: shop.need(number, None),
        lambda: shop.set(number, 4),
        lambda: shop.add(number, shop.white, 1),
    ]
    for refused in doings:
        with pytest.raises(Conflict, match="Only a draft"):
            refused()


@pytest.mark.parametrize("days", [-1, 731, 100_000])
def test_a_day_that_is_over_or_far_away_is_refused(shop: Ordering, days: int) -> None:
    with pytest.raises(BadInput, match="Check the date"):
        shop.need(shop.drafted(), shop.now.date() + timedelta(days=days))


def test_a_note_that_no_sheet_has_room_for_is_refused(shop: Ordering) -> None:
    with pytest.raises(BadInput, match="at most 1000"):
        shop.need(shop.drafted(), None, "x" * 1001)


def test_an_offer_that_was_withdrawn_leaves_the_order_as_it_is(shop: Ordering) -> None:
    number = shop.drafted(Wanted(shop.black, 2), Wanted(shop.white, 1))
    shop.do(lambda s: catalogue.retire_offer(session=s, now=shop.now, by=by(), offer_id=shop.black))
    assert [line.is_withdrawn for line in shop.order(number).lines] == [True, False]
    assert shop.sheet(number).lines[0].total_minor == 3800
    with pytest.raises(Conflict, match="was withdrawn"):
        shop.set(number, 6, 1)
    shop.set(number, 2, 2)
    assert shop.lines(number) == [(2, 1900), (2, 2000)]
    shop.set(number, 0, 2)
    assert shop.lines(number) == [(2, 2000)]


# ------------------------------------------------------------------ all drafts at once


def test_all_drafts_are_sent_by_one_act_and_one_undo_takes_it_back(shop: Ordering) -> None:
    numbers = [shop.drafted(), shop.drafted(Wanted(shop.elsewhere(), 1))]
    with shop.store.read() as session:
        assert [one.reference for one in sheets.of_drafts(session=session, now=shop.now)] == [
            shop.order(number).code for number in numbers
        ]
    sent = shop.send_all(*numbers)
    assert [shop.order(number).state for number in numbers] == ["sent", "sent"]
    assert [shop.order(number).terms.freight_minor for number in numbers] == [690, 500]
    with shop.store.read() as session, pytest.raises(NotFound, match="No order is drafted"):
        sheets.of_drafts(session=session, now=shop.now)
    shop.undo(sent)
    assert [shop.order(number).state for number in numbers] == ["drafted", "drafted"]


def test_where_one_of_them_was_sent_before_none_is_sent(shop: Ordering) -> None:
    first, second = shop.drafted(), shop.drafted()
    shop.move(second, OrderState.SENT)
    with pytest.raises(Conflict, match="is sent"):
        shop.send_all(first, second)
    assert shop.order(first).state == "drafted"
    with pytest.raises(BadInput):
        shop.send_all()


# ------------------------------------------------------------------ when it comes


def test_an_order_that_comes_too_late_is_said_before_it_is_overdue(shop: Ordering) -> None:
    number, day = shop.drafted(), shop.now.date()
    shop.need(number, day + timedelta(days=4))
    assert shop.late() == [], "a draft waits for nobody yet"
    shop.move(number, OrderState.SENT)
    assert shop.late() == [(number, 2)], "6 usual days, and 4 are left"
    shop.move(number, OrderState.PROMISED, day + timedelta(days=3))
    assert shop.late() == []
    shop.move(number, OrderState.PROMISED, day + timedelta(days=11))
    assert shop.late() == [(number, 7)]
    comes = shop.order(number).arrival
    assert comes is not None
    assert (comes.on, comes.is_promised, comes.days_without) == (day + timedelta(days=11), True, 7)


def test_an_order_that_is_in_time_is_missed_a_promise_from_the_next_day_on(shop: Ordering) -> None:
    number = shop.drafted()
    shop.need(number, shop.now.date() + timedelta(days=20))
    shop.move(number, OrderState.SENT)
    assert shop.late() == []
    assert shop.late(shop.now + timedelta(days=1)) == [(number, 0)]


def test_an_order_that_is_all_in_comes_no_more(shop: Ordering) -> None:
    number = shop.drafted()
    shop.need(number, shop.now.date())
    shop.move(number, OrderState.SENT)
    _come(shop, number, 1)
    assert orderbook.came_in_words(shop.order(number)) == (
        f"Still to come of order {shop.order(number).code}: 1 PLA Slate black.",
    )
    assert shop.late() == [(number, 6)]
    _come(shop, number, 3)
    (over,) = orderbook.came_in_words(shop.order(number))
    assert over.startswith("More came than was ordered: 2 PLA Slate black.")
    assert shop.late() == []
    assert shop.order(number).arrival is None


def _come(shop: Ordering, number: int, spools: int, price_minor: int = 1900) -> None:
    line = shop.order(number).lines[0]
    came = [Arrived(line.item.article_id, spools, 1_000_000, price_minor, order_line_id=line.line_id)]
    shop.do(lambda s: deliveries.book_delivery(session=s, now=shop.now, by=by(), arrived=came, order_id=number))


# ------------------------------------------------------------------ money


def test_the_parcel_is_free_from_its_worth_on(shop: Ordering) -> None:
    number = shop.drafted(Wanted(shop.white, 4))
    assert (shop.order(number).total_minor, shop.order(number).to_pay_minor) == (8000, 8690)
    shop.set(number, 5)
    assert shop.order(number).to_pay_minor == 10_000
    assert "The parcel is free" in shop.sheet(number).terms[-1]


def test_what_was_sent_keeps_the_parcel_of_its_day(shop: Ordering) -> None:
    number = shop.drafted()
    shop.move(number, OrderState.SENT)
    with shop.store.write() as session:
        session.get_one(Supplier, shop.supplier).parcel_minor = 5000
    assert shop.order(number).to_pay_minor == 3800 + 690


def test_sheet_csv_and_workbook_add_up_to_the_order_to_the_cent(shop: Ordering) -> None:
    number = shop.drafted(Wanted(shop.black, 2), Wanted(shop.white, 1))
    shop.need(number, shop.now.date() + timedelta(days=9))
    order, sheet = shop.order(number), shop.sheet(number)
    assert sheet.total_minor == order.to_pay_minor == 2 * 1900 + 2000 + 690
    rows = list(csv.DictReader(io.StringIO(sheets.as_csv(sheet).decode("utf-8-sig"))))
    assert sum(Decimal(row["total"]) for row in rows) == Decimal("64.90")
    book = openpyxl.load_workbook(io.BytesIO(sheets.as_workbook(sheet))).active
    header, *cells = book.iter_rows(values_only=True)
    assert sum(Decimal(str(row[6])) for row in cells) == Decimal("64.90")
    first = dict(zip(header, cells[0], strict=True))
    assert (first["their_number"], first["spool_g"], first["spools"], first["price"]) == ("NQ-0", 1000, 2, 19)
    assert first["needed_by"] == datetime.combine(shop.now.date() + timedelta(days=9), datetime.min.time())
    assert sheets.as_workbook(sheet) == sheets.as_workbook(sheet)


def test_a_supplier_abroad_is_written_to_in_its_own_currency_and_teaches_no_price(shop: Ordering) -> None:
    offer = shop.elsewhere("USD")
    number = shop.drafted(Wanted(offer, 2))
    order, sheet = shop.order(number), shop.sheet(number)
    assert (order.currency, order.is_foreign, sheet.currency) == ("USD", True, "USD")
    with shop.store.read() as session:
        formats = load_shop(session).formats
    assert order.priced(formats).money(order.to_pay_minor) == "US$35.00"
    shop.move(number, OrderState.SENT)
    _come(shop, number, 2, price_minor=1390)
    with shop.store.read() as session:
        assert session.get_one(Offer, offer).price_minor == 1500


# ------------------------------------------------------------------ the mail


def _mail(shop: Ordering, number: int, to: str = "orders@north-quay.example") -> ordermail.OrderMail:
    with shop.store.read() as session:
        formats = load_shop(session).formats
    return ordermail.mail_of(shop.sheet(number), to=to, formats=formats)


def test_the_mail_says_what_the_sheet_says(shop: Ordering) -> None:
    number = shop.drafted(Wanted(shop.black, 2), Wanted(shop.white, 1))
    shop.need(number, shop.now.date() + timedelta(days=9), "Ring at the gate.\nTwice.")
    mail, code = _mail(shop, number), shop.order(number).code
    assert mail.subject.startswith(f"Order {code} of ")
    for part in (
        "your number NQ-0 (packs of 2)",
        "Needed by: ",
        "Parcel: ",
        "Deliver to:",
        "Ring at the gate.\nTwice.",
    ):
        assert part in mail.body
    assert "\N{NO-BREAK SPACE}" not in mail.subject
    assert "64.90" in mail.body
    parts = urllib.parse.urlsplit(mail.href)
    told = urllib.parse.parse_qs(parts.query)
    assert (parts.scheme, parts.path) == ("mailto", "orders@north-quay.example")
    assert told["subject"] == [mail.subject]
    assert told["body"] == [mail.body.replace("\n", "\r\n")]


def test_a_long_mail_is_copied_and_its_link_brings_the_subject_alone(shop: Ordering) -> None:
    number = shop.drafted()
    shop.need(number, None, "wörd " * 190)
    mail = _mail(shop, number)
    assert mail.is_cut
    assert "body=" not in mail.href
    assert len(mail.href) < ordermail.MOST_HREF
    assert "wörd wörd" in mail.text


@pytest.mark.parametrize("to", ["", "  "])
def test_without_an_address_there_is_no_link(shop: Ordering, to: str) -> None:
    assert _mail(shop, shop.drafted(), to).href == ""


def test_no_address_can_add_a_header_to_the_mail(shop: Ordering) -> None:
    href = _mail(shop, shop.drafted(), "a@b.example?bcc=c@d.example&x=\r\nBcc: e@f.example").href
    assert href.count("?") == 1
    assert "\n" not in href
    assert set(urllib.parse.parse_qs(urllib.parse.urlsplit(href).query)) == {"subject", "body"}


# ------------------------------------------------------------------ its code at the Bench


def test_an_orders_code_at_the_bench_leads_to_booking_in(shop: Ordering) -> None:
    number = shop.drafted()
    shop.move(number, OrderState.SENT)
    answer = shop.scan(shop.order(number).code)
    assert (answer.kind, answer.did, answer.order_id) == (bench.HEARD, "looked up", number)
    assert "2 spools are awaited" in answer.words
    _come(shop, number, 2)
    answer = shop.scan(shop.order(number).code)
    assert (answer.kind, answer.order_id) == (bench.ATTENTION, None)
    assert "nothing more is awaited" in answer.words
