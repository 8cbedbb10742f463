"""What a price that ends, and one that begins, does to the plan of today, to its page and its file."""

import json
from datetime import date, datetime, timedelta

import pytest

from spoolkeep.domain.errors import BadInput, Conflict
from spoolkeep.domain.planned import State
from spoolkeep.domain.words import Outcome
from spoolkeep.services import catalogue, choices, figures, jobs, orderbook, orderdrafts, orderplan, orders
from spoolkeep.services.catalogue import OfferEntry, SupplierEntry
from spoolkeep.services.jobs import FeedGrams, JobReport
from spoolkeep.services.orderplan import ItemLine
from spoolkeep.services.orders import Wanted
from spoolkeep.store.engine import Store
from tests.workshop import TestWorkshop, by

KILOGRAM = 1_000_000


class Buying(TestWorkshop):
    """A workshop that draws 300 g a day in three hours, has some left, and knows one supplier."""

    def __init__(self, store: Store, now: datetime, grams: int) -> None:
        super().__init__(store, now)
        self.deliver(grams=grams, at=now - timedelta(days=60))
        feeds = (FeedGrams(300_000, article_id=self.articles[0]),)
        report = JobReport("Hook", self.machine(), feeds, duration_s=3 * 3600)
        for back in range(60, 0, -1):
            self._report(report, now - timedelta(days=back))
        entry = SupplierEntry("North Quay", lead_days=3, parcel_minor=500)
        self.supplier = self.do(lambda s: catalogue.add_supplier(session=s, now=now, by=by(), entry=entry)).row_id

    def _report(self, report: JobReport, at: datetime) -> None:
        good = Outcome.GOOD
        self.do(lambda s: jobs.report_job(session=s, now=self.now, by=by(), report=report, outcome=good, ended_at=at))

    def sells(
        self,
        price_minor: int,
        *,
        begins: int | None = None,
        ends: int | None = None,
        ends_before: bool = False,
        spool_mg: int = KILOGRAM,
        least_spools: int = 1,
    ) -> int:
        """Let the supplier sell it from a day on, up to another, counted from today; give the offer."""
        entry = OfferEntry(
            self.supplier,
            self.articles[0],
            spool_mg,
            price_minor,
            least_spools=least_spools,
            from_day=None if begins is None else self.now.date() + timedelta(days=begins),
            until_day=None if ends is None else self.now.date() + timedelta(days=ends),
            ends_before=ends_before,
        )
        return self.do(lambda s: catalogue.add_offer(session=s, now=self.now, by=by(), entry=entry)).row_id

    def line(self) -> ItemLine:
        """Give what the plan says of the item."""
        with self.store.read() as session:
            return next(
                one for one in orderplan.view(session=session, now=self.now).items
                if one.item.article_id == self.articles[0]
            )  # fmt: skip


@pytest.fixture
def shop(store: Store, now: datetime) -> Buying:
    """Give a workshop that has 6.6 kg left: 22 days."""
    return Buying(store, now, grams=6600)


def test_what_becomes_dearer_after_today_is_bought_ahead_and_the_page_and_file_say_so(shop: Buying) -> None:
    shop.sells(2000)
    assert shop.line().spools == 0
    shop.sells(2300, begins=1, ends_before=True)
    line = shop.line()
    assert line.turn is not None
    assert line.turn.terms.price_minor == 2300
    assert line.told.turn is not None
    assert line.told.turn.ahead_spools == line.spools > 10
    # hand calculation: less than the rise of every spool
    assert 1000 < line.told.turn.spared_minor < line.spools * 300
    with shop.store.read() as session:
        plan = orderplan.view(session=session, now=shop.now)
        told = figures.reorder(plan)
    (its,) = [one for one in told["items"] if one["item"] == line.item.name]
    assert its["bought_ahead_spools"] == line.spools
    assert (its["other_price_on"], its["waits_for_it"]) == ((shop.now.date() + timedelta(days=1)).isoformat(), False)
    assert json.dumps(told)
    assert plan.due[0].ahead_minor == line.told.turn.spared_minor


def test_a_price_that_comes_down_soon_is_waited_for(store: Store, now: datetime) -> None:
    shop = Buying(store, now, grams=900)  # three days
    shop.sells(2000)
    assert shop.line().spools > 5
    shop.sells(1500, begins=4)
    few = shop.line()
    assert 0 < few.spools < 5
    assert few.turn is not None
    assert few.turns_on == shop.now.date() + timedelta(days=4)


def test_a_change_of_price_ends_the_offer_before_it_on_the_day_before(shop: Buying) -> None:
    old, other = shop.sells(2000), shop.sells(1900, ends=0)
    new = shop.sells(2300, begins=5, ends_before=True)
    with shop.store.read() as session:
        found = {one.offer_id: one for one in choices.offers(session=session)}
    today = shop.now.date()
    assert found[old].until_day == today + timedelta(days=4)
    assert found[other].until_day == today
    assert (found[new].from_day, found[new].until_day) == (today + timedelta(days=5), None)
    assert [found[one].holds(today) for one in (old, other, new)] == [True, True, False]
    assert not found[other].holds(today + timedelta(days=1))


def test_a_spool_that_becomes_smaller_at_the_same_price_is_a_dearer_kilogram(shop: Buying) -> None:
    shop.sells(2000)
    shop.sells(2000, begins=1, ends_before=True, spool_mg=750_000)
    line = shop.line()
    assert line.told.turn is not None
    assert line.told.turn.ahead_spools > 0


def test_an_offer_out_of_its_days_is_not_drafted_and_says_why(shop: Buying) -> None:
    over, coming = shop.sells(2000, ends=0), shop.sells(2100, begins=3)
    shop.now += timedelta(days=1)
    for offer, words in ((over, "ended on"), (coming, "begins on")):
        wanted = [Wanted(offer, 2)]
        with shop.store.write() as session, pytest.raises(Conflict, match=words):
            orders.draft(session=session, now=shop.now, by=by(), wanted=wanted)


def test_what_begins_later_and_is_sold_by_nobody_else_is_named(shop: Buying) -> None:
    shop.sells(2000, begins=6)
    line = shop.line()
    assert line.told.state is State.NOBODY
    assert line.turn is not None
    assert line.turns_on == shop.now.date() + timedelta(days=6)


def test_the_last_day_of_an_offer_is_kept_changed_and_taken_back(shop: Buying) -> None:
    offer = shop.sells(2000)
    day = shop.now.date() + timedelta(days=3)
    for seen, until in ((None, day), (day, None)):
        with shop.store.write() as session:
            catalogue.end_offers(session=session, now=shop.now, by=by(), until_days={offer: (seen, until)})
        with shop.store.read() as session:
            assert [one.until_day for one in choices.offers(session=session)] == [until]


def test_days_between_which_nothing_can_be_ordered_are_refused(shop: Buying) -> None:
    with pytest.raises(BadInput, match="ends before it begins"):
        shop.sells(2000, begins=3, ends=2)
    with pytest.raises(BadInput, match="from which day"):
        shop.sells(2000, ends_before=True)
    offer = shop.sells(2000, begins=5)
    today = shop.now.date()
    changed: list[tuple[dict[int, tuple[date | None, date | None]], str]] = [
        ({offer: (None, today)}, "ends before it begins"),
        ({offer: (None, date(1999, 1, 1))}, "within two years"),
        ({}, "No last day was changed"),
    ]
    for until_days, words in changed:
        with shop.store.write() as session, pytest.raises(BadInput, match=words):
            catalogue.end_offers(session=session, now=shop.now, by=by(), until_days=until_days)
    seen = {offer: (today, None)}
    with shop.store.write() as session, pytest.raises(Conflict, match="changed since you opened"):
        catalogue.end_offers(session=session, now=shop.now, by=by(), until_days=seen)


def test_a_corrected_announcement_takes_the_place_of_the_wrong_one(shop: Buying) -> None:
    old, wrong, right = (
        shop.sells(2000),
        shop.sells(2100, begins=5, ends_before=True),
        shop.sells(2600, begins=4, ends_before=True),
    )
    with shop.store.read() as session:
        found = {one.offer_id: one.until_day for one in choices.offers(session=session)}
    assert found == {old: shop.now.date() + timedelta(days=3), right: None}
    assert wrong not in found
    shop.do(lambda s: catalogue.retire_offer(session=s, now=shop.now, by=by(), offer_id=right))
    with shop.store.read() as session:
        assert {one.offer_id: one.until_day for one in choices.offers(session=session)} == {old: None}


def test_a_draft_takes_no_more_spools_at_a_price_that_is_over(shop: Buying) -> None:
    offer, other = shop.sells(2000, ends=0), shop.sells(2100, ends=0)
    (number,) = shop.do(lambda s: orders.draft(session=s, now=shop.now, by=by(), wanted=[Wanted(offer, 2)])).order_ids
    shop.now += timedelta(days=1)
    with shop.store.read() as session:
        (line,) = orderbook.view(session=session, now=shop.now, order_id=number).lines
    with shop.store.write() as session, pytest.raises(Conflict, match="ended on"):
        orderdrafts.set_spools(session=session, now=shop.now, by=by(), order_id=number, spools={line.line_id: 3})
    with shop.store.write() as session, pytest.raises(Conflict, match="ended on"):
        orderdrafts.add_line(session=session, now=shop.now, by=by(), order_id=number, wanted=Wanted(other, 1))
    with shop.store.write() as session:
        orderdrafts.set_spools(session=session, now=shop.now, by=by(), order_id=number, spools={line.line_id: 1})


def test_the_fewest_spools_that_are_sold_are_kept_with_the_offer(shop: Buying) -> None:
    offer = shop.sells(2000, least_spools=6)
    with shop.store.read() as session:
        assert [one.least_spools for one in choices.offers(session=session)] == [6]
    with pytest.raises(BadInput, match="from 6 spools on"):
        shop.do(lambda s: orders.draft(session=s, now=shop.now, by=by(), wanted=[Wanted(offer, 2)]))
