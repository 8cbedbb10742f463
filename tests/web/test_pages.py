"""Every page answers, and every form books once, whatever is sent how often."""

import re
from collections.abc import Callable

import pytest
from flask import Flask
from flask.testing import FlaskClient
from sqlalchemy import func, select

from spoolkeep.domain.words import Kind
from spoolkeep.services import catalogue, finding, spools, stops
from spoolkeep.services.deliveries import codes_of
from spoolkeep.store.tables import Act, Job, Spool
from spoolkeep.web.app import template_folder
from tests.paper.pictures import codes_in, pages_of
from tests.workshop import TestWorkshop, by

PAGES = ["/", "/bench", "/stock", "/jobs", "/deliveries", "/orders", "/money", "/setup", "/setup/acts"]
Key = Callable[[], str]


def _delivery(shop: TestWorkshop, key: str, spools: str = "3") -> dict[str, str]:
    return {
        "key": key,
        "article": str(shop.articles[0]),
        "spools": spools,
        "spool_grams": "1000",
        "price": "18.50",
        "freight": "4.90",
        "lot": "L-7",
    }


def _count(shop: TestWorkshop, model: type[Act] | type[Spool] | type[Job]) -> int:
    with shop.store.read() as session:
        return session.scalars(select(func.count()).select_from(model)).one()


@pytest.mark.parametrize("path", PAGES)
def test_every_page_answers_on_a_bare_workshop(client: FlaskClient, path: str) -> None:
    answer = client.get(path)
    assert answer.status_code == 200
    assert "<h1" in answer.text


def test_every_page_of_the_map_is_tried_and_answers(app: Flask, client: FlaskClient, shop: TestWorkshop) -> None:
    code = shop.deliver()[0]
    given = {"code": code, "article_id": shop.articles[0], "delivery_id": 1}
    tried = 0
    for rule in app.url_map.iter_rules():
        if "GET" in (rule.methods or ()) and rule.arguments <= set(given) and rule.endpoint != "static":
            path = rule.build({name: given[name] for name in rule.arguments})[1]  # type: ignore[index] # all are given
            assert client.get(path, follow_redirects=True).status_code == 200, path
            tried += 1
    assert tried >= len(PAGES) + 4


def test_no_template_carries_script_or_style_inline() -> None:
    for page in template_folder().glob("*.html"):
        text = page.read_text(encoding="utf-8")
        assert not re.search(r"\sstyle=|<style|\son[a-z]+=\"|javascript:", text), page.name
        assert all("src=" in tag for tag in re.findall(r"<script[^>]*>", text)), page.name


def test_the_answer_forbids_what_is_inline(client: FlaskClient) -> None:
    policy = client.get("/").headers["Content-Security-Policy"]
    assert "default-src 'none'" in policy
    assert "unsafe-inline" not in policy


def test_a_delivery_form_sent_twice_books_once(client: FlaskClient, shop: TestWorkshop, key: Key) -> None:
    form = _delivery(shop, key())
    first, again = client.post("/deliveries", data=form), client.post("/deliveries", data=form)
    assert first.status_code == again.status_code == 302
    assert first.location == again.location
    assert _count(shop, Spool) == 3


def test_a_key_used_for_another_form_is_refused(client: FlaskClient, shop: TestWorkshop, key: Key) -> None:
    same = key()
    client.post("/deliveries", data=_delivery(shop, same))
    refused = client.post("/deliveries", data=_delivery(shop, same, spools="4"))
    assert refused.status_code == 409
    assert "new key" in refused.text
    assert _count(shop, Spool) == 3


@pytest.mark.parametrize("spools", ["0", "10000", "-2", "three", ""])
def test_a_delivery_that_cannot_be_keeps_what_was_typed(
    client: FlaskClient, shop: TestWorkshop, key: Key, spools: str
) -> None:
    refused = client.post("/deliveries", data=_delivery(shop, key(), spools=spools))
    assert refused.status_code == 422
    assert 'value="18.50"' in refused.text
    assert 'value="L-7"' in refused.text
    assert _count(shop, Spool) == 0


def test_labels_of_a_delivery_are_a_pdf_from_any_start(client: FlaskClient, shop: TestWorkshop, key: Key) -> None:
    where = client.post("/deliveries", data=_delivery(shop, key())).location
    for query in ("", "?start=24", "?stock=50x25&square=yes&pairs=yes", "?from=3"):
        answer = client.get(f"{where}/labels.pdf{query}")
        assert answer.status_code == 200, query
        assert answer.data.startswith(b"%PDF")


@pytest.mark.parametrize("query", ["?start=25", "?start=x", "?stock=nothing"])
def test_labels_that_cannot_be_are_refused_in_a_sentence(
    client: FlaskClient, shop: TestWorkshop, key: Key, query: str
) -> None:
    where = client.post("/deliveries", data=_delivery(shop, key())).location
    answer = client.get(f"{where}/labels.pdf{query}")
    assert answer.status_code == 422
    assert "text/html" in answer.content_type


def test_two_scans_load_a_spool_and_the_bench_shows_it(client: FlaskClient, shop: TestWorkshop, key: Key) -> None:
    code = shop.deliver()[0]
    client.post("/bench", data={"key": key(), "code": code})
    answer = client.post("/bench", data={"key": key(), "code": shop.feeds[0]})
    assert "PLA Slate black is on Larch feed 1." in answer.text


def test_a_mistyped_scan_is_refused_in_a_sentence(client: FlaskClient, key: Key) -> None:
    answer = client.post("/bench", data={"key": key(), "code": "S00421721"})
    assert answer.status_code == 422
    assert "does not check out" in answer.text


def test_a_job_form_draws_and_stock_shows_it(client: FlaskClient, shop: TestWorkshop, key: Key) -> None:
    code = shop.deliver()[0]
    for text in (code, shop.feeds[0]):
        client.post("/bench", data={"key": key(), "code": text})
    with shop.store.read() as session:
        feed = finding.feed_of(session, shop.feeds[0])
    form = {"key": key(), "do": "report", "machine": str(feed.machine_id), "title": "Hook", f"feed-{feed.id}": "42.5"}
    assert client.post("/jobs", data=form).status_code == 302
    assert client.post("/jobs", data=form).status_code == 302
    assert _count(shop, Job) == 1
    assert "958" in client.get("/stock").text


def test_a_spool_is_weighed_on_its_page(client: FlaskClient, shop: TestWorkshop, key: Key) -> None:
    code = shop.deliver()[0]
    form = {"key": key(), "do": "weigh", "gross": "950"}
    assert client.post(f"/spools/{code}", data=form).status_code == 302
    assert "750" in client.get(f"/spools/{code}").text


def test_an_act_is_undone_from_its_list(client: FlaskClient, shop: TestWorkshop, key: Key) -> None:
    client.post("/deliveries", data=_delivery(shop, key()))
    with shop.store.read() as session:
        act = session.scalars(select(func.max(Act.id))).one()
    client.post(f"/setup/acts/{act}/undo", data={"key": key()})
    assert "There is no delivery" in client.get("/deliveries/1").text


def test_a_foreign_host_and_a_foreign_form_are_refused(client: FlaskClient, shop: TestWorkshop, key: Key) -> None:
    assert client.get("/", base_url="http://spoolkeep.example").status_code == 403
    foreign = {"Origin": "http://localhost:9999"}
    assert client.post("/deliveries", data=_delivery(shop, key()), headers=foreign).status_code == 403
    assert _count(shop, Spool) == 0


def test_an_unknown_page_says_what_to_do(client: FlaskClient) -> None:
    answer = client.get("/nowhere")
    assert answer.status_code == 404
    assert "no such page" in answer.text


def test_a_spools_label_and_an_items_labels_can_be_printed_again(client: FlaskClient, shop: TestWorkshop) -> None:
    code = shop.deliver(3)[0]
    for path in (f"/spools/{code}/label.pdf?stock=50x25", f"/stock/{shop.articles[0]}/labels.pdf?start=2"):
        answer = client.get(path)
        assert answer.status_code == 200, path
        assert answer.data.startswith(b"%PDF")


@pytest.mark.parametrize("query", ["?stock=a4-3x8&start=5", "?stock=50x25"])
def test_the_labels_of_a_delivery_read_back_to_its_spools(
    client: FlaskClient, shop: TestWorkshop, key: Key, query: str
) -> None:
    """Rendered at the printer's own dots and read by zxing-cpp, an independent reader."""
    where = client.post("/deliveries", data=_delivery(shop, key(), spools="7")).location
    pages = pages_of(client.get(f"{where}/labels.pdf{query}").data, 203)
    with shop.store.read() as session:
        assert [code for page in pages for code in codes_in(page)] == list(codes_of(session=session, delivery_id=1))


def test_a_product_is_entered_with_the_grams_of_its_items(client: FlaskClient, shop: TestWorkshop, key: Key) -> None:
    black, white = shop.articles
    form = {"do": "product", "key": key(), "name": "Chess set", "price": "240", "article_1": str(black)}
    form |= {"grams_1": "118", "article_2": str(white), "grams_2": "117.5"}
    assert client.post("/setup", data=form).status_code == 302
    page = client.get("/setup").text
    assert "Chess set" in page
    assert re.search(r"118\sg PLA Slate black", page)


def test_a_product_of_nothing_is_refused_and_what_was_typed_stays(client: FlaskClient, key: Key) -> None:
    answer = client.post("/setup", data={"do": "product", "key": key(), "name": "Ghost"})
    assert answer.status_code == 422
    assert "how many grams of each" in answer.text
    assert "Ghost" in answer.text


def test_a_product_names_each_item_once_and_costs_nothing_less_than_nothing(
    client: FlaskClient, shop: TestWorkshop, key: Key
) -> None:
    black = str(shop.articles[0])
    form = {"do": "product", "name": "Twin", "article_1": black, "grams_1": "5"}
    twice = client.post("/setup", data={**form, "key": key(), "article_2": black, "grams_2": "6"})
    assert "stands there twice" in twice.text
    assert "0 or more" in client.post("/setup", data={**form, "key": key(), "price": "-5"}).text


def test_offers_have_a_page_of_their_own(client: FlaskClient, shop: TestWorkshop) -> None:
    who = shop.do(
        lambda s: catalogue.add_supplier(
            session=s, now=shop.now, by=by(), entry=catalogue.SupplierEntry("North Quay", parcel_minor=790)
        )
    )
    entry = catalogue.OfferEntry(who.row_id, shop.articles[0], 1_000_000, 1890)
    shop.do(lambda s: catalogue.add_offer(session=s, now=shop.now, by=by(), entry=entry))
    assert "18.90" in client.get("/setup/offers?page=7").text
    assert "7.90" in client.get("/setup").text


def test_an_item_is_ordered_from_its_own_page(client: FlaskClient, shop: TestWorkshop, key: Key) -> None:
    who = shop.do(
        lambda s: catalogue.add_supplier(session=s, now=shop.now, by=by(), entry=catalogue.SupplierEntry("North Quay"))
    )
    entry = catalogue.OfferEntry(who.row_id, shop.articles[0], 1_000_000, 1890, pack=2)
    offer = shop.do(lambda s: catalogue.add_offer(session=s, now=shop.now, by=by(), entry=entry)).row_id
    page = client.get(f"/stock/{shop.articles[0]}").text
    assert f'name="offer-{offer}"' in page
    answer = client.post("/orders", data={"key": key(), f"offer-{offer}": "4"}, follow_redirects=True)
    assert "Drafted: 1 order. Print" in answer.text
    assert "North Quay" in answer.text


def test_a_machine_that_stands_still_says_so_on_the_bench(client: FlaskClient, shop: TestWorkshop) -> None:
    shop.do(
        lambda s: stops.book_stop(
            session=s, now=shop.now, by=by(), machine_id=1, from_at=shop.now, article_id=shop.articles[1]
        )
    )
    assert "stands still, no PLA Chalk white" in client.get("/bench").text


def test_a_spool_that_asks_for_the_scale_is_listed_although_nothing_is_left(
    client: FlaskClient, shop: TestWorkshop, key: Key
) -> None:
    code = shop.deliver()[0]
    shop.do(lambda s: spools.give_up(session=s, now=shop.now, by=by(), spool_code=code, kind=Kind.SCRAP, mg=1_000_001))
    page = client.get(f"/stock/{shop.articles[0]}").text
    assert code[-2:] in page
    assert "weigh it" in page
    assert client.post(f"/spools/{code}", data={"key": key(), "do": "ran-out"}).status_code == 302
    assert "Ran out" in client.get(f"/spools/{code}").text
