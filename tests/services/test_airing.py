"""Thirsty spools on their way, on both databases: opened by a loading, followed by the hour, dried in a dryer."""

from dataclasses import replace
from datetime import datetime, timedelta

import pytest

from spoolkeep.domain.errors import Conflict
from spoolkeep.domain.words import Kind, PlaceKind
from spoolkeep.services import airing, boards, catalogue, choices, finding, itemcare, machines, spools, today, undoing
from spoolkeep.services.bench import ScanAnswer
from spoolkeep.services.shop import load_shop
from spoolkeep.store.engine import Store
from spoolkeep.store.proof import differences
from tests.workshop import TestWorkshop, by

HOUR = timedelta(hours=1)
PA, PLA = 2, 0


@pytest.fixture
def shop(store: Store, now: datetime) -> TestWorkshop:
    made = TestWorkshop(store, now)
    made.articles.append(made.item("PA", "Ash", "#777777"))
    return made


def place(shop: TestWorkshop, name: str, kind: PlaceKind = PlaceKind.DRY_BOX, dryer_hours: int | None = None) -> str:
    made = shop.do(lambda s: catalogue.add_place(session=s, now=shop.now, by=by(), name=name, kind=kind))
    if dryer_hours:
        say_dryer(shop, made.row_id, dryer_hours)
    with shop.store.read() as session:
        return next(one.code for one in choices.place_list(session=session) if one.name == name)


def say_dryer(shop: TestWorkshop, place_id: int, hours: int | None) -> None:
    shop.do(lambda s: machines.set_dryer(session=s, now=shop.now, by=by(), place_id=place_id, hours=hours))


def water(shop: TestWorkshop, code: str) -> str:
    with shop.store.read() as session:
        assert list(differences(session)) == []
        return airing.told(session=session, now=shop.now, spool_code=code)


def later(shop: TestWorkshop, hours: int, *codes: str) -> ScanAnswer | None:
    shop.now += hours * HOUR
    return shop.scan(*codes) if codes else None


def on_feed(shop: TestWorkshop) -> list[str]:
    with shop.store.read() as session:
        return [fault.code for fault in boards.board(session=session, now=shop.now)[0].feeds[0].checked.open]


def test_the_first_loading_opens_it_and_from_then_on_its_hours_in_the_air_count(shop: TestWorkshop) -> None:
    box = place(shop, "Box")
    (code,) = shop.deliver(article=PA)
    later(shop, 1, code, box)
    assert water(shop, code) == "", "it is sealed"
    later(shop, 1, code, shop.feeds[0])
    later(shop, 10)
    assert water(shop, code) == "out of the dry store for 10 h, and takes 12 h"
    assert on_feed(shop) == []
    later(shop, 3)
    assert on_feed(shop) == ["thirsty"]
    later(shop, 0, code, box)
    later(shop, 100)
    assert water(shop, code) == "out of the dry store for 13 h, and takes 12 h: dry it first"


def test_what_another_spool_pushes_off_goes_home_to_its_dry_box(shop: TestWorkshop) -> None:
    box = place(shop, "Box")
    (code,), (other,) = shop.deliver(article=PA), shop.deliver()
    later(shop, 0, code, box)
    later(shop, 0, code, shop.feeds[0])
    later(shop, 2, other, shop.feeds[0])
    later(shop, 50)
    assert water(shop, code) == "out of the dry store for 2 h, and takes 12 h"


def test_a_dryer_says_when_a_spool_is_dry_and_what_comes_out_in_time_was_dried(shop: TestWorkshop) -> None:
    dryer = place(shop, "Dryer", dryer_hours=6)
    (code,) = shop.deliver(article=PA)
    later(shop, 0, code, shop.feeds[0])
    answer = later(shop, 20, code, dryer)
    assert answer is not None
    with shop.store.read() as session:
        ready = load_shop(session).formats.moment(shop.now + 12 * HOUR)
    assert f"PA Ash is in Dryer. It is dry from {ready}." in answer.words
    assert "about 80 °C, or what its maker's sheet says" in answer.words
    later(shop, 11)
    assert water(shop, code).startswith("in Dryer, dry from ")
    assert dry_today(shop) == []
    later(shop, 1)
    assert water(shop, code).startswith("in Dryer, dry since ")
    assert dry_today(shop) == [code]
    later(shop, 3, code, shop.feeds[0])
    assert water(shop, code) == "out of the dry store for 0 h, and takes 12 h"
    assert dry_today(shop) == []
    (other,) = shop.deliver()
    later(shop, 1, other, shop.feeds[0])
    with shop.store.read() as session:
        assert airing.in_dryers(session) == [], "it does not go back there by itself"


def dry_today(shop: TestWorkshop) -> list[str]:
    with shop.store.read() as session:
        return [one.code for one in today.needed(session=session, now=shop.now).dry.first]


def test_what_comes_out_too_early_is_as_thirsty_as_it_was(shop: TestWorkshop) -> None:
    dryer = place(shop, "Dryer", dryer_hours=6)
    (code,) = shop.deliver(article=PA)
    later(shop, 0, code, shop.feeds[0])
    later(shop, 20, code, dryer)
    later(shop, 5, code, shop.feeds[0])
    assert on_feed(shop) == ["thirsty"]
    assert water(shop, code) == "out of the dry store for 20 h, and takes 12 h: dry it first"


def test_a_dryer_too_hot_for_what_lies_in_it_is_told(shop: TestWorkshop) -> None:
    dryer = place(shop, "Dryer", dryer_hours=6)
    (pla,), (pa,) = shop.deliver(), shop.deliver(article=PA)
    assert "may soften" not in shop.scan(pla, dryer).words
    assert "PLA Slate black is in there too, and may soften at that." in shop.scan(pa, dryer).words


def test_undo_puts_back_how_it_lay(shop: TestWorkshop) -> None:
    dryer = place(shop, "Dryer", dryer_hours=6)
    (code,) = shop.deliver(article=PA)
    later(shop, 0, code, shop.feeds[0])
    answer = later(shop, 20, code, dryer)
    assert answer is not None
    shop.do(lambda s: undoing.undo_act(session=s, now=shop.now, by=by(), act_id=answer.act_id))
    later(shop, 1)
    assert water(shop, code) == "out of the dry store for 21 h, and takes 12 h: dry it first"


def test_a_feed_that_is_a_dry_box_keeps_it_dry(shop: TestWorkshop) -> None:
    holder(shop, shop.machine(), keeps_dry=True)
    (code,) = shop.deliver(article=PA)
    later(shop, 0, code, shop.feeds[0])
    later(shop, 300)
    assert on_feed(shop) == []
    assert water(shop, code) == "out of the dry store for 0 h, and takes 12 h"


def test_a_person_who_dried_it_elsewhere_says_so(shop: TestWorkshop) -> None:
    (code,) = shop.deliver(article=PA)
    later(shop, 0, code, shop.feeds[0])
    later(shop, 48)
    shop.do(lambda s: itemcare.dried(session=s, now=shop.now, by=by(), spool_code=code))
    later(shop, 2)
    assert water(shop, code) == "out of the dry store for 2 h, and takes 12 h"


def test_what_a_place_is_cannot_change_under_the_spools_in_it(shop: TestWorkshop) -> None:
    dryer = place(shop, "Dryer", dryer_hours=6)
    (code,) = shop.deliver(article=PA)
    shop.scan(code, dryer)
    with shop.store.read() as session:
        number = {name: number for number, name in choices.places(session=session)}["Dryer"]
    with pytest.raises(Conflict, match="Scan them to another place"):
        say_dryer(shop, number, None)
    say_dryer(shop, number, 8)


def test_a_plastic_that_does_not_mind_is_not_followed(shop: TestWorkshop) -> None:
    (code,) = shop.deliver()
    later(shop, 0, code, shop.feeds[0])
    later(shop, 300)
    assert water(shop, code) == ""


def number_of(shop: TestWorkshop, name: str) -> int:
    with shop.store.read() as session:
        return {name: number for number, name in choices.places(session=session)}[name]


def holder(shop: TestWorkshop, machine_id: int, *, keeps_dry: bool) -> None:
    with shop.store.read() as session:
        known = machines.view(session=session, machine_id=machine_id).entry
    entry = replace(known, keeps_dry=keeps_dry)
    shop.do(lambda s: machines.describe(session=s, now=shop.now, by=by(), machine_id=machine_id, entry=entry))


def test_what_nobody_followed_and_was_dried_in_its_dry_box_stays_dry_there(shop: TestWorkshop) -> None:
    box = place(shop, "Box")
    (code,) = shop.deliver(article=PA)
    shop.scan(code, box)
    shop.scan(code, shop.feeds[0])
    shop.scan(code, box)
    with shop.store.write() as session:
        spool = finding.spool_of(session, code)
        spool.air_from = spool.air_s = None  # as one from before it was kept
        session.add(spool)
    shop.do(lambda s: itemcare.dried(session=s, now=shop.now, by=by(), spool_code=code))
    later(shop, 100)
    assert water(shop, code) == "out of the dry store for 0 h, and takes 12 h"


def test_a_holder_that_becomes_a_dry_box_stops_the_hours_of_what_is_on_it(shop: TestWorkshop) -> None:
    (code,) = shop.deliver(article=PA)
    later(shop, 0, code, shop.feeds[0])
    larch = shop.machine()
    for is_dry, hours in ((True, 2), (False, 48)):
        later(shop, hours)
        holder(shop, larch, keeps_dry=is_dry)
    later(shop, 3)
    assert water(shop, code) == "out of the dry store for 5 h, and takes 12 h"


def test_a_place_that_is_no_dryer_any_more_makes_nothing_dry(shop: TestWorkshop) -> None:
    place(shop, "Oven")
    made = shop.do(
        lambda s: machines.set_dryer(session=s, now=shop.now, by=by(), place_id=number_of(shop, "Oven"), hours=6)
    )
    (code,) = shop.deliver(article=PA)
    later(shop, 0, code, shop.feeds[0])
    with shop.store.read() as session:
        oven = next(one.code for one in choices.place_list(session=session) if one.name == "Oven")
    later(shop, 20, code, oven)
    shop.do(lambda s: undoing.undo_act(session=s, now=shop.now, by=by(), act_id=made.act_id))
    with shop.store.read() as session:
        assert airing.in_dryers(session) == []
    later(shop, 100, code, shop.feeds[0])
    assert water(shop, code) == "out of the dry store for 20 h, and takes 12 h: dry it first"


def test_what_was_scrapped_is_in_no_dryer(shop: TestWorkshop) -> None:
    dryer = place(shop, "Dryer", dryer_hours=6)
    (pla,), (pa,) = shop.deliver(), shop.deliver(article=PA)
    shop.scan(pla, dryer)
    shop.do(lambda s: spools.give_up(session=s, now=shop.now, by=by(), spool_code=pla, kind=Kind.SCRAP))
    assert water(shop, pla) == ""
    assert "may soften" not in shop.scan(pa, dryer).words
