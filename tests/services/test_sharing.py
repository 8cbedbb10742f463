"""A spool that is changed while a job runs: each spool gave its part, whatever order the reports came in."""

import itertools
from datetime import datetime, timedelta

import pytest
from sqlalchemy import func, select
from sqlmodel import col

from spoolkeep.domain.errors import Conflict
from spoolkeep.domain.words import Kind, Outcome
from spoolkeep.services import bench, joblist, jobs, spools, standby, undoing
from spoolkeep.services.jobs import FeedGrams, JobAnswer, JobReport
from spoolkeep.store.acts import By
from spoolkeep.store.engine import Store
from spoolkeep.store.proof import differences
from spoolkeep.store.seeds import FIRST_ACTOR
from spoolkeep.store.tables import DayTotal, Line, Movement
from tests.workshop import TestWorkshop, by, station_at

HOUR = timedelta(hours=1)


@pytest.fixture
def shop(store: Store, now: datetime) -> TestWorkshop:
    """Give a workshop with four spools, the first in use on the first feed since twenty hours."""
    made = TestWorkshop(store, now)
    made.spools = made.deliver(4, at=now - 48 * HOUR)  # type: ignore[attr-defined] # for these tests
    load(made, 0, -20)
    return made


def code(shop: TestWorkshop, number: int) -> str:
    return str(shop.spools[number])  # type: ignore[attr-defined] # set by the fixture


def load(shop: TestWorkshop, number: int, hours: float) -> None:
    """Scan a spool onto the first feed, so many hours from now."""
    at = shop.now + hours * HOUR
    for text in (code(shop, number), shop.feeds[0]):
        with shop.store.write() as session:
            who = By(FIRST_ACTOR, by().key, station_id=station_at(session, at))
            bench.scan(session=session, now=at, by=who, text=text)


def ran_out(shop: TestWorkshop, number: int, hours: float) -> None:
    at = shop.now + hours * HOUR
    shop.do(lambda s: standby.ran_out(session=s, now=shop.now, by=by(), spool_code=code(shop, number), at=at))


def waits(shop: TestWorkshop, number: int, hours: float) -> None:
    at = shop.now + hours * HOUR
    shop.do(
        lambda s: standby.stand_by(session=s, now=at, by=by(), spool_code=code(shop, number), feed_code=shop.feeds[0])
    )


def job(shop: TestWorkshop, grams: int, began: float, ended: float, outcome: Outcome = Outcome.GOOD) -> JobAnswer:
    report = JobReport("Vase", None, (FeedGrams(grams * 1000, feed_id=1),), started_at=shop.now + began * HOUR)
    at = shop.now + ended * HOUR
    return shop.do(
        lambda s: jobs.report_job(session=s, now=shop.now, by=by(), report=report, outcome=outcome, ended_at=at)
    )


def left(shop: TestWorkshop) -> list[int]:
    """Give the grams left on each spool, the books being sound."""
    with shop.store.read() as session:
        assert list(differences(session)) == []
        return [spools.view(session=session, spool_code=one).left_mg // 1000 for one in shop.spools]  # type: ignore[attr-defined]


def booked(shop: TestWorkshop) -> tuple[object, ...]:
    """Give the sums by spool and kind, and by item, shop day and kind, that are not nought."""
    with shop.store.read() as session:
        lines = select(col(Line.spool_id), col(Line.kind), func.sum(col(Line.mg))).group_by(
            col(Line.spool_id), col(Line.kind)
        )
        days = select(col(DayTotal.article_id), col(DayTotal.shop_day), col(DayTotal.kind), func.sum(col(DayTotal.mg)))
        days = days.group_by(col(DayTotal.article_id), col(DayTotal.shop_day), col(DayTotal.kind))
        return (
            sorted((a, b, int(mg)) for a, b, mg in session.execute(lines) if mg),
            sorted((a or 0, b, c, int(mg)) for a, b, c, mg in session.execute(days) if mg),
        )


def drawn_for(shop: TestWorkshop, answer: JobAnswer) -> list[tuple[int | None, int]]:
    """Give what each spool gave of a job, in the order of time, of the draws that stand."""
    with shop.store.read() as session:
        back = select(col(Movement.reverses_id)).where(col(Movement.reverses_id).is_not(None))
        query = select(Movement).where(
            col(Movement.job_id) == answer.job_id, col(Movement.sign) == 1, col(Movement.id).not_in(back)
        )
        return [
            (one.spool_id, -(one.asked_mg or 0) // 1000)
            for one in session.scalars(query.order_by(col(Movement.occurred_at)))
        ]


def test_a_spool_that_ran_out_in_mid_job_gave_what_was_left_on_it_and_the_next_one_the_rest(
    shop: TestWorkshop,
) -> None:
    job(shop, 900, -18, -12)
    waits(shop, 1, -11)
    ran_out(shop, 0, -6)
    answer = job(shop, 300, -8, -4)
    assert drawn_for(shop, answer) == [(1, 100), (2, 200)]
    assert left(shop) == [0, 800, 1000, 1000]
    with shop.store.read() as session:
        counts = session.scalars(select(func.sum(col(Line.mg))).where(col(Line.kind) == Kind.COUNT)).one()
        assert not counts, "what the job drew is no difference of a count"
        assert joblist.one(session=session, job_id=answer.job_id).drawn_mg == 300_000


def test_a_run_out_that_is_told_after_the_job_ended_shares_its_draw(shop: TestWorkshop) -> None:
    waits(shop, 1, -19)
    job(shop, 900, -18, -12)
    answer = job(shop, 300, -8, -4)
    assert left(shop)[0] == 0, "more was drawn than was left: it turned up"
    ran_out(shop, 0, -6)
    assert drawn_for(shop, answer) == [(1, 100), (2, 200)]
    assert left(shop) == [0, 800, 1000, 1000]


def test_a_spool_changed_by_hand_gave_its_part_of_the_time(shop: TestWorkshop) -> None:
    load(shop, 1, -7)
    answer = job(shop, 400, -8, -4)
    assert drawn_for(shop, answer) == [(1, 100), (2, 300)]
    assert left(shop) == [900, 700, 1000, 1000]


def test_two_spools_may_run_out_in_one_job(shop: TestWorkshop) -> None:
    job(shop, 950, -19, -15)
    waits(shop, 1, -14)
    ran_out(shop, 0, -9)
    waits(shop, 2, -8.5)
    ran_out(shop, 1, -2)
    answer = job(shop, 1100, -10, -1)
    assert drawn_for(shop, answer) == [(1, 50), (2, 1000), (3, 50)]
    assert left(shop) == [0, 0, 950, 1000]


def test_a_file_that_tells_less_than_was_left_leaves_the_difference_to_the_zero(shop: TestWorkshop) -> None:
    waits(shop, 1, -14)
    ran_out(shop, 0, -6)
    answer = job(shop, 300, -8, -4)
    assert drawn_for(shop, answer) == [(1, 300)]
    assert left(shop) == [0, 1000, 1000, 1000]


def test_what_was_shared_is_undone_whole_and_redone(shop: TestWorkshop) -> None:
    job(shop, 900, -18, -12)
    waits(shop, 1, -11)
    ran_out(shop, 0, -6)
    before = booked(shop)
    answer = job(shop, 300, -8, -4)
    after = booked(shop)
    back = shop.do(lambda s: undoing.undo_act(session=s, now=shop.now, by=by(), act_id=answer.act_id)).act_id
    assert booked(shop) == before
    shop.do(lambda s: undoing.undo_act(session=s, now=shop.now, by=by(), act_id=back))
    assert booked(shop) == after
    assert left(shop) == [0, 800, 1000, 1000]


def test_what_a_late_report_shared_anew_is_undone_after_that_report(shop: TestWorkshop) -> None:
    waits(shop, 1, -11)
    ran_out(shop, 0, -6)
    answer = job(shop, 300, -8, -4)
    late = job(shop, 900, -18, -12)
    assert drawn_for(shop, answer) == [(1, 100), (2, 200)]
    with pytest.raises(Conflict, match=str(late.act_id)):
        shop.do(lambda s: undoing.undo_act(session=s, now=shop.now, by=by(), act_id=answer.act_id))
    for act_id in (late.act_id, answer.act_id):
        shop.do(lambda s, one=act_id: undoing.undo_act(session=s, now=shop.now, by=by(), act_id=one))  # type: ignore[misc] # in a loop
    assert left(shop) == [0, 1000, 1000, 1000]


REPORTS = ((300, -19, -17), (250, -17, -13), (400, -12.5, -5), (200, -4.5, -2), (150, -1.5, -0.5))
"""The first spool runs out in the third, the second is changed by hand in the fourth."""


@pytest.mark.parametrize("order", list(itertools.permutations(range(5)))[::13])
def test_reports_in_any_order_come_to_the_sums_of_the_sorted_list(
    shop: TestWorkshop, order: tuple[int, ...], sorted_sums: list[object]
) -> None:
    waits(shop, 1, -19.5)
    ran_out(shop, 0, -9)
    load(shop, 2, -3)
    for number in order:
        grams, began, ended = REPORTS[number]
        job(shop, grams, began, ended)
    found = booked(shop)
    sorted_sums.append(found)
    assert found == sorted_sums[0], "the first of the orders is the sorted one"
    assert left(shop)[0] == 0


@pytest.fixture(scope="module")
def sorted_sums() -> list[object]:
    """Give a list that all orders share; shop days and numbers are the same in every workshop of these tests."""
    return []
