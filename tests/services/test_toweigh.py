"""A weighing is asked for only where it would change what a person does."""

from datetime import datetime, timedelta

import pytest

from spoolkeep.domain.words import Outcome
from spoolkeep.services import bench, jobs, spools, standby, today, toweigh
from spoolkeep.services.jobs import FeedGrams, JobReport
from spoolkeep.services.toweigh import ToWeigh
from spoolkeep.store.acts import By
from spoolkeep.store.engine import Store
from spoolkeep.store.seeds import FIRST_ACTOR
from tests.workshop import TestWorkshop, by, station_at

HOUR = timedelta(hours=1)


@pytest.fixture
def shop(store: Store, now: datetime) -> TestWorkshop:
    return TestWorkshop(store, now)


def load(shop: TestWorkshop, code: str, at: datetime) -> None:
    for text in (code, shop.feeds[0]):
        with shop.store.write() as session:
            who = By(FIRST_ACTOR, by().key, station_id=station_at(session, at))
            bench.scan(session=session, now=at, by=who, text=text)


def weigh(shop: TestWorkshop, code: str, left_mg: int, at: datetime) -> None:
    gross_mg = left_mg + 200_000
    shop.do(lambda s: spools.weigh(session=s, now=shop.now, by=by(), spool_code=code, gross_mg=gross_mg, at=at))


def draw(shop: TestWorkshop, mg: int, at: datetime) -> None:
    report = JobReport("Hook", 1, (FeedGrams(mg, feed_id=1),))
    shop.do(
        lambda s: jobs.report_job(session=s, now=shop.now, by=by(), report=report, outcome=Outcome.GOOD, ended_at=at)
    )


def plan(shop: TestWorkshop, mg: int, title: str = "Trug") -> int:
    report = JobReport(title, 1, (FeedGrams(mg, feed_id=1),))
    return shop.do(lambda s: jobs.plan_job(session=s, now=shop.now, by=by(), report=report)).job_id


@pytest.fixture
def half_used(shop: TestWorkshop) -> str:
    """Give a spool of which 600 g were metered since it came: about 400 g are left, nobody knows to a few grams."""
    (code,) = shop.deliver(at=shop.now - 60 * HOUR)
    load(shop, code, shop.now - 50 * HOUR)
    for number in range(6):
        draw(shop, 100_000, shop.now - (40 - number) * HOUR)
    return code


def asked(shop: TestWorkshop) -> list[ToWeigh]:
    with shop.store.read() as session:
        found = toweigh.asked(session=session)
        assert list(today.needed(session=session, now=shop.now).doubts.first) == found
    return found


def test_where_nothing_is_to_come_nobody_needs_to_weigh(shop: TestWorkshop, half_used: str) -> None:
    assert half_used
    assert asked(shop) == []


@pytest.mark.parametrize(("mg", "is_asked"), [(100_000, False), (395_000, True), (900_000, False)])
def test_it_is_asked_only_where_the_job_may_or_may_not_fit(
    shop: TestWorkshop, half_used: str, mg: int, *, is_asked: bool
) -> None:
    plan(shop, mg)
    found = asked(shop)
    assert [one.spool_code for one in found] == ([half_used] if is_asked else [])
    for one in found:
        assert one.low_mg < one.needs_mg <= one.high_mg
        assert (one.job, one.feed) == ("Trug", "Larch feed 1")


def test_jobs_before_it_count(shop: TestWorkshop, half_used: str) -> None:
    plan(shop, 195_000, "Peg")
    plan(shop, 200_000, "Trug")
    (one,) = asked(shop)
    assert (one.spool_code, one.needs_mg, one.job) == (half_used, 395_000, "Trug")


def test_a_spool_that_was_just_weighed_is_not_asked_for_again(shop: TestWorkshop, half_used: str) -> None:
    plan(shop, 395_000)
    weigh(shop, half_used, 394_000, shop.now - HOUR)
    assert asked(shop) == []


def test_where_another_takes_over_by_itself_it_does_not_matter(shop: TestWorkshop, half_used: str) -> None:
    plan(shop, 395_000)
    assert [one.spool_code for one in asked(shop)] == [half_used]
    (other,) = shop.deliver()
    feed = shop.feeds[0]
    shop.do(lambda s: standby.stand_by(session=s, now=shop.now, by=by(), spool_code=other, feed_code=feed))
    assert asked(shop) == []


def test_a_job_that_starts_says_that_its_spool_may_not_last(shop: TestWorkshop, half_used: str) -> None:
    assert half_used
    job_id = plan(shop, 395_000)
    odd = shop.do(lambda s: jobs.start_job(session=s, now=shop.now, by=by(), job_id=job_id)).odd
    assert len(odd) == 1
    assert "it may not last. Weigh it." in odd[0]
