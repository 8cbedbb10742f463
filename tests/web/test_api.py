"""The JSON doors: the same report twice books once; what cannot be is a sentence with a stable code."""

from typing import Any

import pytest
from flask.testing import FlaskClient
from sqlalchemy import func, select

from spoolkeep.store.tables import Job
from tests.workshop import TestWorkshop


def _job(shop: TestWorkshop, **changes: Any) -> dict[str, Any]:  # noqa: ANN401 - JSON
    return {
        "key": "run-1",
        "title": "Hook",
        "ended_at": "2026-03-04T11:00:00+00:00",
        "feeds": [{"feed": shop.feeds[0], "drawn_mg": 42_500}],
        **changes,
    }


def test_the_same_job_report_books_once_and_answers_alike(client: FlaskClient, shop: TestWorkshop) -> None:
    first, again = (client.post("/api/jobs", json=_job(shop)) for _ in range(2))
    assert first.status_code == again.status_code == 200
    assert first.json == again.json
    with shop.store.read() as session:
        assert session.scalars(select(func.count()).select_from(Job)).one() == 1


def test_the_same_key_with_another_body_is_a_conflict(client: FlaskClient, shop: TestWorkshop) -> None:
    client.post("/api/jobs", json=_job(shop))
    other = client.post("/api/jobs", json=_job(shop, title="Bracket"))
    assert other.status_code == 409
    assert other.json is not None
    assert other.json["code"] == "key_used_before"


def test_scans_over_json_load_a_spool(client: FlaskClient, shop: TestWorkshop) -> None:
    code = shop.deliver()[0]
    client.post("/api/scans", json={"key": "a", "code": code})
    answer = client.post("/api/scans", json={"key": "b", "code": shop.feeds[0]})
    assert answer.json is not None
    assert answer.json["did"] == "loaded"


@pytest.mark.parametrize(
    "changes",
    [
        {"feeds": []},
        {"feeds": [{"feed": "F00000117", "drawn_mg": 0}]},
        {"feeds": [{"feed": "F00000117", "drawn_mg": 1.5}]},
        {"feeds": [{"feed": "nonsense", "drawn_mg": 5}]},
        {"ended_at": "2026-03-04T11:00:00"},
        {"ended_at": "2030-01-01T00:00:00+00:00"},
        {"title": ""},
        {"key": ""},
        {"surprise": 1},
        {"outcome": "vanished"},
    ],
)
def test_a_report_that_cannot_be_is_refused_in_a_sentence(
    client: FlaskClient, shop: TestWorkshop, changes: dict[str, Any]
) -> None:
    answer = client.post("/api/jobs", json=_job(shop, **changes))
    assert answer.status_code == 422
    assert answer.json is not None
    assert set(answer.json) == {"code", "words"}


def test_what_is_not_json_is_refused(client: FlaskClient) -> None:
    answer = client.post("/api/jobs", data="no json", content_type="text/plain")
    assert answer.status_code == 422


def test_stock_carries_units_in_its_keys(client: FlaskClient, shop: TestWorkshop) -> None:
    shop.deliver(2)
    answer = client.get("/api/stock").json
    assert answer is not None
    row = next(one for one in answer["items"] if one["left_mg"])
    assert row["left_mg"] == 2_000_000
    assert row["days_of_stock"] == {"mean": None}
