"""The page of a count, without a script."""

from collections.abc import Callable

from flask.testing import FlaskClient

from tests.workshop import TestWorkshop


def test_a_place_and_its_spools_are_counted_and_settled(
    client: FlaskClient, shop: TestWorkshop, key: Callable[[], str]
) -> None:
    seen, lost = shop.deliver(spools=2)
    for code in (lost, shop.places[0]):
        client.post("/bench", data={"key": key(), "code": code})
    for code in (shop.places[0], seen):
        answer = client.post("/count", data={"key": key(), "code": code})
    assert "1 seen here, 1 not yet" in answer.text
    refused = client.post("/count", data={"key": key(), "code": "hello"})
    assert refused.status_code == 422
    settled = client.post("/count/settle", data={"key": key(), "walk": "1", "write_off": [lost]}, follow_redirects=True)
    assert "1 moved, 1 missing, 1 of them written off" in settled.text
    assert "No count is under way" in settled.text
