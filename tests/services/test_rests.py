"""Rests, and what an owner knows of items and machines, on both databases."""

from datetime import datetime, timedelta

import pytest

from spoolkeep.domain.errors import BadInput, Conflict, NotFound
from spoolkeep.domain.words import Cause, Outcome, PlaceKind
from spoolkeep.services import catalogue, choices, finding, itemcare, jobs, machines, picking, rests, spools, undoing
from spoolkeep.services.catalogue import ProductEntry
from spoolkeep.services.jobs import FeedGrams, JobReport
from spoolkeep.services.machines import MachineEntry
from spoolkeep.services.rests import Rest
from spoolkeep.store.engine import Store
from spoolkeep.store.proof import differences
from tests.workshop import TestWorkshop, by

BLACK, WHITE = 0, 1


@pytest.fixture
def shop(store: Store, now: datetime) -> TestWorkshop:
    return TestWorkshop(store, now)


def rest(shop: TestWorkshop, grams: int, item: int = BLACK) -> str:
    """Give a spool that was opened and lies on the shelf with so much on it."""
    (code,) = shop.deliver(article=item, at=shop.now - timedelta(days=9))
    shop.scan(code, shop.feeds[0], code, shop.places[0], at=shop.now - timedelta(days=8))
    shop.do(lambda s: spools.count(session=s, now=shop.now, by=by(), spool_code=code, left_mg=grams * 1000))
    return code


def listed(shop: TestWorkshop) -> list[Rest]:
    with shop.store.read() as session:
        return rests.listed(session=session, now=shop.now)


def usual(shop: TestWorkshop, grams: int | None, item: int = BLACK) -> None:
    mg = None if grams is None else grams * 1000
    number = shop.articles[item]
    shop.do(lambda s: itemcare.set_usual_job(session=s, now=shop.now, by=by(), article_id=number, mg=mg))


def test_what_is_below_the_usual_job_is_a_rest_and_the_rest_is_not(shop: TestWorkshop) -> None:
    usual(shop, 150)
    low, _ = rest(shop, 80), rest(shop, 400)
    assert [one.spool.code for one in listed(shop)] == [low]
    usual(shop, 50)
    assert listed(shop) == []


def test_a_sealed_spool_is_no_rest(shop: TestWorkshop) -> None:
    usual(shop, 2000)
    shop.deliver()
    assert listed(shop) == []


def test_a_rest_names_the_planned_jobs_and_the_products_that_it_would_do(shop: TestWorkshop) -> None:
    usual(shop, 150)
    rest(shop, 120)
    for name, grams in (("Hook", 15), ("Shade", 140)):
        entry = ProductEntry(name, None, ((shop.articles[BLACK], grams * 1000),))
        shop.do(lambda s, entry=entry: catalogue.add_product(session=s, now=shop.now, by=by(), entry=entry))  # type: ignore[misc]
    assert [one.products for one in listed(shop)] == [("Hook",)]
    report = JobReport("Hinge", None, (FeedGrams(60_000, article_id=shop.articles[BLACK]),))
    shop.do(lambda s: jobs.plan_job(session=s, now=shop.now, by=by(), report=report))
    assert [one.jobs for one in listed(shop)] == [("Hinge",)]


def test_rests_that_a_job_needs_come_first_and_little_ones_are_scrap(shop: TestWorkshop) -> None:
    usual(shop, 150)
    usual(shop, 150, WHITE)
    little, white = rest(shop, 12), rest(shop, 90, WHITE)
    report = JobReport("Hinge", None, (FeedGrams(40_000, article_id=shop.articles[WHITE]),))
    shop.do(lambda s: jobs.plan_job(session=s, now=shop.now, by=by(), report=report))
    assert [(one.spool.code, one.is_scrap) for one in listed(shop)] == [(white, False), (little, True)]


def test_rests_are_scrapped_together_and_undone_together(shop: TestWorkshop) -> None:
    usual(shop, 150)
    codes = [rest(shop, 12), rest(shop, 15)]
    done = shop.do(lambda s: rests.scrap(session=s, now=shop.now, by=by(), spool_codes=codes))
    assert (done.spools, done.mg, listed(shop)) == (2, 27_000, [])
    with pytest.raises(Conflict):
        shop.do(lambda s: rests.scrap(session=s, now=shop.now, by=by(), spool_codes=codes[:1]))
    shop.do(lambda s: undoing.undo_act(session=s, now=shop.now, by=by(), act_id=done.act_id))
    assert sorted(one.spool.code for one in listed(shop)) == sorted(codes)
    with shop.store.read() as session:
        assert not list(differences(session))


def test_nothing_ticked_scraps_nothing(shop: TestWorkshop) -> None:
    with pytest.raises(BadInput):
        shop.do(lambda s: rests.scrap(session=s, now=shop.now, by=by(), spool_codes=[]))


def test_the_usual_job_is_learned_from_what_jobs_drew(shop: TestWorkshop) -> None:
    (code,) = shop.deliver(at=shop.now - timedelta(days=9))
    shop.scan(code, shop.feeds[0], at=shop.now - timedelta(days=8))
    with shop.store.read() as session:
        feed = finding.feed_of(session, shop.feeds[0]).id
    for grams in (30, 40, 200):
        purged = FeedGrams(1_000, feed, cause=Cause.PURGE)
        report = JobReport("Hook", shop.machine(), (FeedGrams((grams - 1) * 1000, feed), purged))
        shop.do(
            lambda s, report=report: jobs.report_job(  # type: ignore[misc]
                session=s, now=shop.now, by=by(), report=report, outcome=Outcome.GOOD
            )
        )
    with shop.store.read() as session:
        numbers = shop.articles[:1]
        assert picking.usual_mg(session, numbers, today=shop.now.date()) == {numbers[0]: 40_000}


# what may stand in


def test_an_accepted_item_is_taken_where_the_first_is_gone(shop: TestWorkshop) -> None:
    (white,) = shop.deliver(article=WHITE)
    black_id, white_id = shop.articles[:2]

    def advice() -> str:
        with shop.store.read() as session:
            found = picking.to_take(session=session, now=shop.now, article_id=black_id, needs_mg=100_000)
        return found.spool.code if found.spool else found.words

    assert advice() == "No PLA Slate black is held. Nearest: PLA Chalk white."
    shop.do(
        lambda s: itemcare.accept(
            session=s, now=shop.now, by=by(), article_id=black_id, instead_id=white_id, accepted=True
        )
    )
    assert advice() == white
    with pytest.raises(Conflict):
        shop.do(
            lambda s: itemcare.accept(
                session=s, now=shop.now, by=by(), article_id=black_id, instead_id=white_id, accepted=True
            )
        )
    shop.do(
        lambda s: itemcare.accept(
            session=s, now=shop.now, by=by(), article_id=black_id, instead_id=white_id, accepted=False
        )
    )
    assert advice() != white


def test_another_material_does_not_stand_in(shop: TestWorkshop) -> None:
    first, other = shop.articles[0], shop.item("PETG", "Slate black")
    with pytest.raises(BadInput, match="another material"):
        shop.do(
            lambda s: itemcare.accept(
                session=s, now=shop.now, by=by(), article_id=first, instead_id=other, accepted=True
            )
        )


def test_an_item_does_not_stand_in_for_itself(shop: TestWorkshop) -> None:
    number = shop.articles[0]
    with pytest.raises(BadInput):
        shop.do(
            lambda s: itemcare.accept(
                session=s, now=shop.now, by=by(), article_id=number, instead_id=number, accepted=True
            )
        )


def test_a_spool_is_not_dried_tomorrow(shop: TestWorkshop) -> None:
    (code,) = shop.deliver()
    tomorrow = shop.now.date() + timedelta(days=1)
    with pytest.raises(BadInput):
        shop.do(lambda s: itemcare.dried(session=s, now=shop.now, by=by(), spool_code=code, on=tomorrow))


# machines


def entry(**more: object) -> MachineEntry:
    plain: dict[str, object] = dict.fromkeys(("enclosed", "hardened_nozzle", "runout_sensor", "self_starting"), False)
    plain |= {"cardboard_reels": True, "switches": False, "largest_reel_mm": None, "earns_minor_per_hour": None}
    return MachineEntry(**(plain | more))  # type: ignore[arg-type] # as named


def test_what_a_machine_can_take_is_kept_and_undone(shop: TestWorkshop) -> None:
    larch = shop.machine()
    told = entry(enclosed=True, largest_reel_mm=220, switches=True, earns_minor_per_hour=450)
    made = shop.do(lambda s: machines.describe(session=s, now=shop.now, by=by(), machine_id=larch, entry=told))
    with shop.store.read() as session:
        assert machines.view(session=session, machine_id=larch).entry == told
    shop.do(lambda s: undoing.undo_act(session=s, now=shop.now, by=by(), act_id=made.act_id))
    with shop.store.read() as session:
        assert machines.view(session=session, machine_id=larch).entry == entry()


@pytest.mark.parametrize("wrong", [{"largest_reel_mm": 0}, {"largest_reel_mm": 5000}, {"earns_minor_per_hour": -1}])
def test_what_cannot_be_is_refused(shop: TestWorkshop, wrong: dict[str, object]) -> None:
    larch = shop.machine()
    with pytest.raises(BadInput):
        shop.do(lambda s: machines.describe(session=s, now=shop.now, by=by(), machine_id=larch, entry=entry(**wrong)))


def test_what_a_change_purges_is_told_for_two_items_or_for_any(shop: TestWorkshop) -> None:
    larch, (black, white) = shop.machine(), shop.articles[:2]
    (first,), (second,) = shop.deliver(), shop.deliver(article=WHITE)
    shop.scan(first, shop.feeds[0], second, shop.feeds[1])

    def tell(mg: int, *items: int | None) -> None:
        pair = (items[0], items[1])
        shop.do(lambda s: machines.tell_purge(session=s, now=shop.now, by=by(), machine_id=larch, mg=mg, items=pair))

    tell(4_000, None, None)
    tell(9_000, black, white)
    tell(7_000, black, white)  # anew: the last word counts
    with shop.store.read() as session:
        found = machines.view(session=session, machine_id=larch)
    assert found.usual_purge_mg == 4_000
    known = {(one.before.article_id, one.after.article_id): (one.mg, one.told) for one in found.changes}
    assert known[black, white] == (7_000, True)
    assert known[white, black][0] < 4_000
    with pytest.raises(BadInput):
        tell(1_000, black, black)
    with pytest.raises(NotFound):
        tell(1_000, 999, black)


def test_a_heavy_reel_is_taken_from_the_lower_place(shop: TestWorkshop) -> None:
    high, low = shop.deliver(2, grams=5000)
    shop.do(lambda s: catalogue.add_place(session=s, now=shop.now, by=by(), name="Low", kind=PlaceKind.SHELF))
    with shop.store.read() as session:
        places = {one.name: one.code for one in choices.place_list(session=session)}
        numbers = {name: number for number, name in choices.places(session=session)}
    shop.scan(high, places["Long shelf"], low, places["Low"])
    for name, mm in (("Long shelf", 1800), ("Low", 300)):
        shop.do(
            lambda s, name=name, mm=mm: machines.set_height(  # type: ignore[misc]
                session=s, now=shop.now, by=by(), place_id=numbers[name], height_mm=mm
            )
        )
    with shop.store.read() as session:
        found = picking.to_take(session=session, now=shop.now, article_id=shop.articles[0], needs_mg=100_000)
    assert found.spool is not None
    assert found.spool.code == low
