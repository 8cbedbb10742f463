"""Finding things by a part of a name, a lot or a code, on both databases."""

from collections.abc import Sequence
from datetime import datetime

import pytest
from sqlalchemy import event

from spoolkeep.domain.words import OrderState
from spoolkeep.services import catalogue, deliveries, jobs, orderbook, orders, search
from spoolkeep.services.catalogue import OfferEntry, SupplierEntry
from spoolkeep.services.deliveries import Arrived
from spoolkeep.services.jobs import FeedGrams, JobReport
from spoolkeep.services.orders import Wanted
from spoolkeep.services.search import Hit
from spoolkeep.store.engine import Store
from tests.workshop import TestWorkshop, by

MOST_QUERIES = 11


@pytest.fixture
def shop(store: Store, now: datetime) -> TestWorkshop:
    return TestWorkshop(store, now)


def _found(shop: TestWorkshop, text: str) -> list[Hit]:
    with shop.store.read() as session:
        return search.found(session=session, text=text)


def _names(hits: Sequence[Hit], kind: str) -> list[str]:
    return [hit.name for hit in hits if hit.kind == kind]


def _job(shop: TestWorkshop, title: str) -> None:
    report = JobReport(title, None, (FeedGrams(1000, article_id=shop.articles[0]),))
    shop.do(lambda s: jobs.plan_job(session=s, now=shop.now, by=by(), report=report))


def _order(shop: TestWorkshop) -> str:
    now = shop.now
    supplier = shop.do(
        lambda s: catalogue.add_supplier(session=s, now=now, by=by(), entry=SupplierEntry("North Quay"))
    ).row_id
    entry = OfferEntry(supplier, shop.articles[0], 1_000_000, 1900, retail_code="96385074")
    offer = shop.do(lambda s: catalogue.add_offer(session=s, now=now, by=by(), entry=entry)).row_id
    order = shop.do(lambda s: orders.draft(session=s, now=now, by=by(), wanted=[Wanted(offer, 2)])).order_ids[0]
    shop.do(lambda s: orders.move_on(session=s, now=now, by=by(), order_id=order, state=OrderState.SENT))
    with shop.store.read() as session:
        view = orderbook.view(session=session, now=now, order_id=order)
    arrived = [Arrived(shop.articles[0], 1, 1_000_000, 1900, order_line_id=view.lines[0].line_id, lot="Q7-11")]
    shop.do(lambda s: deliveries.book_delivery(session=s, now=now, by=by(), arrived=arrived, order_id=order))
    return view.code


def test_nothing_is_asked_and_nothing_is_found(shop: TestWorkshop) -> None:
    assert _found(shop, "  ") == []


@pytest.mark.parametrize("text", ["slate", "SLATE BL", "black slate", "pla sla", "  Slate   black "])
def test_an_item_is_found_by_parts_of_its_name_in_any_order(shop: TestWorkshop, text: str) -> None:
    assert _names(_found(shop, text), "item") == ["PLA Slate black"]


def test_what_begins_with_the_text_stands_first(shop: TestWorkshop) -> None:
    for title in ("A hook", "Hook, pair", "Bag hook"):
        _job(shop, title)
    with shop.store.read() as session:
        hits = search.found(session=session, text="hook")
    assert set(_names(hits, "job")) == {"A hook", "Hook, pair", "Bag hook"}
    fits = search.matcher("hook")
    assert [fits(name) for name in ("Hook, pair", "A hook", "Unhooked", "Peg")] == [3, 2, 1, 0]


def test_accents_and_case_are_no_matter(shop: TestWorkshop) -> None:
    # the same letter as one character and as a letter with a mark: Unicode 3.13, D145
    _job(shop, "Lámpara ÉTÉ")
    assert _names(_found(shop, "la\u0301mpara été"), "job") == ["Lámpara ÉTÉ"]
    assert _names(_found(shop, "E\u0301te\u0301"), "job") == ["Lámpara ÉTÉ"]


@pytest.mark.parametrize("text", ["100%", "a_b", "\\", "'; --"])
def test_signs_that_a_database_knows_are_letters_here(shop: TestWorkshop, text: str) -> None:
    _job(shop, "Plain")
    _job(shop, f"Sign {text} sign")
    assert _names(_found(shop, text), "job") == [f"Sign {text} sign"]


def test_a_scanned_code_leads_to_its_spool_alone(shop: TestWorkshop) -> None:
    spools = shop.deliver(3)
    hits = _found(shop, f"{spools[1][:4]} {spools[1][4:7]} {spools[1][7:]}")
    assert [(hit.kind, hit.key, hit.exact) for hit in hits] == [("spool", spools[1], True)]


def test_feeds_places_and_orders_answer_to_their_codes(shop: TestWorkshop) -> None:
    order = _order(shop)
    found = [_found(shop, code)[0] for code in (shop.feeds[1], shop.places[0], order)]
    assert [(hit.kind, hit.exact) for hit in found] == [("feed", True), ("place", True), ("order", True)]
    assert found[0].name == "Larch feed 2"
    assert found[1].key == shop.places[0]


def test_a_makers_code_leads_to_its_item(shop: TestWorkshop) -> None:
    _order(shop)
    # GS1 General Specifications: 9638507 has the check digit 4
    assert [(hit.kind, hit.name) for hit in _found(shop, "96385074")] == [("item", "PLA Slate black")]


def test_a_code_that_nothing_carries_finds_nothing(shop: TestWorkshop) -> None:
    # 794 gives 44 in the worked example of ISO/IEC 7064 MOD 97-10; this one is a spool's code that was never given
    assert _found(shop, "S00421720") == []


def test_a_spool_is_found_by_its_lot_and_by_the_beginning_of_its_code(shop: TestWorkshop) -> None:
    _order(shop)
    (code,) = [hit.key for hit in _found(shop, "q7-1") if hit.kind == "spool"]
    assert [hit.key for hit in _found(shop, code[:7]) if hit.kind == "spool"] == [code]
    assert [hit.key for hit in _found(shop, "1") if hit.kind == "spool"] == [code]


def test_a_supplier_leads_to_its_orders_and_deliveries(shop: TestWorkshop) -> None:
    _order(shop)
    hits = _found(shop, "quay")
    assert [hit.kind for hit in hits] == ["order", "delivery"]
    assert hits[1].at == shop.now


def test_a_machine_stands_for_its_feeds_unless_one_is_named(shop: TestWorkshop) -> None:
    assert [(hit.kind, hit.name) for hit in _found(shop, "larch")] == [("machine", "Larch")]
    assert [(hit.kind, hit.name) for hit in _found(shop, "larch 2")] == [("feed", "Larch feed 2")]


def test_a_place_is_found_by_its_name(shop: TestWorkshop) -> None:
    assert _names(_found(shop, "shelf"), "place") == ["Long shelf"]


@pytest.mark.parametrize("text", ["north quay", "S0000", "slate", "nothing at all", "96385074", "S00421720"])
def test_a_search_asks_few_questions(shop: TestWorkshop, text: str) -> None:
    _order(shop)
    asked: list[str] = []

    def note(*given: object) -> None:
        asked.append(str(given[2]))

    event.listen(shop.store.engine, "before_cursor_execute", note)
    _found(shop, text)
    event.remove(shop.store.engine, "before_cursor_execute", note)
    assert sum(one.upper().startswith("SELECT") for one in asked) <= MOST_QUERIES


def test_an_item_is_found_by_the_plain_word_for_its_shade(shop: TestWorkshop) -> None:
    with shop.store.read() as session:
        assert [hit.name for hit in search.found(session=session, text="black")] == ["PLA Slate black"]
        assert [hit.name for hit in search.found(session=session, text="white pla")] == ["PLA Chalk white"]
        assert [hit.name for hit in search.found(session=session, text="matt slate")] == ["PLA Slate black"]


def test_a_spool_is_found_by_the_end_of_its_code_as_a_label_shows_it(shop: TestWorkshop) -> None:
    code = shop.deliver()[0]
    with shop.store.read() as session:
        (hit,) = [one for one in search.found(session=session, text=code[-3:]) if one.kind == "spool"]
    assert hit.key == code


def test_letters_that_the_database_cannot_fold_find_no_strangers(shop: TestWorkshop) -> None:
    shop.deliver(3)
    with shop.store.read() as session:
        for text in ("é", "черный", "%", "_", "\\"):
            assert [hit for hit in search.found(session=session, text=text) if hit.kind == "spool"] == []
