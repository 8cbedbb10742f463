"""A count along the shelves: seen, elsewhere, missing; settled by one act, and undone by one."""

from collections.abc import Callable
from datetime import datetime

import pytest

from spoolkeep.domain.errors import BadInput, Conflict
from spoolkeep.domain.words import Kind, PlaceKind
from spoolkeep.services import bench, catalogue, choices, counting, spools, undoing
from spoolkeep.services.counting import Counted, Settled, WalkView
from spoolkeep.services.spools import SpoolView
from spoolkeep.store.acts import By
from spoolkeep.store.engine import Store
from spoolkeep.store.proof import differences
from spoolkeep.store.seeds import FIRST_ACTOR
from tests.workshop import TestWorkshop, by, station_at

Hand = Callable[..., Counted]


@pytest.fixture
def shop(store: Store, now: datetime) -> TestWorkshop:
    shop = TestWorkshop(store, now)
    shop.do(lambda s: catalogue.add_place(session=s, now=now, by=by(), name="Dry box", kind=PlaceKind.DRY_BOX))
    with store.read() as session:
        shop.places = [place.code for place in choices.place_list(session=session)][::-1]
    return shop


@pytest.fixture
def walk(shop: TestWorkshop) -> Hand:
    """Give a hand that scans on a walk, and the last answer."""

    def scan(*codes: str, station: str = "Bench") -> Counted:
        for code in codes:
            said = told(code, station)
        return said

    def told(code: str, station: str) -> Counted:
        who = By(FIRST_ACTOR, by().key, station_id=shop.do(lambda s: station_at(s, shop.now, station)))
        return shop.do(lambda s: counting.scan(session=s, now=shop.now, by=who, text=code))

    return scan


def put(shop: TestWorkshop, spool: str, where: str) -> None:
    """Scan a spool to a feed or a place at the Bench."""
    for code in (spool, where):
        who = By(FIRST_ACTOR, by().key, station_id=shop.do(lambda s: station_at(s, shop.now)))
        shop.do(lambda s, b=who, c=code: bench.scan(session=s, now=shop.now, by=b, text=c))  # type: ignore[misc] # in a loop


def shown(shop: TestWorkshop) -> WalkView:
    with shop.store.read() as session:
        found = counting.view(session=session)
    assert found is not None
    return found


def settle(shop: TestWorkshop, *write_off: str) -> Settled:
    number = shown(shop).walk_id
    return shop.do(
        lambda s: counting.settle(session=s, now=shop.now, by=by(), walk_id=number, write_off=list(write_off))
    )


def view(shop: TestWorkshop, code: str) -> SpoolView:
    with shop.store.read() as session:
        return spools.view(session=session, spool_code=code)


def test_a_walk_tells_right_elsewhere_and_missing_apart(shop: TestWorkshop, walk: Hand) -> None:
    shelf, box = shop.places
    right, elsewhere, missing, loaded, gone = shop.deliver(spools=5)
    for code in (right, missing, gone):
        put(shop, code, shelf)
    put(shop, elsewhere, box)
    put(shop, loaded, shop.feeds[0])
    shop.do(lambda s: spools.give_up(session=s, now=shop.now, by=by(), spool_code=gone, kind=Kind.WRITE_OFF))
    assert walk(shelf, right).words == "PLA Slate black, as the books say. 1 seen here, 1 not yet."
    assert "by the books it is at Dry box" in walk(elsewhere).words
    assert "by the books it is on Larch feed 1" in walk(loaded).words
    assert "it was given up: weigh it" in walk(gone).words
    (place,) = shown(shop).places
    assert [one.code for one in place.right] == [right]
    assert {one.code for one in place.elsewhere} == {elsewhere, loaded, gone}
    assert [one.code for one in place.missing] == [missing]


def test_settling_moves_what_was_seen_and_an_undo_opens_the_walk_again(shop: TestWorkshop, walk: Hand) -> None:
    shelf, box = shop.places
    one, lost, thrown = shop.deliver(spools=3)
    put(shop, one, box)
    for code in (lost, thrown):
        put(shop, code, shelf)
    walk(shelf, one)
    answer = settle(shop, thrown)
    assert (answer.moved, answer.missing, answer.written_off) == (1, 2, 1)
    assert [view(shop, code).place for code in (one, lost, thrown)] == ["Long shelf", "", ""]
    assert [view(shop, code).left_mg for code in (one, lost, thrown)] == [1_000_000, 1_000_000, 0]
    with shop.store.read() as session:
        assert counting.view(session=session) is None
        assert next(differences(session), None) is None
    shop.do(lambda s: undoing.undo_act(session=s, now=shop.now, by=by(), act_id=answer.act_id))
    assert [view(shop, code).place for code in (one, lost, thrown)] == ["Dry box", "Long shelf", "Long shelf"]
    assert view(shop, thrown).left_mg == 1_000_000
    assert shown(shop).seen == 1


def test_a_spool_that_is_seen_twice_is_where_it_was_seen_last(shop: TestWorkshop, walk: Hand) -> None:
    shelf, box = shop.places
    (one,) = shop.deliver()
    walk(shelf, one, one, box, one)
    assert [len(place.elsewhere) for place in shown(shop).places] == [0, 1]


def test_two_stations_walk_one_count(shop: TestWorkshop, walk: Hand) -> None:
    shelf, box = shop.places
    one, other = shop.deliver(spools=2)
    walk(shelf, station="Bench")
    walk(box, station="Phone")
    walk(one, station="Bench")
    walk(other, station="Phone")
    assert [(place.name, len(place.elsewhere)) for place in shown(shop).places] == [("Long shelf", 1), ("Dry box", 1)]


def test_a_spool_on_its_feed_is_not_missing_from_its_shelf(shop: TestWorkshop, walk: Hand) -> None:
    (one,) = shop.deliver()
    put(shop, one, shop.places[0])
    put(shop, one, shop.feeds[0])
    walk(shop.places[0])
    assert shown(shop).missing == 0


def test_a_spool_before_a_place_and_other_codes_are_refused_in_words(shop: TestWorkshop, walk: Hand) -> None:
    (one,) = shop.deliver()
    with pytest.raises(BadInput, match="Scan the label of the place first"):
        walk(one)
    with pytest.raises(BadInput, match="code of a feed"):
        walk(shop.feeds[0])
    with pytest.raises(BadInput, match="maker's barcode"):
        walk("6291041500213")


def test_a_count_is_settled_once_and_only_what_is_missing_is_written_off(shop: TestWorkshop, walk: Hand) -> None:
    (one,) = shop.deliver()
    walk(shop.places[0])
    with pytest.raises(BadInput, match="Nothing was counted"):
        settle(shop)
    walk(one)
    with pytest.raises(BadInput, match="is not missing"):
        settle(shop, one)
    number = shown(shop).walk_id
    settle(shop)
    with pytest.raises(Conflict, match="settled already"):
        shop.do(lambda s: counting.settle(session=s, now=shop.now, by=by(), walk_id=number))


def test_a_count_is_dropped_and_nothing_was_booked(shop: TestWorkshop, walk: Hand) -> None:
    (code,) = shop.deliver()
    put(shop, code, shop.places[0])
    walk(shop.places[1])
    walk_id = shown(shop).walk_id
    shop.do(lambda s: counting.drop(session=s, walk_id=walk_id))
    with shop.store.read() as session:
        assert counting.view(session=session) is None
        assert spools.view(session=session, spool_code=code).place
    with pytest.raises(Conflict, match="settled already"):
        shop.do(lambda s: counting.drop(session=s, walk_id=walk_id))


def test_a_spool_scanned_twice_is_said_to_be(shop: TestWorkshop, walk: Hand) -> None:
    (code,) = shop.deliver()
    put(shop, code, shop.places[0])
    assert "already" not in walk(shop.places[0], code).words
    assert walk(code).words.startswith("Scanned already.")


def test_a_spool_seen_on_a_shelf_that_is_on_a_machine_by_the_books_is_counted_apart(
    shop: TestWorkshop, walk: Hand
) -> None:
    (code,) = shop.deliver()
    put(shop, code, shop.feeds[0])
    walk(shop.places[0], code)
    assert (shown(shop).loaded, shown(shop).seen) == (1, 1)
