"""The start page and the search as pages: lines with one act each, and addresses that lead straight to it."""

import re
from collections.abc import Callable
from datetime import timedelta

import pytest
from flask import Flask
from flask.testing import FlaskClient

from spoolkeep.services import finding, jobs, today
from spoolkeep.services.firsthour import Step
from spoolkeep.services.jobs import FeedGrams, JobReport
from spoolkeep.web.search import PLACES, WORDS
from tests.workshop import TestWorkshop, by

Key = Callable[[], str]


def _needs(text: str) -> list[str]:
    return [re.sub(r"<[^>]+>", " ", one) for one in re.findall(r'<li class="need.*?</li>', text, flags=re.DOTALL)]


def _acts(text: str) -> list[list[str]]:
    lines = re.findall(r'<li class="need.*?</li>', text, flags=re.DOTALL)
    return [re.findall(r'<a class="button[^"]*" href="([^"]+)"', one) for one in lines]


def test_a_new_workshop_is_led_by_its_first_steps(client: FlaskClient) -> None:
    acts = _acts(client.get("/").text)
    assert [act[0] for act in acts] == [f"/first-hour?at={step}#{step}" for step in Step]


def test_a_day_on_which_all_runs_says_so(client: FlaskClient, shop: TestWorkshop) -> None:
    shop.deliver()
    page = client.get("/").text
    assert "nothing needs anybody before" in page
    assert "opening at 07:00" in page
    assert _needs(page) == []


def test_each_need_has_one_act_that_goes_straight_to_it(client: FlaskClient, shop: TestWorkshop) -> None:
    shop.deliver()
    with shop.store.read() as session:
        machine = finding.feed_of(session, shop.feeds[0]).machine_id
    needs = (FeedGrams(1_500_000, article_id=shop.articles[0]),)
    report = JobReport("Planter & pot", machine, needs, due_at=shop.now - timedelta(hours=2))
    job = shop.do(lambda s: jobs.plan_job(session=s, now=shop.now, by=by(), report=report)).job_id
    page = client.get("/").text
    assert _acts(page) == [["/orders"], [f"/jobs/{job}/end"]]
    assert re.findall('class="need ([a-z]+)"', page) == ["late", "late"]
    assert "500\N{NO-BREAK SPACE}g short of what is committed" in page
    assert "Planter &amp; pot is past its time" in page
    for (act,) in _acts(page):
        assert client.get(act).status_code == 200


def test_what_is_late_stands_before_what_can_wait(client: FlaskClient, shop: TestWorkshop) -> None:
    shop.run_low()
    late = JobReport("Planter", None, (FeedGrams(1_000, article_id=shop.articles[1]),), due_at=shop.now)
    shop.do(lambda s: jobs.plan_job(session=s, now=shop.now - timedelta(days=1), by=by(), report=late))
    kinds = re.findall('class="need ([a-z]+)"', client.get("/").text)
    assert {"late", "look"} <= set(kinds)
    assert kinds == sorted(kinds, key=["stop", "late", "look"].index)
    with shop.store.read() as session:
        needed = today.needed(session=session, now=shop.now)
    assert len(kinds) == len(needed.needs), "each need is said, and once"


def test_a_stop_is_entered_shown_on_today_and_ended(client: FlaskClient, shop: TestWorkshop, key: Key) -> None:
    shop.deliver()
    with shop.store.read() as session:
        machine = finding.feed_of(session, shop.feeds[0]).machine_id
    form = {"key": key(), "machine": str(machine), "from_at": "2026-03-04T09:30", "article": str(shop.articles[1])}
    for _ in range(2):
        assert client.post("/jobs/stops", data=form).location == "/jobs#stops"
    today = client.get("/").text
    assert "Larch stands still" in today
    assert "since 09:30, for want of PLA Chalk white" in today
    assert _acts(today) == [["/jobs#stops"]]
    number = re.search(r"/jobs/stops/(\d+)/end", client.get("/jobs").text)
    assert number is not None
    ended = client.post(number[0], data={"key": key(), "until_at": "2026-03-04T11:00"}, follow_redirects=True)
    assert "1.5\N{NO-BREAK SPACE}h" in ended.text
    assert "Larch stands still" not in client.get("/").text


@pytest.mark.parametrize(("since", "status"), [("", 422), ("2026-03-04T13:00", 422), ("soon", 422)])
def test_a_stop_that_cannot_be_is_refused_and_kept(
    client: FlaskClient, shop: TestWorkshop, key: Key, since: str, status: int
) -> None:
    with shop.store.read() as session:
        machine = finding.feed_of(session, shop.feeds[0]).machine_id
    refused = client.post("/jobs/stops", data={"key": key(), "machine": machine, "from_at": since, "why": "no white"})
    assert refused.status_code == status
    assert 'value="no white"' in refused.text


def test_a_spool_runs_out_and_the_one_that_stands_by_takes_over(
    client: FlaskClient, shop: TestWorkshop, key: Key
) -> None:
    first, second = shop.deliver(2)
    for code in (first, shop.feeds[0]):
        client.post("/bench", data={"key": key(), "code": code})
    waits = {"key": key(), "do": "stand-by", "feed": shop.feeds[0]}
    assert "stands by on Larch feed 1" in client.post(f"/spools/{second}", data=waits, follow_redirects=True).text
    bench = client.get("/bench").text
    assert bench.index(f'href="/spools/{first}"') < bench.index(f'href="/spools/{second}"')
    over = client.post(f"/spools/{first}", data={"key": key(), "do": "ran-out"}, follow_redirects=True)
    assert "takes over" in over.text
    assert f'href="/spools/{second}"' in client.get("/bench").text


def test_a_refill_takes_over_the_reel_of_an_emptied_spool(client: FlaskClient, shop: TestWorkshop, key: Key) -> None:
    first, second = shop.deliver(2)
    refused = client.post(f"/spools/{second}", data={"key": key(), "do": "reel", "reel_of": first})
    assert refused.status_code == 409
    assert f'value="{first}"' in refused.text
    client.post(f"/spools/{first}", data={"key": key(), "do": "ran-out"})
    done = client.post(f"/spools/{second}", data={"key": key(), "do": "reel", "reel_of": first}, follow_redirects=True)
    assert "Its reel weighs 200\N{NO-BREAK SPACE}g empty" in done.text


def test_a_search_groups_what_it_found_and_leads_there(client: FlaskClient, shop: TestWorkshop) -> None:
    shop.deliver()
    page = client.get("/search?q=s").text
    for word in ("Items", "Places", "Pages"):
        assert f">{word}</h2>" in page
    for href in re.findall(r'class="hit" href="([^"]+)"', page):
        assert client.get(href).status_code == 200, href


def test_a_whole_code_leads_straight_to_its_page(client: FlaskClient, shop: TestWorkshop) -> None:
    (spool,) = shop.deliver()
    assert client.get(f"/search?q={spool}").location == f"/spools/{spool}"
    assert client.get(f"/search?q={shop.feeds[0]}").location.startswith("/bench#feed-")
    assert client.get(f"/search?q={shop.places[0]}").location == f"/setup#place-{shop.places[0]}"
    part = client.get(f"/search?q={spool}", headers={"X-Fragment": "1"})
    assert part.status_code == 200
    assert "<html" not in part.text


def test_a_text_of_signs_is_only_text(client: FlaskClient) -> None:
    page = client.get("/search?q=%3Cb%3E%25_").text
    assert "Nothing is called “&lt;b&gt;%_”" in page


def test_every_page_that_search_names_is_there(app: Flask, client: FlaskClient, shop: TestWorkshop) -> None:
    shop.deliver()
    for words, endpoint, anchor in PLACES:
        with app.test_request_context(base_url="http://localhost"):
            path = app.url_for(endpoint)
        page = client.get(path).text
        # a part that is not needed yet is not on its page: nothing waits, no figures
        assert not anchor or f'id="{anchor}"' in page or anchor in {"open-draws", "share"}, words
    assert "page" in WORDS


def test_stock_shows_what_the_address_asks_for(client: FlaskClient, shop: TestWorkshop) -> None:
    shop.deliver()
    shop.deliver(article=1)
    for query, names in (
        ("", {"PLA Slate black", "PLA Chalk white"}),
        ("?colour=CHALK", {"PLA Chalk white"}),
        ("?material=PETG", set()),
        ("?show=due", set()),
        ("?page=99", {"PLA Slate black", "PLA Chalk white"}),
    ):
        shown = set(re.findall(r'<a href="/stock/\d+">([^<]+)</a>', client.get(f"/stock{query}").text))
        assert shown == names, query
