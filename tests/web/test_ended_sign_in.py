"""An ended sign-in in the middle of a booking: nothing typed is lost, and nothing of a password is carried."""

from datetime import timedelta

import pytest
from flask.testing import FlaskClient
from sqlalchemy import select
from sqlmodel import col

from spoolkeep.domain.words import Role
from spoolkeep.services import people
from spoolkeep.store.tables import Act, Spool
from tests.web.conftest import PASSWORD
from tests.web.door import DELIVERY, OTHER, Forms, count, form_of, sign_in
from tests.workshop import TestWorkshop

DAY = timedelta(days=1)


@pytest.fixture
def expired(stranger: FlaskClient, shop: TestWorkshop, ada: int) -> FlaskClient:
    """Give a browser whose sign-in ended while a page of it lay open."""
    sign_in(stranger)
    assert stranger.get("/deliveries").status_code == 200
    shop.now += 8 * DAY
    assert ada
    return stranger


def test_nothing_typed_is_lost_where_the_sign_in_ended_in_the_middle_of_a_booking(
    expired: FlaskClient, shop: TestWorkshop
) -> None:
    met = expired.post("/deliveries", data=DELIVERY)
    assert met.status_code == 401
    assert "What you typed is kept: sign in, and send it" in met.text
    assert count(shop, Spool) == 0
    carried = form_of(met, "/sign-in")
    wrong = expired.post("/sign-in", data={**carried, "name": "Ada", "password": OTHER})
    assert wrong.status_code == 401
    assert "do not belong together" in wrong.text
    assert form_of(wrong, "/sign-in")["carried"] == carried["carried"], "a slip of the finger loses nothing either"
    came = expired.post("/sign-in", data={**carried, "name": "Ada", "password": PASSWORD})
    assert came.status_code == 200
    assert count(shop, Spool) == 0, "nothing is sent without the person"
    sent = form_of(came, "/deliveries")
    assert sent == DELIVERY
    for _ in range(2):
        booked = expired.post("/deliveries", data=sent)
        assert (booked.status_code, booked.location) == (302, "/deliveries/1")
    assert count(shop, Spool) == 3
    with shop.store.read() as session:
        assert session.scalars(select(col(Act.key)).where(col(Act.kind) == "delivery")).all() == ["typed-1"]


def test_a_field_that_is_sent_twice_is_carried_twice(expired: FlaskClient) -> None:
    met = expired.post("/deliveries", data={"key": "k", "spools-1": ["2", "3"]})
    came = expired.post(
        "/sign-in", data={**form_of(met, "/sign-in"), "name": "Ada", "password": PASSWORD}, follow_redirects=False
    )
    found = next(form for form in Forms(came).found if form.action == "/deliveries")
    assert found.fields == [("key", "k"), ("spools-1", "2"), ("spools-1", "3")]


def test_a_name_typed_into_a_booking_is_not_taken_for_the_persons(expired: FlaskClient) -> None:
    met = expired.post("/setup", data={"key": "k", "do": "supplier", "name": "North Quay"})
    assert met.status_code == 401
    assert form_of(met, "/sign-in")["name"] == ""


def test_a_scan_that_met_an_ended_sign_in_is_told_in_words(expired: FlaskClient) -> None:
    """The script keeps the scan and asks for a sign-in."""
    answer = expired.post("/bench", data={"key": "k", "code": "S00000175"}, headers={"X-Fragment": "1"})
    assert answer.status_code == 401
    assert answer.content_type.startswith("text/plain")
    assert "Sign in first; nothing was booked" in answer.text


@pytest.mark.parametrize(
    ("path", "form"),
    [
        ("/me", {"do": "password", "password": PASSWORD, "new": OTHER}),
        ("/people", {"do": "person", "name": "Eve"}),
        ("/join", {"secret": "x" * 26, "name": "Ada", "password": PASSWORD}),
        ("/sign-in", {"name": "Ada", "password": OTHER}),
    ],
)
def test_nothing_of_a_password_and_nothing_that_makes_secrets_is_ever_carried(
    expired: FlaskClient, path: str, form: dict[str, str]
) -> None:
    met = expired.post(path, data=form)
    assert met.status_code == 401
    for secret in (PASSWORD, OTHER, "Eve"):
        assert secret not in met.text
    assert "carried" not in {name for one in Forms(met).found for name, value in one.fields if value}


def test_what_is_carried_leads_to_no_door(stranger: FlaskClient, ada: int) -> None:
    for to in ("/me", "/people", "/sign-out", "/join", "/api/jobs", "/nothing", "//spools.example/x"):
        came = sign_in(stranger, to=to, carried='[["do", "everywhere"]]')
        assert {form.action for form in Forms(came).found if form.fields} <= {"", "/search"}, to
    assert ada


def test_what_is_carried_and_cannot_be_read_is_let_go(stranger: FlaskClient, ada: int) -> None:
    for carried in ("{", "[1]", "[[1]]", '"x"', "null", "[[[], {}]]", '{"a": 1}', "[" * 50_000, "1e999"):
        assert sign_in(stranger, to="/deliveries", carried=carried).status_code in {200, 302}, carried[:20]
    assert ada


def test_a_form_too_large_to_be_carried_asks_for_the_sign_in_only(expired: FlaskClient) -> None:
    met = expired.post("/bench", data={"key": "k", "code": "x" * 70_000})
    assert met.status_code in {401, 413}
    assert "x" * 100 not in met.text


def test_a_long_order_form_is_carried_whole(expired: FlaskClient, shop: TestWorkshop) -> None:
    lines = {f"offer-{n}": "0" for n in range(1, 2001)}
    met = expired.post("/orders", data={"key": "k", **lines})
    came = expired.post("/sign-in", data={**form_of(met, "/sign-in"), "name": "Ada", "password": PASSWORD})
    assert came.status_code == 200
    assert form_of(came, "/orders") == {"key": "k", **lines}
    assert count(shop, Spool) == 0


def test_a_reader_who_signs_in_for_another_does_not_book(expired: FlaskClient, shop: TestWorkshop, kept: str) -> None:
    shop.do(lambda s: people.add(session=s, now=shop.now, by_id=None, name="Cy", role=Role.READER))
    with shop.store.write() as session:
        found = people.named(session, "Cy")
        assert found is not None
        found[0].password_hash = kept
    met = expired.post("/deliveries", data=DELIVERY)
    came = expired.post("/sign-in", data={**form_of(met, "/sign-in"), "name": "Cy", "password": PASSWORD})
    sent = expired.post("/deliveries", data=form_of(came, "/deliveries"))
    assert sent.status_code == 403
    assert count(shop, Spool) == 0
