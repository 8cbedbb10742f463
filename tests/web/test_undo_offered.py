"""After whatever was booked, the page that says so offers its undo, once, to whoever may take it back."""

import re
from collections.abc import Callable

import pytest
from flask.testing import FlaskClient

from spoolkeep.services import joblist, spools
from tests.web.conftest import Browser
from tests.workshop import TestWorkshop

JOB = {"do": "plan", "machine": "1", "title": "Hook", "feed-1": "5"}
OFFER = re.compile(r'<form[^>]* action="([^"]*/undo)"(?:(?!</form>).)*what was just booked', re.DOTALL)
Key = Callable[[], str]


def _plan(client: FlaskClient, key: Key) -> str:
    answer = client.post("/jobs", data={"key": key(), **JOB})
    assert answer.status_code == 302
    return client.get(answer.headers["Location"]).text


def test_a_job_that_was_planned_is_taken_back_from_the_message_and_done_again(
    client: FlaskClient, shop: TestWorkshop, key: Key
) -> None:
    def planned() -> int:
        with shop.store.read() as session:
            return len(joblist.to_come(session=session))

    for left in (0, 1, 0):
        told = _plan(client, key) if not planned() and left == 0 else client.get("/jobs").text
        found = OFFER.search(told)
        assert found
        answer = client.post(found[1], data={"key": key(), "back": "/jobs"})
        assert answer.headers["Location"] == "/jobs"
        assert planned() == left


def test_the_undo_is_offered_once(client: FlaskClient, key: Key) -> None:
    assert OFFER.search(_plan(client, key))
    assert not OFFER.search(client.get("/jobs").text)


def test_a_form_sent_twice_offers_the_undo_of_its_one_act(client: FlaskClient) -> None:
    acts = {OFFER.search(_plan(client, lambda: "the same"))[1] for _ in range(2)}  # type: ignore[index] # it is there
    assert len(acts) == 1


def test_a_station_undoes_at_the_bench(browser: Browser, shop: TestWorkshop, key: Key) -> None:
    (code,) = shop.deliver()
    station = browser("station")
    told = station.post(f"/spools/{code}", data={"key": key(), "do": "count", "left": "400"}, follow_redirects=True)
    found = OFFER.search(told.text)
    assert found
    assert found[1] == "/bench/undo"
    act = re.search(r'name="act" value="(\d+)"', told.text)
    assert act
    assert station.post("/bench/undo", data={"key": key(), "act": act[1]}).status_code == 200
    with shop.store.read() as session:
        assert spools.view(session=session, spool_code=code).left_mg == 1_000_000


def test_what_only_an_owner_undoes_is_offered_to_nobody_else(browser: Browser, key: Key) -> None:
    assert OFFER.search(_plan(browser("operator"), key))
    reader = browser("reader")
    assert not OFFER.search(reader.get("/jobs").text)


@pytest.mark.parametrize("do", ["person", "token"])
def test_what_is_no_act_offers_none(client: FlaskClient, key: Key, do: str) -> None:
    form = {"key": key(), "do": do, "name": "Bea", "label": "Script", "scope": "see"}
    client.post("/people", data=form)
    assert not OFFER.search(client.get("/people").text)
