"""The Money pages: takings typed, why the share moved, the books and what leaves them."""

import re
from collections.abc import Callable
from datetime import datetime, timedelta

import pytest
from flask.testing import FlaskClient
from sqlalchemy import select

from spoolkeep.domain.words import Outcome
from spoolkeep.services import byproduct, catalogue, finding, jobs, money
from spoolkeep.services.catalogue import ProductEntry
from spoolkeep.services.jobs import FeedGrams, JobReport
from spoolkeep.store.tables import TakingsLine
from tests.web.conftest import Browser
from tests.workshop import TestWorkshop, by

Key = Callable[[], str]


def test_takings_without_a_day_sent_again_after_midnight_are_entered_once(
    client: FlaskClient, shop: TestWorkshop, key: Key
) -> None:
    form = {"key": key(), "channel": "Counter", "amount": "12.50"}
    assert client.post("/money", data=form).status_code == 302
    shop.now += timedelta(days=1)
    again = client.post("/money", data=form, follow_redirects=True)
    assert again.status_code == 200
    assert "Entered: " in again.text
    assert "Counter, 2026-03-04" in client.get("/setup/acts").text
    with shop.store.read() as session:
        assert [month.takings_minor for month in money.view(session=session).months] == [1250]


def test_takings_in_another_currency_carry_their_rate_and_are_refused_without(
    client: FlaskClient, shop: TestWorkshop, key: Key
) -> None:
    form = {"channel": "Far market", "amount": "100.00", "currency": "usd"}
    refused = client.post("/money", data={"key": key(), **form})
    assert refused.status_code == 409
    assert "Say how many EUR one USD is" in refused.text
    assert 'value="Far market"' in refused.text
    assert client.post("/money", data={"key": key(), **form, "rate": "0.9137"}).status_code == 302
    with shop.store.read() as session:
        line = session.scalars(select(TakingsLine)).one()
    assert (line.amount_minor, line.foreign_minor, line.currency, line.rate_ppm) == (9137, 10_000, "USD", 913_700)


def test_takings_of_a_product_name_it_and_one_that_is_not_there_is_refused(
    client: FlaskClient, shop: TestWorkshop, key: Key
) -> None:
    form = {"channel": "Counter", "amount": "24", "product": "Trug", "pieces": "2"}
    assert "There is no product “Trug”" in client.post("/money", data={"key": key(), **form}).text
    entry = ProductEntry("Trug", None, ((shop.articles[0], 25_000),))
    shop.do(lambda s: catalogue.add_product(session=s, now=shop.now, by=by(), entry=entry))
    assert client.post("/money", data={"key": key(), **form, "kind": "refund"}).status_code == 302
    with shop.store.read() as session:
        line = session.scalars(select(TakingsLine)).one()
    assert (line.amount_minor, line.pieces, line.product_id is not None) == (-2400, -2, True)


def test_plastic_is_held_beside_a_product_s_own_takings(client: FlaskClient, shop: TestWorkshop, key: Key) -> None:
    entry = ProductEntry("Trug", None, ((shop.articles[0], 25_000),))
    number = shop.do(lambda s: catalogue.add_product(session=s, now=shop.now, by=by(), entry=entry)).row_id
    (spool,) = shop.deliver(1, price_minor=2000, at=shop.now - timedelta(days=3))
    shop.scan(spool, shop.feeds[0], at=shop.now - timedelta(days=2))
    _printed(shop, 50, shop.now - timedelta(hours=5), product_id=number)
    _printed(shop, 50, shop.now - timedelta(hours=3))
    form = {"key": key(), "channel": "Counter", "amount": "50", "product": "Trug", "pieces": "2"}
    assert client.post("/money", data=form).status_code == 302
    with shop.store.read() as session:
        (found,) = byproduct.view(session=session, since=shop.now.date() - timedelta(days=9))
    # 50 g of a kilogram that cost 20.00 on takings of 50.00
    assert (found.pieces, found.sold_mg, found.drawn_mg, found.drawn_minor) == (2, 50_000, 50_000, 100)
    assert found.material_bp == 200
    shown = client.get("/money/products").text
    assert "Trug" in shown
    assert "2.0" in shown.partition("<tbody>")[2]


def _sold(client: FlaskClient, key: Key, day: str, amount: str) -> None:
    form = {"key": key(), "channel": "Counter", "day": day, "amount": amount}
    assert client.post("/money", data=form).status_code == 302


def _printed(
    shop: TestWorkshop, grams: int, at: datetime, *, outcome: Outcome = Outcome.GOOD, product_id: int | None = None
) -> None:
    with shop.store.read() as session:
        feed_id = finding.feed_of(session, shop.feeds[0]).id
    report = JobReport("Hook", shop.machine(), (FeedGrams(grams * 1000, feed_id),), product_id=product_id)
    shop.do(lambda s: jobs.report_job(session=s, now=shop.now, by=by(), report=report, outcome=outcome, ended_at=at))


def test_why_the_share_moved_adds_up_and_opens_what_is_behind_it(
    client: FlaskClient, shop: TestWorkshop, key: Key
) -> None:
    january, february = (datetime(2026, month, 12, 12, tzinfo=shop.now.tzinfo) for month in (1, 2))
    (spool,) = shop.deliver(1, price_minor=2000, at=january)
    shop.scan(spool, shop.feeds[0], at=january)
    _printed(shop, 100, january + timedelta(hours=2))
    _printed(shop, 100, february + timedelta(hours=2))
    _printed(shop, 50, february + timedelta(hours=5), outcome=Outcome.FAILED)
    assert "no takings" in client.get("/money/why").text
    _sold(client, key, "2026-01-20", "100.00")
    _sold(client, key, "2026-02-20", "100.00")
    shown = client.get("/money/why").text
    # 2.00 of 100.00, then 3.00: a hundred basis points, all of them waste
    assert "+100.0 basis points" in shown
    assert shown.count(">+100.0<") == 6
    behind = re.search(r'href="(/money/why/1\?[^"]*)"', shown)
    assert behind is not None
    opened = client.get(behind[1].replace("&amp;", "&")).text
    assert "1.500 g" in opened
    assert opened.count("failed</span>") == 1


@pytest.mark.parametrize(
    ("query", "words"),
    [
        ("before_first=today", "is not a day"),
        ("before_first=2026-03-02&before_last=2026-03-01", "Swap them"),
        ("before_first=2000-01-01", "Compare at most"),
    ],
)
def test_spans_that_cannot_be_are_refused_in_words(client: FlaskClient, query: str, words: str) -> None:
    answer = client.get(f"/money/why?{query}")
    assert answer.status_code == 422
    assert words in answer.text


def test_a_month_is_closed_by_an_owner_and_leaves_as_files(
    client: FlaskClient, browser: Browser, shop: TestWorkshop, key: Key
) -> None:
    assert "The books begin with the first delivery" in client.get("/money/books").text
    shop.deliver(2, price_minor=1999, at=datetime(2026, 1, 12, 12, tzinfo=shop.now.tzinfo))
    assert "39.98" in client.get("/money/books").text
    form = {"key": key(), "through": "2026-01-31"}
    assert browser("operator").post("/money/books", data=form).status_code == 403
    assert client.post("/money/books", data=form).status_code == 302
    assert "The books are closed through 31 Jan 2026" in client.get("/money/books").text
    assert "closed through" in client.post("/money/books", data={**form, "key": key()}).text
    assert client.post("/money/books", data={"key": key()}).status_code == 422
    assert "Closed: nothing changes it" in client.get("/money/books/2026-01").text
    assert client.get("/money/books/2031-01").status_code == 404
    assert client.get("/money/books/soon").status_code == 422
    for path, kind in (
        ("/money/books/2026-01.csv", "text/csv"),
        ("/money/books/2026-01.xlsx", "openxmlformats"),
        ("/money/books/stock.csv?day=2026-01-31", "text/csv"),
        ("/money/books/stock.xlsx", "openxmlformats"),
        ("/money/books/stock.pdf?day=2026-01-31", "application/pdf"),
    ):
        answer = client.get(path)
        assert answer.status_code == 200, path
        assert kind in answer.headers["Content-Type"]
    assert client.get("/money/books/stock.pdf?day=2030-01-31").status_code == 422
    assert "Worth at the end of 31 Jan 2026" in client.get("/money/books?day=2026-01-31").text
    assert "Choose a day from 2000 until today" in client.get("/money/books?day=2030-01-31").text


def test_a_month_that_differs_by_more_than_chance_is_marked(client: FlaskClient, shop: TestWorkshop, key: Key) -> None:
    at = datetime(2025, 5, 12, 12, tzinfo=shop.now.tzinfo)
    codes = shop.deliver(2, price_minor=2000, at=at)
    shop.scan(codes[0], shop.feeds[0], at=at)
    grams = [70, 72, 69, 71, 70, 73, 70, 68, 71, 160]
    for month, drawn in enumerate(grams):
        day = (at.replace(day=15) + timedelta(days=30.4 * month)).replace(day=15)
        _printed(shop, drawn, day)
        _sold(client, key, day.date().isoformat(), "100.00")
    shown = client.get("/money").text
    assert "Feb 2026 lies above what chance alone does" in shown
    compared = re.search(r'href="(/money/why\?before_first=2025-05-01[^"]*)"', shown)
    assert compared is not None
    assert "after_first=2026-02-01" in compared[1]
    assert client.get(compared[1].replace("&amp;", "&")).status_code == 200
    assert shown.count("not chance") == 1
    assert "From 8 months on" not in shown


def test_a_run_is_marked_whole_and_compared_with_the_months_before_it(
    client: FlaskClient, shop: TestWorkshop, key: Key
) -> None:
    at = datetime(2024, 11, 12, 12, tzinfo=shop.now.tzinfo)
    (spool,) = shop.deliver(1, grams=3000, price_minor=6000, at=at)
    shop.scan(spool, shop.feeds[0], at=at)
    for month, drawn in enumerate([60, 66, 59, 64, 61, 63, 60, *[70, 71, 69, 70, 72, 70, 71, 70, 69]]):
        day = (at.replace(day=15) + timedelta(days=30.4 * month)).replace(day=15)
        _printed(shop, drawn, day)
        _sold(client, key, day.date().isoformat(), "100.00")
    shown = client.get("/money").text
    assert "every month lies above the middle" in shown
    assert shown.count("one of a run") == 9
    assert "before_last=2025-05-31" in shown


def test_takings_entered_lately_are_listed_and_taken_back(client: FlaskClient, key: Key) -> None:
    form = {"channel": "Far market", "amount": "120.00", "currency": "USD", "rate": "0.91"}
    said = client.post("/money", data={"key": key(), **form}, follow_redirects=True).text
    assert "$120.00 at 0.91" in said.partition("</main>")[0]
    undo = re.search(r'action="(/setup/acts/\d+/undo)"', said)
    assert undo is not None
    back = client.post(undo[1], data={"key": key(), "back": "/money"}, follow_redirects=True).text
    assert "Entered lately" not in back


@pytest.mark.parametrize(
    ("path", "status"),
    [
        ("/money/why/1?before_first=0001-01-01&before_last=9999-12-31", 422),
        ("/money/why/1?after_first=2026-03-02&after_last=2026-03-01", 422),
        (f"/money/worth?what=freight&minutes={'9' * 40}", 422),
        (f"/money/worth?what=price&price=1&minutes={'9' * 40}", 422),
        (f"/money/stops?item={'9' * 5000}", 422),
        ("/money/stops?month=2026-13", 422),
    ],
)
def test_odd_questions_are_refused_and_break_nothing(
    client: FlaskClient, shop: TestWorkshop, path: str, status: int
) -> None:
    article = shop.articles[0]
    assert client.get(path.replace("/why/1", f"/why/{article}")).status_code == status


def test_a_large_rate_is_kept_and_one_beyond_reason_refused(client: FlaskClient, shop: TestWorkshop, key: Key) -> None:
    form = {"channel": "Far", "amount": "1.00", "currency": "KWD"}
    assert client.post("/money", data={"key": key(), **form, "rate": "99999.5"}).status_code == 302
    for rate in ("100001", "9" * 4000):
        assert client.post("/money", data={"key": key(), **form, "rate": rate}).status_code == 422
    with shop.store.read() as session:
        assert session.scalars(select(TakingsLine)).one().amount_minor == 9_999_950


def test_a_day_is_entered_channel_by_channel_in_one_act(client: FlaskClient, key: Key) -> None:
    for channel in ("Counter", "Market"):
        client.post("/money", data={"key": key(), "channel": channel, "amount": "1"})
    page = client.get("/money?day=2026-03-02").text
    assert 'name="amount-Counter"' in page
    assert 'value="2026-03-02"' in page
    sent = {"do": "day", "day": "2026-03-02", "amount-Counter": "12.50", "amount-Market": ""}
    assert client.post("/money", data={"key": key(), **sent}).status_code == 302
    assert "Entered: €12.50 on 2 Mar 2026." in client.get("/money").text
    again = client.post("/money", data={"key": key(), **sent}, follow_redirects=True).text
    assert "Besides this there are takings of that day already: Counter €12.50." in again
    nothing = client.post("/money", data={"key": key(), "do": "day", "day": "2026-03-02", "amount-Counter": " "})
    assert nothing.status_code == 422
    assert "beside at least one channel" in nothing.text
    bad = client.post("/money", data={"key": key(), **sent, "amount-Market": "12 ducks"})
    assert bad.status_code == 422
    assert 'value="12 ducks"' in bad.text, "what was typed stays"


def test_a_day_of_several_channels_is_taken_back_whole_from_its_first_row(client: FlaskClient, key: Key) -> None:
    for channel in ("Counter", "Market"):
        client.post("/money", data={"key": key(), "channel": channel, "amount": "1"})
    day = {"do": "day", "day": "2026-03-02", "amount-Counter": "12.50", "amount-Market": "7"}
    client.post("/money", data={"key": key(), **day})
    page = client.get("/money").text
    rows = [one.partition("</tr>")[0] for one in page.partition('data-list="takings"')[2].split("<tr>")[2:6]]
    assert ["Undo all 2" in row for row in rows] == [True, False, False, False]
    assert [">Undo<" in row for row in rows] == [False, False, True, True]
    (act,) = re.findall(r'action="(/[^"]*undo[^"]*)"', rows[0])
    client.post(act, data={"key": key(), "back": "/money"})
    assert "12.50" not in client.get("/money").text.partition('data-list="takings"')[2]
