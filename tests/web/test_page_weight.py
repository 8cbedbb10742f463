"""What the first screens of a full workshop weigh on their way, and that all of it comes from the workshop itself."""

import gzip
import re
from datetime import datetime
from urllib.parse import urljoin

import pytest
from flask.testing import FlaskClient
from werkzeug.test import TestResponse

from spoolkeep.services import catalogue
from spoolkeep.services.catalogue import OfferEntry, SupplierEntry
from spoolkeep.services.jobs import FeedGrams
from spoolkeep.store.engine import Store
from tests.workshop import TestWorkshop, by

SCREENS = ("/", "/bench", "/stock", "/jobs", "/orders", "/tonight", "/money", "/setup", "/sign-in")
MOST_BYTES = 100_000
MACHINES, ITEMS, SUPPLIERS = 30, 50, 2
LOADED = re.compile(r'<(?:link|script|img|iframe)\b[^>]*?\s(?:href|src)="([^"]+)"')
NAMED = re.compile(r"""(?:href|src|action|srcset|poster)="((?:[a-z]+:)?//[^"]+)"|url\(["']?((?:[a-z]+:)?//[^)]+)\)""")
IMPORTED = re.compile(r'^import .*?"(\./[^"]+)"', re.MULTILINE)


@pytest.fixture
def shop(sqlite_store: Store, now: datetime) -> TestWorkshop:
    """Give the small workshop, on one database: pages are the same on both."""
    return TestWorkshop(sqlite_store, now)


@pytest.fixture
def full(shop: TestWorkshop) -> TestWorkshop:
    """Give thirty machines of four feeds, and fifty items that planned jobs need, each sold by two suppliers."""
    for number in range(MACHINES):
        name = f"Alder {number + 1}"
        shop.do(lambda s, n=name: catalogue.add_machine(session=s, now=shop.now, by=by(), name=n, feeds=4))  # type: ignore[misc] # in a loop
    sellers = []
    for number in range(SUPPLIERS):
        entry = SupplierEntry(name=f"Quarry Lane {number + 1}")
        made = shop.do(lambda s, e=entry: catalogue.add_supplier(session=s, now=shop.now, by=by(), entry=e))  # type: ignore[misc]
        sellers.append(made.row_id)
    for number in range(ITEMS):
        article = shop.item("PLA", f"Shade {number + 1}", f"#60{number * 3:02x}80")
        for seller in sellers:
            offer = OfferEntry(seller, article, 1_000_000, 1900 + number)
            shop.do(lambda s, e=offer: catalogue.add_offer(session=s, now=shop.now, by=by(), entry=e))  # type: ignore[misc]
        shop.plan(f"Job {number + 1}", FeedGrams(800_000, article_id=article), machine=f"Alder {number % MACHINES + 1}")
    return TestWorkshop(shop.store, shop.now)


def text(answer: TestResponse) -> str:
    """Give an answer's text."""
    data = answer.get_data()
    return (gzip.decompress(data) if answer.headers.get("Content-Encoding") == "gzip" else data).decode()


def taken(client: FlaskClient, path: str, known: dict[str, TestResponse]) -> None:
    """Take a page, or what one loads, compressed, and all that it loads itself, each once."""
    if path in known:
        return
    known[path] = client.get(path, headers={"Accept-Encoding": "gzip"}, buffered=True)
    assert known[path].status_code == 200, path
    told = text(known[path])
    loads = IMPORTED.findall(told) if path.endswith(".js") else []
    loads += LOADED.findall(told) if known[path].mimetype == "text/html" else []
    for one in loads:
        taken(client, urljoin(path, one), known)


@pytest.mark.usefixtures("full")
def test_a_first_screen_of_a_full_workshop_weighs_at_most_100_kilobytes_and_names_no_other_host(
    client: FlaskClient,
) -> None:
    weights, named = {}, []
    for path in SCREENS:
        known: dict[str, TestResponse] = {}
        taken(client, path, known)
        assert {one.rsplit(".", 1)[-1] for one in known} >= {"css", "js"}, path
        weights[path] = sum(len(one.get_data()) for one in known.values())
        named += [found for where, one in known.items() for found in elsewhere(where, text(one))]
    assert text(client.get("/stock")).count("<tr>") >= ITEMS, "the workshop is not full"
    assert {path: weight for path, weight in weights.items() if weight > MOST_BYTES} == {}
    assert named == []


def elsewhere(path: str, told: str) -> list[str]:
    """Give the addresses on other hosts that a page, a sheet or a script names."""
    found = [one or other for one, other in NAMED.findall(told)]
    if path.endswith(".js"):
        found += re.findall(r"""["'`](?:[a-z]+:)?//[^"'`]+""", told)
    return [f"{path}: {one}" for one in found]


@pytest.mark.parametrize(
    "told",
    [
        '<a href="https://elsewhere.example/">',
        '<img src="//elsewhere.example/a.png">',
        "b { background: url(https://elsewhere.example/a.png) }",
    ],
)
def test_an_address_elsewhere_would_be_found(told: str) -> None:
    assert len(elsewhere("/", told)) == 1
