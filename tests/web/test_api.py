"""The JSON doors: the same report twice books once; what cannot be is a sentence with a stable code."""

import json
from datetime import datetime
from http import HTTPStatus
from typing import Any

import pytest
from flask import Flask
from flask.testing import FlaskClient
from sqlalchemy import func, select
from sqlmodel import col

from spoolkeep.domain.words import Scope
from spoolkeep.services import catalogue, figures, joblist, tokens
from spoolkeep.store.seeds import FIRST_ACTOR
from spoolkeep.store.tables import Act, Job, Movement
from spoolkeep.web import api
from spoolkeep.web.app import create_app
from spoolkeep.web.rules import RULES
from tests.web.conftest import Impatient
from tests.workshop import TestWorkshop, by

JSON = "application/json"


def _job(shop: TestWorkshop, **changes: Any) -> dict[str, Any]:  # noqa: ANN401 - JSON
    return {
        "key": "run-1",
        "title": "Hook",
        "ended_at": "2026-03-04T11:00:00+00:00",
        "feeds": [{"feed": shop.feeds[0], "drawn_mg": 42_500}],
        **changes,
    }


def _acts(shop: TestWorkshop) -> int:
    with shop.store.read() as session:
        return session.scalars(select(func.count()).select_from(Act)).one()


def _bearer(shop: TestWorkshop, *scopes: Scope) -> dict[str, str]:
    secret = shop.do(
        lambda s: tokens.for_program(session=s, now=shop.now, by_id=FIRST_ACTOR, label="Script", scopes=scopes)
    )
    return {"Authorization": f"Bearer {secret}"}


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
        {"feeds": [{"feed": "F00000117", "drawn_mg": True}]},
        {"feeds": [{"feed": "F00000117", "drawn_mg": "5"}]},
        {"feeds": [{"feed": "F00000117", "drawn_mg": 10**40}]},
        {"feeds": [{"feed": "F00000117", "drawn_mg": float("nan")}]},
        {"feeds": [{"feed": "F00000117", "drawn_mg": float("inf")}]},
        {"feeds": [{"feed": "nonsense", "drawn_mg": 5}]},
        {"feeds": {"feed": "F00000117", "drawn_mg": 5}},
        {"ended_at": "2026-03-04T11:00:00"},
        {"ended_at": "2026-03-04"},
        {"ended_at": "2026-02-30T11:00:00Z"},
        {"ended_at": "2026-03-04T11:00:00+24:00"},
        {"ended_at": "2030-01-01T00:00:00+00:00"},
        {"ended_at": "1999-12-31T23:59:59+00:00"},
        {"ended_at": "0000-01-01T00:00:00Z"},
        {"ended_at": "0001-01-01T00:00:00+14:00"},
        {"ended_at": "9999-12-31T23:59:59-14:00"},
        {"ended_at": "1772622000"},
        {"ended_at": 1772622000},
        {"title": ""},
        {"title": "\u3000"},
        {"title": "Hook\0"},
        {"title": "Hook\r\nBracket"},
        {"title": "x" * 201},
        {"title": None},
        {"key": ""},
        {"key": "run\0one"},
        {"surprise": 1},
        {"surprise\0" * 1000: 1},
        {"outcome": "vanished"},
        {"outcome": None},
    ],
    ids=lambda changes: repr(changes)[:60],
)
def test_a_report_that_cannot_be_is_refused_in_a_sentence(
    client: FlaskClient, shop: TestWorkshop, changes: dict[str, Any]
) -> None:
    before = _acts(shop)
    answer = client.post("/api/jobs", json=_job(shop, **changes))
    assert answer.status_code == 422
    assert answer.json is not None
    assert set(answer.json) == {"code", "words"}
    assert len(answer.json["words"]) < 300
    assert _acts(shop) == before


@pytest.mark.parametrize(
    "text",
    [
        b"",
        b"no json",
        b"{'key': 'run-1'}",
        b'{"key": "run-1"} {}',
        b"\xef\xbb\xbf{}",
        b'{"title": "\xff"}',
        b'{"title": "\xed\xa0\x80"}',
        rb'{"title": "\ud800"}',
        rb'{"title": "\udc00\ud800"}',
        b"[" * 100_000,
        b'{"feeds":' * 7_000,
        b'{"drawn_mg": ' + b"9" * 5_000 + b"}",
        '{"key": "run-1"}'.encode("utf-16"),
    ],
    ids=lambda text: repr(text[:24]),
)
def test_text_that_is_no_json_is_refused_before_anything_is_read(client: FlaskClient, text: bytes) -> None:
    answer = client.post("/api/jobs", data=text[:60_000], content_type=JSON)
    assert answer.status_code == 400
    assert answer.json is not None
    assert answer.json["code"] == "bad_json"
    assert "Mend it and send it again." in answer.json["words"]


@pytest.mark.parametrize("text", ["[]", "null", "5", '"run-1"', "NaN"])
def test_json_that_is_no_object_is_refused(client: FlaskClient, text: str) -> None:
    answer = client.post("/api/scans", data=text, content_type=JSON)
    assert answer.status_code in {400, 422}
    assert answer.json is not None
    assert answer.json["code"] in {"bad_json", "bad_body"}


@pytest.mark.parametrize("kind", ["text/plain", "application/x-www-form-urlencoded", "multipart/form-data", "", "x"])
def test_what_is_not_sent_as_json_is_refused(client: FlaskClient, shop: TestWorkshop, kind: str) -> None:
    answer = client.post("/api/jobs", data=json.dumps(_job(shop)), content_type=kind)
    assert answer.status_code == 415
    assert answer.json is not None
    assert answer.json["code"] == "not_json"
    assert JSON in answer.json["words"]


def test_json_may_say_its_characters(client: FlaskClient, shop: TestWorkshop) -> None:
    answer = client.post("/api/jobs", data=json.dumps(_job(shop)), content_type=f"{JSON}; charset=utf-8")
    assert answer.status_code == 200


def test_a_whole_number_may_be_written_with_a_point(client: FlaskClient, shop: TestWorkshop) -> None:
    """Source: JSON Schema 2020-12, Core, 4.2.3: 1.0 is an integer."""
    job = _job(shop, feeds=[{"feed": shop.feeds[0], "drawn_mg": 42_500.0}])
    answer = client.post("/api/jobs", json=job)
    assert answer.json is not None
    assert answer.json["drawn_mg"] == 42_500


def test_the_heaviest_report_there_can_be_is_booked(client: FlaskClient, shop: TestWorkshop) -> None:
    feeds = [{"feed": shop.feeds[number % 2], "drawn_mg": 100_000_000} for number in range(32)]
    answer = client.post("/api/jobs", json=_job(shop, feeds=feeds))
    assert answer.json is not None
    assert answer.json["drawn_mg"] == 3_200_000_000


def test_stock_carries_units_in_its_keys(client: FlaskClient, shop: TestWorkshop) -> None:
    shop.deliver(2)
    answer = client.get("/api/stock").json
    assert answer is not None
    row = next(one for one in answer["items"] if one["left_mg"])
    assert row["left_mg"] == 2_000_000
    assert row["days_of_stock"] == {"p10": None, "p50": None, "p90": None}


def test_stock_over_json_is_what_the_command_prints(client: FlaskClient, shop: TestWorkshop) -> None:
    shop.deliver(2)
    client.post("/api/jobs", json=_job(shop, ended_at="2026-03-02T11:00:00+00:00"))
    with shop.store.read() as session:
        printed = figures.runout(session=session, now=shop.now)
    assert client.get("/api/stock").json == json.loads(json.dumps(printed))


def _operations(document: dict[str, Any]) -> dict[str, dict[str, Any]]:
    return {told["operationId"]: told for path in document["paths"].values() for told in path.values()}


def test_the_document_names_every_json_door_and_the_scope_that_it_needs(client: FlaskClient, app: Flask) -> None:
    answer = client.get("/api/openapi.json").json
    assert answer is not None
    assert answer["openapi"] == "3.1.1"
    doors = {
        f"api.{name}": {scope for way in told["security"] for scope in way["bearer"]}
        for name, told in _operations(answer).items()
    }
    assert doors.keys() == {rule.endpoint for rule in app.url_map.iter_rules() if rule.endpoint.startswith("api.")}
    assert doors == {name: set(RULES[name].scopes) for name in doors}
    assert doors["api.report"] == {"report"}
    addresses = {rule.rule for rule in app.url_map.iter_rules() if rule.endpoint.startswith("api.")}
    assert answer["paths"].keys() == addresses


def test_every_door_of_the_document_is_explained(client: FlaskClient) -> None:
    answer = client.get("/api/openapi.json").json
    assert answer is not None
    for told in _operations(answer).values():
        assert told["summary"]
        assert told["responses"]["200"]["content"][JSON]["schema"]
        assert {"401", "403", "503"} <= told["responses"].keys()
        if "requestBody" in told:
            of_json = {"400"} if JSON in told["requestBody"]["content"] else set()
            assert of_json <= told["responses"].keys()
            assert {"404", "409", "413", "415", "422"} <= told["responses"].keys()


def test_every_name_in_the_document_leads_somewhere(client: FlaskClient) -> None:
    text = client.get("/api/openapi.json").text
    document = json.loads(text)

    def refs(part: object) -> list[str]:
        if isinstance(part, dict):
            return [part["$ref"]] if "$ref" in part else [one for value in part.values() for one in refs(value)]
        return [one for value in part for one in refs(value)] if isinstance(part, list) else []

    assert refs(document)
    for ref in refs(document):
        found = document
        for name in ref.removeprefix("#/").split("/"):
            found = found[name]


@pytest.mark.parametrize("scope", Scope)
def test_a_token_opens_the_doors_of_its_scope_and_no_other(app: Flask, shop: TestWorkshop, scope: Scope) -> None:
    sent = _bearer(shop, scope)
    for path, methods in api.endpoints.document()["paths"].items():
        for method, told in methods.items():
            # an empty body: a door that opens says that it is no JSON
            answer = app.test_client().open(path, method=method.upper(), headers=sent, content_type=JSON)
            needed = [one for way in told["security"] for one in way["bearer"]]
            refused = answer.status_code == HTTPStatus.FORBIDDEN
            assert refused == (scope not in needed), (path, answer.text)
            assert app.test_client().open(path, method=method.upper(), content_type=JSON).status_code in {401, 403}


def test_a_program_is_told_in_json_that_another_one_holds_the_database(impatient: Impatient, now: datetime) -> None:
    shop, store = impatient.shop, impatient.shop.store
    sent = _bearer(shop, Scope.REPORT)
    program = create_app(store, secret=b"a secret for tests", clock=lambda: now).test_client()
    with impatient.held():
        refused = program.post("/api/jobs", json=_job(shop), headers=sent)
    assert refused.status_code == 503
    assert refused.json is not None
    assert set(refused.json) == {"code", "words"}
    assert program.post("/api/jobs", json=_job(shop), headers=sent).status_code == 200


@pytest.mark.parametrize("path", ["/api/scans", "/api/jobs"])
def test_a_program_that_forgot_its_token_is_told_so(app: Flask, path: str) -> None:
    answer = app.test_client().post(path, json={})
    assert answer.status_code == 401
    assert answer.json is not None
    assert set(answer.json) == {"code", "words"}
    assert answer.headers["WWW-Authenticate"] == "Bearer"  # RFC 9110, section 11.6.1


def test_a_wrong_method_is_told_the_right_one(client: FlaskClient) -> None:
    """Source: RFC 9110, section 15.5.6."""
    answer = client.put("/api/stock", json={})
    assert answer.status_code == 405
    assert answer.json is not None
    assert {"GET", "HEAD", "OPTIONS"} == {method.strip() for method in answer.headers["Allow"].split(",")}


# ---- jobs in several reports

FILE = "application/octet-stream"
PROGRAM = "M83\n" + "".join(f";LAYER_CHANGE\nG1 X1 E{number * 100} F600\n" for number in range(1, 11))
"""5,500 mm on tool 0, 100 of them on the first layer."""


def _load(client: FlaskClient, shop: TestWorkshop) -> str:
    (code,) = shop.deliver()
    for number, text in enumerate((code, shop.feeds[0])):
        client.post("/api/scans", json={"key": f"load-{number}", "code": text})
    return code


def _send(client: FlaskClient, path: str, **body: Any) -> tuple[int, dict[str, Any]]:  # noqa: ANN401 - JSON
    answer = client.post(f"/api/jobs{path}", json=body)
    return answer.status_code, answer.json or {}


def _drop(client: FlaskClient, program: str = PROGRAM, **query: str) -> tuple[int, dict[str, Any]]:
    told = {"key": "drop-1", "name": "vase.gcode", **query}
    answer = client.post("/api/motion-files", query_string=told, data=program.encode(), content_type=FILE)
    return answer.status_code, answer.json or {}


@pytest.mark.parametrize(
    ("amount", "mg"), [({"drawn_mg": 42_500}, 42_500), ({"drawn_mm": 1000.0}, 2983), ({"drawn_mm3": 1000.0}, 1240)]
)
def test_a_report_may_be_in_any_unit(
    client: FlaskClient, shop: TestWorkshop, amount: dict[str, float], mg: int
) -> None:
    _load(client, shop)
    status, answer = _send(client, "", **_job(shop, feeds=[{"feed": shop.feeds[0], **amount}], ended_at=None))
    assert (status, answer["drawn_mg"]) == (200, mg)


def test_a_length_without_a_spool_has_no_weight_and_is_refused(client: FlaskClient, shop: TestWorkshop) -> None:
    feeds = [{"feed": shop.feeds[0], "drawn_mm": 10.0}]
    assert _send(client, "", **_job(shop, feeds=feeds))[1]["code"] == "no_item"
    for wrong in ({"drawn_mm": 10.0, "drawn_mg": 5}, {}):
        feeds = [{"feed": shop.feeds[0], **wrong}]
        assert _send(client, "", **_job(shop, feeds=feeds))[1]["code"] == "not_one"


def test_a_job_is_planned_started_and_ended_by_its_own_id(client: FlaskClient, shop: TestWorkshop) -> None:
    _load(client, shop)
    feeds = [{"feed": shop.feeds[0], "drawn_mg": 40_000}]
    assert _send(client, "/plan", key="p", job="run 7", title="Vase", feeds=feeds, seconds=7200)[0] == 200
    assert _send(client, "/start", key="s", job="run 7")[0] == 200
    assert _send(client, "/start", key="t", job="run 7")[1]["code"] == "runs_already"
    status, answer = _send(client, "/end", key="e", job="run 7")
    assert (status, answer["drawn_mg"]) == (200, 40_000)
    assert _send(client, "/end", key="e", job="run 7") == (status, answer), "the same report again"
    assert _send(client, "/end", key="f", job="run 7", outcome="failed")[1]["code"] == "ended_before"
    assert _send(client, "/start", key="u", job="run 8")[0] == 404


def test_a_whole_report_ends_the_job_that_was_planned_under_its_id(client: FlaskClient, shop: TestWorkshop) -> None:
    _load(client, shop)
    feeds = [{"feed": shop.feeds[0], "drawn_mg": 40_000}]
    planned = _send(client, "/plan", key="p", job="run 7", title="Vase", feeds=feeds)[1]
    told = _job(shop, job="run 7", key="r", ended_at=None)
    assert _send(client, "", **told)[1]["job_id"] == planned["job_id"]
    assert _send(client, "", **told | {"key": "other"})[1]["code"] == "ended_before"


def test_a_start_that_comes_after_the_end_only_adds_when_it_began(client: FlaskClient, shop: TestWorkshop) -> None:
    _load(client, shop)
    ended = _send(client, "", **_job(shop, job="run 7"))[1]
    status, answer = _send(client, "/start", key="s", job="run 7", started_at="2026-03-04T09:00:00+00:00")
    assert (status, answer["job_id"]) == (200, ended["job_id"])
    assert "only its beginning" in answer["odd"][0]
    with shop.store.read() as session:
        job = session.get_one(Job, ended["job_id"])
        assert (job.state, job.started_at) == ("ended", datetime.fromisoformat("2026-03-04T09:00:00+00:00"))
    late = _send(client, "/start", key="t", job="run 7", started_at="2026-03-04T09:00:00+00:00")
    assert late[1]["code"] == "ended_before"


def test_a_motion_file_is_planned_and_charged_by_the_layer_at_which_it_failed(
    client: FlaskClient, shop: TestWorkshop
) -> None:
    _load(client, shop)
    status, planned = _drop(client, machine="Larch", title="Vase")
    assert (status, planned["needs_mg"]) == (200, 16404)
    assert _drop(client, machine="Larch", title="Vase") == (status, planned), "the same file again"
    assert _drop(client, machine="Larch", title="Bowl")[0] == 409
    with shop.store.read() as session:
        code = session.get_one(Job, planned["job_ids"][0])
        assert code.serial is None
    ticket = client.post(f"/jobs/{planned['job_ids'][0]}/ticket", data={"key": "ticket"})
    assert ticket.status_code == 302
    with shop.store.read() as session:
        ticket_code = joblist.ticket_of(session=session, job_id=planned["job_ids"][0])
    status, answer = _send(client, "/end", key="e", job=ticket_code, outcome="failed", at={"layer": 1})
    assert (status, answer["drawn_mg"]) == (200, 149)


def test_a_motion_file_that_is_none_is_refused_in_a_sentence(client: FlaskClient, shop: TestWorkshop) -> None:
    _load(client, shop)
    status, answer = _drop(client, "Dear Sir,", machine="Larch")
    assert (status, answer["code"]) == (422, "not_motion")
    assert "line 1" in answer["words"]
    assert _drop(client, machine="Birch")[0] == 404
    assert _drop(client, machine="Larch", times="0")[0] == 422
    assert client.post("/api/motion-files?key=a&name=b", data=b"x", content_type="text/plain").status_code == 415


def test_where_a_job_ended_is_said_once(client: FlaskClient, shop: TestWorkshop) -> None:
    _load(client, shop)
    _, planned = _drop(client, machine="Larch")
    assert planned["job_ids"]
    feeds = [{"feed": shop.feeds[0], "drawn_mg": 40_000}]
    _send(client, "/plan", key="p", job="run 7", title="Vase", feeds=feeds)
    both = _send(client, "/end", key="e", job="run 7", outcome="failed", at={"share": 0.5, "about": "half"})
    assert both[1]["code"] == "not_one"
    good = _send(client, "/end", key="e", job="run 7", at={"share": 0.5})
    assert good[1]["code"] == "good_is_whole"
    half = _send(client, "/end", key="e", job="run 7", outcome="failed", at={"about": "half"})
    assert half[1]["drawn_mg"] == 20_000


def test_what_was_purged_is_waste_by_its_cause(client: FlaskClient, shop: TestWorkshop) -> None:
    _load(client, shop)
    feed = shop.feeds[0]
    feeds = [{"feed": feed, "drawn_mg": 40_000}, {"feed": feed, "drawn_mg": 3_000, "cause": "purge"}]
    assert _send(client, "", **_job(shop, feeds=feeds, ended_at=None))[1]["drawn_mg"] == 43_000
    with shop.store.read() as session:
        draws = session.scalars(select(Movement).where(col(Movement.kind) == "draw").order_by(col(Movement.id)))
        assert [(one.cause, one.asked_mg) for one in draws] == [("good", -40_000), ("purge", -3_000)]


def test_a_motion_file_is_known_by_the_programs_own_id(client: FlaskClient, shop: TestWorkshop) -> None:
    _load(client, shop)
    assert _drop(client, machine="Larch", job="lamp-1")[0] == 200
    assert _send(client, "/start", key="s", job="lamp-1")[0] == 200
    status, answer = _send(client, "/end", key="e", job="lamp-1", outcome="failed", at={"layer": 1})
    assert (status, answer["drawn_mg"]) == (200, 149)
    assert _drop(client, machine="Larch", job="lamp-2", times="2", key="other")[1]["code"] == "several_jobs"


def test_a_program_sends_a_scale_s_reading_and_orders_on_hand(app: Flask, shop: TestWorkshop) -> None:
    sent, program = _bearer(shop, Scope.REPORT), app.test_client()
    (code,) = shop.deliver()
    weighed = program.post("/api/weighings", json={"key": "w1", "spool": code, "gross_mg": 812_500}, headers=sent)
    assert weighed.json is not None
    assert (weighed.status_code, weighed.json["left_mg"]) == (200, 612_500)
    entry = catalogue.ProductEntry("Trug", None, ((shop.articles[0], 80_000),))
    shop.do(lambda s: catalogue.add_product(session=s, now=shop.now, by=by(), entry=entry))
    lines = [{"order": "1042", "product": "Trug", "pieces": 2, "due_on": "2026-04-01"}]
    for key, new, changed in (("o1", 1, 0), ("o1", 1, 0), ("o2", 0, 0)):
        told = program.post("/api/orders-on-hand", json={"key": key, "lines": lines}, headers=sent)
        assert told.json is not None
        assert (told.status_code, told.json["new"], told.json["changed"]) == (200, new, changed)
    lines[0]["product"] = "Vase"
    assert program.post("/api/orders-on-hand", json={"key": "o3", "lines": lines}, headers=sent).status_code == 404


@pytest.mark.parametrize("currency", ["", "EU", "EURO", "eur", "XQQ"])
def test_takings_of_no_currency_are_refused(client: FlaskClient, shop: TestWorkshop, currency: str) -> None:
    """Source: ISO 4217, by the list in the document of the doors."""
    del shop
    lines = [{"channel": "Market", "amount_minor": 100, "currency": currency}]
    assert client.post("/api/takings", json={"key": "till", "lines": lines}).status_code == 422
