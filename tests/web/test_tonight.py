"""Tonight, the board, a machine's page and the rests, as they answer a browser."""

import io
import re
from collections.abc import Callable
from datetime import timedelta

from flask import Flask, before_render_template
from flask.testing import FlaskClient
from jinja2 import Template
from sqlalchemy import QueuePool

from spoolkeep.services import finding, itemcare, spools
from spoolkeep.services.jobs import FeedGrams
from tests.web.conftest import Browser
from tests.workshop import TestWorkshop, by

Key = Callable[[], str]


def _short(shop: TestWorkshop) -> None:
    """Let a job run on a spool that will not last."""
    (code,) = shop.deliver(grams=100, at=shop.now - timedelta(days=1))
    shop.scan(code, shop.feeds[0], at=shop.now - timedelta(hours=5))
    with shop.store.read() as session:
        feed = finding.feed_of(session, shop.feeds[0]).id
    shop.start(shop.plan("Night lamp", FeedGrams(600_000, feed, shop.articles[0]), duration_s=12 * 3600))


def test_tonight_names_the_feed_that_will_not_last_and_warns(client: FlaskClient, shop: TestWorkshop) -> None:
    _short(shop)
    page = client.get("/tonight").text
    assert "1 feed to see to." in page
    assert "Larch feed 1" in page
    assert "can start a fire" in page
    sheet = client.get("/tonight/half-sheet.pdf")
    assert (sheet.status_code, sheet.mimetype, sheet.data[:4]) == (200, "application/pdf", b"%PDF")


def test_an_hour_that_cannot_be_is_refused_with_the_page(client: FlaskClient) -> None:
    for hour in ("2001-01-01T08:00", "soon", "2099-01-01T08:00"):
        answer = client.get("/tonight", query_string={"until": hour})
        assert answer.status_code == 422
        assert "Tonight" in answer.text


def test_the_board_is_sent_again_only_where_the_books_have_changed(client: FlaskClient, shop: TestWorkshop) -> None:
    (code,) = shop.deliver()
    first = client.get("/bench/board")
    assert 'id="bench-board"' in first.text
    tag = first.headers["ETag"]
    assert client.get("/bench/board", headers={"If-None-Match": tag}).status_code == 304
    shop.scan(code)  # a half scan changes no machine
    assert client.get("/bench/board", headers={"If-None-Match": tag}).status_code == 304
    shop.scan(shop.feeds[0])
    again = client.get("/bench/board", headers={"If-None-Match": tag})
    assert again.status_code == 200
    assert "PLA Slate black" in again.text


def test_all_are_shown_the_same_machines_and_only_who_works_may_keep_a_spool_on(
    browser: Browser, shop: TestWorkshop
) -> None:
    reader, station = browser("reader"), browser("station")
    (code,) = shop.deliver()
    other = shop.item("PETG", "Slate black")
    with shop.store.read() as session:
        feed_id = finding.feed_of(session, shop.feeds[0]).id
    shop.plan("Night lamp", FeedGrams(20_000, feed_id, other))
    shop.scan(code, shop.feeds[0])
    for who, may_keep in ((station, True), (reader, False), (browser("operator"), True)):
        for path in ("/bench", "/bench/board"):
            page = who.get(path).text
            assert "wants PETG Slate black" in page
            assert ("Keep it on" in page) is may_keep
    kept = {"key": "kept on", "feed": feed_id, "why": "Only a test", "spool": code}
    assert station.post("/bench/keep-on", data=kept).status_code == 200
    assert "kept on: Only a test" in reader.get("/bench/board").text


def test_a_page_is_made_while_it_holds_nobody_from_the_books(
    app: Flask, client: FlaskClient, shop: TestWorkshop, key: Key
) -> None:
    """On SQLite a commit waits for every reader, and a reader that began later for the commit."""
    _short(shop)
    held: list[str] = []
    pools = [one.pool for one in (shop.store.engine, shop.store.reader) if isinstance(one.pool, QueuePool)]

    def note(_: Flask, template: Template, **_told: object) -> None:
        held.extend([str(template.name)] * sum(pool.checkedout() for pool in pools))

    with before_render_template.connected_to(note, app):
        for path in ("/bench", "/bench/board", "/tonight", "/", "/stock", "/jobs"):
            assert client.get(path).status_code == 200
        for code in (shop.feeds[1], "nonsense"):
            client.post("/bench", data={"key": key(), "code": code}, headers={"X-Fragment": "1"})
    assert (held, bool(pools)) == ([], True)


def test_an_accepted_substitute_is_shown_wherever_it_is_used(client: FlaskClient, shop: TestWorkshop) -> None:
    black, white = shop.articles
    shop.do(
        lambda s: itemcare.accept(session=s, now=shop.now, by=by(), article_id=black, instead_id=white, accepted=True)
    )
    (code,) = shop.deliver(article=1)
    with shop.store.read() as session:
        feed_id = finding.feed_of(session, shop.feeds[0]).id
    job_id = shop.plan("Night lamp", FeedGrams(20_000, feed_id, black), duration_s=3600)
    shop.scan(code, shop.feeds[0])
    shop.start(job_id)
    for path in ("/bench", "/bench/board", "/jobs", f"/jobs/{job_id}/end", "/tonight"):
        assert "Chalk white in place of Slate black" in client.get(path).text, path
    shop.scan(shop.deliver()[0], shop.feeds[0])
    for path in ("/bench", "/bench/board", "/jobs", f"/jobs/{job_id}/end", "/tonight"):
        assert "in place of" not in client.get(path).text, path


def test_a_stop_says_first_what_is_wrong_and_what_would_be_right_from_where(
    client: FlaskClient, shop: TestWorkshop, key: Key
) -> None:
    right, _ = shop.deliver(2)
    shop.scan(right, shop.places[0])
    other = shop.item("PETG", "Slate black")
    shop.articles.append(other)
    (wrong,) = shop.deliver(article=2)
    with shop.store.read() as session:
        feed_id = finding.feed_of(session, shop.feeds[0]).id
    shop.plan("Night lamp", FeedGrams(20_000, feed_id, shop.articles[0]))
    for code in (wrong, shop.feeds[0]):
        answer = client.post("/bench", data={"key": key(), "code": code}, headers={"X-Fragment": "1"})
    lines = re.findall("<b>(.*?)</b>", answer.text)
    assert lines[0] == "It is PETG Slate black, and “Night lamp” wants PLA Slate black."
    assert lines[1].startswith("Take PLA Slate black, ")
    assert "<small>PETG Slate black is on Larch feed 1.</small>" in answer.text


def test_what_is_no_photo_of_a_label_is_refused_in_a_sentence(client: FlaskClient, key: Key) -> None:
    for data in (b"", b"GIF89a", b"\xff\xd8\xff\xe0 and then nothing"):
        sent = {"key": key(), "photo": (io.BytesIO(data), "label.jpg")}
        answer = client.post("/bench/photo", data=sent, headers={"X-Fragment": "1"})
        assert answer.status_code == 422
        assert "refused" in answer.text


def test_a_scan_says_how_long_it_waited_and_nonsense_counts_as_not_at_all(
    client: FlaskClient, shop: TestWorkshop, key: Key
) -> None:
    (code,) = shop.deliver(at=shop.now - timedelta(days=1))
    for text, waited in ((code, "601"), (shop.feeds[0], "600")):
        assert client.post("/bench", data={"key": key(), "code": text, "waited": waited}).status_code == 200
    with shop.store.read() as session:
        assert spools.view(session=session, spool_code=code).feed == "Larch feed 1"
    assert client.post("/bench", data={"key": key(), "code": code, "waited": "-9e9"}).status_code == 200


def test_what_a_machine_can_take_is_entered_on_its_page(client: FlaskClient, shop: TestWorkshop, key: Key) -> None:
    path = f"/setup/machines/{shop.machine()}"
    form = {"key": key(), "do": "describe", "largest_reel_mm": "220", "enclosed": "yes", "cardboard_reels": "yes"}
    assert client.post(path, data=form).status_code == 302
    page = client.get(path).text
    assert 'value="220"' in page
    assert client.post(path, data={"key": key(), "do": "describe", "largest_reel_mm": "0"}).status_code == 422
    assert client.post(path, data={"key": key(), "do": "nothing"}).status_code == 422
    assert client.get("/setup/machines/999").status_code == 404


def test_rests_are_scrapped_by_their_ticks(client: FlaskClient, shop: TestWorkshop, key: Key) -> None:
    (code,) = shop.deliver(at=shop.now - timedelta(days=9))
    shop.scan(code, shop.feeds[0], code, shop.places[0], at=shop.now - timedelta(days=8))
    shop.do(lambda s: spools.count(session=s, now=shop.now, by=by(), spool_code=code, left_mg=12_000))
    number = shop.articles[0]
    shop.do(lambda s: itemcare.set_usual_job(session=s, now=shop.now, by=by(), article_id=number, mg=90_000))
    assert f'value="{code}" checked' in client.get("/stock/rests").text
    answer = client.post("/stock/rests", data={"key": key(), "scrap": code}, follow_redirects=True)
    assert "1 rest is scrapped, 12 g in all." in answer.text
    assert client.post("/stock/rests", data={"key": key()}).status_code == 422


def test_another_item_is_accepted_in_the_place_of_one(client: FlaskClient, shop: TestWorkshop, key: Key) -> None:
    black, white = shop.articles[:2]
    shop.deliver(article=1)
    page = client.get(f"/stock/{black}").text
    assert "Nearest that is held" in page
    form = {"key": key(), "do": "accept", "instead": str(white)}
    assert client.post(f"/stock/{black}", data=form).status_code == 302
    assert "is accepted" in client.get(f"/stock/{black}").text
    assert client.post(f"/stock/{black}", data=form | {"key": key(), "instead": str(black)}).status_code == 422
