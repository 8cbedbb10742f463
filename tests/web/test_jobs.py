"""The Jobs pages: jobs that have no machine yet, jobs that never ran, and draws whose item alone is known."""

import io
import re
from collections.abc import Callable
from datetime import timedelta

import pytest
from flask.testing import FlaskClient
from sqlalchemy import select
from sqlmodel import col
from werkzeug.test import TestResponse

from spoolkeep.services import assumed, catalogue, deliveries, finding, joblist, jobs, machines
from spoolkeep.services.jobs import FeedGrams, JobReport
from spoolkeep.store.tables import Job, JobFeed
from tests.workshop import TestWorkshop, by

Key = Callable[[], str]


@pytest.fixture
def planned(shop: TestWorkshop) -> int:
    """Give a planned job that knows its item and no machine, as an import makes it."""
    report = JobReport("Herb planter", None, (FeedGrams(120_000, article_id=shop.articles[0]),))
    return shop.do(lambda s: jobs.plan_job(session=s, now=shop.now, by=by(), report=report)).job_id


def _feed(shop: TestWorkshop) -> tuple[int, int]:
    with shop.store.read() as session:
        feed = finding.feed_of(session, shop.feeds[0])
        return feed.machine_id, feed.id


def _job(shop: TestWorkshop, job_id: int) -> joblist.JobView:
    with shop.store.read() as session:
        return joblist.one(session=session, job_id=job_id)


def test_a_job_without_a_machine_is_ended_on_the_one_that_printed_it(
    client: FlaskClient, shop: TestWorkshop, key: Key, planned: int
) -> None:
    machine, feed = _feed(shop)
    assert "Which machine printed it" in client.get(f"/jobs/{planned}/end").text
    page = client.get(f"/jobs/{planned}/end?machine={machine}").text
    assert f'<input type="hidden" name="machine" value="{machine}">' in page
    form = {"key": key(), "machine": str(machine), f"feed-{feed}": "118", "outcome": "good"}
    assert client.post(f"/jobs/{planned}/end", data=form).status_code == 302
    job = _job(shop, planned)
    assert (job.machine, job.state, job.drawn_mg) == ("Larch", "ended", 118_000)


def test_a_job_without_a_machine_is_called_off(client: FlaskClient, shop: TestWorkshop, key: Key, planned: int) -> None:
    page = client.get(f"/jobs/{planned}/end").text
    assert "Call it off" in page
    assert '<option value="good"' not in page
    form = {"key": key(), "outcome": "stopped"}
    answer = client.post(f"/jobs/{planned}/end", data=form, follow_redirects=True)
    assert "nothing was drawn" in answer.text
    job = _job(shop, planned)
    assert (job.machine, job.state, job.outcome, job.drawn_mg) == ("", "ended", "stopped", 0)


def test_a_good_job_needs_its_machine_and_its_grams(
    client: FlaskClient, shop: TestWorkshop, key: Key, planned: int
) -> None:
    machine, _ = _feed(shop)
    for form, words in (
        ({}, "Say which machine prints it"),
        ({"machine": str(machine)}, "Enter the grams of at least one feed"),
    ):
        refused = client.post(f"/jobs/{planned}/end", data={"key": key(), "outcome": "good", **form})
        assert refused.status_code == 422
        assert words in refused.text
    assert _job(shop, planned).state == "planned"


@pytest.mark.parametrize("mg", [12_345, 12_000, 12_340, 1_234_567, 345])
def test_the_grams_that_a_job_needs_are_taken_as_the_page_writes_them(
    client: FlaskClient, shop: TestWorkshop, key: Key, mg: int
) -> None:
    machine, feed = _feed(shop)
    report = JobReport("Hook", None, (FeedGrams(mg, feed),))
    job_id = shop.do(lambda s: jobs.plan_job(session=s, now=shop.now, by=by(), report=report)).job_id
    page = client.get(f"/jobs/{job_id}/end?machine={machine}").text
    written = re.search(rf'name="feed-{feed}" type="text" value="([^"]+)"', page)
    assert written is not None
    form = {"key": key(), "machine": str(machine), f"feed-{feed}": written[1]}
    assert client.post(f"/jobs/{job_id}/end", data=form).status_code == 302
    assert _job(shop, job_id).drawn_mg == mg


def test_a_job_that_failed_at_the_start_is_reported_without_grams(
    client: FlaskClient, shop: TestWorkshop, key: Key
) -> None:
    machine, _ = _feed(shop)
    form = {"key": key(), "do": "report", "machine": str(machine), "title": "Hook", "outcome": "failed"}
    assert client.post("/jobs", data=form).status_code == 302
    assert client.post("/jobs", data={**form, "key": key(), "outcome": "good"}).status_code == 422
    assert client.post("/jobs", data={**form, "key": key(), "do": "plan"}).status_code == 422
    with shop.store.read() as session:
        assert [job.outcome for job in joblist.ended(session=session)] == ["failed"]


def test_the_item_of_a_draw_without_a_spool_is_chosen_on_the_page(
    client: FlaskClient, shop: TestWorkshop, key: Key
) -> None:
    machine, feed = _feed(shop)
    form = {"key": key(), "do": "report", "machine": str(machine), "title": "Hook", f"feed-{feed}": "40.5"}
    client.post("/jobs", data=form)
    assert "Item of Hook, " in client.get("/jobs").text
    with shop.store.read() as session:
        number = joblist.open_draws(session=session)[0].movement_id
    named = {"key": key(), "article": str(shop.articles[1])}
    for _ in range(2):
        answer = client.post(f"/jobs/draws/{number}/item", data=named, follow_redirects=True)
        assert answer.status_code == 200
    assert '<td data-label="Item" class="broad">PLA Chalk white</td>' in answer.text
    refused = client.post(f"/jobs/draws/{number}/item", data={**named, "key": key()})
    assert refused.status_code == 409
    with shop.store.read() as session:
        assert [one.item and one.item.name for one in joblist.open_draws(session=session)] == ["PLA Chalk white"]


def test_a_draw_takes_the_name_of_an_item_that_is_there(client: FlaskClient, shop: TestWorkshop, key: Key) -> None:
    machine, feed = _feed(shop)
    form = {"key": key(), "do": "report", "machine": str(machine), "title": "Hook", f"feed-{feed}": "40.5"}
    client.post("/jobs", data=form)
    with shop.store.read() as session:
        number = joblist.open_draws(session=session)[0].movement_id
    for article, status in (("", 422), ("999", 404)):
        assert client.post(f"/jobs/draws/{number}/item", data={"key": key(), "article": article}).status_code == status


def test_a_job_that_was_stopped_goes_on_and_one_that_ended_is_printed_again(
    client: FlaskClient, shop: TestWorkshop, key: Key
) -> None:
    machine, feed = _feed(shop)
    report = JobReport("Hook", machine, (FeedGrams(100_000, feed),))
    job_id = shop.do(lambda s: jobs.plan_job(session=s, now=shop.now, by=by(), report=report)).job_id
    early = {"do": "early", "early_outcome": "stopped", "where": "share", "point": "40"}
    client.post(f"/jobs/{job_id}/end", data={"key": key(), **early})
    page = client.get("/jobs").text
    assert f"/jobs/{job_id}/go-on" in page
    answer = client.post(f"/jobs/{job_id}/go-on", data={"key": key()}, follow_redirects=True).text
    assert "It goes on" in answer
    assert f"/jobs/{job_id}/go-on" not in answer
    assert _job(shop, job_id + 1).needs_mg == 60_000
    assert client.post(f"/jobs/{job_id}/go-on", data={"key": key()}).status_code == 409
    answer = client.post(f"/jobs/{job_id}/again", data={"key": key()}, follow_redirects=True).text
    assert "Planned once more" in answer
    assert _job(shop, job_id + 2).needs_mg == 100_000
    assert client.post(f"/jobs/{job_id + 2}/again", data={"key": key()}).status_code == 409


def test_a_job_that_was_taken_as_done_says_so_until_somebody_says_how_it_ended(
    client: FlaskClient, shop: TestWorkshop, key: Key
) -> None:
    machine, feed = _feed(shop)
    setup = {"key": key(), "do": "silent", "machine": str(machine), "silent": "yes"}
    assert "taken as done" in client.post("/setup", data=setup, follow_redirects=True).text
    report = JobReport("Hook", machine, (FeedGrams(100_000, feed),), duration_s=3600)
    job_id = shop.do(lambda s: jobs.plan_job(session=s, now=shop.now, by=by(), report=report)).job_id
    shop.do(lambda s: jobs.start_job(session=s, now=shop.now - timedelta(hours=2), by=by(), job_id=job_id))
    assert assumed.take_all(shop.store, now=shop.now) == 1
    assert "Say how it ended" in client.get("/jobs").text
    assert "It still runs" in client.get(f"/jobs/{job_id}/end").text
    client.post(f"/jobs/{job_id}/end", data={"key": key(), "outcome": "good", f"feed-{feed}": "100"})
    assert "Say how it ended" not in client.get("/jobs").text
    setup = {"key": key(), "do": "silent", "machine": str(machine)}
    assert "somebody says it" in client.post("/setup", data=setup, follow_redirects=True).text


def test_orders_on_hand_are_entered_and_go_out(client: FlaskClient, shop: TestWorkshop, key: Key) -> None:
    entry = catalogue.ProductEntry("Trug", None, ((shop.articles[0], 80_000),))
    shop.do(lambda s: catalogue.add_product(session=s, now=shop.now, by=by(), entry=entry))
    form = {"order": "1042", "product": "Trug", "pieces": "3", "due_on": "2026-03-01"}
    page = client.post("/jobs/on-hand", data={"key": key(), **form}, follow_redirects=True).text
    assert "1042" in page
    assert "240\N{NO-BREAK SPACE}g" in page
    assert "late" in page
    refused = client.post("/jobs/on-hand", data={"key": key(), **form, "colour": "Teal"})
    assert refused.status_code == 404
    assert "There is no item PLA Teal" in refused.text
    assert 'value="1042"' in refused.text
    page = client.post("/jobs/on-hand/1", data={"key": key(), "do": "sent"}, follow_redirects=True).text
    assert "It went out" in page
    assert "No order waits" in page


def test_a_file_of_two_colours_is_planned_for_any_machine_by_the_items_of_its_tools(
    client: FlaskClient, shop: TestWorkshop, key: Key
) -> None:
    def drop(**more: str) -> TestResponse:
        file = (io.BytesIO(b"M83\nT0\nG1 X1 E1000\nT1\nG1 X2 E500\n"), "sign.gcode")
        form = {"key": key(), "times": "1", "file": file, **more}
        return client.post("/jobs/file", data=form, content_type="multipart/form-data", follow_redirects=True)

    first, second = map(str, shop.articles)
    assert drop(**{"tool-0": first}).status_code == 409
    answer = drop(**{"tool-0": first, "tool-1": second})
    assert "sign.gcode is planned as one job" in answer.text
    with shop.store.read() as session:
        rows = session.scalars(select(JobFeed).order_by(col(JobFeed.tool))).all()
    assert [(row.tool, row.article_id) for row in rows] == list(enumerate(shop.articles))
    assert rows[0].needs_mg == pytest.approx(2 * rows[1].needs_mg, abs=1)


@pytest.mark.usefixtures("shop")
def test_the_bin_is_weighed_and_what_it_held_is_shown(client: FlaskClient, key: Key) -> None:
    page = client.get("/jobs/failures").text
    assert "The waste bin" in page
    form = {"key": key(), "held": "350", "since_at": "2026-02-25T12:00"}
    page = client.post("/jobs/failures", data=form, follow_redirects=True).text
    assert "0 jobs are known better" in page
    assert "350\N{NO-BREAK SPACE}g" in page
    refused = client.post("/jobs/failures", data={**form, "key": key()})
    assert refused.status_code == 422
    assert "weighed since then" in refused.text
    assert 'value="350"' in refused.text


def test_credit_that_is_due_is_shown_until_it_comes(client: FlaskClient, shop: TestWorkshop, key: Key) -> None:
    (code,) = shop.deliver()
    shop.do(lambda s: deliveries.send_back(session=s, now=shop.now, by=by(), spool_codes=[code], note="crushed"))
    assert "crushed" in client.get("/orders").text
    page = client.post("/orders/credits/1", data={"key": key(), "came": "15.00"}, follow_redirects=True).text
    assert "less than was asked" in page
    assert "Credit that is due" not in page


def test_a_job_that_is_planned_by_hand_remembers_what_is_loaded_how_long_it_takes_and_what_its_changes_purge(
    client: FlaskClient, shop: TestWorkshop, key: Key
) -> None:
    machine, first = _feed(shop)
    (black,), (white,) = shop.deliver(), shop.deliver(article=1)
    shop.scan(black, shop.feeds[0], white, shop.feeds[1])
    with shop.store.read() as session:
        second = finding.feed_of(session, shop.feeds[1]).id
    shop.do(
        lambda s: machines.tell_purge(
            session=s, now=shop.now, by=by(), machine_id=machine, mg=2_000, items=(None, None)
        )
    )
    grams = {f"feed-{first}": "40", f"feed-{second}": "10"}
    form = {"key": key(), "machine": str(machine), "title": "Lamp", "do": "plan", "hours": "6.5", "changes": "10"}
    assert client.post("/jobs", data=form | grams).status_code == 302
    with shop.store.read() as session:
        rows = session.scalars(select(JobFeed).order_by(col(JobFeed.id))).all()
        job = session.scalars(select(Job)).one()
    assert job.duration_s == 23_400
    black_id, white_id = shop.articles[:2]
    assert [(one.article_id, one.needs_mg) for one in rows if one.cause == "good"] == [
        (black_id, 40_000),
        (white_id, 10_000),
    ]
    purged = {one.article_id: one.needs_mg for one in rows if one.cause == "purge"}
    assert purged[white_id] > 10_000 > purged[black_id] > 0  # five changes to each, more to the light one


@pytest.mark.parametrize(("field", "value"), [("hours", "0"), ("hours", "9999"), ("changes", "-1"), ("hours", "soon")])
def test_a_time_or_a_number_of_changes_that_cannot_be_is_refused(
    client: FlaskClient, shop: TestWorkshop, key: Key, field: str, value: str
) -> None:
    machine, feed = _feed(shop)
    form = {"key": key(), "machine": str(machine), "title": "Lamp", "do": "plan", f"feed-{feed}": "40", field: value}
    assert client.post("/jobs", data=form).status_code == 422


@pytest.mark.parametrize(("field", "value"), [("hours", "5"), ("changes", "3"), ("due_at", "2026-03-09T12:00")])
def test_what_only_a_job_to_come_has_is_no_report_of_one_that_ended(
    client: FlaskClient, shop: TestWorkshop, key: Key, field: str, value: str
) -> None:
    machine, feed = _feed(shop)
    form = {"key": key(), "do": "report", "machine": str(machine), "title": "Hook", f"feed-{feed}": "40.5"}
    refused = client.post("/jobs", data={**form, field: value})
    assert refused.status_code == 422
    assert "Plan it, or empty them" in refused.text
    assert client.post("/jobs", data=form).status_code == 302


def test_a_layer_without_its_kind_is_refused_and_nothing_ends(
    client: FlaskClient, shop: TestWorkshop, key: Key, planned: int
) -> None:
    machine, _ = _feed(shop)
    early = {"key": key(), "do": "early", "machine": str(machine), "where": "unknown", "point": "11"}
    refused = client.post(f"/jobs/{planned}/end", data=early)
    assert refused.status_code == 422
    assert "Say what 11 is" in refused.text
    assert _job(shop, planned).state == "planned"
