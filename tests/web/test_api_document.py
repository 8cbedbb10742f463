"""The JSON doors keep their own document's word, whatever is sent: told by a tool that knows only the document."""

from datetime import date, datetime, timedelta
from itertools import count
from typing import Any

import pytest

pytest.importorskip("schemathesis")

import schemathesis
from flask import Flask
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st

from spoolkeep.domain.codes import Code, CodeKind
from spoolkeep.domain.words import Scope
from spoolkeep.services import tokens
from spoolkeep.store.engine import Store
from spoolkeep.store.seeds import FIRST_ACTOR
from spoolkeep.web import api
from tests.conftest import NOW
from tests.workshop import TestWorkshop

pytestmark = pytest.mark.reference

EXAMPLES = 250
"""How many random requests an operation gets, beside those that the tool makes at each bound of the schema."""
LONGEST = 200
CODES = [Code(kind, serial).text for kind in (CodeKind.SPOOL, CodeKind.FEED, CodeKind.PLACE) for serial in (1, 2, 3)]
SPOOLS = [Code(CodeKind.SPOOL, serial).text for serial in (1, 2, 3)]
PAST = st.datetimes(datetime(2000, 1, 2), NOW.replace(tzinfo=None) - timedelta(hours=1))  # noqa: DTZ001 - UTC by its Z
FILES = [
    b"M83\nG1 X1 E5\n",
    b";LAYER:1\nG1 X2 E4\nT1\nG1 E7\n",
]
_numbers = count(1)

# what JSON Schema cannot say: check digits, that a time is not ahead of now, and that an end is no start
schemathesis.openapi.format("label-code", st.sampled_from(CODES))
schemathesis.openapi.format("spool-code", st.sampled_from(SPOOLS))
schemathesis.openapi.format("date-time", PAST.map(lambda moment: f"{moment.isoformat()}Z"))
schemathesis.openapi.format("past-day", st.dates(date(2000, 1, 1), NOW.date()).map(date.isoformat))
schemathesis.openapi.media_type("application/octet-stream", st.sampled_from(FILES))
document = schemathesis.openapi.from_dict(api.endpoints.document())


@pytest.fixture
def store(sqlite_store: Store) -> Store:
    return sqlite_store


@pytest.fixture
def token(shop: TestWorkshop) -> str:
    return shop.do(
        lambda s: tokens.for_program(session=s, now=shop.now, by_id=FIRST_ACTOR, label="Script", scopes=tuple(Scope))
    )


@pytest.fixture
def doors(app: Flask, shop: TestWorkshop) -> Flask:
    """Give the app as a program meets it, with three spools to scan: what breaks is answered, not raised."""
    app.testing = False
    shop.deliver(3)
    return app


def test_the_document_is_what_openapi_asks_for() -> None:
    """Source: the schema of OpenAPI 3.1, as the tool brings it."""
    document.validate()


@document.parametrize()
@settings(max_examples=EXAMPLES, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_the_json_doors_keep_their_documents_word(case: schemathesis.Case[Any], doors: Flask, token: str) -> None:
    case.operation.app = case.operation.schema.app = doors
    _name_what_is_there(case.body)
    _name_what_is_there(case.query)
    case.call_and_validate(headers={"Authorization": f"Bearer {token}"})


def _name_what_is_there(body: Any) -> None:  # noqa: ANN401 - JSON
    """Put a code that checks out for one that only the schema allows, and a new key, so that more than codes is met."""
    if not isinstance(body, dict):
        return
    if isinstance(key := body.get("key"), str) and key.strip() and len(key) < LONGEST - 10:
        body["key"] = f"{key}{next(_numbers)}"
    _put_code(body, "code", CODES)
    times = [str(body[name]) for name in ("started_at", "ended_at") if body.get(name)]
    if len(times) == 2 and all(one.endswith("Z") for one in times):
        body["started_at"], body["ended_at"] = sorted(times)
    if body.get("machine") and len(str(body["machine"])) < LONGEST:
        body["machine"] = "Larch"
    feeds = body.get("feeds")
    for one in feeds if isinstance(feeds, list) else ():
        _put_code(one, "feed", [code for code in CODES if code.startswith(CodeKind.FEED)][:2])


def _put_code(part: Any, name: str, codes: list[str]) -> None:  # noqa: ANN401 - JSON
    given = part.get(name) if isinstance(part, dict) else None
    longest = LONGEST if name == "code" else 40
    if isinstance(given, str) and 1 <= len(given) <= longest:
        part[name] = codes[len(given) % len(codes)]
