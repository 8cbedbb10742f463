"""Offers with a first and a last day, as they are entered, listed, changed and planned with on the pages."""

from collections.abc import Callable
from datetime import date, timedelta

import pytest
from flask.testing import FlaskClient

from spoolkeep.domain.words import Outcome
from spoolkeep.services import jobs
from spoolkeep.services.jobs import FeedGrams, JobReport
from spoolkeep.store.tables import Offer
from tests.workshop import TestWorkshop, by

Key = Callable[[], str]
OFFER = {"do": "offer", "supplier": "1", "article": "1", "spool_grams": "1000", "price": "20"}


def begun(client: FlaskClient, shop: TestWorkshop, key: Key, *, grams: int) -> date:
    """Let a workshop draw 300 g a day, have so much left and know one supplier; give today."""
    shop.deliver(grams=grams, at=shop.now - timedelta(days=60))
    report = JobReport("Hook", shop.machine(), (FeedGrams(300_000, article_id=shop.articles[0]),), duration_s=3 * 3600)
    with shop.store.write() as session:
        for back in range(60, 0, -1):
            ended_at = shop.now - timedelta(days=back)
            jobs.report_job(
                session=session, now=shop.now, by=by(), report=report, outcome=Outcome.GOOD, ended_at=ended_at
            )
    supplier = {"do": "supplier", "name": "North Quay", "lead_days": "3", "parcel": "5"}
    assert client.post("/setup", data={"key": key(), **supplier}).status_code == 302
    return shop.now.date()


@pytest.fixture
def today(client: FlaskClient, shop: TestWorkshop, key: Key) -> date:
    """Give today, in a workshop that has 22 days left."""
    return begun(client, shop, key, grams=6600)


def entered(client: FlaskClient, key: Key, **more: str) -> int:
    """Enter an offer; give how that is answered."""
    return client.post("/setup", data={"key": key(), **OFFER, **more}).status_code


def test_a_rise_that_is_announced_is_bought_ahead_of(client: FlaskClient, key: Key, today: date) -> None:
    tomorrow = today + timedelta(days=1)
    assert entered(client, key) == 302
    assert "nothing to order" in client.get("/orders").text
    assert entered(client, key, price="23", **{"from": tomorrow.isoformat(), "instead": "yes"}) == 302
    page = " ".join(client.get("/orders").text.split())
    assert "price ends" in page
    assert "It is bought ahead, as this price ends" in page
    assert "€23.00 for 1,000 g at North Quay" in page
    assert "What is bought ahead of dearer prices spares" in page
    items = client.get("/").text
    assert "PLA Slate black" in items


def test_a_lower_price_to_come_is_said_where_it_is_waited_for(
    client: FlaskClient, key: Key, shop: TestWorkshop
) -> None:
    today = begun(client, shop, key, grams=900)
    assert entered(client, key) == 302
    assert entered(client, key, price="15", **{"from": (today + timedelta(days=4)).isoformat()}) == 302
    page = client.get("/orders").text
    assert "Only what must last until then is bought: from" in page
    assert "North Quay asks" in page
    assert 'badge wait">' in client.get("/setup").text


def test_the_last_day_of_an_offer_is_changed_in_the_list_and_over_is_said(
    client: FlaskClient, key: Key, today: date, shop: TestWorkshop
) -> None:
    assert entered(client, key) == 302
    past = (today - timedelta(days=1)).isoformat()
    for where in ("/setup", "/orders/suppliers/1"):
        for seen, until in (("", past), (past, "")):
            days = {"was-1": seen, "until-1": until}
            sent = client.post(where, data={"key": key(), "do": "offers", "ends": "yes", **days})
            assert sent.status_code == 302
            with shop.store.read() as session:
                assert session.get_one(Offer, 1).until_day == (date.fromisoformat(until) if until else None)
            assert (">over<" in client.get("/setup/offers").text) == bool(until)
    assert (
        client.post(
            "/setup", data={"key": key(), "do": "offers", "ends": "yes", "was-1": "", "until-1": "soon"}
        ).status_code
        == 422
    )


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ({"from": "2026-05-01", "until": "2026-04-01"}, "ends before it begins"),
        ({"instead": "yes"}, "from which day"),
        ({"least": "0"}, "At least 1 spool"),
        ({"until": "tomorrow"}, "is not a day"),
    ],
)
@pytest.mark.usefixtures("today")
def test_an_offer_that_nobody_could_order_is_refused_and_kept_in_the_form(
    client: FlaskClient, key: Key, more: dict[str, str], words: str
) -> None:
    refused = client.post("/setup", data={"key": key(), **OFFER, **more})
    assert refused.status_code == 422
    assert words in refused.text
    assert 'value="20"' in refused.text


def test_an_offer_out_of_its_days_is_not_offered_on_the_items_page(client: FlaskClient, key: Key, today: date) -> None:
    assert entered(client, key, until=(today - timedelta(days=1)).isoformat()) == 302
    assert "Order it" not in client.get("/stock/1").text
    refused = client.post("/orders", data={"key": key(), "offer-1": "2"})
    assert refused.status_code == 409
    assert "ended on" in refused.text
