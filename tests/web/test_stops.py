"""Stops as pages: what they cost under Money, the stops behind each figure, and the form that corrects one."""

import re
from collections.abc import Callable
from datetime import timedelta

import pytest
from flask.testing import FlaskClient

from spoolkeep.services import standstill, stops
from spoolkeep.services.jobs import FeedGrams
from spoolkeep.store.engine import Store
from tests.web.conftest import Browser
from tests.workshop import TestWorkshop

Key = Callable[[], str]
HOUR = timedelta(hours=1)
NBSP = "\N{NO-BREAK SPACE}"


@pytest.fixture
def store(sqlite_store: Store) -> Store:
    """Give a store on one database: pages are asked here, and services on both."""
    return sqlite_store


@pytest.fixture
def standing(shop: TestWorkshop) -> str:
    """Give the address of a stop that opened by itself three hours ago and lasts."""
    shop.plan("Hook", FeedGrams(200_000, article_id=shop.articles[1]))
    assert standstill.look_at_all(shop.store, now=shop.now) == 1
    shop.now += 3 * HOUR
    return "/jobs/stops/1"


def the_stop(shop: TestWorkshop) -> stops.StopView:
    """Give the stop."""
    with shop.store.read() as session:
        return stops.one(session=session, stop_id=1)


def rows(page: str, after: str) -> list[str]:
    """Give the rows of the first table after a heading, without tags."""
    table = re.findall(r"<tbody>.*?</tbody>", page.split(f'id="{after}"', 1)[1], flags=re.DOTALL)[0]
    found = re.findall(r"<tr>.*?</tr>", table, flags=re.DOTALL)
    return [" ".join(re.sub(r"<[^>]+>", " ", one).split()) for one in found]


@pytest.mark.usefixtures("standing")
def test_money_says_what_stops_cost_and_each_figure_opens_the_stops_behind_it(client: FlaskClient) -> None:
    page = client.get("/money").text
    assert "What stops cost" in page
    assert rows(page, "stops") == ["Mar 2026 1 3.0 h €9.00"]
    assert "PLA Chalk white" in page
    hrefs = set(re.findall(r'href="(/money/stops[^"]*#behind)"', page))
    assert hrefs == {"/money/stops?month=2026-03#behind", "/money/stops?item=2#behind"}
    for href in hrefs:
        behind = client.get(href.partition("#")[0].replace("&amp;", "&"))
        assert behind.status_code == 200
        (row,) = rows(behind.text, "behind")
        assert row.startswith("Larch stands still 4 Mar 2026, 12:00 now 3.0 h €9.00 PLA Chalk white")
        assert "“Hook” is due, and no fitting spool is held." in row


def test_money_of_a_workshop_without_stops_says_so(client: FlaskClient) -> None:
    assert "No machine stood still for want of a spool in the last two years" in client.get("/money").text
    assert "There is none, by the books." in client.get("/money/stops").text


def test_the_figures_of_a_month_and_of_an_item_can_be_asked_for_together(client: FlaskClient, standing: str) -> None:
    del standing
    page = client.get("/money/stops?month=2026-03&item=2").text
    assert "what falls in <strong>Mar 2026</strong> for want of <strong>PLA Chalk white</strong>" in page
    assert rows(page, "by-item") == ["PLA Chalk white 1 3.0 h €9.00"]
    assert "There is none, by the books." in client.get("/money/stops?month=2026-02&item=2").text
    assert "nobody said what was missing" in client.get("/money/stops?item=none").text


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        ("month=soon", "“soon” is not a month. Write it like 2026-03."),
        ("month=2026-13", "is not a month"),
        ("item=white", "is not the number of an item. Choose one from the list."),
        ("item=99999999999999999999", "is not the number of an item"),
        ("item=-1", "is not the number of an item"),
    ],
)
def test_what_cannot_be_asked_for_is_answered_with_what_can(client: FlaskClient, asked: str, words: str) -> None:
    answer = client.get(f"/money/stops?{asked}")
    assert answer.status_code == 422
    assert words in answer.text


def test_jobs_leads_to_the_page_on_which_a_stop_is_corrected(client: FlaskClient, standing: str) -> None:
    jobs = client.get("/jobs").text
    assert f'href="{standing}"' in jobs
    page = client.get(standing).text
    for words in ("A stop of Larch", "PLA Chalk white", "Hook", "Spoolkeep, which saw it by itself"):
        assert words in page
    assert 'value="2026-03-04T12:00"' in page


def test_a_stop_is_corrected_and_that_is_undone(
    client: FlaskClient, shop: TestWorkshop, key: Key, standing: str
) -> None:
    form = {"key": key(), "do": "times", "from_at": "2026-03-04T11:30", "until_at": "2026-03-04T13:00"}
    for _ in range(2):
        told = client.post(standing, data=form, follow_redirects=True)
        assert "Corrected. From now on it stays as you said." in told.text
    assert "a person" in told.text
    assert (the_stop(shop).hours, the_stop(shop).corrected) == (1.5, True)
    assert standstill.look_at_all(shop.store, now=shop.now) == 0
    undo = re.findall(r'action="(/setup/acts/\d+/undo)"', client.get("/setup/acts").text)[0]
    assert client.post(undo, data={"key": key()}).status_code == 302
    assert (the_stop(shop).until_at, the_stop(shop).corrected) == (None, False)


def test_a_time_that_is_left_as_it_stands_keeps_its_seconds(client: FlaskClient, shop: TestWorkshop, key: Key) -> None:
    shop.now += timedelta(seconds=37)
    shop.plan("Hook", FeedGrams(200_000, article_id=shop.articles[1]))
    began = shop.now
    standstill.look_at_all(shop.store, now=began)
    shop.now += HOUR
    form = {"key": key(), "do": "times", "from_at": "2026-03-04T12:00", "until_at": "2026-03-04T12:30"}
    assert client.post("/jobs/stops/1", data=form).status_code == 302
    assert the_stop(shop).from_at == began


def test_a_stop_that_was_none_counts_no_more(client: FlaskClient, shop: TestWorkshop, key: Key, standing: str) -> None:
    told = client.post(standing, data={"key": key(), "do": "none"}, follow_redirects=True).text
    assert "It was no stop: no hours of it count." in told
    assert "It was no stop</span></button>" not in told
    assert "No machine stood still" in client.get("/money").text
    assert "no stop" in rows(client.get("/money/stops").text, "behind")[0]
    assert "no stop" in client.get("/jobs").text
    assert client.post(standing, data={"key": key(), "do": "none"}).status_code == 409
    assert the_stop(shop).was_none


@pytest.mark.parametrize(
    ("since", "until", "words"),
    [
        ("", "", "Say since when it stood still."),
        ("soon", "", "is not a time. Write it like 2026-03-04 15:30."),
        ("2026-03-04T12:00", "2026-03-04T18:00", "A stop cannot lie in the future. Check the times."),
        ("2026-03-04T13:00", "2026-03-04T12:30", "The stop would end before it began. Check the times."),
        ("2026-03-04T13:00", "2026-03-04T13:00", "press “It was no stop” instead"),
    ],
)
def test_times_that_cannot_be_are_refused_and_stay_in_the_form(
    client: FlaskClient, shop: TestWorkshop, key: Key, standing: str, since: str, until: str, words: str
) -> None:
    before = the_stop(shop)
    told = client.post(standing, data={"key": key(), "do": "times", "from_at": since, "until_at": until})
    assert told.status_code == 422
    assert words in told.text
    assert not until or f'value="{until}"' in told.text
    assert the_stop(shop) == before


def test_there_is_no_page_of_a_stop_that_is_not_there(client: FlaskClient, key: Key) -> None:
    assert client.get("/jobs/stops/7").status_code == 404
    assert client.post("/jobs/stops/7", data={"key": key(), "do": "none"}).status_code == 404


def test_a_station_corrects_a_stop_and_sees_no_money(browser: Browser, key: Key, standing: str) -> None:
    station = browser("station")
    page = station.get(standing)
    assert page.status_code == 200
    assert "€" not in page.text
    assert "/money/stops" not in page.text
    assert station.get("/money/stops").status_code == 403
    assert station.post(standing, data={"key": key(), "do": "none"}).status_code == 302
