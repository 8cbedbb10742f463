"""Tonight, on both databases: what needs, what is left, how sure, and what to do before going home."""

from dataclasses import fields
from datetime import datetime, timedelta

import pytest

from spoolkeep.domain.errors import BadInput
from spoolkeep.domain.rightspool import SURE
from spoolkeep.domain.words import Outcome, PlaceKind, Purpose
from spoolkeep.paper.night_sheet import half_sheet
from spoolkeep.services import (
    catalogue,
    choices,
    counting,
    evening,
    figures,
    finding,
    halfsheet,
    jobs,
    setup,
    standby,
    tonight,
)
from spoolkeep.services.evening import Evening, ToDo
from spoolkeep.services.jobs import FeedGrams, JobReport
from spoolkeep.services.shop import Settings, load_shop
from spoolkeep.services.tonight import FeedTonight
from spoolkeep.store.acts import By
from spoolkeep.store.engine import Session, Store
from spoolkeep.store.seeds import FIRST_ACTOR
from tests.workshop import TestWorkshop, by, station_at

HOUR = timedelta(hours=1)


@pytest.fixture
def shop(store: Store, now: datetime) -> TestWorkshop:
    """Give a workshop at five in the afternoon."""
    made = TestWorkshop(store, now)
    made.now = now + 5 * HOUR
    return made


def feed_id(shop: TestWorkshop, at: int = 0) -> int:
    with shop.store.read() as session:
        return finding.feed_of(session, shop.feeds[at]).id


def ahead(shop: TestWorkshop, at: int = 0, **more: datetime) -> FeedTonight:
    with shop.store.read() as session:
        found = tonight.look_ahead(session=session, now=shop.now, **more).feeds
    return next(one for one in found if one.feed.position == at + 1)


def plan(shop: TestWorkshop) -> Evening:
    with shop.store.read() as session:
        return evening.plan(session=session, now=shop.now)


def todo(shop: TestWorkshop) -> ToDo:
    (only,) = plan(shop).todo
    return only


def runs(shop: TestWorkshop, grams: int, hours: float, *, at: int = 0, began: float = 0, item: int = 0) -> int:
    need = FeedGrams(grams * 1000, feed_id(shop, at), shop.articles[item])
    job = shop.plan("Night lamp", need, duration_s=round(hours * 3600))
    shop.start(job, shop.now - began * HOUR)
    return job


def load(shop: TestWorkshop, grams: int, *, at: int = 0, item: int = 0, days: int = 1) -> str:
    (code,) = shop.deliver(grams=grams, article=item, at=shop.now - timedelta(days=days))
    shop.scan(code, shop.feeds[at], at=shop.now - timedelta(days=days))
    return code


def test_a_spool_that_has_plenty_lasts(shop: TestWorkshop) -> None:
    load(shop, 1000)
    runs(shop, 200, 12)
    assert ahead(shop).lasts
    assert plan(shop).todo == ()


def test_a_spool_that_is_too_short_does_not_and_says_about_when_it_ends(shop: TestWorkshop) -> None:
    load(shop, 300)
    runs(shop, 600, 12)
    one = ahead(shop)
    assert one.chance < 0.05
    assert one.night.risk.ends_at is not None
    assert shop.now + 4 * HOUR < one.night.risk.ends_at < shop.now + 6.1 * HOUR
    # it stands from then until the job would have ended; a machine earns 3 an hour
    assert one.night.risk.hours == pytest.approx(12 - (one.night.risk.ends_at - shop.now) / HOUR)
    assert one.risk_minor == pytest.approx(300 * one.night.risk.hours, rel=0.02)


def test_a_spool_of_just_as_much_may_last(shop: TestWorkshop) -> None:
    load(shop, 620)
    runs(shop, 600, 12)
    assert 0.2 < ahead(shop).chance < SURE


def test_each_job_is_said_from_when_until_when_and_the_same_again_is_taken_together(shop: TestWorkshop) -> None:
    load(shop, 900)
    runs(shop, 20, 1, began=0.5)
    shop.plan("Hinge", FeedGrams(10_000, feed_id(shop), shop.articles[0]), duration_s=1800)
    for _ in range(2):
        shop.plan("Hook", FeedGrams(10_000, feed_id(shop), shop.articles[0]), duration_s=1800)
    with shop.store.read() as session:
        told = evening.plan(session=session, now=shop.now, until=shop.now + 15 * HOUR)
        known = load_shop(session)
    (one,) = [found for found in told.ahead.feeds if found.prints]
    local = known.clock.local
    assert halfsheet.printing(known, one) == (
        f"Night lamp, {local(shop.now - HOUR / 2):%H:%M} to {local(shop.now + HOUR / 2):%H:%M}, "
        f"then Hinge, {local(shop.now + HOUR / 2):%H:%M} to {local(shop.now + HOUR):%H:%M}"
    )
    (served,) = [feed for feed in figures.tonight(told)["feeds"] if feed["runs"]]
    assert [(run["job"], run["times"], run["same_again"]) for run in served["runs"]] == [
        ("Night lamp", 1, False),
        ("Hinge", 1, False),
    ]
    assert served["runs"][1]["starts_at"] == (shop.now + HOUR / 2).isoformat()


def test_only_what_is_drawn_by_the_hour_counts(shop: TestWorkshop) -> None:
    load(shop, 500)
    runs(shop, 900, 30)  # by 7 in the morning 14 of 30 hours: 420 g
    assert ahead(shop).night.needs_mg == pytest.approx(420_000, rel=0.01)
    later = ahead(shop, until=shop.now + 29 * HOUR)
    assert later.night.needs_mg == pytest.approx(870_000, rel=0.01)
    assert later.chance < ahead(shop).chance


def test_what_was_drawn_by_a_job_before_its_spool_was_changed_is_not_asked_of_the_new_one(shop: TestWorkshop) -> None:
    load(shop, 1000, days=2)
    runs(shop, 600, 12, began=6)
    (second,) = shop.deliver(grams=900, at=shop.now - timedelta(days=1))
    shop.scan(second, shop.feeds[0])
    assert ahead(shop).night.needs_mg == pytest.approx(300_000, rel=0.01)


def test_a_job_that_stood_for_want_of_a_spool_goes_on_from_where_it_was(shop: TestWorkshop) -> None:
    first = load(shop, 200, days=2)
    runs(shop, 600, 12, began=16)  # at 50 g an hour it ran dry after four hours, and stood for eleven
    shop.do(lambda s: standby.ran_out(session=s, now=shop.now - 1.1 * HOUR, by=by(), spool_code=first))
    (second,) = shop.deliver(grams=900, at=shop.now - timedelta(days=1))
    shop.scan(second, shop.feeds[0], at=shop.now - HOUR)
    one = ahead(shop)
    assert one.night.needs_mg == pytest.approx(400_000, rel=0.01)  # and not nothing, as its planned end has passed
    assert one.prints[0].ends_at == pytest.approx(shop.now + 7 * HOUR, abs=HOUR / 10)


def test_a_machine_prints_its_last_job_again_where_nobody_planned_one(shop: TestWorkshop) -> None:
    load(shop, 1000)
    report = JobReport("Hook", shop.machine(), (FeedGrams(150_000, feed_id(shop)),), duration_s=5 * 3600)
    shop.do(lambda s: jobs.report_job(session=s, now=shop.now, by=by(), report=report, outcome=Outcome.GOOD))
    one = ahead(shop)
    assert (one.what, one.night.needs_mg) == ("same again: Hook", 150_000)


def test_a_later_job_of_another_item_is_not_charged_to_the_spool_that_is_on(shop: TestWorkshop) -> None:
    shop.do(lambda s: catalogue.add_machine(session=s, now=shop.now, by=by(), name="Rowan", feeds=1))
    with shop.store.read() as session:
        feed = next(one.code for one in choices.feeds(session=session) if one.name.startswith("Rowan"))
    (black,) = shop.deliver(grams=300, at=shop.now - timedelta(days=1))
    shop.scan(black, feed)
    shop.plan("First", FeedGrams(200_000, article_id=shop.articles[0]), machine="Rowan", duration_s=1800)
    shop.plan("Then", FeedGrams(200_000, article_id=shop.articles[1]), machine="Rowan", duration_s=3600)
    with shop.store.read() as session:
        found = tonight.look_ahead(session=session, now=shop.now)
    one = next(one for one in found.feeds if one.machine.name == "Rowan")
    assert (one.night.needs_mg, one.what, one.lasts) == (200_000, "First", True)
    assert [(lack.job.title, lack.item_name) for lack in found.lacking] == [("Then", "PLA Chalk white")]
    with shop.store.read() as session:
        sheet = halfsheet.of_evening(load_shop(session), evening.plan(session=session, now=shop.now))
    assert "1 job waits for an item that is on no feed." in sheet.summary


def test_a_test_print_is_not_repeated_and_neither_is_a_job_of_long_ago(shop: TestWorkshop) -> None:
    load(shop, 1000, days=40)
    for purpose, days in ((Purpose.TEST, 1), (Purpose.SOLD, 30)):
        need = (FeedGrams(150_000, feed_id(shop)),)
        report = JobReport("Hook", shop.machine(), need, purpose=purpose, duration_s=3600)
        ended = shop.now - timedelta(days=days)
        shop.do(
            lambda s, report=report, ended=ended: jobs.report_job(  # type: ignore[misc]
                session=s, now=shop.now, by=by(), report=report, outcome=Outcome.GOOD, ended_at=ended
            )
        )
    assert ahead(shop).prints == ()


def test_a_shop_that_closes_after_midnight_begins_jobs_until_then(shop: TestWorkshop) -> None:
    with shop.store.read() as session:
        before = load_shop(session)
    names = {one.name for one in fields(Settings)}
    settings = Settings(**{**{name: getattr(before, name) for name in names}, "closes_hour": 1})
    shop.do(lambda s: setup.set_up(session=s, now=shop.now, by=by(), settings=settings))
    with shop.store.read() as session:
        found = tonight.look_ahead(session=session, now=shop.now)
    assert found.night.leaves_at == shop.now + 8 * HOUR


def test_what_stands_by_helps_and_is_said_to(shop: TestWorkshop) -> None:
    load(shop, 300)
    runs(shop, 600, 12)
    (waits,) = shop.deliver()
    shop.do(lambda s: standby.stand_by(session=s, now=shop.now, by=by(), spool_code=waits, feed_code=shop.feeds[0]))
    one = ahead(shop)
    assert (one.lasts, one.standby_takes_over, one.left_mg) == (True, True, 1_300_000)


def test_a_feed_without_a_spool_and_with_a_job_comes_first(shop: TestWorkshop) -> None:
    load(shop, 590)
    runs(shop, 600, 12)
    shop.plan("Pot", FeedGrams(50_000, feed_id(shop, 1), shop.articles[1]))
    # the job of the second feed comes after the first one's, so nothing is printed there tonight
    assert [one.feed.feed.position for one in plan(shop).todo] == [1]
    shop.now += 9 * HOUR
    assert plan(shop).todo[0].feed.feed.position == 1


def test_of_fifty_feeds_the_three_that_will_not_last_stand_first(shop: TestWorkshop) -> None:
    shop.do(lambda s: catalogue.add_machine(session=s, now=shop.now, by=by(), name="Mill", feeds=25))
    shop.do(lambda s: catalogue.add_machine(session=s, now=shop.now, by=by(), name="Nook", feeds=25))
    with shop.store.read() as session:
        feeds = [one for one in choices.feeds(session=session) if not one.name.startswith("Larch")]
    assert len(feeds) == 50
    short = (4, 17, 40)
    for at, feed in enumerate(feeds):
        (code,) = shop.deliver(grams=100 if at in short else 900, at=shop.now - timedelta(days=2))
        shop.scan(code, feed.code, at=shop.now - timedelta(days=1))
    for name in ("Mill", "Nook"):
        with shop.store.read() as session:
            numbers = [finding.feed_of(session, one.code).id for one in feeds if one.name.startswith(name)]
        grams = [FeedGrams(200_000 + at * 100, number, shop.articles[0]) for at, number in enumerate(numbers)]
        shop.start(shop.plan("Wall of tiles", *grams, machine=name, duration_s=12 * 3600))
    told = plan(shop)
    assert [one.feed.feed.name for one in told.todo] == [f"{name} feed {at}" for name, at in names_of(short)]
    assert len(told.fine) == 47


def names_of(short: tuple[int, ...]) -> list[tuple[str, int]]:
    """Give machine and position of feeds, the one that needs more of its spool first."""
    return sorted((("Mill" if at < 25 else "Nook", at % 25 + 1) for at in short), key=lambda one: (-one[1], one[0]))


# what to do


def test_the_spool_to_load_is_named_with_its_place_and_its_reason(shop: TestWorkshop) -> None:
    load(shop, 300)
    runs(shop, 600, 12)
    (full,) = shop.deliver()
    shop.scan(full, shop.places[0])
    one = todo(shop)
    assert one.take is not None
    assert one.take.spool is not None
    assert (one.take.spool.code, one.place) == (full, "Long shelf")
    assert one.take.words.endswith("from Long shelf: sealed; 400 g left over.")


def test_one_spool_is_not_named_for_two_feeds(shop: TestWorkshop) -> None:
    load(shop, 100)
    load(shop, 100, at=1)
    need = [FeedGrams(400_000, feed_id(shop, at), shop.articles[0]) for at in (0, 1)]
    shop.start(shop.plan("Pair", *need, duration_s=12 * 3600))
    shop.deliver()
    takes = [one.take for one in plan(shop).todo]
    assert [take.spool is not None for take in takes if take] == [True, False]


def test_where_no_spool_of_the_item_is_left_the_nearest_colours_are_named(shop: TestWorkshop) -> None:
    load(shop, 300)
    runs(shop, 600, 12)
    near = shop.item("PLA", "Coal", "#2b2e33")
    shop.articles += [near]
    shop.deliver(article=1)
    shop.deliver(article=2)
    take = todo(shop).take
    assert take is not None
    assert take.words == "No PLA Slate black is held. Nearest: PLA Coal, PLA Chalk white."
    assert take.nearest[0].apart < 10 < take.nearest[1].apart


def test_a_scale_settles_what_is_doubtful_and_says_from_what_reading_on(shop: TestWorkshop) -> None:
    load(shop, 620)
    runs(shop, 600, 12)
    hints = todo(shop).hints
    assert any(hint.startswith("Or weigh only this one: from 8") and "on the scale" in hint for hint in hints), hints


def test_a_shorter_job_of_the_same_item_may_be_printed_there_instead(shop: TestWorkshop) -> None:
    load(shop, 300)
    shop.plan("Long run", FeedGrams(600_000, feed_id(shop), shop.articles[0]), duration_s=12 * 3600)
    report = JobReport("Hinge", None, (FeedGrams(60_000, article_id=shop.articles[0]),))
    shop.do(lambda s: jobs.plan_job(session=s, now=shop.now, by=by(), report=report))
    assert "Or print “Hinge” here instead: it needs 60 g." in todo(shop).hints


def test_a_thirsty_spool_is_to_be_in_the_dryer_in_time(shop: TestWorkshop) -> None:
    shop.articles.append(shop.item("PA", "Ash", "#777777"))
    load(shop, 100, item=2)
    runs(shop, 400, 30, item=2)
    (other,) = shop.deliver(article=2, at=shop.now - timedelta(days=30))
    shop.scan(other, shop.feeds[1], other, shop.places[0], at=shop.now - timedelta(days=20))
    hints = " ".join(todo(shop).hints)
    assert "Start drying it" in hints
    assert "80 °C for 12 hours by its maker's sheet" in hints


def test_the_walk_goes_along_the_places_as_the_last_count_did(shop: TestWorkshop) -> None:
    for name in ("Far", "Near"):
        shop.do(
            lambda s, name=name: catalogue.add_place(session=s, now=shop.now, by=by(), name=name, kind=PlaceKind.SHELF)  # type: ignore[misc]
        )
    with shop.store.read() as session:
        places = {one.name: one.code for one in choices.place_list(session=session)}
    load(shop, 100)
    load(shop, 100, at=1, item=1)
    need = [FeedGrams(400_000, feed_id(shop, at), shop.articles[at]) for at in (0, 1)]
    shop.start(shop.plan("Pair", *need, duration_s=12 * 3600))
    (black,), (white,) = shop.deliver(), shop.deliver(article=1)
    shop.scan(black, places["Far"], white, places["Near"])
    assert [one.place for one in plan(shop).walk] == ["Far", "Near"]
    walk_along(shop, places["Near"], places["Far"])
    shop.scan(black, places["Far"], white, places["Near"])  # nobody scanned the spools on that count
    assert [one.place for one in plan(shop).walk] == ["Near", "Far"]


def walk_along(shop: TestWorkshop, *places: str) -> None:
    """Count the places one after the other, and settle it."""

    def walk(session: Session) -> None:
        number = station_at(session, shop.now)
        for at, code in enumerate(places):
            who = By(FIRST_ACTOR, by().key, number)
            counting.scan(session=session, now=shop.now + timedelta(minutes=at), by=who, text=code)
        seen = counting.view(session=session)
        assert seen is not None
        counting.settle(session=session, now=shop.now + HOUR, by=by(), walk_id=seen.walk_id)

    shop.do(walk)


@pytest.mark.parametrize("hours", [-1, 24 * 15])
def test_an_hour_that_has_passed_or_is_far_off_is_refused(shop: TestWorkshop, hours: int) -> None:
    with shop.store.read() as session, pytest.raises(BadInput):
        tonight.look_ahead(session=session, now=shop.now, until=shop.now + hours * HOUR)


def test_the_half_sheet_says_what_to_do_and_warns_and_has_the_same_bytes_twice(shop: TestWorkshop) -> None:
    load(shop, 300)
    runs(shop, 600, 12)
    shop.deliver()
    with shop.store.read() as session:
        sheet = halfsheet.of_evening(load_shop(session), evening.plan(session=session, now=shop.now))
    assert len(sheet.lines) == 1
    assert "can start a fire" in sheet.caution
    assert "1 feed to see to" in sheet.summary
    assert half_sheet(sheet) == half_sheet(sheet)
    assert half_sheet(sheet).startswith(b"%PDF")
