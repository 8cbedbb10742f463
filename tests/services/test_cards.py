"""Bench cards at the Bench: what a scan of a card does, and that it can be taken back like any other."""

from collections.abc import Callable
from datetime import datetime

import pytest
from sqlalchemy import select

from spoolkeep.domain.cards import Card
from spoolkeep.domain.errors import Conflict, Refusal
from spoolkeep.domain.words import JobState, Kind
from spoolkeep.services import asides, bench, finding, joblist, jobs, spools
from spoolkeep.services.bench import ATTENTION, HEARD, STOP, ScanAnswer
from spoolkeep.services.joblist import JobView
from spoolkeep.services.jobs import FeedGrams, JobReport
from spoolkeep.store.acts import By
from spoolkeep.store.engine import Store
from spoolkeep.store.seeds import FIRST_ACTOR
from spoolkeep.store.tables import Spool
from tests.workshop import TestWorkshop, by, station_at

Play = Callable[..., ScanAnswer]


@pytest.fixture
def shop(store: Store, now: datetime) -> TestWorkshop:
    return TestWorkshop(store, now)


@pytest.fixture
def play(shop: TestWorkshop) -> Play:
    """Give a hand that scans codes and cards one after the other, and the last answer."""

    def scan(*what: str | Card, key: str = "") -> ScanAnswer:
        for one in what:
            text = one.code.text if isinstance(one, Card) else one
            answer = told(text, key or by().key)
        return answer

    def told(text: str, key: str) -> ScanAnswer:
        who = By(FIRST_ACTOR, key, station_id=shop.do(lambda s: station_at(s, shop.now)))
        try:
            return shop.do(lambda s: bench.scan(session=s, now=shop.now, by=who, text=text))
        except Refusal:
            shop.do(lambda s: bench.after_refusal(session=s, now=shop.now, by=who))
            raise

    return scan


def digits(number: int) -> list[Card]:
    return [Card(digit) for digit in str(number)]


def view(shop: TestWorkshop, code: str) -> spools.SpoolView:
    with shop.store.read() as session:
        return spools.view(session=session, spool_code=code)


@pytest.fixture
def planned(shop: TestWorkshop) -> int:
    """Give the number of a job that is planned on the machine, 40 g from its first feed."""
    with shop.store.read() as session:
        feed = finding.feed_of(session, shop.feeds[0])
    report = JobReport("Cable comb", feed.machine_id, (FeedGrams(40_000, feed.id),))
    return shop.do(lambda s: jobs.plan_job(session=s, now=shop.now, by=by(), report=report)).job_id


def job(shop: TestWorkshop, job_id: int) -> JobView:
    with shop.store.read() as session:
        return joblist.one(session=session, job_id=job_id)


def ticket(shop: TestWorkshop, job_id: int) -> str:
    shop.do(lambda s: jobs.give_ticket(session=s, now=shop.now, by=by(), job_id=job_id))
    with shop.store.read() as session:
        return joblist.ticket_of(session=session, job_id=job_id)


def test_a_scales_reading_is_scanned_digit_by_digit(shop: TestWorkshop, play: Play) -> None:
    (spool,) = shop.deliver()
    assert play(spool, *digits(742)).words == "PLA Slate black: 742 g. Weigh books it."
    answer = play(Card.WEIGH)
    assert (answer.did, view(shop, spool).left_mg) == ("weighed", 542_000), "the reel's 200 g are taken off"


def test_weigh_may_come_first(shop: TestWorkshop, play: Play) -> None:
    (spool,) = shop.deliver()
    assert play(Card.WEIGH, spool).words.endswith("the digits, then weigh.")
    play(*digits(1200), Card.WEIGH)
    assert view(shop, spool).left_mg == 1_000_000


def test_digits_without_a_spool_are_refused(shop: TestWorkshop, play: Play) -> None:
    with pytest.raises(Refusal, match="Scan the spool, the ticket or the feed first"):
        play(Card.SEVEN)
    with pytest.raises(Refusal, match="is no reading"):
        play(shop.deliver()[0], *digits(1234567))


@pytest.mark.parametrize("card", [Card.WEIGH, Card.RAN_OUT, Card.SAME_AGAIN, Card.SHELVED])
def test_digits_that_nothing_reads_are_not_dropped_unseen(shop: TestWorkshop, play: Play, card: Card) -> None:
    spool, other = shop.deliver(2)
    play(spool, shop.feeds[0])
    before = view(shop, spool).left_mg
    with pytest.raises(Refusal, match=r"^25 was scanned, and nothing here reads it\. Scan undo"):
        play(shop.feeds[0], *digits(25), card)
    with pytest.raises(Refusal, match="nothing here reads it"):
        play(other)
    assert (view(shop, spool).left_mg, view(shop, spool).feed != "") == (before, True)
    assert play(Card.UNDO).did == "let go"
    assert play(other, shop.feeds[0]).kind == HEARD


@pytest.mark.parametrize("card_first", [True, False])
def test_ran_out_ends_the_spool_that_is_on_the_feed(shop: TestWorkshop, play: Play, *, card_first: bool) -> None:
    (spool,) = shop.deliver()
    play(spool, shop.feeds[0])
    answer = play(*((Card.RAN_OUT, shop.feeds[0]) if card_first else (shop.feeds[0], Card.RAN_OUT)))
    assert (answer.did, answer.spool_code, view(shop, spool).left_mg) == ("ran out", spool, 0)
    assert view(shop, spool).events[0].kind in {Kind.COUNT, "scan"}
    assert view(shop, spool).feed == ""


def test_the_undo_card_takes_back_what_was_last_done_here(shop: TestWorkshop, play: Play) -> None:
    (spool,) = shop.deliver()
    play(spool, shop.feeds[0], Card.RAN_OUT, spool)
    first, again = play(Card.UNDO, key="undo-1"), play(Card.UNDO, key="undo-1")
    assert first == again, "sent twice, it undoes once"
    assert (view(shop, spool).left_mg, view(shop, spool).feed) == (1_000_000, "Larch feed 1")


def test_the_undo_card_lets_a_half_scan_go_before_it_takes_anything_back(shop: TestWorkshop, play: Play) -> None:
    one, wrong = shop.deliver(spools=2)
    play(one, shop.feeds[0], wrong)
    first, again = play(Card.UNDO, key="undo-2"), play(Card.UNDO, key="undo-2")
    assert first == again
    assert (first.did, first.words) == ("let go", "PLA Slate black is let go. Nothing was booked.")
    assert play(shop.feeds[1]).did == "waits", "the wrong spool waits no longer"
    assert view(shop, one).feed == "Larch feed 1"


def test_a_shelved_spool_goes_back_to_its_own_place(shop: TestWorkshop, play: Play) -> None:
    (spool,) = shop.deliver()
    asks = play(Card.SHELVED, spool)
    assert (asks.kind, asks.waiting) == (ATTENTION, True)
    play(shop.places[0], spool, shop.feeds[0])
    assert play(shop.feeds[0], Card.SHELVED).words == "PLA Slate black is back at Long shelf."
    assert (view(shop, spool).place, view(shop, spool).feed) == ("Long shelf", "")


def test_a_job_came_off_good_by_its_machines_feed(shop: TestWorkshop, play: Play, planned: int) -> None:
    (spool,) = shop.deliver()
    play(spool, shop.feeds[0])
    answer = play(Card.CAME_OFF_GOOD, shop.feeds[0])
    assert (answer.kind, answer.words) == (HEARD, "“Cable comb” came off good: 40 g drawn.")
    assert (job(shop, planned).state, view(shop, spool).left_mg) == (JobState.ENDED, 960_000)
    play(Card.UNDO)
    assert (job(shop, planned).state, view(shop, spool).left_mg) == (JobState.PLANNED, 1_000_000)


def test_a_job_came_off_bad_by_its_ticket_with_the_share_that_was_printed(
    shop: TestWorkshop, play: Play, planned: int
) -> None:
    (spool,) = shop.deliver()
    play(spool, shop.feeds[0])
    code = ticket(shop, planned)
    assert play(code, *digits(25)).words == "“Cable comb”: 25 per cent. Came off bad books it."
    answer = play(Card.CAME_OFF_BAD)
    assert (answer.kind, view(shop, spool).left_mg) == (HEARD, 990_000)
    with pytest.raises(Conflict, match="has ended already"):
        play(code, Card.CAME_OFF_GOOD)


def test_a_job_without_a_printed_ticket_came_off_bad_by_its_feed_with_the_share_that_was_printed(
    shop: TestWorkshop, play: Play, planned: int
) -> None:
    assert play(shop.feeds[0], *digits(25)).words == "Larch feed 1: 25 per cent. Came off bad books it."
    answer = play(Card.CAME_OFF_BAD)
    assert answer.words.startswith("“Cable comb” came off bad: 10 g drawn.")
    assert (job(shop, planned).outcome, job(shop, planned).drawn_mg) == ("failed", 10_000)


def test_a_bad_job_without_a_share_is_booked_whole_and_says_so(shop: TestWorkshop, play: Play, planned: int) -> None:
    (spool,) = shop.deliver()
    play(spool, shop.feeds[0])
    answer = play(ticket(shop, planned), Card.CAME_OFF_BAD)
    assert (answer.kind, view(shop, spool).left_mg) == (ATTENTION, 960_000)
    assert "All its plastic is booked" in answer.words


def test_a_share_above_a_hundred_and_a_share_of_a_good_job_are_refused(
    shop: TestWorkshop, play: Play, planned: int
) -> None:
    code = ticket(shop, planned)
    with pytest.raises(Refusal, match="cannot be"):
        play(code, *digits(101), Card.CAME_OFF_BAD)
    with pytest.raises(Refusal, match="is whole"):
        play(code, *digits(40), Card.CAME_OFF_GOOD)


def test_the_same_again_runs_on_the_machine_once_more(shop: TestWorkshop, play: Play, planned: int) -> None:
    (spool,) = shop.deliver()
    with pytest.raises(Refusal, match="printed nothing yet"):
        play(Card.SAME_AGAIN, shop.feeds[0])
    play(spool, shop.feeds[0], Card.CAME_OFF_GOOD, shop.feeds[0])
    assert play(Card.SAME_AGAIN, shop.feeds[1]).words == "“Cable comb” runs on Larch once more."
    with shop.store.read() as session:
        (again,) = joblist.to_come(session=session)
    assert (again.title, again.state, again.needs_mg) == ("Cable comb", JobState.RUNNING, 40_000)
    with pytest.raises(Conflict, match="still runs"):
        play(Card.SAME_AGAIN, shop.feeds[0])
    play(Card.CAME_OFF_GOOD, shop.feeds[0])
    assert view(shop, spool).left_mg == 920_000
    assert planned != again.job_id


def test_a_spool_that_is_set_aside_says_stop_when_it_is_loaded(shop: TestWorkshop, play: Play) -> None:
    (spool,) = shop.deliver()
    assert play(spool, Card.SET_ASIDE).did == "set aside"
    first = play(spool)
    assert (first.kind, first.did) == (ATTENTION, "waits")
    answer = play(shop.feeds[0])
    assert (answer.kind, "must not be used" in answer.words) == (STOP, True)
    with pytest.raises(Conflict, match="set aside already"):
        play(Card.SET_ASIDE, spool)
    shop.do(lambda s: asides.let_go(session=s, now=shop.now, by=by(), spool_codes=[spool]))
    assert play(spool, shop.feeds[1]).kind == HEARD


def test_a_card_alone_says_what_it_waits_for(play: Play) -> None:
    assert play(Card.RAN_OUT).words == "Ran out. Now scan a feed or a spool."


def test_a_card_that_was_refused_does_not_meet_the_next_thing_that_is_scanned(shop: TestWorkshop, play: Play) -> None:
    (spool,) = shop.deliver()
    with pytest.raises(Refusal, match="No spool is on"):
        play(Card.RAN_OUT, shop.feeds[0])
    assert play(spool).did == "waits"
    assert view(shop, spool).left_mg == 1_000_000


def test_what_no_spool_and_no_job_is_there_for_is_refused_in_words(shop: TestWorkshop, play: Play) -> None:
    with pytest.raises(Refusal, match="No spool is on"):
        play(Card.RAN_OUT, shop.feeds[0])
    with pytest.raises(Refusal, match="No job runs on Larch"):
        play(Card.CAME_OFF_GOOD, shop.feeds[0])


def test_a_second_scan_sets_the_whole_lot_aside(shop: TestWorkshop, play: Play) -> None:
    first, second = shop.deliver(2)
    with shop.store.write() as session:
        for spool in session.scalars(select(Spool)):
            spool.lot = "L7"
    assert "all of lot L7" in play(first, Card.SET_ASIDE).words
    with shop.store.read() as session:
        assert spools.view(session=session, spool_code=second).aside is None
    assert "all of lot L7" in play(Card.SET_ASIDE, first).words
    with shop.store.read() as session:
        assert spools.view(session=session, spool_code=second).aside == ""
    with pytest.raises(Conflict, match="lot is set aside already"):
        play(first, Card.SET_ASIDE)
