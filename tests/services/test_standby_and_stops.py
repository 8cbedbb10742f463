"""The end of a spool, the one that stands by, refills on used reels, and machines that stand still."""

from datetime import datetime, timedelta

import pytest

from spoolkeep.domain.codes import CodeKind
from spoolkeep.domain.errors import BadInput, Conflict
from spoolkeep.domain.words import Kind, Outcome
from spoolkeep.services import bench, boards, joblist, jobs, reels, spools, standby, stops, undoing
from spoolkeep.services.jobs import FeedGrams, JobReport
from spoolkeep.services.shop import code_text
from spoolkeep.store.acts import By
from spoolkeep.store.engine import Store
from spoolkeep.store.proof import differences
from tests.workshop import TestWorkshop, by, station_at


@pytest.fixture
def shop(store: Store, now: datetime) -> TestWorkshop:
    """Give a workshop with two spools, the first of them in use on the first feed."""
    made = TestWorkshop(store, now)
    first, _ = made.deliver(2)
    station = made.do(lambda s: station_at(s, now, "one"))
    for text in (first, made.feeds[0]):
        scanned = By(actor_id=1, key=f"scan {text}", station_id=station)
        with store.write() as session:
            bench.scan(session=session, now=now, by=scanned, text=text)
    return made


def wait(shop: TestWorkshop, code: str) -> standby.StandbyAnswer:
    """Let a spool stand by on the first feed."""
    return shop.do(
        lambda s: standby.stand_by(session=s, now=shop.now, by=by(), spool_code=code, feed_code=shop.feeds[0])
    )


def draw(shop: TestWorkshop, mg: int, at: datetime) -> None:
    """End a job that drew this on the first feed."""
    report = JobReport("Hook", None, (FeedGrams(mg, feed_id=1),))
    shop.do(lambda s: jobs.report_job(session=s, now=at, by=by(), report=report, outcome=Outcome.GOOD))


def left(shop: TestWorkshop, code: str) -> int:
    """Give what is left on a spool."""
    with shop.store.read() as session:
        return spools.view(session=session, spool_code=code).left_mg


def sound(shop: TestWorkshop) -> bool:
    """Say whether the books are sound."""
    with shop.store.read() as session:
        return list(differences(session)) == []


def both() -> tuple[str, str]:
    """Give the codes of the two spools: they are the first in the books."""
    return code_text(CodeKind.SPOOL, 1), code_text(CodeKind.SPOOL, 2)


def test_the_spool_that_stands_by_takes_over_when_the_one_in_use_ends(shop: TestWorkshop) -> None:
    first, second = both()
    wait(shop, second)
    later = shop.now + timedelta(hours=5)
    draw(shop, 950_000, shop.now + timedelta(hours=4))
    told = shop.do(lambda s: standby.ran_out(session=s, now=later, by=by(), spool_code=first))
    assert (told.change_mg, told.next_code) == (-50_000, second)
    draw(shop, 20_000, later + timedelta(hours=1))
    assert (left(shop, first), left(shop, second)) == (0, 980_000)
    assert sound(shop)


def test_a_spool_that_stands_by_gives_nothing_while_the_other_is_in_use(shop: TestWorkshop) -> None:
    first, second = both()
    wait(shop, second)
    draw(shop, 100_000, shop.now + timedelta(hours=1))
    assert (left(shop, first), left(shop, second)) == (900_000, 1_000_000)


def test_nothing_stands_by_where_nothing_is_in_use_or_one_waits_already(shop: TestWorkshop) -> None:
    first, second = both()
    with pytest.raises(Conflict, match="one in use"):
        wait(shop, first)
    wait(shop, second)
    (third,) = shop.deliver(1)
    with pytest.raises(Conflict, match="stands by on Larch feed 1 already"):
        wait(shop, third)
    with pytest.raises(Conflict, match="Load this one there"):
        shop.do(lambda s: standby.stand_by(session=s, now=shop.now, by=by(), spool_code=third, feed_code=shop.feeds[1]))


def test_a_run_out_is_undone_whole_and_the_other_waits_again(shop: TestWorkshop) -> None:
    first, second = both()
    wait(shop, second)
    later = shop.now + timedelta(hours=5)
    told = shop.do(lambda s: standby.ran_out(session=s, now=later, by=by(), spool_code=first))
    shop.do(lambda s: undoing.undo_act(session=s, now=later, by=by(), act_id=told.act_id))
    draw(shop, 10_000, later + timedelta(hours=1))
    assert (left(shop, first), left(shop, second)) == (990_000, 1_000_000)
    with pytest.raises(Conflict, match="already"):
        wait(shop, shop.deliver(1)[0])
    assert sound(shop)


def test_a_run_out_of_last_night_counts_before_what_was_drawn_since(shop: TestWorkshop) -> None:
    first, _ = both()
    night, morning = shop.now + timedelta(hours=10), shop.now + timedelta(hours=18)
    draw(shop, 900_000, night - timedelta(hours=1))
    told = shop.do(lambda s: standby.ran_out(session=s, now=morning, by=by(), spool_code=first, at=night))
    assert told.change_mg == -100_000
    with pytest.raises(BadInput, match="future"):
        shop.do(lambda s: standby.ran_out(session=s, now=night, by=by(), spool_code=first, at=morning))


def test_a_refill_takes_over_the_weight_of_the_reel_that_it_is_wound_on(shop: TestWorkshop) -> None:
    first, second = both()
    with pytest.raises(Conflict, match="ran out"):
        shop.do(lambda s: reels.take_over_reel(session=s, now=shop.now, by=by(), spool_code=second, reel_of=first))
    shop.do(lambda s: spools.set_tare(session=s, now=shop.now, by=by(), spool_code=first, tare_mg=231_000))
    shop.do(lambda s: standby.ran_out(session=s, now=shop.now, by=by(), spool_code=first))
    told = shop.do(lambda s: reels.take_over_reel(session=s, now=shop.now, by=by(), spool_code=second, reel_of=first))
    assert told.tare_mg == 231_000
    weighed = shop.do(lambda s: spools.weigh(session=s, now=shop.now, by=by(), spool_code=second, gross_mg=1_131_000))
    assert weighed.left_mg == 900_000


def test_a_machine_stands_still_once_until_it_runs_again(shop: TestWorkshop) -> None:
    noon = shop.now
    told = shop.do(
        lambda s: stops.book_stop(
            session=s, now=noon, by=by(), machine_id=1, from_at=noon - timedelta(hours=3), article_id=shop.articles[0]
        )
    )
    with pytest.raises(Conflict, match="stands still already"):
        shop.do(lambda s: stops.book_stop(session=s, now=noon, by=by(), machine_id=1, from_at=noon))
    with shop.store.read() as session:
        (lasting,) = stops.recent(session=session)
    assert (lasting.machine, lasting.hours) == ("Larch", None)
    shop.do(lambda s: stops.end_stop(session=s, now=noon, by=by(), stop_id=told.stop_id))
    with shop.store.read() as session:
        (over,) = stops.recent(session=session)
    assert over.hours == pytest.approx(3)
    with pytest.raises(Conflict, match="ended already"):
        shop.do(lambda s: stops.end_stop(session=s, now=noon, by=by(), stop_id=told.stop_id))


def test_a_stop_ends_after_it_begins_and_lies_in_the_past(shop: TestWorkshop) -> None:
    noon, hour = shop.now, timedelta(hours=1)
    for from_at, until_at in ((noon + hour, None), (noon, noon - hour), (noon - hour, noon + hour)):
        with shop.store.write() as session, pytest.raises(BadInput):
            stops.book_stop(session=session, now=noon, by=by(), machine_id=1, from_at=from_at, until_at=until_at)


def test_hours_in_which_a_machine_stood_still_are_counted_once(shop: TestWorkshop) -> None:
    noon, hour = shop.now, timedelta(hours=1)

    def book(from_hours: int, until_hours: int) -> None:
        shop.do(
            lambda s: stops.book_stop(
                session=s,
                now=noon,
                by=by(),
                machine_id=1,
                from_at=noon - from_hours * hour,
                until_at=noon - until_hours * hour,
            )
        )

    book(10, 2)
    with pytest.raises(Conflict, match="only what is missing"):
        book(9, 1)
    book(2, 1)
    with pytest.raises(BadInput, match="before 2000"):
        book(24 * 365 * 30, 1)


def test_a_stop_sent_twice_is_answered_alike_even_after_its_undo(shop: TestWorkshop) -> None:
    who = by()
    first = shop.do(
        lambda s: stops.book_stop(session=s, now=shop.now, by=who, machine_id=1, from_at=shop.now - timedelta(hours=1))
    )
    shop.do(lambda s: undoing.undo_act(session=s, now=shop.now, by=by(), act_id=first.act_id))
    again = shop.do(
        lambda s: stops.book_stop(session=s, now=shop.now, by=who, machine_id=1, from_at=shop.now - timedelta(hours=1))
    )
    assert again == first


def test_what_was_drawn_after_the_end_was_drawn_from_the_spool_that_took_over(shop: TestWorkshop) -> None:
    first, second = both()
    wait(shop, second)
    draw(shop, 900_000, shop.now + timedelta(hours=1))
    draw(shop, 80_000, shop.now + timedelta(hours=3))
    morning = shop.now + timedelta(hours=8)
    ended = shop.now + timedelta(hours=2)
    told = shop.do(lambda s: standby.ran_out(session=s, now=morning, by=by(), spool_code=first, at=ended))
    assert (left(shop, first), left(shop, second)) == (0, 920_000)
    assert sound(shop)
    shop.do(lambda s: undoing.undo_act(session=s, now=morning, by=by(), act_id=told.act_id))
    assert (left(shop, first), left(shop, second)) == (20_000, 1_000_000)
    assert sound(shop)


def test_what_was_drawn_after_the_end_waits_for_a_person_where_no_spool_took_over(shop: TestWorkshop) -> None:
    first, _ = both()
    draw(shop, 900_000, shop.now + timedelta(hours=1))
    draw(shop, 80_000, shop.now + timedelta(hours=3))
    morning, ended = shop.now + timedelta(hours=8), shop.now + timedelta(hours=2)
    shop.do(lambda s: standby.ran_out(session=s, now=morning, by=by(), spool_code=first, at=ended))
    with shop.store.read() as session:
        (waiting,) = joblist.open_draws(session=session)
    assert (waiting.mg, waiting.item and waiting.item.name) == (80_000, "PLA Slate black")
    assert sound(shop)


def test_a_spool_that_was_given_up_does_not_stand_by(shop: TestWorkshop) -> None:
    _, second = both()
    shop.do(lambda s: spools.give_up(session=s, now=shop.now, by=by(), spool_code=second, kind=Kind.SCRAP))
    with pytest.raises(Conflict, match="scrapped"):
        wait(shop, second)


def test_the_spool_that_stands_by_is_in_use_once_the_other_is_put_on_a_shelf(shop: TestWorkshop) -> None:
    first, second = both()
    wait(shop, second)
    with shop.store.write() as session:
        station = station_at(session, shop.now, "one")
        for text in (first, shop.places[0]):
            who = By(actor_id=1, key=f"shelf {text}", station_id=station)
            bench.scan(session=session, now=shop.now, by=who, text=text)
    draw(shop, 30_000, shop.now + timedelta(hours=1))
    assert (left(shop, first), left(shop, second)) == (1_000_000, 970_000)
    with shop.store.read() as session:
        board = boards.board(session=session, now=shop.now)
    feed = board[0].feeds[0]
    assert feed.loaded is not None
    assert (feed.loaded.spool_code, feed.standby) == (second, None)
    assert sound(shop)


def test_a_redo_does_not_let_two_spools_stand_by_on_one_feed(shop: TestWorkshop) -> None:
    _, second = both()
    (third,) = shop.deliver(1)
    first_wait = wait(shop, second)
    undo = shop.do(lambda s: undoing.undo_act(session=s, now=shop.now, by=by(), act_id=first_wait.act_id))
    wait(shop, third)
    with pytest.raises(Conflict):
        shop.do(lambda s: undoing.undo_act(session=s, now=shop.now, by=by(), act_id=undo.act_id))
    assert sound(shop)


def test_an_undo_does_not_let_a_machine_stand_still_twice(shop: TestWorkshop) -> None:
    hour = timedelta(hours=1)
    stop = shop.do(
        lambda s: stops.book_stop(session=s, now=shop.now, by=by(), machine_id=1, from_at=shop.now - 3 * hour)
    )
    ended = shop.do(
        lambda s: stops.end_stop(session=s, now=shop.now, by=by(), stop_id=stop.stop_id, until_at=shop.now - 2 * hour)
    )
    shop.do(lambda s: stops.book_stop(session=s, now=shop.now, by=by(), machine_id=1, from_at=shop.now - hour))
    with pytest.raises(Conflict):
        shop.do(lambda s: undoing.undo_act(session=s, now=shop.now, by=by(), act_id=ended.act_id))
