"""Takings typed on the Money page: the same form books once, whatever day it has become."""

from collections.abc import Callable
from datetime import timedelta

from flask.testing import FlaskClient

from spoolkeep.services import money
from tests.workshop import TestWorkshop

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
