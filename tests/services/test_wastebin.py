"""The waste bin on the scale reconciles the jobs that failed nobody knows when."""

from datetime import datetime, timedelta

import pytest

from spoolkeep.domain.errors import BadInput
from spoolkeep.domain.words import FailedWhen, Outcome
from spoolkeep.services import again, bench, endings, jobs, undoing, wastebin
from spoolkeep.services.endings import Early
from spoolkeep.services.jobs import FeedGrams, JobReport
from spoolkeep.services.wastebin import BinAnswer
from spoolkeep.store.acts import By
from spoolkeep.store.engine import Store
from spoolkeep.store.proof import differences
from spoolkeep.store.seeds import FIRST_ACTOR
from spoolkeep.store.tables import Balance, Job
from tests.workshop import TestWorkshop, by, station_at

HOUR = timedelta(hours=1)
WEEK = timedelta(days=7)


@pytest.fixture
def shop(store: Store, now: datetime) -> TestWorkshop:
    shop = TestWorkshop(store, now)
    code = shop.deliver(at=now - 5 * WEEK, grams=5000)[0]
    at = now - 5 * WEEK
    for text in (code, shop.feeds[0]):
        with store.write() as session:
            who = By(FIRST_ACTOR, by().key, station_id=station_at(session, at))
            bench.scan(session=session, now=at, by=who, text=text)
    return shop


def failed(shop: TestWorkshop, mg: int, at: datetime, early: Early) -> int:
    report = JobReport("Trug", 1, (FeedGrams(mg, feed_id=1),))
    job_id = shop.do(lambda s: jobs.plan_job(session=s, now=shop.now, by=by(), report=report)).job_id
    shop.do(
        lambda s: endings.end_early(
            session=s, now=shop.now, by=by(), job_id=job_id, outcome=Outcome.FAILED, early=early, ended_at=at
        )
    )
    return job_id


def good(shop: TestWorkshop, mg: int, at: datetime) -> None:
    report = JobReport("Trug", 1, (FeedGrams(mg, feed_id=1),))
    shop.do(
        lambda s: jobs.report_job(session=s, now=shop.now, by=by(), report=report, outcome=Outcome.GOOD, ended_at=at)
    )


def weigh(shop: TestWorkshop, held_mg: int, *, weeks_ago: int = 0) -> BinAnswer:
    at = shop.now - weeks_ago * WEEK
    return shop.do(
        lambda s: wastebin.weigh(session=s, now=shop.now, by=by(), held_mg=held_mg, since_at=at - WEEK, at=at)
    )


def share(shop: TestWorkshop, job_id: int) -> tuple[float, float, float]:
    with shop.store.read() as session:
        job = session.get_one(Job, job_id)
        found = (job.failed_from_ppm, job.failed_at_ppm, job.failed_until_ppm)
    low, at, high = (round((one or 0) / 1_000_000, 2) for one in found)
    return low, at, high


def left_mg(shop: TestWorkshop) -> int:
    with shop.store.read() as session:
        assert list(differences(session)) == []
        return session.get_one(Balance, 1).left_mg


def test_what_the_bin_held_settles_a_job_that_nobody_saw_fail(shop: TestWorkshop) -> None:
    unknown = failed(shop, 400_000, shop.now - 50 * HOUR, Early(when=FailedWhen.UNKNOWN))
    seen = failed(shop, 100_000, shop.now - 40 * HOUR, Early({"share": 0.5}))
    assert (share(shop, unknown), left_mg(shop)) == ((0, 0.5, 1), 5_000_000 - 250_000)
    answer = weigh(shop, 350_000)
    low, at, high = share(shop, unknown)
    assert at == pytest.approx(0.74, abs=0.02)
    assert 0.6 < low < at < high < 0.9, "it is known to some five per cent of the bin's grams"
    assert share(shop, seen) == (0.5, 0.5, 0.5)
    assert answer.settled_mg == pytest.approx(98_000, abs=4_000)
    assert left_mg(shop) == 5_000_000 - 250_000 - answer.settled_mg
    assert answer.rest_mg == 350_000 - 250_000 - answer.settled_mg


def test_more_than_jobs_can_explain_is_left_over(shop: TestWorkshop) -> None:
    job_id = failed(shop, 100_000, shop.now - 50 * HOUR, Early(when=FailedWhen.UNKNOWN))
    answer = weigh(shop, 900_000)
    assert share(shop, job_id)[1] == 1
    assert answer.rest_mg == 800_000


def test_supports_and_brims_that_are_usual_are_taken_off_first(shop: TestWorkshop) -> None:
    for weeks_ago in (4, 3, 2):
        good(shop, 1_000_000, shop.now - weeks_ago * WEEK - 10 * HOUR)
        weigh(shop, 80_000, weeks_ago=weeks_ago)
    good(shop, 1_000_000, shop.now - 60 * HOUR)
    job_id = failed(shop, 200_000, shop.now - 50 * HOUR, Early(when=FailedWhen.UNKNOWN))
    weigh(shop, 80_000 + 100_000)
    assert share(shop, job_id)[1] == pytest.approx(0.5, abs=0.01), "half of it is what the bin held besides"


def test_without_a_doubtful_job_it_is_only_written_down(shop: TestWorkshop) -> None:
    answer = weigh(shop, 50_000)
    assert (answer.jobs, answer.settled_mg, answer.rest_mg) == (0, 0, 50_000)
    with shop.store.read() as session:
        assert [one.rest_mg for one in wastebin.last(session=session)] == [50_000]


def test_it_is_undone_whole(shop: TestWorkshop) -> None:
    job_id = failed(shop, 400_000, shop.now - 50 * HOUR, Early(when=FailedWhen.LATE))
    before = share(shop, job_id), left_mg(shop)
    act_id = weigh(shop, 400_000).act_id
    assert (share(shop, job_id), left_mg(shop)) != before
    shop.do(lambda s: undoing.undo_act(session=s, now=shop.now, by=by(), act_id=act_id))
    assert (share(shop, job_id), left_mg(shop)) == before


def test_days_are_weighed_once_and_in_order(shop: TestWorkshop) -> None:
    weigh(shop, 50_000)
    with pytest.raises(BadInput, match="weighed since then"):
        weigh(shop, 50_000)
    with pytest.raises(BadInput, match="Enter grams"):
        weigh(shop, -1)


def test_a_job_that_went_on_is_no_longer_in_doubt(shop: TestWorkshop) -> None:
    job_id = failed(shop, 100_000, shop.now - 50 * HOUR, Early(when=FailedWhen.UNKNOWN))
    shop.do(lambda s: again.resume(session=s, now=shop.now - 40 * HOUR, by=by(), job_id=job_id))
    assert (weigh(shop, 40_000).jobs, left_mg(shop)) == (0, 4_950_000)


def test_an_empty_bin_leaves_some_doubt(shop: TestWorkshop) -> None:
    job_id = failed(shop, 100_000, shop.now - 50 * HOUR, Early(when=FailedWhen.UNKNOWN))
    weigh(shop, 0)
    low, at, high = share(shop, job_id)
    assert low <= at < 0.1
    assert high > at + 0.03
