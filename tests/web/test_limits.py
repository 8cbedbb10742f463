"""What no form, address or report may carry: each is refused in a sentence, on either database, and books nothing."""

import re
from collections.abc import Callable
from datetime import datetime

import pytest
from flask.testing import FlaskClient
from sqlalchemy import func, select

from spoolkeep.services import finding, tokens
from spoolkeep.store.tables import Act, Job, Spool
from spoolkeep.web.app import create_app
from spoolkeep.web.lock import PERSON_COOKIE
from tests.web.conftest import HOST, Impatient
from tests.workshop import TestWorkshop, somebody

Key = Callable[[], str]
HUGE = "9" * 20


def _delivery(shop: TestWorkshop, key: str, **changes: str) -> dict[str, str]:
    given = {"article": str(shop.articles[0]), "spools": "1", "spool_grams": "1000", "price": "18.50"}
    return {"key": key, **given, **changes}


def _count(shop: TestWorkshop, model: type[Spool] | type[Job]) -> int:
    with shop.store.read() as session:
        return session.scalars(select(func.count()).select_from(model)).one()


@pytest.mark.parametrize(
    "changes",
    [
        {"tare": "-5"},
        {"article": HUGE},
        {"article": "2147483648"},
        {"place": HUGE},
        {"supplier": HUGE},
        {"order": HUGE},
        {"spools": "9" * 5000},
        {"price": HUGE},
        {"spool_grams": HUGE},
        {"arrived_at": "0001-01-01 00:00"},
    ],
)
def test_a_delivery_past_every_bound_is_refused(
    client: FlaskClient, shop: TestWorkshop, key: Key, changes: dict[str, str]
) -> None:
    refused = client.post("/deliveries", data=_delivery(shop, key(), **changes))
    assert refused.status_code == 422
    assert "text/html" in refused.content_type
    assert _count(shop, Spool) == 0


def test_an_empty_reel_of_an_offer_is_not_lighter_than_nothing(
    client: FlaskClient, shop: TestWorkshop, key: Key
) -> None:
    client.post("/setup", data={"key": key(), "do": "supplier", "name": "North Quay"})
    offer = {
        "do": "offer",
        "supplier": "1",
        "article": str(shop.articles[0]),
        "spool_grams": "1000",
        "price": "19",
        "tare": "-5",
    }
    refused = client.post("/setup", data={"key": key(), **offer})
    assert refused.status_code == 422
    assert "Empty reel: -5 g is less than nothing" in refused.text


@pytest.mark.parametrize("field", ["review_days", "cover_days", "safety_days", "lead_days"])
def test_no_plan_looks_further_than_a_year(client: FlaskClient, key: Key, field: str) -> None:
    page = client.get("/setup").text
    assert f'name="{field}"' in page
    days = {"review_days": "7", "cover_days": "28", "safety_days": "3", "lead_days": "5"}
    hours = {"day_starts_hour": "4", "opens_hour": "8", "share_low": "1", "share_high": "2"}
    shop = {"name": "Alder works", "locale": "en_GB", "currency": "EUR", "zone": "Europe/Berlin"}
    form = {"key": key(), "do": "settings", **shop, **hours, **days, field: "2000000000"}
    refused = client.post("/setup/settings", data=form)
    assert refused.status_code == 422
    assert "at most 365 days" in refused.text


@pytest.mark.parametrize("mg", [10**19, 100_000_001])
def test_a_report_of_more_than_any_reel_holds_is_refused(client: FlaskClient, shop: TestWorkshop, mg: int) -> None:
    feeds = [{"feed": shop.feeds[0], "drawn_mg": mg}]
    answer = client.post("/api/jobs", json={"key": "run-1", "title": "Hook", "feeds": feeds})
    assert answer.status_code == 422
    assert answer.json is not None
    assert answer.json["code"] == "bad_body"
    assert _count(shop, Job) == 0


def test_a_moment_before_the_calendar_is_refused_at_the_edge(client: FlaskClient, shop: TestWorkshop) -> None:
    feeds = [{"feed": shop.feeds[0], "drawn_mg": 5}]
    job = {"key": "run-1", "title": "Hook", "feeds": feeds, "ended_at": "0001-01-01T00:00:00+14:00"}
    answer = client.post("/api/jobs", json=job)
    assert answer.status_code == 422
    assert answer.json is not None
    assert answer.json["code"] == "out_of_range"
    assert _count(shop, Job) == 0


def test_a_name_that_one_database_cannot_write_is_refused_there(
    client: FlaskClient, shop: TestWorkshop, key: Key
) -> None:
    answer = client.post("/setup", data={"key": key(), "do": "supplier", "name": "North\0Quay"})
    assert answer.status_code == (422 if shop.store.engine.dialect.name == "postgresql" else 302)


@pytest.mark.parametrize("path", ["/stock/{}", "/deliveries/{}", "/jobs/{}/end", "/orders/{}", "/orders/{}/sheet.pdf"])
def test_a_number_that_no_row_can_have_is_no_page(client: FlaskClient, path: str) -> None:
    for number in (HUGE, "2147483648", "2147483647", "9" * 400):
        assert client.get(path.format(number)).status_code == 404


@pytest.mark.parametrize("query", ["start", "from"])
def test_labels_from_beyond_every_sheet_are_refused(client: FlaskClient, shop: TestWorkshop, query: str) -> None:
    shop.deliver()
    for number in (HUGE, "9" * 5000):
        assert client.get(f"/deliveries/1/labels.pdf?{query}={number}").status_code == 422


def test_an_offer_of_a_number_that_cannot_be_is_not_ordered(client: FlaskClient, key: Key) -> None:
    for number in (HUGE, "9" * 5000):
        assert client.post("/orders", data={"key": key(), f"offer-{number}": "1"}).status_code == 422


def test_a_planned_job_of_a_machine_that_cannot_be_is_refused(
    client: FlaskClient, shop: TestWorkshop, key: Key
) -> None:
    with shop.store.read() as session:
        feed = finding.feed_of(session, shop.feeds[0])
    form = {"key": key(), "do": "plan", "machine": HUGE, "title": "Hook", f"feed-{feed.id}": "5"}
    assert client.post("/jobs", data=form).status_code == 422


@pytest.mark.parametrize(
    ("path", "form", "code"),
    [
        ("/jobs", {"outcome": "vanished", "machine": "1"}, "How it ended"),
        ("/jobs", {"purpose": "vanity", "machine": "1", "title": "Hook", "outcome": "failed"}, "For"),
        ("/money", {"kind": "loan", "amount": "5", "channel": "Counter"}, "What"),
        ("/setup", {"do": "place", "kind": "attic", "name": "Top"}, "Kind"),
        ("/setup", {"do": "item", "finish": "furry", "material": "PLA", "colour": "Red"}, "Finish"),
    ],
)
def test_a_word_that_is_not_of_its_list_is_refused_and_the_list_is_read_out(
    client: FlaskClient, key: Key, path: str, form: dict[str, str], code: str
) -> None:
    refused = client.post(path, data={"key": key(), **form})
    assert refused.status_code == 422
    assert re.search(rf"{code}: “\w+” is not known. Choose one of: ", refused.text)


@pytest.mark.parametrize(
    "back", ["/\t/evil.example", "/\n/evil.example", "/\r/evil.example", "//evil.example", "/\\evil.example", "evil"]
)
def test_no_form_leads_away_from_here(client: FlaskClient, shop: TestWorkshop, key: Key, back: str) -> None:
    shop.deliver()
    answer = client.post(f"/setup/acts/{_last_act(shop)}/undo", data={"key": key(), "back": back})
    assert answer.status_code == 302
    assert answer.location == "/setup/acts"


def test_a_form_leads_back_to_its_own_page(client: FlaskClient, shop: TestWorkshop, key: Key) -> None:
    shop.deliver()
    form = {"key": key(), "back": "/stock/1?shown=all"}
    assert client.post(f"/setup/acts/{_last_act(shop)}/undo", data=form).location == "/stock/1?shown=all"


def _last_act(shop: TestWorkshop) -> int:
    with shop.store.read() as session:
        return session.scalars(select(func.max(Act.id))).one() or 0


def test_a_database_that_another_program_holds_is_said_and_nothing_is_booked(
    impatient: Impatient, now: datetime
) -> None:
    shop, store = impatient.shop, impatient.shop.store
    client = create_app(store, secret=b"a secret for tests", clock=lambda: now).test_client()
    client.environ_base["HTTP_ORIGIN"] = HOST
    owner = somebody(store, now, "Ilka")
    client.set_cookie(PERSON_COOKIE, shop.do(lambda s: tokens.for_browser(s, now, actor_id=owner, label="computer")))
    with impatient.held():
        refused = client.post("/deliveries", data=_delivery(shop, "held"))
    assert refused.status_code == 503
    assert "send it again" in refused.text
    assert client.post("/deliveries", data=_delivery(shop, "held")).status_code == 302
    assert _count(shop, Spool) == 1
