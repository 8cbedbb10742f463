"""What is done on the floor, by a wedge scanner alone: a stream of keys, 8 ms each, from codes that are printed.

The Bench, or the count, is open; nothing is clicked, and no key is pressed that the scanner does not type.
"""

from collections.abc import Callable

import pytest
from playwright.sync_api import Page, expect

from spoolkeep.domain.cards import Card
from spoolkeep.domain.words import PlaceKind
from spoolkeep.services import asides, catalogue, choices, counting, deliveries, finding, joblist, jobs, labels, spools
from spoolkeep.services.deliveries import Arrived
from spoolkeep.services.jobs import FeedGrams
from spoolkeep.services.spools import SpoolView
from tests.paper.pictures import codes_in, pages_of
from tests.workshop import TestWorkshop, by

pytestmark = pytest.mark.browser
Scan = Callable[..., None]
DIGIT_CARDS = {str(number): Card(str(number)) for number in range(10)}


@pytest.fixture
def wedge(page: Page, address: str, scan: Callable[[str], None]) -> Scan:
    """Give the scanner at the open Bench: it reads labels and cards one after the other, without a pause."""

    def read(*what: str | Card) -> None:
        for one in what:
            scan(one.code.text if isinstance(one, Card) else one)

    page.goto(f"{address}/bench")
    expect(page.locator("form[data-scan]")).to_have_attribute("data-state", "ready")
    return read


def digits(number: int) -> list[Card]:
    """Give the digit cards of a number."""
    return [DIGIT_CARDS[one] for one in str(number)]


def says(page: Page, words: str) -> None:
    """Hold what the page says of the last scan, and that the next one goes into the field."""
    expect(page.locator("#scan-live .message-words")).to_contain_text(words)
    expect(page.locator("#scan-code")).to_be_focused()


def spool_of(shop: TestWorkshop, code: str) -> SpoolView:
    """Give what the books say of a spool."""
    with shop.store.read() as session:
        return spools.view(session=session, spool_code=code)


def planned(shop: TestWorkshop) -> tuple[int, str]:
    """Give the number and the ticket of a job of 40 g from the first feed."""
    with shop.store.read() as session:
        feed = joblist.feeds_of(session=session, machine_id=shop.machine())[0].feed_id
    job_id = shop.plan("Cable comb", FeedGrams(40_000, feed))
    shop.do(lambda s: jobs.give_ticket(session=s, now=shop.now, by=by(), job_id=job_id))
    with shop.store.read() as session:
        return job_id, joblist.ticket_of(session=session, job_id=job_id)


def how_it_ended(shop: TestWorkshop, job_id: int) -> tuple[str, str | None, int]:
    """Give a job's state, how it ended and the grams that it drew."""
    with shop.store.read() as session:
        job = joblist.one(session=session, job_id=job_id)
    return job.state, job.outcome, job.drawn_mg // 1000


def test_all_that_is_scanned_on_the_floor_is_printed(shop: TestWorkshop) -> None:
    spool = shop.deliver()
    _, ticket = planned(shop)
    with shop.store.read() as session:
        for_all = labels.of_everything(session=session, now=shop.now)
        sheets = (for_all, labels.of_cards(session=session, now=shop.now))
        ticket_sheet = labels.of_codes(session=session, now=shop.now, codes=[ticket])
    pages = [one for gathered in (*sheets, ticket_sheet) for one in pages_of(labels.press(gathered), 300)]
    read = {code for one in pages for code in codes_in(one)}
    assert read == {*spool, *shop.feeds, *shop.places, ticket, *(card.code.text for card in Card)}


def test_a_spool_is_loaded_swapped_and_moved(wedge: Scan, page: Page, shop: TestWorkshop) -> None:
    (black,), (white,) = shop.deliver(), shop.deliver(article=1)
    wedge(black, shop.places[0], black, shop.feeds[0])
    says(page, "PLA Slate black is on Larch feed 1.")
    wedge(white, shop.feeds[0])
    says(page, "PLA Slate black that was there goes back to Long shelf")
    wedge(shop.feeds[1], black)
    says(page, "PLA Slate black is on Larch feed 2.")
    wedge(white, shop.places[0])
    says(page, "PLA Chalk white is at Long shelf.")
    assert (spool_of(shop, black).feed, spool_of(shop, white).feed) == ("Larch feed 2", "")
    assert spool_of(shop, white).place == "Long shelf"


def test_a_spool_is_weighed_by_digit_cards_and_by_a_scale_that_types(
    wedge: Scan, page: Page, shop: TestWorkshop
) -> None:
    (spool,) = shop.deliver()
    wedge(spool, *digits(812), Card.WEIGH)
    says(page, "812 g on the scale, 612 g left.")
    wedge(spool, "ST,GS,+  700.5 g")
    says(page, "700.5 g on the scale, 500.5 g left.")
    assert spool_of(shop, spool).left_mg == 500_500


def test_a_job_is_started_by_its_ticket_and_comes_off_good(wedge: Scan, page: Page, shop: TestWorkshop) -> None:
    (spool,) = shop.deliver()
    job_id, ticket = planned(shop)
    wedge(spool, shop.feeds[0], ticket, shop.feeds[0])
    says(page, "“Cable comb” runs on Larch.")
    assert how_it_ended(shop, job_id)[0] == "running"
    wedge(ticket, Card.CAME_OFF_GOOD)
    says(page, "“Cable comb” came off good: 40 g drawn.")
    assert how_it_ended(shop, job_id) == ("ended", "good", 40)
    wedge(Card.SAME_AGAIN, shop.feeds[0])
    says(page, "“Cable comb” runs on Larch once more.")
    with shop.store.read() as session:
        assert [one.state for one in joblist.to_come(session=session)] == ["running"]


@pytest.mark.parametrize("by_ticket", [True, False])
def test_a_job_comes_off_bad_with_the_share_that_was_printed(
    wedge: Scan, page: Page, shop: TestWorkshop, *, by_ticket: bool
) -> None:
    (spool,) = shop.deliver()
    job_id, ticket = planned(shop)
    wedge(spool, shop.feeds[0], ticket, shop.feeds[0])
    says(page, "runs on Larch")
    wedge(ticket if by_ticket else shop.feeds[0], *digits(25))
    says(page, "25 per cent. Came off bad books it.")
    wedge(Card.CAME_OFF_BAD)
    says(page, "“Cable comb” came off bad: 10 g drawn.")
    assert how_it_ended(shop, job_id) == ("ended", "failed", 10)


def test_a_spool_that_ran_out_makes_way_for_the_next(wedge: Scan, page: Page, shop: TestWorkshop) -> None:
    first, second = shop.deliver(2)
    wedge(first, shop.feeds[0], Card.RAN_OUT, shop.feeds[0])
    says(page, "ran out")
    wedge(second, shop.feeds[0])
    says(page, "PLA Slate black is on Larch feed 1.")
    assert (spool_of(shop, first).left_mg, spool_of(shop, second).feed) == (0, "Larch feed 1")


def test_a_refill_is_wound_on_a_reel_that_is_empty_and_loaded(wedge: Scan, page: Page, shop: TestWorkshop) -> None:
    (first,) = shop.deliver()
    bare = Arrived(shop.articles[0], 1, 1_000_000, 1700)
    came = shop.do(lambda s: deliveries.book_delivery(session=s, now=shop.now, by=by(), arrived=[bare]))
    (refill,) = came.spool_codes
    wedge(first, shop.feeds[0], Card.RAN_OUT, first)
    says(page, "ran out")
    wedge(first, refill)
    says(page, "is wound on the reel of")
    wedge(shop.feeds[1])
    says(page, "PLA Slate black is on Larch feed 2.")
    assert spool_of(shop, refill).tare_mg == 200_000


def test_a_spool_is_shelved_and_one_without_a_place_gets_one(wedge: Scan, page: Page, shop: TestWorkshop) -> None:
    (spool,) = shop.deliver()
    wedge(spool, shop.feeds[0], Card.SHELVED, shop.feeds[0])
    says(page, "Now scan the place it goes to.")
    wedge(shop.places[0])
    says(page, "is at Long shelf")
    wedge(spool, shop.feeds[0], spool, Card.SHELVED)
    says(page, "PLA Slate black is back at Long shelf.")
    assert (spool_of(shop, spool).place, spool_of(shop, spool).feed) == ("Long shelf", "")


def test_what_was_scanned_is_taken_back_and_a_half_scan_is_let_go(wedge: Scan, page: Page, shop: TestWorkshop) -> None:
    (spool,) = shop.deliver()
    wedge(spool, shop.feeds[0], spool, Card.UNDO)
    says(page, "is let go. Nothing was booked.")
    assert spool_of(shop, spool).feed == "Larch feed 1"
    wedge(Card.UNDO)
    says(page, "Undone: PLA Slate black to Larch feed 1.")
    assert spool_of(shop, spool).feed == ""
    wedge(spool, shop.feeds[1])
    says(page, "PLA Slate black is on Larch feed 2.")
    assert spool_of(shop, spool).feed == "Larch feed 2"


def test_a_spool_and_its_lot_are_set_aside_and_loading_it_says_stop(
    wedge: Scan, page: Page, shop: TestWorkshop
) -> None:
    (spool,) = shop.deliver()
    wedge(spool, Card.SET_ASIDE)
    says(page, "PLA Slate black is set aside")
    wedge(spool, shop.feeds[0])
    expect(page.locator("#scan-live .message.stop")).to_be_visible()
    with shop.store.read() as session:
        assert asides.why_aside(session, finding.spool_of(session, spool)) is not None


def test_what_only_asks_is_answered_by_both_scans_once_more(wedge: Scan, page: Page, shop: TestWorkshop) -> None:
    white = shop.deliver(article=1)[0]
    planned_for_black(shop)
    wedge(white, shop.feeds[0])
    says(page, "Scan both once more if it is meant.")
    wedge(white, shop.feeds[0])
    says(page, "PLA Chalk white stays on Larch feed 1: it is meant.")


def planned_for_black(shop: TestWorkshop) -> None:
    """Plan a job of the first item on the first feed."""
    with shop.store.read() as session:
        feed = joblist.feeds_of(session=session, machine_id=shop.machine())[0].feed_id
    shop.plan("Cable comb", FeedGrams(40_000, feed, article_id=shop.articles[0]))


def test_a_count_sees_places_and_spools_and_a_wrong_place_is_put_right_by_the_next_scan(
    page: Page, address: str, shop: TestWorkshop, scan: Callable[[str], None]
) -> None:
    first, second = shop.deliver(2)
    shop.do(lambda s: catalogue.add_place(session=s, now=shop.now, by=by(), name="Low shelf", kind=PlaceKind.SHELF))
    with shop.store.read() as session:
        low = next(one.code for one in choices.place_list(session=session) if one.name == "Low shelf")
    page.goto(f"{address}/count")
    expect(page.locator("form[data-scan]")).to_have_attribute("data-state", "ready")
    for code in (low, first, shop.places[0], first, second):
        scan(code)
    says(page, "2 seen here.")
    with shop.store.read() as session:
        walk = counting.view(session=session)
    assert walk is not None
    assert [(one.name, len(one.right) + len(one.elsewhere)) for one in walk.places] == [
        ("Low shelf", 0),
        ("Long shelf", 2),
    ]
