"""Jobs that go on after a stop, that are printed again, and those of machines that report nothing."""

from datetime import datetime, timedelta

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.cards import Card
from spoolkeep.domain.errors import Conflict
from spoolkeep.domain.words import Cause, FailedWhen, Outcome
from spoolkeep.services import (
    again,
    assumed,
    bench,
    boards,
    catalogue,
    endings,
    failures,
    joblist,
    jobs,
    reports,
    undoing,
)
from spoolkeep.services.endings import Early
from spoolkeep.services.joblist import JobView
from spoolkeep.services.jobs import FeedGrams, JobReport
from spoolkeep.services.reports import Ending
from spoolkeep.store.acts import By
from spoolkeep.store.engine import Store
from spoolkeep.store.seeds import FIRST_ACTOR
from spoolkeep.store.tables import Act, Balance, Job, JobFeed
from tests.workshop import TestWorkshop, by, station_at

HOUR = timedelta(hours=1)


@pytest.fixture
def shop(store: Store, now: datetime) -> TestWorkshop:
    shop = TestWorkshop(store, now)
    code = shop.deliver(at=now - 50 * HOUR)[0]
    for text in (code, shop.feeds[0]):
        scan(shop, text, now - 49 * HOUR)
    return shop


def scan(shop: TestWorkshop, text: str, at: datetime) -> bench.ScanAnswer:
    with shop.store.write() as session:
        who = By(FIRST_ACTOR, by().key, station_id=station_at(session, at))
        return bench.scan(session=session, now=at, by=who, text=text)


def plan(shop: TestWorkshop, mg: int = 100_000, *, hours: int = 10, outside_id: str | None = None) -> int:
    report = JobReport("Hook", 1, (FeedGrams(mg, feed_id=1),), duration_s=hours * 3600, outside_id=outside_id)
    return shop.do(lambda s: jobs.plan_job(session=s, now=shop.now, by=by(), report=report)).job_id


def start(shop: TestWorkshop, job_id: int, at: datetime) -> None:
    shop.do(lambda s: jobs.start_job(session=s, now=at, by=by(), job_id=job_id))


def end(shop: TestWorkshop, job_id: int, at: datetime, outcome: Outcome, early: Early | None = None) -> int:
    if early:
        return shop.do(
            lambda s: endings.end_early(session=s, now=at, by=by(), job_id=job_id, outcome=outcome, early=early)
        ).drawn_mg
    return shop.do(
        lambda s: jobs.end_job(
            session=s, now=at, by=by(), job_id=job_id, outcome=outcome, grams=[FeedGrams(100_000, feed_id=1)]
        )
    ).drawn_mg


def view(shop: TestWorkshop, job_id: int) -> JobView:
    with shop.store.read() as session:
        return joblist.one(session=session, job_id=job_id)


def left_mg(shop: TestWorkshop) -> int:
    with shop.store.read() as session:
        return session.get_one(Balance, 1).left_mg


def stopped_at(shop: TestWorkshop, share: float, outside_id: str | None = None) -> int:
    job_id = plan(shop, outside_id=outside_id)
    start(shop, job_id, shop.now - 20 * HOUR)
    end(shop, job_id, shop.now - 16 * HOUR, Outcome.STOPPED, Early({"share": share}))
    return job_id


def go_on(shop: TestWorkshop, job_id: int, at: datetime) -> int:
    return shop.do(lambda s: again.resume(session=s, now=at, by=by(), job_id=job_id)).job_id


def test_a_job_that_goes_on_draws_the_rest_and_what_it_drew_was_good(shop: TestWorkshop) -> None:
    first = stopped_at(shop, 0.4)
    second = go_on(shop, first, shop.now - 12 * HOUR)
    assert (view(shop, second).needs_mg, view(shop, second).state) == (60_000, "running")
    grams = [FeedGrams(60_000, feed_id=1)]
    shop.do(lambda s: jobs.end_job(session=s, now=shop.now, by=by(), job_id=second, outcome=Outcome.GOOD, grams=grams))
    assert left_mg(shop) == 900_000
    with shop.store.read() as session:
        found = failures.view(session=session, now=shop.now)
    assert (found.by_machine[0].wasted_mg, found.by_machine[0].drawn_mg) == (0, 100_000)
    assert not view(shop, first).can_go_on


@pytest.mark.parametrize(("share", "drawn"), [(0.7, 30_000), (0.3, 0), (1.0, 60_000)])
def test_a_job_that_went_on_and_failed_is_charged_by_the_whole_file(
    shop: TestWorkshop, share: float, drawn: int
) -> None:
    second = go_on(shop, stopped_at(shop, 0.4), shop.now - 12 * HOUR)
    assert end(shop, second, shop.now, Outcome.FAILED, Early({"share": share})) == drawn


def test_where_nobody_saw_it_fail_again_the_rest_is_shared(shop: TestWorkshop) -> None:
    second = go_on(shop, stopped_at(shop, 0.4), shop.now - 12 * HOUR)
    assert end(shop, second, shop.now, Outcome.FAILED, Early(when=FailedWhen.HALF)) == 30_000


def test_a_job_goes_on_twice_and_once_each(shop: TestWorkshop) -> None:
    first = stopped_at(shop, 0.4)
    second = go_on(shop, first, shop.now - 12 * HOUR)
    end(shop, second, shop.now - 8 * HOUR, Outcome.STOPPED, Early({"share": 0.5}))
    third = go_on(shop, second, shop.now - 7 * HOUR)
    assert view(shop, third).needs_mg == 50_000
    assert end(shop, third, shop.now, Outcome.FAILED, Early({"share": 0.9})) == 40_000
    for job_id in (first, second):
        with pytest.raises(Conflict, match="went on already"):
            go_on(shop, job_id, shop.now)


def test_a_good_job_and_one_that_ran_on_do_not_go_on(shop: TestWorkshop) -> None:
    good, ran_on = plan(shop), plan(shop)
    end(shop, good, shop.now, Outcome.GOOD)
    end(shop, ran_on, shop.now, Outcome.FAILED, Early(when=FailedWhen.RAN_ON))
    with pytest.raises(Conflict, match="Print it again"):
        go_on(shop, good, shop.now)
    with pytest.raises(Conflict, match="Nothing is left"):
        go_on(shop, ran_on, shop.now)
    with pytest.raises(Conflict, match="has not ended"):
        go_on(shop, plan(shop), shop.now)


def test_a_program_goes_on_and_ends_under_the_same_id(shop: TestWorkshop) -> None:
    stopped_at(shop, 0.4, outside_id="night 7")
    shop.do(lambda s: reports.resume(session=s, now=shop.now, by=by(), job="night 7", resumed_at=shop.now - 9 * HOUR))
    shop.do(lambda s: reports.end(session=s, now=shop.now, by=by(), job="night 7", ending=Ending()))
    assert left_mg(shop) == 900_000
    with pytest.raises(Conflict, match="came off good"):
        shop.do(lambda s: reports.resume(session=s, now=shop.now, by=by(), job="night 7"))


def test_a_stop_cannot_come_after_what_goes_on(shop: TestWorkshop) -> None:
    stopped_at(shop, 0.4, outside_id="night 7")
    with pytest.raises(Conflict, match="before it was stopped"):
        shop.do(
            lambda s: reports.resume(session=s, now=shop.now, by=by(), job="night 7", resumed_at=shop.now - 17 * HOUR)
        )


def test_a_failed_job_is_planned_again_with_all_that_it_needs(shop: TestWorkshop) -> None:
    first = stopped_at(shop, 0.4)
    second = go_on(shop, first, shop.now - 12 * HOUR)
    end(shop, second, shop.now - 8 * HOUR, Outcome.FAILED, Early({"share": 0.5}))
    third = shop.do(lambda s: again.plan_again(session=s, now=shop.now, by=by(), job_id=second)).job_id
    assert (view(shop, third).needs_mg, view(shop, third).state) == (100_000, "planned")


def silent(shop: TestWorkshop) -> None:
    shop.do(lambda s: catalogue.set_silent(session=s, now=shop.now, by=by(), machine_id=1, silent=True))


def running(shop: TestWorkshop, *, hours_ago: int = 12) -> int:
    job_id = plan(shop)
    start(shop, job_id, shop.now - hours_ago * HOUR)
    return job_id


def test_past_its_planned_end_a_silent_machine_s_job_is_taken_as_done(shop: TestWorkshop) -> None:
    job_id = running(shop)
    assert assumed.take_all(shop.store, now=shop.now) == 0, "somebody says it, by the books"
    silent(shop)
    assert assumed.take_all(shop.store, now=shop.now - 3 * HOUR) == 0, "it runs still"
    assert assumed.take_all(shop.store, now=shop.now) == 1
    job = view(shop, job_id)
    assert (job.outcome, job.assumed, job.drawn_mg, job.ended_at) == ("good", True, 100_000, shop.now - 2 * HOUR)
    assert assumed.take_all(shop.store, now=shop.now) == 0


@pytest.fixture
def taken(shop: TestWorkshop) -> int:
    silent(shop)
    job_id = running(shop)
    assumed.take_all(shop.store, now=shop.now)
    return job_id


def test_whoever_says_otherwise_is_believed(shop: TestWorkshop, taken: int) -> None:
    end(shop, taken, shop.now, Outcome.FAILED, Early({"share": 0.25}))
    job = view(shop, taken)
    assert (job.outcome, job.assumed, job.drawn_mg) == ("failed", False, 25_000)
    assert left_mg(shop) == 975_000
    assert job.ended_at == shop.now - 2 * HOUR, "nobody said another time"
    with pytest.raises(Conflict, match="ended already"):
        end(shop, taken, shop.now, Outcome.GOOD)


def test_whoever_says_that_it_was_good_takes_the_mark_off(shop: TestWorkshop, taken: int) -> None:
    end(shop, taken, shop.now, Outcome.GOOD)
    assert (view(shop, taken).assumed, view(shop, taken).drawn_mg, left_mg(shop)) == (False, 100_000, 900_000)


def test_a_card_with_the_machine_says_otherwise_in_the_morning(shop: TestWorkshop, taken: int) -> None:
    for code in (shop.feeds[0], Card.CAME_OFF_BAD.code.text):
        answer = scan(shop, code, shop.now)
    assert answer.did == "ended"
    assert (view(shop, taken).outcome, view(shop, taken).assumed) == ("failed", False)


def test_a_late_report_takes_the_place_of_what_was_taken_as_done(shop: TestWorkshop) -> None:
    silent(shop)
    job_id = plan(shop, outside_id="night 8")
    start(shop, job_id, shop.now - 12 * HOUR)
    assumed.take_all(shop.store, now=shop.now)
    ending = Ending(outcome=Outcome.FAILED, early=Early({"share": 0.5}), ended_at=shop.now - 5 * HOUR)
    shop.do(lambda s: reports.end(session=s, now=shop.now, by=by(), job="night 8", ending=ending))
    job = view(shop, job_id)
    assert (job.drawn_mg, job.ended_at, left_mg(shop)) == (50_000, shop.now - 5 * HOUR, 950_000)


def test_a_job_that_still_runs_is_taken_as_done_when_it_is(shop: TestWorkshop, taken: int) -> None:
    start(shop, taken, shop.now - HOUR)
    assert (view(shop, taken).state, left_mg(shop)) == ("running", 1_000_000)
    assert assumed.take_all(shop.store, now=shop.now) == 0
    assert assumed.take_all(shop.store, now=shop.now + 9 * HOUR) == 1


def test_a_job_whose_taking_was_undone_is_left_alone(shop: TestWorkshop, taken: int) -> None:
    with shop.store.read() as session:
        act_id = session.scalars(select(col(Act.id)).where(col(Act.kind) == "taken as done")).one()
    shop.do(lambda s: undoing.undo_act(session=s, now=shop.now, by=by(), act_id=act_id, owner=True))
    assumed.take_all(shop.store, now=shop.now + HOUR)
    assert (view(shop, taken).state, left_mg(shop)) == ("running", 1_000_000)


def ticket(shop: TestWorkshop, job_id: int) -> str:
    shop.do(lambda s: jobs.give_ticket(session=s, now=shop.now, by=by(), job_id=job_id))
    with shop.store.read() as session:
        return joblist.ticket_of(session=session, job_id=job_id)


def test_a_job_on_a_memory_card_is_started_by_its_ticket_and_a_feed_in_either_order(shop: TestWorkshop) -> None:
    report = JobReport("Hook", None, (FeedGrams(100_000, article_id=shop.articles[0]),))
    for at in (0, 1):
        job_id = shop.do(lambda s: jobs.plan_job(session=s, now=shop.now, by=by(), report=report)).job_id
        codes = [ticket(shop, job_id), shop.feeds[0]]
        scan(shop, codes[at], shop.now)
        answer = scan(shop, codes[1 - at], shop.now)
        assert (answer.did, view(shop, job_id).state, view(shop, job_id).machine) == ("started", "running", "Larch")
        assert "“Hook” runs on Larch" in answer.words


def test_a_ticket_starts_no_job_that_runs_or_belongs_to_another_machine(shop: TestWorkshop) -> None:
    runs = running(shop)
    scan(shop, ticket(shop, runs), shop.now)
    with pytest.raises(Conflict, match="is running by the books"):
        scan(shop, shop.feeds[0], shop.now)
    shop.do(lambda s: catalogue.add_machine(session=s, now=shop.now, by=by(), name="Rowan", feeds=1))
    with shop.store.read() as session:
        other = next(one.feeds[0].code for one in boards.board(session=session, now=shop.now) if one.name == "Rowan")
    scan(shop, ticket(shop, plan(shop)), shop.now)
    with pytest.raises(Conflict, match="planned for Larch"):
        scan(shop, other, shop.now)


def test_a_job_that_the_books_refuse_holds_up_no_other(shop: TestWorkshop, monkeypatch: pytest.MonkeyPatch) -> None:
    silent(shop)
    first, second = running(shop, hours_ago=13), running(shop)
    usual = endings.needs

    def refuse_one(session: Session, job: Job) -> list[FeedGrams]:
        if job.id == first:
            raise Conflict("no_feed", "Its feed is gone.")
        return usual(session, job)

    monkeypatch.setattr(endings, "needs", refuse_one)
    assert assumed.take_all(shop.store, now=shop.now) == 1
    assert (view(shop, first).state, view(shop, second).assumed) == ("running", True)


def by_item(shop: TestWorkshop, *parts: tuple[int, int]) -> int:
    """Plan a job that knows its items and not its feeds, on the only machine."""
    grams = tuple(FeedGrams(mg, article_id=shop.articles[at]) for at, mg in parts)
    report = JobReport("Sign", 1, grams)
    return shop.do(lambda s: jobs.plan_job(session=s, now=shop.now, by=by(), report=report)).job_id


def test_what_was_drawn_of_an_item_is_taken_off_it_whatever_is_loaded_since(shop: TestWorkshop) -> None:
    job_id = by_item(shop, (0, 100_000))
    start(shop, job_id, shop.now - 20 * HOUR)
    end(shop, job_id, shop.now - 16 * HOUR, Outcome.STOPPED, Early({"share": 0.4}))
    (other,) = shop.deliver(article=1)
    for text in (other, shop.feeds[0]):
        scan(shop, text, shop.now - 15 * HOUR)
    second = go_on(shop, job_id, shop.now - 12 * HOUR)
    assert view(shop, second).needs_mg == 60_000
    assert end(shop, second, shop.now, Outcome.FAILED, Early({"share": 0.7})) == 30_000


def test_items_and_causes_are_told_apart(shop: TestWorkshop) -> None:
    (white,) = shop.deliver(article=1)
    for text in (white, shop.feeds[1]):
        scan(shop, text, shop.now - 40 * HOUR)
    job_id = by_item(shop, (0, 100_000), (1, 50_000))
    end(shop, job_id, shop.now - 16 * HOUR, Outcome.STOPPED, Early({"share": 0.5}))
    assert needs_of(shop, go_on(shop, job_id, shop.now - 12 * HOUR)) == [("good", 50_000), ("good", 25_000)]
    grams = (FeedGrams(80_000, feed_id=1), FeedGrams(20_000, feed_id=1, cause=Cause.PURGE))
    report = JobReport("Sign", 1, grams)
    with_purge = shop.do(lambda s: jobs.plan_job(session=s, now=shop.now, by=by(), report=report)).job_id
    end(shop, with_purge, shop.now - 10 * HOUR, Outcome.STOPPED, Early({"share": 0.5}))
    assert needs_of(shop, go_on(shop, with_purge, shop.now - 9 * HOUR)) == [("good", 40_000), ("purge", 10_000)]


def needs_of(shop: TestWorkshop, job_id: int) -> list[tuple[str, int]]:
    query = select(JobFeed).where(col(JobFeed.job_id) == job_id).order_by(col(JobFeed.id))
    with shop.store.read() as session:
        return [(row.cause, row.needs_mg) for row in session.scalars(query)]


def test_printing_again_takes_as_long_as_all_of_it(shop: TestWorkshop) -> None:
    second = go_on(shop, stopped_at(shop, 0.4), shop.now - 12 * HOUR)
    end(shop, second, shop.now - 8 * HOUR, Outcome.FAILED, Early({"share": 0.9}))
    third = shop.do(lambda s: again.plan_again(session=s, now=shop.now, by=by(), job_id=second)).job_id
    with shop.store.read() as session:
        hours = [(session.get_one(Job, number).duration_s or 0) / 3600 for number in (second, third)]
    assert hours == [6, 10]


def test_a_ticket_ends_the_job_that_goes_on(shop: TestWorkshop) -> None:
    job_id = plan(shop)
    code = ticket(shop, job_id)
    start(shop, job_id, shop.now - 20 * HOUR)
    end(shop, job_id, shop.now - 16 * HOUR, Outcome.STOPPED, Early({"share": 0.4}))
    second = go_on(shop, job_id, shop.now - 12 * HOUR)
    for text in (code, Card.CAME_OFF_GOOD.code.text):
        answer = scan(shop, text, shop.now)
    assert answer.did == "ended"
    assert (view(shop, second).outcome, left_mg(shop)) == ("good", 900_000)


def test_a_job_that_went_on_and_came_off_good_is_one_that_did_not_fail(shop: TestWorkshop) -> None:
    second = go_on(shop, stopped_at(shop, 0.4), shop.now - 12 * HOUR)
    shop.do(
        lambda s: jobs.end_job(
            session=s,
            now=shop.now,
            by=by(),
            job_id=second,
            outcome=Outcome.GOOD,
            grams=[FeedGrams(60_000, feed_id=1)],
        )
    )
    with shop.store.read() as session:
        (machine,) = failures.view(session=session, now=shop.now).by_machine
    assert (machine.jobs, machine.failed, machine.drawn_mg) == (1, 0, 100_000)


def test_the_same_press_meets_the_first_answer_after_an_undo(shop: TestWorkshop) -> None:
    first, key = stopped_at(shop, 0.4), by()
    answer = shop.do(lambda s: again.resume(session=s, now=shop.now, by=key, job_id=first))
    shop.do(lambda s: undoing.undo_act(session=s, now=shop.now, by=by(), act_id=answer.act_id))
    assert shop.do(lambda s: again.resume(session=s, now=shop.now, by=key, job_id=first)) == answer
