"""Jobs: their draws are booked whole, on the right spool, and never twice."""

from datetime import datetime, timedelta

import pytest
from sqlalchemy import select
from sqlmodel import col

from spoolkeep.domain.errors import BadInput, Conflict, NotFound
from spoolkeep.domain.words import Kind, Outcome
from spoolkeep.services import bench, boards, catalogue, finding, history, joblist, jobs, spools, stock, undoing
from spoolkeep.services.jobs import FeedGrams, JobAnswer, JobReport
from spoolkeep.store.acts import By
from spoolkeep.store.engine import Store
from spoolkeep.store.proof import differences
from spoolkeep.store.seeds import FIRST_ACTOR
from spoolkeep.store.tables import Movement
from tests.workshop import TestWorkshop, by, station_at


@pytest.fixture
def shop(store: Store, now: datetime) -> TestWorkshop:
    return TestWorkshop(store, now)


def _feed(shop: TestWorkshop, position: int = 0) -> int:
    with shop.store.read() as session:
        return finding.feed_of(session, shop.feeds[position]).id


def _load(shop: TestWorkshop, code: str, position: int = 0) -> None:
    with shop.store.write() as session:
        station = station_at(session, shop.now, "bench")
        for text in (code, shop.feeds[position]):
            bench.scan(session=session, now=shop.now, by=By(FIRST_ACTOR, by().key, station), text=text)


def _report(
    shop: TestWorkshop, mg: int, *, position: int = 0, at: datetime | None = None, outcome: Outcome = Outcome.GOOD
) -> JobAnswer:
    report = JobReport("Hook", None, (FeedGrams(mg, _feed(shop, position)),))
    return shop.do(
        lambda s: jobs.report_job(session=s, now=shop.now, by=by(), report=report, outcome=outcome, ended_at=at)
    )


def _left(shop: TestWorkshop, code: str) -> int:
    with shop.store.read() as session:
        return spools.view(session=session, spool_code=code).left_mg


def test_a_job_draws_from_the_spool_that_is_loaded(shop: TestWorkshop) -> None:
    code = shop.deliver()[0]
    _load(shop, code)
    _report(shop, 42_500)
    assert _left(shop, code) == 957_500


def test_a_job_without_a_spool_is_an_open_draw_that_a_person_settles(shop: TestWorkshop) -> None:
    code = shop.deliver()[0]
    assert _report(shop, 42_500).open_draws == 1
    with shop.store.read() as session:
        waiting = joblist.open_draws(session=session)
    assert [one.mg for one in waiting] == [42_500]
    shop.do(
        lambda s: jobs.settle_open_draw(
            session=s, now=shop.now, by=by(), movement_id=waiting[0].movement_id, spool_code=code
        )
    )
    assert _left(shop, code) == 957_500
    with shop.store.read() as session:
        assert joblist.open_draws(session=session) == []
        assert list(differences(session)) == []


def test_an_open_draw_is_settled_once(shop: TestWorkshop) -> None:
    code = shop.deliver()[0]
    _report(shop, 42_500)
    with shop.store.read() as session:
        number = joblist.open_draws(session=session)[0].movement_id

    def settle() -> JobAnswer:
        return shop.do(
            lambda s: jobs.settle_open_draw(session=s, now=shop.now, by=by(), movement_id=number, spool_code=code)
        )

    answer = settle()
    with pytest.raises(Conflict, match="settled already"):
        settle()
    shop.do(lambda s: undoing.undo_act(session=s, now=shop.now, by=by(), act_id=answer.act_id))
    assert _left(shop, code) == 1_000_000
    with shop.store.read() as session:
        assert [one.mg for one in joblist.open_draws(session=session)] == [42_500]


def test_a_draw_larger_than_what_is_left_is_booked_whole_and_asks_for_a_weighing(shop: TestWorkshop) -> None:
    code = shop.deliver(grams=100)[0]
    _load(shop, code)
    answer = _report(shop, 150_000)
    assert answer.overdrawn == ("PLA Slate black",)
    with shop.store.read() as session:
        view = spools.view(session=session, spool_code=code)
        row = next(row for row in stock.rows(session=session, now=shop.now) if row.doubtful)
    assert (view.left_mg, view.doubtful) == (0, True)
    assert row.item.name == "PLA Slate black"


def test_a_failed_job_draws_too(shop: TestWorkshop) -> None:
    code = shop.deliver()[0]
    _load(shop, code)
    _report(shop, 10_000, outcome=Outcome.FAILED)
    assert _left(shop, code) == 990_000


def test_a_late_report_finds_the_spool_of_its_own_moment(shop: TestWorkshop) -> None:
    first, second = shop.deliver(2)
    _load(shop, first)
    ended = shop.now + timedelta(hours=1)
    shop.now += timedelta(hours=2)
    _load(shop, second)
    shop.now += timedelta(hours=1)
    _report(shop, 30_000, at=ended)
    assert (_left(shop, first), _left(shop, second)) == (970_000, 1_000_000)


def test_a_planned_job_commits_its_grams_until_it_ends(shop: TestWorkshop) -> None:
    code = shop.deliver()[0]
    _load(shop, code)
    report = JobReport("Hook", None, (FeedGrams(200_000, _feed(shop)),))
    planned = shop.do(lambda s: jobs.plan_job(session=s, now=shop.now, by=by(), report=report))
    assert _committed(shop) == 200_000
    shop.do(
        lambda s: jobs.end_job(
            session=s,
            now=shop.now,
            by=by(),
            job_id=planned.job_id,
            outcome=Outcome.GOOD,
            grams=[FeedGrams(190_000, _feed(shop))],
        )
    )
    assert _committed(shop) == 0
    assert _left(shop, code) == 810_000


def _committed(shop: TestWorkshop) -> int:
    with shop.store.read() as session:
        return sum(row.committed_mg for row in stock.rows(session=session, now=shop.now))


def test_a_job_ends_once(shop: TestWorkshop) -> None:
    report = JobReport("Hook", None, (FeedGrams(1_000, _feed(shop)),))
    planned = shop.do(lambda s: jobs.plan_job(session=s, now=shop.now, by=by(), report=report))

    def end() -> JobAnswer:
        return shop.do(
            lambda s: jobs.end_job(
                session=s,
                now=shop.now,
                by=by(),
                job_id=planned.job_id,
                outcome=Outcome.GOOD,
                grams=[FeedGrams(1_000, _feed(shop))],
            )
        )

    end()
    with pytest.raises(Conflict, match="ended already"):
        end()


@pytest.mark.parametrize("mg", [0, -5, 100_000_001])
def test_grams_that_cannot_be_are_refused_and_nothing_is_booked(shop: TestWorkshop, mg: int) -> None:
    with pytest.raises(BadInput):
        _report(shop, mg)
    with shop.store.read() as session:
        assert joblist.ended(session=session) == []


def test_a_job_cannot_end_in_the_future(shop: TestWorkshop) -> None:
    with pytest.raises(BadInput, match="future"):
        _report(shop, 1_000, at=shop.now + timedelta(hours=1))


def _other_machine(shop: TestWorkshop) -> int:
    return shop.do(lambda s: catalogue.add_machine(session=s, now=shop.now, by=by(), name="Birch", feeds=1)).row_id


def _larch(shop: TestWorkshop) -> int:
    with shop.store.read() as session:
        return finding.feed_of(session, shop.feeds[0]).machine_id


def test_a_feed_of_another_machine_is_refused(shop: TestWorkshop) -> None:
    report = JobReport("Hook", _other_machine(shop), (FeedGrams(1_000, _feed(shop)),))
    with pytest.raises(BadInput, match="belongs to another machine"):
        shop.do(lambda s: jobs.report_job(session=s, now=shop.now, by=by(), report=report, outcome=Outcome.GOOD))
    assert _causes(shop) == []


def test_a_machine_that_is_not_there_prints_nothing(shop: TestWorkshop) -> None:
    report = JobReport("Hook", _larch(shop) + 1, (FeedGrams(1_000, _feed(shop)),))
    with pytest.raises(NotFound, match="no such machine"):
        shop.do(lambda s: jobs.report_job(session=s, now=shop.now, by=by(), report=report, outcome=Outcome.GOOD))


def _plan(shop: TestWorkshop, grams: FeedGrams, machine_id: int | None = None) -> int:
    report = JobReport("Hook", machine_id, (grams,))
    return shop.do(lambda s: jobs.plan_job(session=s, now=shop.now, by=by(), report=report)).job_id


def _end(
    shop: TestWorkshop, job_id: int, *grams: FeedGrams, outcome: Outcome = Outcome.GOOD, machine_id: int | None = None
) -> JobAnswer:
    return shop.do(
        lambda s: jobs.end_job(
            session=s, now=shop.now, by=by(), job_id=job_id, outcome=outcome, grams=grams, machine_id=machine_id
        )
    )


def _causes(shop: TestWorkshop) -> list[str | None]:
    with shop.store.read() as session:
        return list(session.scalars(select(col(Movement.cause)).where(col(Movement.kind) == Kind.DRAW)))


@pytest.mark.parametrize("outcome", [Outcome.STOPPED, Outcome.FAILED])
def test_a_planned_job_is_called_off_without_a_gram_and_claims_none_any_more(
    shop: TestWorkshop, outcome: Outcome
) -> None:
    _load(shop, shop.deliver()[0])
    job_id = _plan(shop, FeedGrams(200_000, _feed(shop)))
    answer = _end(shop, job_id, outcome=outcome)
    assert answer.drawn_mg == 0
    assert _committed(shop) == 0
    assert _causes(shop) == []
    shop.do(lambda s: undoing.undo_act(session=s, now=shop.now, by=by(), act_id=answer.act_id))
    assert _committed(shop) == 200_000


def test_a_good_job_drew_something(shop: TestWorkshop) -> None:
    job_id = _plan(shop, FeedGrams(200_000, _feed(shop)))
    with pytest.raises(BadInput, match="drew something"):
        _end(shop, job_id)


def test_a_job_planned_by_item_is_ended_on_the_machine_that_printed_it(shop: TestWorkshop) -> None:
    code = shop.deliver()[0]
    _load(shop, code, position=1)
    job_id = _plan(shop, FeedGrams(200_000, article_id=shop.articles[0]))
    machine_id, feed_id = _larch(shop), _feed(shop, 1)
    with shop.store.read() as session:
        feeds = joblist.feeds_of(session=session, machine_id=machine_id, job_id=job_id)
    assert [feed.needs_mg for feed in feeds] == [None, 200_000]
    _end(shop, job_id, FeedGrams(190_000, feed_id), machine_id=machine_id)
    assert _left(shop, code) == 810_000
    with shop.store.read() as session:
        assert joblist.one(session=session, job_id=job_id).machine == "Larch"


def test_a_job_does_not_change_its_machine_by_ending(shop: TestWorkshop) -> None:
    job_id = _plan(shop, FeedGrams(200_000, _feed(shop)), _larch(shop))
    with pytest.raises(Conflict, match="another machine"):
        _end(shop, job_id, outcome=Outcome.STOPPED, machine_id=_other_machine(shop))


@pytest.mark.parametrize(
    ("outcome", "cause"), [(Outcome.GOOD, "good"), (Outcome.FAILED, "failed"), (Outcome.STOPPED, "failed")]
)
def test_what_a_stopped_job_took_is_waste_as_what_a_failed_one_took(
    shop: TestWorkshop, outcome: Outcome, cause: str
) -> None:
    _load(shop, shop.deliver()[0])
    _report(shop, 10_000, outcome=outcome)
    assert _causes(shop) == [cause]


def _name(shop: TestWorkshop, article: int = 0) -> JobAnswer:
    with shop.store.read() as session:
        number = joblist.open_draws(session=session)[0].movement_id
    article_id = shop.articles[article]
    return shop.do(
        lambda s: jobs.name_item(session=s, now=shop.now, by=by(), movement_id=number, article_id=article_id)
    )


def _demand(shop: TestWorkshop) -> list[int]:
    """Give what was drawn yesterday, by item."""
    with shop.store.read() as session:
        assert list(differences(session)) == []
        usual = dict.fromkeys(shop.articles, 1)
        past = history.read(session, usual, today=shop.now.date(), closed=())
        return [int(mg) for mg in past.grams[:, -1]]


def test_an_open_draw_counts_as_demand_of_its_own_day_once_its_item_is_named(shop: TestWorkshop) -> None:
    code = shop.deliver()[0]
    ended = shop.now + timedelta(hours=1)
    shop.now += timedelta(days=1)
    _report(shop, 42_500, at=ended)
    assert _demand(shop) == [0, 0]
    named = _name(shop)
    assert _demand(shop) == [42_500, 0]
    with shop.store.read() as session:
        waiting = joblist.open_draws(session=session)
    assert [(one.mg, one.occurred_at, one.item and one.item.name) for one in waiting] == [
        (42_500, ended, "PLA Slate black")
    ]
    assert waiting[0].job == "Hook"
    shop.do(
        lambda s: jobs.settle_open_draw(
            session=s, now=shop.now, by=by(), movement_id=waiting[0].movement_id, spool_code=code
        )
    )
    assert _demand(shop) == [42_500, 0]
    assert _left(shop, code) == 957_500
    assert named.open_draws == 1


def test_a_wrong_item_of_an_open_draw_is_undone_or_named_anew(shop: TestWorkshop) -> None:
    ended = shop.now + timedelta(hours=1)
    shop.now += timedelta(days=1)
    _report(shop, 42_500, at=ended)
    _name(shop, 1)
    with pytest.raises(Conflict, match="already"):
        _name(shop, 1)
    again = _name(shop, 0)
    assert _demand(shop) == [42_500, 0]
    shop.do(lambda s: undoing.undo_act(session=s, now=shop.now, by=by(), act_id=again.act_id))
    assert _demand(shop) == [0, 42_500]


def test_only_an_open_draw_has_its_item_named(shop: TestWorkshop) -> None:
    code = shop.deliver()[0]
    _load(shop, code)
    _report(shop, 42_500)
    with shop.store.read() as session:
        drawn = session.scalars(select(col(Movement.id)).where(col(Movement.kind) == Kind.DRAW)).one()
    with pytest.raises(NotFound, match="no open draw"):
        shop.do(
            lambda s: jobs.name_item(session=s, now=shop.now, by=by(), movement_id=drawn, article_id=shop.articles[0])
        )


def test_a_weighing_undone_brings_back_what_was_there(shop: TestWorkshop) -> None:
    code = shop.deliver()[0]
    weighed = shop.do(lambda s: spools.weigh(session=s, now=shop.now, by=by(), spool_code=code, gross_mg=1_150_000))
    assert _left(shop, code) == 950_000
    shop.do(lambda s: undoing.undo_act(session=s, now=shop.now, by=by(), act_id=weighed.act_id))
    assert _left(shop, code) == 1_000_000


def test_a_reading_lighter_than_the_empty_reel_is_booked_and_questioned(shop: TestWorkshop) -> None:
    code = shop.deliver()[0]
    answer = shop.do(lambda s: spools.weigh(session=s, now=shop.now, by=by(), spool_code=code, gross_mg=150_000))
    assert answer.left_mg == 0
    assert "lighter than the empty reel" in answer.questioned


def test_a_scrapped_spool_is_retired_and_comes_off_its_machine(shop: TestWorkshop) -> None:
    code = shop.deliver()[0]
    _load(shop, code)
    shop.do(lambda s: spools.give_up(session=s, now=shop.now, by=by(), spool_code=code, kind=Kind.SCRAP))
    with shop.store.read() as session:
        view = spools.view(session=session, spool_code=code)
        machines = boards.board(session=session, now=shop.now)
    assert (view.left_mg, view.retired_on, view.feed) == (0, shop.now.date(), "")
    assert all(feed.loaded is None for machine in machines for feed in machine.feeds)


def test_a_job_that_starts_on_too_little_runs_and_says_so(shop: TestWorkshop) -> None:
    code = shop.deliver(grams=100)[0]
    _load(shop, code)
    report = JobReport("Hook", None, (FeedGrams(190_000, _feed(shop)),))
    planned = shop.do(lambda s: jobs.plan_job(session=s, now=shop.now, by=by(), report=report))
    started = shop.do(lambda s: jobs.start_job(session=s, now=shop.now, by=by(), job_id=planned.job_id))
    assert started.odd == ("Larch feed 1 needs 190 g and has 100 g: it will not last.",)


def test_a_draw_settled_on_another_item_is_booked_and_says_so(shop: TestWorkshop) -> None:
    white = shop.deliver(article=1)[0]
    report = JobReport("Hook", None, (FeedGrams(5_000, article_id=shop.articles[0]),))
    shop.do(lambda s: jobs.report_job(session=s, now=shop.now, by=by(), report=report, outcome=Outcome.GOOD))
    with shop.store.read() as session:
        number = joblist.open_draws(session=session)[0].movement_id
    settled = shop.do(
        lambda s: jobs.settle_open_draw(session=s, now=shop.now, by=by(), movement_id=number, spool_code=white)
    )
    assert "told as PLA Slate black; that spool is PLA Chalk white" in settled.odd[0]
