"""Lists that are narrowed by the address and taken as files: on each page, page and file have the same rows.

The workshop is the demo of a few weeks, so that nearly every list has rows.
"""

import csv
import io
import re
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from html.parser import HTMLParser
from pathlib import Path

import pytest
from flask import Flask
from flask.testing import FlaskClient
from openpyxl import load_workbook

from spoolkeep.domain.sheets import unguarded
from spoolkeep.domain.words import OrderState, Outcome
from spoolkeep.services import (
    asked,
    choices,
    deliveries,
    joblist,
    jobs,
    onhand,
    orders,
    record,
    rests,
    stations,
    stock,
    stops,
    tokens,
    wastebin,
)
from spoolkeep.services.demo import owner_of
from spoolkeep.services.instance import Instance
from spoolkeep.services.jobs import FeedGrams, JobReport
from spoolkeep.store.engine import Session, Store
from spoolkeep.web import narrowing, setup
from spoolkeep.web.app import create_app
from spoolkeep.web.columns import ALL
from spoolkeep.web.lock import PERSON_COOKIE, STATION_COOKIE
from spoolkeep.web.rules import RULES, Right
from spoolkeep.web.tables import AnyRecords
from tests.web.conftest import HOST
from tests.workshop import by

ONE_BY_ONE = {"stock", "acts", "jobs-ended", "deliveries", "offers", "orders-over"}
"""Tables of which the page shows some at a time."""
THE_NEWEST = {"takings", "stops"}
"""Tables of which the page shows the newest only."""
SAID_OTHERWISE = {"months", "book-months", "waste-bin"}
"""Tables of which the page says every text in other words: their months and moments as people read them."""
PAGES_LOOKED_AT = 3
A_MOMENT = re.compile(r"\d{4}-\d\d-\d\d")


class _Rows(HTMLParser):
    """The words of the rows of one table or list of a page, and where its next page is."""

    def __init__(self, name: str) -> None:
        super().__init__()
        self.name, self.rows, self.next = name, list[str](), ""
        self._at = self._in_body = self._in_row = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        if tag in {"table", "ul", "ol"}:
            self._at = given.get("data-list") == self.name
            self._in_body = self._at and tag != "table"
        elif tag == "tbody":
            self._in_body = self._at
        elif tag in {"tr", "li"} and self._in_body and given.get("class") not in {"group", "sum"}:
            self._in_row = True
            self.rows.append("")
        elif tag == "a" and given.get("rel") == "next":
            self.next = (given.get("href") or "").partition("#")[0]
        if self._in_row and tag == "input":
            self.rows[-1] += given.get("value") or ""

    def handle_endtag(self, tag: str) -> None:
        if tag in {"table", "tbody", "ul", "ol"}:
            self._in_body = False
        if tag in {"tr", "li"}:
            self._in_row = False

    def handle_data(self, data: str) -> None:
        if self._in_row:
            self.rows[-1] += data


@dataclass(frozen=True)
class Lived:
    """The demo behind its pages."""

    app: Flask
    store: Store
    now: datetime

    def path_of(self, table: AnyRecords) -> str:
        """Give the page of a table, of the item, spool, delivery or supplier of which there is most to tell."""
        with self.store.read() as session:
            items = choices.items(session=session)
            each = {one.article_id: stock.spools_of(session=session, article_id=one.article_id) for one in items}
            article_id = max(each, key=lambda number: len(each[number]))
            came = deliveries.recent(session=session, limit=1)[0]
            supplier = next(one for one in choices.supplier_list(session=session) if one.name == came.supplier)
        told = {
            "article_id": article_id,
            "code": next(one.code for one in each[article_id] if one.opened_on),
            "delivery_id": came.delivery_id,
            "supplier_id": supplier.supplier_id,
        }
        (route,) = (
            one
            for one in self.app.url_map.iter_rules()
            if one.endpoint == table.endpoint and "GET" in (one.methods or ())
        )
        built = route.build({name: told[name] for name in route.arguments})
        assert built is not None
        return built[1] + (self.two_spans() if table.name == "why-moved" else "")

    def two_spans(self) -> str:
        """Give how two spans of days are asked for that are over: the demo has no month before the last."""
        today = self.now.date()
        days = {"before_first": 20, "before_last": 11, "after_first": 10, "after_last": 1}
        return "?" + "&".join(f"{name}={today - timedelta(days=back)}" for name, back in days.items())

    def browser(self, cookie: str, secret: str) -> FlaskClient:
        """Give a browser that has a secret."""
        client = self.app.test_client()
        client.environ_base["HTTP_ORIGIN"] = HOST
        client.set_cookie(cookie, secret)
        return client


@pytest.fixture(scope="module")
def lived(small_demo: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Lived]:
    folder = tmp_path_factory.mktemp("lists") / "demo"
    shutil.copytree(small_demo, folder)
    store, now = Instance(folder).open(), datetime.now(UTC)
    with store.write() as session:
        _more_happens(session, now)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(record, "LEAST_DAYS", 14)  # so that something was said before
        yield Lived(create_app(store, secret=b"a secret for tests", clock=lambda: now), store, now)
    store.close()


def _more_happens(session: Session, now: datetime) -> None:
    """Let happen what the demo's few weeks lack."""
    hour = timedelta(hours=1)
    (machine_id, _), *_ = joblist.machines(session=session)
    product = joblist.products(session=session)[0][1]
    onhand.tell(session=session, now=now, by=by(), wanted=[asked.Wanted(order="=1+1", product=product, pieces=9)])
    stops.book_stop(session=session, now=now, by=by(), machine_id=machine_id, from_at=now - 5 * hour, until_at=now)
    offer = choices.offers(session=session)[0]
    wanted = [orders.Wanted(offer.offer_id, offer.pack * offer.least_spools)]
    orders.draft(session=session, now=now, by=by(), wanted=wanted)
    again = orders.draft(session=session, now=now, by=by(), wanted=wanted).order_ids[0]
    orders.move_on(session=session, now=now, by=by(), order_id=again, state=OrderState.CALLED_OFF)
    report = JobReport("Hook", None, (FeedGrams(5_000, article_id=offer.item.article_id),))
    jobs.report_job(session=session, now=now, by=by(), report=report, outcome=Outcome.GOOD)
    wastebin.weigh(session=session, now=now, by=by(), held_mg=200_000, since_at=now - 48 * hour)
    spools = (
        one
        for item in choices.items(session=session)
        for one in stock.spools_of(session=session, article_id=item.article_id)
    )
    sealed = next(one.code for one in spools if one.opened_on is None and not one.loaded)
    deliveries.send_back(session=session, now=now, by=by(), spool_codes=[sealed], note="crushed")


@pytest.fixture(scope="module")
def owner(lived: Lived) -> FlaskClient:
    actor_id = owner_of(lived.store)
    with lived.store.write() as session:
        secret = tokens.for_browser(session, lived.now, actor_id=actor_id, label="computer")
    return lived.browser(PERSON_COOKIE, secret)


@pytest.fixture(scope="module")
def station(lived: Lived) -> FlaskClient:
    with lived.store.write() as session:
        new = stations.sign_in(session=session, now=lived.now, label="By the lists")
    return lived.browser(STATION_COOKIE, new.secret)


def _file(client: FlaskClient, path: str, table: AnyRecords) -> list[list[str]]:
    """Give a file's rows, its header first, from its CSV; its XLSX says the same."""
    address = f"{path}{'&' if '?' in path else '?'}table={table.name}&as="
    told = client.get(f"{address}csv")
    assert told.status_code == 200, told.text
    assert f'filename="{table.name}.csv"' in told.headers["Content-Disposition"]
    rows = list(csv.reader(io.StringIO(told.data.decode("utf-8-sig"))))
    book = load_workbook(io.BytesIO(client.get(f"{address}xlsx").data))
    cells = [["" if cell is None else _as_csv(cell) for cell in row] for row in book.active.iter_rows(values_only=True)]
    assert cells == [[unguarded(cell) for cell in row] for row in rows]
    return rows


def _as_csv(cell: object) -> str:
    # a day comes out of a workbook as its midnight
    return str(cell).removesuffix(" 00:00:00") if isinstance(cell, datetime) else str(cell)


def _plain(text: str) -> str:
    return re.sub(r"\s", "", text).lower()


def _page(client: FlaskClient, path: str, table: AnyRecords) -> tuple[list[str], bool]:
    """Give the words of a list's rows, of some pages of it, and whether there are more."""
    rows: list[str] = []
    for _ in range(PAGES_LOOKED_AT):
        told = client.get(path)
        assert told.status_code == 200, told.text
        found = _Rows(table.name)
        found.feed(told.text)
        rows += found.rows
        path = found.next if table.name in ONE_BY_ONE else ""
        if not path:
            break
    return rows, bool(path)


@pytest.mark.parametrize("table", ALL, ids=lambda table: table.name)
def test_a_page_and_its_file_have_the_same_rows(lived: Lived, owner: FlaskClient, table: AnyRecords) -> None:
    path = lived.path_of(table)
    header, *rows = _file(owner, path, table)
    shown, has_more = _page(owner, path, table)
    assert header == [one.name for one in table.columns]
    assert rows
    assert shown
    if table.name in THE_NEWEST:
        assert len(rows) >= len(shown)
    else:
        assert len(rows) > len(shown) if has_more else len(rows) == len(shown)
    if table.name not in SAID_OTHERWISE:
        for cells, words in zip(rows, shown, strict=False):
            name = next(cell for cell in cells if cell and not A_MOMENT.match(cell))
            assert _plain(unguarded(name)) in _plain(words), (cells, words)


def test_a_station_takes_files_without_any_amount(lived: Lived, station: FlaskClient) -> None:
    for table in ALL:
        if RULES[table.endpoint].right is Right.SEE:
            header, *_ = _file(station, lived.path_of(table), table)
            assert header == [one.name for one in table.columns if not one.is_money]
    assert "freight_minor" not in _file(station, "/deliveries", next(one for one in ALL if one.name == "deliveries"))[0]
    assert station.get("/money?as=csv").status_code == 403


def test_every_column_of_every_file_is_said_on_one_page(owner: FlaskClient) -> None:
    told = owner.get("/setup/columns").text
    names = [table.name for table in ALL]
    assert len(set(names)) == len(names) > 30
    for table in ALL:
        section = told.partition(f'<section aria-labelledby="{table.name}">')[2].partition("</section>")[0]
        columns = [one.name for one in table.columns]
        assert re.findall(r"<code>(.*?)</code>", section) == columns
        assert len(set(columns)) == len(columns)
        assert all(one.says for one in table.columns)


def test_a_text_that_a_spreadsheet_would_run_is_made_safe(owner: FlaskClient) -> None:
    assert "\r\n'=1+1," in owner.get("/jobs/on-hand?as=csv").text


@pytest.mark.parametrize(
    ("path", "words"),
    [
        ("/stock?as=pdf", "no kind of file"),
        ("/jobs?as=csv&table=people", "This page has no table"),
        ("/stock?within=soon", "“soon” is not a whole number"),
        ("/stock?within=0", "enter 1 to"),
        ("/stock?show=blue", "is none of these"),
        ("/jobs?on=99999", "Machine: “99999” is none of these"),
        ("/jobs?days=99999999999999999999", "is too large"),
        ("/jobs?outcome=fine", "Good, Failed, Stopped"),
        ("/setup/acts?who=1%00", "is none of these"),
        ("/orders?state=lost", "is none of these"),
        ("/deliveries?item=" + "a" * 200, "at most 80 characters"),
        ("/setup?name=" + "a" * 200, "at most 80 characters"),
    ],
)
def test_what_a_list_cannot_be_narrowed_by_is_said(owner: FlaskClient, path: str, words: str) -> None:
    answer = owner.get(path)
    assert answer.status_code in {404, 422}
    assert words in answer.text


@pytest.mark.parametrize(
    "path",
    [
        "/stock?colour=no+such",
        "/jobs?job=no+such",
        "/deliveries?item=no+such",
        "/orders?item=no+such",
        "/setup/acts?kind=waste+bin&station=1",
        "/setup/offers?item=no+such",
        "/jobs/on-hand?find=no+such",
        "/stock/rests?find=no+such",
        "/jobs/failures?name=no+such",
        "/setup?name=no+such",
        "/tonight?name=no+such",
        "/money/why{spans}&item=no+such",
    ],
)
def test_a_filter_that_finds_nothing_says_so_and_offers_to_clear(lived: Lived, owner: FlaskClient, path: str) -> None:
    path = path.format(spans=lived.two_spans())
    told = owner.get(path).text
    assert " is like that." in told
    assert re.search(rf'<a class="button primary" href="{path.partition("?")[0]}[#"].*Show all', told)


@pytest.mark.parametrize(
    ("path", "name"),
    [
        ("/stock?within={days}&spools=yes", "stock"),
        ("/jobs?outcome=failed", "jobs-ended"),
        ("/jobs?on={machine}&days=3", "jobs-ended"),
        ("/jobs?job=a&days=7", "jobs-ended"),
        ("/jobs?state=planned", "jobs-to-come"),
        ("/deliveries?from={supplier}&days=30", "deliveries"),
        ("/orders?supplier={supplier}", "orders-over"),
        ("/orders?state=in", "orders-over"),
        ("/setup/acts?days=1", "acts"),
        ("/setup/acts?kind=delivery", "acts"),
        ("/setup/offers?supplier={supplier}&held=yes", "offers"),
        ("/jobs/failures?days=20", "failures"),
        ("/stock/rests?find={rest}", "rests"),
        ("/setup?name={name}", "feeds"),
        ("/setup?name=shelf", "places"),
        ("/setup?name=petg", "items"),
        ("/setup?name={seller}", "suppliers"),
        ("/setup?name={product}", "sold"),
        ("/tonight?name={name}", "tonight"),
        ("/money/why{spans}&item=petg", "why-moved"),
    ],
)
def test_a_narrowed_list_has_fewer_rows_and_its_file_the_same(
    lived: Lived, owner: FlaskClient, path: str, name: str
) -> None:
    with lived.store.read() as session:
        supplier = deliveries.recent(session=session, limit=1)[0].supplier
        sellers = {told: number for number, told in choices.suppliers(session=session)}
        machines = {told: number for number, told in joblist.machines(session=session)}
        machine = next(one.machine for one in joblist.ended(session=session) if one.machine)
        rest = rests.listed(session=session, now=lived.now)[0].spool.item.name
        days = [one.days.days for one in stock.rows(session=session, now=lived.now) if one.days.days is not None]
        product = choices.products(session=session)[0].name
        plain = {"name": machine, "seller": supplier, "product": product, "rest": rest}
    words = {told: word.replace(" ", "+") for told, word in plain.items()}
    spans = lived.two_spans()
    path = path.format(
        machine=machines[machine], supplier=sellers[supplier], days=int(min(days)) + 1, spans=spans, **words
    )
    table = next(one for one in ALL if one.name == name)
    whole = path.partition("?")[0] + (spans if spans in path else "")
    every, some = (len(_file(owner, one, table)) - 1 for one in (whole, path))
    shown, has_more = _page(owner, path, table)
    assert 0 < some < every
    assert len(shown) < some if has_more else len(shown) == some
    told = owner.get(path).text
    assert 'class="narrowed"' in told
    assert f'href="{path.partition("?")[0]}' in told


def test_a_long_list_stands_on_one_page_where_it_is_asked_for(owner: FlaskClient) -> None:
    table = next(one for one in ALL if one.name == "offers")
    rows = len(_file(owner, "/setup/offers", table)) - 1
    shown = _Rows("offers")
    shown.feed(owner.get("/setup/offers?page=all").text)
    assert len(shown.rows) == rows
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(setup, "EACH_PAGE", 2)
        some = owner.get("/setup/offers").text
        assert 'href="/setup/offers?page=all"' in some
        every = owner.get("/setup/offers?page=all").text
        assert 'href="/setup/offers">Page by page' in every
        patch.setattr(narrowing, "MOST_WHOLE", rows - 1)
        assert "page=all" not in owner.get("/setup/offers").text
        assert f"at most {rows - 1} stand on one page" in owner.get("/setup/offers?page=all").text
