"""The first days of a workshop: what is said of how long things last, with 0, 1, 3, 10 and 30 days of draws."""

import re
from datetime import timedelta

import pytest
from flask.testing import FlaskClient

from spoolkeep.domain.words import Outcome
from spoolkeep.services import jobs, outlooks
from spoolkeep.services.imports import import_sheet
from spoolkeep.services.jobs import FeedGrams, JobReport
from tests.workshop import TestWorkshop, by

SHEET = b"material,colour,finish,left_g,received_on\nPLA,Slate black,matt,900,2025-06-01\n"


def lived(shop: TestWorkshop, days: int) -> None:
    """Bring in a spool that came nine months ago, today, and let 20 g be drawn on each of the days before."""
    shop.do(lambda s: import_sheet(session=s, now=shop.now, by=by(), sheet="spools", source="shelf.csv", data=SHEET))
    for back in range(days, 0, -1):
        _job(shop, back)


def _job(shop: TestWorkshop, back: int) -> None:
    report = JobReport("Hook", None, (FeedGrams(20_000, article_id=shop.articles[0]),))
    at = shop.now - timedelta(days=back)
    shop.do(
        lambda s: jobs.report_job(session=s, now=shop.now, by=by(), report=report, outcome=Outcome.GOOD, ended_at=at)
    )


def words(page: str) -> str:
    return " ".join(re.sub(r"<[^>]+>", " ", page.partition("<main")[2]).replace("\N{NO-BREAK SPACE}", " ").split())


def test_months_before_the_books_are_no_evidence_that_nothing_is_drawn(shop: TestWorkshop) -> None:
    lived(shop, 3)
    with shop.store.read() as session:
        past = outlooks.told(session, today=shop.now.date()).past
    assert past.grams[0].tolist() == [20_000] * 3


def test_before_anything_was_drawn_no_figure_is_made_up(client: FlaskClient, shop: TestWorkshop) -> None:
    lived(shop, 0)
    assert "Nothing was drawn before today, so how long anything lasts" in words(client.get("/stock").text)
    item = words(client.get(f"/stock/{shop.articles[0]}").text)
    assert item.count("not known yet") == 6, "five figures and the sentence"
    for made_up in ("no need", "none in sight", "under 1 %", "Drew 0 g"):
        assert made_up not in item


@pytest.mark.parametrize(("days", "said"), [(1, "Only 1 day of draws is"), (3, "Only 3 days"), (10, "Only 10 days")])
def test_few_days_are_said_to_be_few(client: FlaskClient, shop: TestWorkshop, days: int, said: str) -> None:
    lived(shop, days)
    assert said in words(client.get("/stock").text)
    item = words(client.get(f"/stock/{shop.articles[0]}").text)
    assert said in item
    assert "Drew 20 g a day" in item


def test_after_a_month_the_figures_stand_alone(client: FlaskClient, shop: TestWorkshop) -> None:
    lived(shop, 30)
    assert "of draws are known" not in words(client.get("/stock").text)
