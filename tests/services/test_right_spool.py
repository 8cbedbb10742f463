"""The check of a scan, on both databases: what stops, what asks, what tells, and how a person answers."""

from dataclasses import replace
from datetime import datetime, timedelta

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.errors import BadInput, Conflict
from spoolkeep.domain.rightspool import Weight
from spoolkeep.domain.words import Finish
from spoolkeep.services import (
    asides,
    bench,
    boards,
    catalogue,
    checking,
    finding,
    itemcare,
    jobs,
    machines,
    spools,
    standby,
    undoing,
)
from spoolkeep.services.bench import ATTENTION, HEARD, STOP
from spoolkeep.services.boards import FeedView, MachineView
from spoolkeep.services.jobs import FeedGrams
from spoolkeep.services.machines import MachineEntry
from spoolkeep.store.acts import By
from spoolkeep.store.engine import Store
from spoolkeep.store.proof import differences
from spoolkeep.store.tables import JobFeed, Make, ProductPart
from tests.workshop import TestWorkshop, by, station_at

HOUR = timedelta(hours=1)
PLAIN = MachineEntry(
    largest_reel_mm=None,
    enclosed=False,
    hardened_nozzle=False,
    runout_sensor=False,
    cardboard_reels=True,
    self_starting=False,
    switches=False,
    earns_minor_per_hour=None,
)


@pytest.fixture
def shop(store: Store, now: datetime) -> TestWorkshop:
    return TestWorkshop(store, now)


def board(shop: TestWorkshop) -> MachineView:
    with shop.store.read() as session:
        return boards.board(session=session, now=shop.now)[0]


def feed(shop: TestWorkshop, at: int = 0) -> FeedView:
    return board(shop).feeds[at]


def on(shop: TestWorkshop, at: int = 0) -> str:
    """Give the code of the spool on a feed."""
    loaded = feed(shop, at).loaded
    return loaded.spool_code if loaded else ""


def feed_id(shop: TestWorkshop, at: int = 0) -> int:
    with shop.store.read() as session:
        return finding.feed_of(session, shop.feeds[at]).id


def single(shop: TestWorkshop) -> None:
    """Let the shop have a machine of one feed, Rowan, whose feed is the last."""
    shop.do(lambda s: catalogue.add_machine(session=s, now=shop.now, by=by(), name="Rowan", feeds=1))
    with shop.store.read() as session:
        shop.feeds[:] = [
            one.feeds[0].code for one in boards.board(session=session, now=shop.now) if one.name == "Rowan"
        ]


def rowan(shop: TestWorkshop) -> MachineView:
    with shop.store.read() as session:
        return next(one for one in boards.board(session=session, now=shop.now) if one.name == "Rowan")


def sound(shop: TestWorkshop) -> bool:
    with shop.store.read() as session:
        return not list(differences(session))


def petg(shop: TestWorkshop) -> str:
    shop.articles.append(shop.item("PETG", "Slate black"))
    return shop.deliver(article=len(shop.articles) - 1)[0]


def test_a_wrong_material_is_booked_and_stops_the_machine_until_the_right_one_comes(shop: TestWorkshop) -> None:
    wrong, (right,) = petg(shop), shop.deliver()
    shop.plan("Bracket", FeedGrams(100_000, feed_id(shop), shop.articles[0]))
    answer = shop.scan(wrong, shop.feeds[0])
    assert (answer.kind, answer.did) == (STOP, "loaded")
    assert "It is PETG Slate black, and “Bracket” wants PLA Slate black." in answer.words
    assert f"Take PLA Slate black, {right[:4]} {right[4:7]} {right[7:]}," in answer.words
    assert (board(shop).weight, on(shop)) == (Weight.STOP, wrong)
    assert shop.scan(right, shop.feeds[0]).kind == HEARD
    assert board(shop).weight is None
    assert sound(shop)


def test_a_person_keeps_a_wrong_spool_on_for_a_reason_and_undo_takes_that_back(shop: TestWorkshop) -> None:
    shop.plan("Bracket", FeedGrams(100_000, feed_id(shop), shop.articles[0]))
    shop.scan(petg(shop), shop.feeds[0])
    with pytest.raises(BadInput):
        shop.do(lambda s: checking.keep_on(session=s, now=shop.now, by=by(), feed_id=feed_id(shop), why="  "))
    kept = shop.do(
        lambda s: checking.keep_on(session=s, now=shop.now, by=by(), feed_id=feed_id(shop), why="The job was changed.")
    )
    assert kept.words == "It stays on Larch feed 1: The job was changed."
    assert (board(shop).weight, feed(shop).checked.kept) == (None, "The job was changed")
    with pytest.raises(Conflict):
        shop.do(lambda s: checking.keep_on(session=s, now=shop.now, by=by(), feed_id=feed_id(shop), why="Again"))
    shop.do(lambda s: undoing.undo_act(session=s, now=shop.now, by=by(), act_id=kept.act_id))
    assert board(shop).weight is Weight.STOP


def test_another_colour_asks_and_the_same_two_scans_say_that_it_is_meant(shop: TestWorkshop) -> None:
    (white,) = shop.deliver(article=1)
    shop.plan("Bracket", FeedGrams(100_000, feed_id(shop), shop.articles[0]))
    asked = shop.scan(white, shop.feeds[0])
    assert asked.kind == ATTENTION
    assert asked.words.endswith("Scan both once more if it is meant.")
    assert board(shop).weight is Weight.ASK
    meant = shop.scan(shop.feeds[0], white)
    assert (meant.kind, meant.did) == (HEARD, "kept on")
    assert board(shop).weight is None


def test_a_wrong_material_is_not_answered_by_scanning_it_again(shop: TestWorkshop) -> None:
    wrong = petg(shop)
    shop.plan("Bracket", FeedGrams(100_000, feed_id(shop), shop.articles[0]))
    shop.scan(wrong, shop.feeds[0])
    again = shop.scan(wrong, shop.feeds[0])
    assert (again.kind, again.did) == (STOP, "there already")
    assert board(shop).weight is Weight.STOP


def test_what_was_kept_on_for_one_job_is_asked_again_for_the_next(shop: TestWorkshop) -> None:
    (white,) = shop.deliver(article=1)
    first = shop.plan("Bracket", FeedGrams(10_000, feed_id(shop), shop.articles[0]))
    shop.scan(white, shop.feeds[0], white, shop.feeds[0])
    shop.plan("Tray", FeedGrams(10_000, feed_id(shop), shop.articles[0]))
    assert board(shop).weight is None
    shop.do(lambda s: undoing.undo_last(session=s, now=shop.now, by=by()))  # the second plan
    assert first
    shop.plan("Pot", FeedGrams(10_000, feed_id(shop), shop.articles[0]), due_at=shop.now + HOUR)
    assert board(shop).weight is Weight.ASK


def test_a_spool_for_the_next_job_is_right_although_the_last_one_is_not_reported(shop: TestWorkshop) -> None:
    (white,), (black,) = shop.deliver(article=1), shop.deliver()
    shop.scan(black, shop.feeds[0])
    runs = shop.plan("Bracket", FeedGrams(10_000, feed_id(shop), shop.articles[0]), duration_s=3600)
    shop.start(runs, shop.now - 2 * HOUR)
    shop.plan("Lamp", FeedGrams(10_000, feed_id(shop), shop.articles[1]))
    assert shop.scan(white, shop.feeds[0]).kind == HEARD


def test_where_only_an_item_is_planned_the_machine_s_one_feed_gives_it(shop: TestWorkshop) -> None:
    single(shop)
    (white,) = shop.deliver(article=1)
    shop.plan("Bracket", FeedGrams(100_000, article_id=shop.articles[0]), machine="Rowan")
    assert shop.scan(white, shop.feeds[0]).kind == ATTENTION
    assert rowan(shop).weight is Weight.ASK


def test_an_item_that_is_on_none_of_several_feeds_is_named(shop: TestWorkshop) -> None:
    third = shop.item("PLA", "Rust", "#8a3b12")
    shop.plan("Bracket", FeedGrams(5_000, article_id=third))
    assert [one.item_name for one in board(shop).lacking] == ["PLA Rust"]


def test_too_little_tells_and_names_a_spool_that_will_do(shop: TestWorkshop) -> None:
    (short,), (long,) = shop.deliver(grams=100), shop.deliver(grams=1000)
    shop.plan("Bracket", FeedGrams(300_000, feed_id(shop), shop.articles[0]))
    answer = shop.scan(short, shop.feeds[0])
    assert answer.kind == ATTENTION
    assert "“Bracket” needs 300 g, about 100 g are left: it will not last (1 % that it does)." in answer.words
    assert long[:4] in answer.words


def test_of_a_job_that_runs_only_what_comes_is_asked_of_a_new_spool(shop: TestWorkshop) -> None:
    (first,), (second,) = shop.deliver(), shop.deliver(grams=200)
    shop.scan(first, shop.feeds[0], at=shop.now - 9 * HOUR)
    runs = shop.plan("Bracket", FeedGrams(500_000, feed_id(shop), shop.articles[0]), duration_s=36_000)
    shop.start(runs, shop.now - 9 * HOUR)
    assert shop.scan(second, shop.feeds[0]).kind == HEARD  # a tenth is left of it, 50 g


def test_what_stands_by_counts_as_long_as_it_is_the_same_item(shop: TestWorkshop) -> None:
    (short,), (waits,) = shop.deliver(grams=150), shop.deliver()
    shop.scan(short, shop.feeds[0])
    shop.plan("Bracket", FeedGrams(300_000, feed_id(shop), shop.articles[0]))
    assert board(shop).weight is Weight.TELL
    shop.do(lambda s: standby.stand_by(session=s, now=shop.now, by=by(), spool_code=waits, feed_code=shop.feeds[0]))
    assert board(shop).weight is None


def test_a_lot_that_is_set_aside_stops_and_is_not_kept_on(shop: TestWorkshop) -> None:
    (code,) = shop.deliver()
    shop.scan(code, shop.feeds[0])
    shop.do(lambda s: asides.set_aside(session=s, now=shop.now, by=by(), spool_codes=[code]))
    assert board(shop).weight is Weight.STOP
    with pytest.raises(Conflict):
        shop.do(lambda s: checking.keep_on(session=s, now=shop.now, by=by(), feed_id=feed_id(shop), why="Only a test"))


def test_a_machine_that_is_not_closed_in_asks_once_somebody_said_which_are(shop: TestWorkshop) -> None:
    single(shop)
    asa = shop.item("ASA", "Tar", "#101010")
    shop.articles.append(asa)
    (code,) = shop.deliver(article=2)
    assert shop.scan(code, shop.feeds[0]).kind == HEARD
    entry = replace(PLAIN, enclosed=True)
    larch = shop.machine("Larch")
    shop.do(lambda s: machines.describe(session=s, now=shop.now, by=by(), machine_id=larch, entry=entry))
    assert rowan(shop).weight is Weight.ASK
    assert "warps in a draught" in rowan(shop).feeds[0].checked.words


def test_a_reel_that_is_too_wide_asks(shop: TestWorkshop) -> None:
    (big,) = shop.deliver(grams=5000)
    entry = replace(PLAIN, largest_reel_mm=200)
    larch = shop.machine()
    shop.do(lambda s: machines.describe(session=s, now=shop.now, by=by(), machine_id=larch, entry=entry))
    answer = shop.scan(big, shop.feeds[0])
    assert "Its reel is about 320 mm wide, and Larch takes 200 mm." in answer.words


def test_a_thirsty_spool_that_was_opened_long_ago_is_to_be_dried_and_once_dried_is_right(shop: TestWorkshop) -> None:
    shop.articles.append(shop.item("PA", "Ash", "#777777"))
    (code,) = shop.deliver(article=2, at=shop.now - timedelta(days=40))
    shop.scan(code, shop.feeds[0], at=shop.now - timedelta(days=9))
    answer = shop.scan(code, shop.feeds[1])
    assert "PA was out of the dry store for about 9 days" in answer.words
    shop.do(lambda s: itemcare.dried(session=s, now=shop.now, by=by(), spool_code=code))
    assert feed(shop, 1).checked.open == ()


def test_a_product_of_one_make_asks_where_another_is_on(shop: TestWorkshop) -> None:
    (code,) = shop.deliver()
    entry = catalogue.ProductEntry("Lamp", None, ((shop.articles[0], 40_000),))
    product = shop.do(lambda s: catalogue.add_product(session=s, now=shop.now, by=by(), entry=entry)).row_id

    def one_make(session: Session) -> None:
        make = Make(article_id=shop.articles[0], maker="Mill")
        session.add(make)
        session.flush()
        part = session.scalars(select(ProductPart).where(col(ProductPart.product_id) == product)).one()
        part.make_id = make.id

    shop.do(one_make)
    shop.plan("Lamp", FeedGrams(40_000, feed_id(shop), shop.articles[0]), product_id=product)
    assert "takes one make only" in shop.scan(code, shop.feeds[0]).words


def test_a_job_of_one_lot_asks_where_the_next_spool_is_of_another(shop: TestWorkshop) -> None:
    first, second = shop.deliver(2)

    def lots(session: Session) -> None:
        for code, lot in ((first, "A7"), (second, "B2")):
            finding.spool_of(session, code).lot = lot

    shop.do(lots)
    shop.scan(first, shop.feeds[0], at=shop.now - 3 * HOUR)
    runs = shop.plan("Bracket", FeedGrams(100_000, feed_id(shop), shop.articles[0]), duration_s=36_000)

    def of_one_lot(session: Session) -> None:
        session.scalars(select(JobFeed).where(col(JobFeed.job_id) == runs)).one().one_lot = True

    shop.do(of_one_lot)
    shop.start(runs, shop.now - 2 * HOUR)
    assert "began with lot A7" in shop.scan(second, shop.feeds[0]).words


# what comes off, and what stands by


def test_the_spool_that_comes_off_goes_home_without_a_scan(shop: TestWorkshop) -> None:
    first, second = shop.deliver(2)
    shop.scan(first, shop.places[0], first, shop.feeds[0])
    answer = shop.scan(second, shop.feeds[0])
    assert answer.words.startswith(
        "PLA Slate black is on Larch feed 1. PLA Slate black that was there goes back to Long"
    )
    with shop.store.read() as session:
        assert spools.view(session=session, spool_code=first).place == "Long shelf"


def test_a_spool_without_a_home_says_that_it_needs_one(shop: TestWorkshop) -> None:
    first, second = shop.deliver(2)
    shop.scan(first, shop.feeds[0])
    assert "has no place yet" in shop.scan(second, shop.feeds[0]).words


def test_on_a_holder_that_goes_over_by_itself_the_second_spool_stands_by(shop: TestWorkshop) -> None:
    entry = replace(PLAIN, switches=True)
    larch = shop.machine()
    shop.do(lambda s: machines.describe(session=s, now=shop.now, by=by(), machine_id=larch, entry=entry))
    first, second, third = shop.deliver(3)
    shop.scan(first, shop.feeds[0])
    assert shop.scan(second, shop.feeds[0]).did == "stands by"
    assert shop.scan(third, shop.feeds[0]).did == "loaded"  # one waits already: it changes the one in use
    waits = feed(shop).standby
    assert waits is not None
    assert (on(shop), waits.spool_code) == (third, second)
    assert sound(shop)


def test_a_second_spool_of_another_item_takes_the_first_one_s_place(shop: TestWorkshop) -> None:
    larch = shop.machine()
    entry = replace(PLAIN, switches=True)
    shop.do(lambda s: machines.describe(session=s, now=shop.now, by=by(), machine_id=larch, entry=entry))
    (black,), (white,) = shop.deliver(), shop.deliver(article=1)
    shop.scan(black, shop.feeds[0])
    assert shop.scan(white, shop.feeds[0]).did == "loaded"
    assert on(shop) == white


def test_two_spools_that_are_no_such_pair_do_nothing_to_each_other(shop: TestWorkshop) -> None:
    first, second = shop.deliver(2)
    assert shop.scan(first, second).did == "waits"
    assert shop.scan(shop.feeds[0]).words == "PLA Slate black is on Larch feed 1."
    assert on(shop) == second


def test_a_scan_that_waited_on_its_device_is_booked_when_it_was_made(shop: TestWorkshop) -> None:
    (code,) = shop.deliver(at=shop.now - timedelta(days=1))

    def scans(session: Session) -> None:
        who = station_at(session, shop.now)
        for text, minutes in ((code, 31), (shop.feeds[0], 30.5)):
            at = shop.now - timedelta(minutes=minutes)
            one = By(1, by().key, who)
            bench.scan(session=session, now=shop.now, by=one, text=text, at=at)

    shop.do(scans)
    loaded = feed(shop).loaded
    assert loaded is not None
    assert loaded.since == shop.now - timedelta(minutes=30.5)


def test_a_scan_that_comes_late_does_not_overrule_a_newer_one(shop: TestWorkshop) -> None:
    first, second = shop.deliver(2, at=shop.now - timedelta(days=1))
    shop.scan(second, shop.feeds[0], at=shop.now - timedelta(minutes=10), station="two")

    def late(session: Session) -> None:
        number = station_at(session, shop.now, "one")
        for text in (first, shop.feeds[0]):
            at = shop.now - timedelta(minutes=20)
            bench.scan(session=session, now=shop.now, by=By(1, by().key, number), text=text, at=at)

    with pytest.raises(Conflict, match="Since that scan another was booked there"):
        shop.do(late)
    assert on(shop) == second
    assert sound(shop)


def test_what_was_answered_for_a_machine_does_not_answer_what_comes_later(shop: TestWorkshop) -> None:
    (big,) = shop.deliver(grams=5000)
    larch = shop.machine()
    entry = replace(PLAIN, largest_reel_mm=200)
    shop.do(lambda s: machines.describe(session=s, now=shop.now, by=by(), machine_id=larch, entry=entry))
    shop.scan(big, shop.feeds[0], big, shop.feeds[0])
    assert (board(shop).weight, feed(shop).checked.kept) == (None, "scanned twice")
    shop.plan("Bracket", FeedGrams(100_000, feed_id(shop), shop.item("PETG", "Slate black")))
    assert [one.code for one in feed(shop).checked.open] == ["material"]
    shop.do(lambda s: asides.set_aside(session=s, now=shop.now, by=by(), spool_codes=[big]))
    assert feed(shop).checked.open[0].code == "aside"


def test_a_person_keeps_on_the_spool_that_they_saw_and_no_other(shop: TestWorkshop) -> None:
    seen, other = petg(shop), petg_more(shop)
    shop.plan("Bracket", FeedGrams(100_000, feed_id(shop), shop.articles[0]))
    shop.scan(seen, shop.feeds[0], other, shop.feeds[0])
    with pytest.raises(Conflict, match="Another spool is on that feed by now"):
        shop.do(
            lambda s: checking.keep_on(
                session=s, now=shop.now, by=by(), feed_id=feed_id(shop), why="Only a test", spool_code=seen
            )
        )


def petg_more(shop: TestWorkshop) -> str:
    return shop.deliver(article=len(shop.articles) - 1)[0]


def test_a_spool_that_stands_by_stays_so_when_it_is_scanned_once_more(shop: TestWorkshop) -> None:
    larch = shop.machine()
    entry = replace(PLAIN, switches=True)
    shop.do(lambda s: machines.describe(session=s, now=shop.now, by=by(), machine_id=larch, entry=entry))
    first, second = shop.deliver(2)
    shop.scan(first, shop.feeds[0], second, shop.feeds[0])
    again = shop.scan(second, shop.feeds[0])
    assert (again.did, on(shop)) == ("there already", first)
    shop.do(lambda s: asides.set_aside(session=s, now=shop.now, by=by(), spool_codes=[second]))
    assert shop.scan(second, shop.feeds[0]).kind == STOP


def test_a_job_that_starts_on_a_wrong_spool_says_so_and_its_machine_goes_on_to_stop(shop: TestWorkshop) -> None:
    wrong = petg(shop)
    shop.scan(wrong, shop.feeds[0], at=shop.now - HOUR)
    planned = shop.plan("Bracket", FeedGrams(100_000, feed_id(shop), shop.articles[0]), duration_s=36_000)
    shop.plan("Next", FeedGrams(100_000, feed_id(shop), shop.articles[2]))
    started = shop.do(lambda s: jobs.start_job(session=s, now=shop.now, by=by(), job_id=planned))
    assert started.odd[0].startswith("STOP: It is PETG Slate black, and “Bracket” wants PLA Slate black.")
    assert board(shop).weight is Weight.STOP  # although it would be right for the next one


def test_a_spool_that_was_off_for_a_moment_still_gives_to_the_whole_job(shop: TestWorkshop) -> None:
    (code,) = shop.deliver(at=shop.now - timedelta(days=2))
    shop.scan(code, shop.feeds[0], at=shop.now - timedelta(days=1))
    runs = shop.plan("Bracket", FeedGrams(600_000, feed_id(shop), shop.articles[0]), duration_s=36_000)
    shop.start(runs, shop.now - 5 * HOUR)
    shop.scan(code, shop.places[0], at=shop.now - HOUR)
    shop.scan(code, shop.feeds[0], at=shop.now - HOUR / 2)
    assert feed(shop).checked.needs_mg == 600_000


def test_a_hardened_nozzle_is_asked_for_where_it_was_told_what_machines_can_take(shop: TestWorkshop) -> None:
    number = shop.do(
        lambda s: catalogue.add_article(
            session=s, now=shop.now, by=by(), material="PLA", colour="Firefly", finish=Finish.GLOW, srgb=["#cfe8b0"]
        )
    ).row_id
    shop.articles.append(number)
    (code,) = shop.deliver(article=len(shop.articles) - 1)
    assert shop.scan(code, shop.feeds[0]).kind == HEARD
    larch = shop.machine()
    entry = replace(PLAIN, largest_reel_mm=220)
    shop.do(lambda s: machines.describe(session=s, now=shop.now, by=by(), machine_id=larch, entry=entry))
    assert [one.code for one in feed(shop).checked.open] == ["hardened"]


def test_a_spool_that_is_put_away_while_its_job_runs_is_booked_and_said(shop: TestWorkshop) -> None:
    (code,) = shop.deliver(at=shop.now - timedelta(days=2))
    shop.scan(code, shop.feeds[0], at=shop.now - timedelta(days=1))
    shop.start(shop.plan("Bracket", FeedGrams(60_000, feed_id(shop), shop.articles[0]), duration_s=36_000))
    answer = shop.scan(code, shop.places[0])
    assert (answer.kind, answer.did) == (ATTENTION, "moved")
    assert "“Bracket” still runs on Larch feed 1 by the books, without it." in answer.words


def test_a_spool_that_is_taken_from_another_machine_says_from_which(shop: TestWorkshop) -> None:
    (code,) = shop.deliver()
    shop.scan(code, shop.feeds[0])
    assert shop.scan(code, shop.feeds[1]).words == "PLA Slate black is on Larch feed 2. It came off Larch feed 1."


def test_what_stands_by_is_checked_as_well(shop: TestWorkshop) -> None:
    (black,), (white,) = shop.deliver(), shop.deliver(article=1)
    shop.scan(black, shop.feeds[0])
    shop.do(lambda s: standby.stand_by(session=s, now=shop.now, by=by(), spool_code=white, feed_code=shop.feeds[0]))
    assert [(one.code, one.weight) for one in feed(shop).checked.open] == [("waits_colour", Weight.ASK)]
    shop.do(lambda s: asides.set_aside(session=s, now=shop.now, by=by(), spool_codes=[white]))
    assert board(shop).weight is Weight.STOP
