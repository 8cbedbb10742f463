"""What stops cost, by month and by item: the hours in which machines would have run, at what they earn."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, datetime, timedelta

import pytest

from spoolkeep.domain.words import Outcome
from spoolkeep.services import catalogue, foresight, jobs, machines, setup, standstill, stopcosts, stops
from spoolkeep.services.jobs import FeedGrams, JobReport
from spoolkeep.services.machines import MachineEntry
from spoolkeep.services.shop import Settings, load_shop
from spoolkeep.services.stopcosts import StopCosts
from spoolkeep.store.engine import Store
from spoolkeep.store.tables import Stop
from tests.workshop import TestWorkshop, by

HOUR, DAY = timedelta(hours=1), timedelta(days=1)
MARCH, FEBRUARY = date(2026, 3, 1), date(2026, 2, 1)
OF_ITS_OWN = MachineEntry(
    largest_reel_mm=None,
    enclosed=False,
    hardened_nozzle=False,
    runout_sensor=False,
    cardboard_reels=True,
    self_starting=False,
    switches=False,
    earns_minor_per_hour=500,
)


@pytest.fixture
def shop(store: Store, now: datetime) -> TestWorkshop:
    """Give a workshop in which somebody is there from 8 to 18, and whose machines earn 3 an hour."""
    made = TestWorkshop(store, now)
    with store.read() as session:
        known = load_shop(session)
    told = {name: getattr(known, name) for name in Settings.__dataclass_fields__}
    settings = replace(Settings(**told), opens_hour=8, closes_hour=18, earns_minor_per_hour=300, zone="UTC")
    made.do(lambda s: setup.set_up(session=s, now=now, by=by(), settings=settings))
    return made


def stood(shop: TestWorkshop, since: datetime, until: datetime | None, item: int | None = None, of: str = "") -> int:
    """Enter a stop; give its number."""
    machine = shop.machine(of or "Larch")
    article = None if item is None else shop.articles[item]
    at = shop.now
    return shop.do(
        lambda s: stops.book_stop(
            session=s, now=at, by=by(), machine_id=machine, from_at=since, until_at=until, article_id=article
        )
    ).stop_id


def cost(shop: TestWorkshop, now: datetime | None = None, **of: object) -> StopCosts:
    """Give what stops cost."""
    with shop.store.read() as session:
        return stopcosts.view(session=session, now=now or shop.now, **of)  # type: ignore[arg-type]


def named(found: StopCosts) -> dict[str, tuple[float, int]]:
    """Give hours and earnings by the item's name."""
    return {item.name if item else "": (one.hours, one.minor) for item, one in found.items}


def monthly(found: StopCosts) -> dict[date, tuple[float, int]]:
    """Give hours and earnings by month."""
    return {month: (one.hours, one.minor) for month, one in found.months}


def adds_up(found: StopCosts) -> bool:
    """Say whether months, items and stops each add up to the whole."""
    tables: Sequence[Sequence[stopcosts.Cost]] = (
        [one for _, one in found.months],
        [one for _, one in found.items],
        [one.cost for one in found.stops],
    )
    whole = (found.whole.seconds, found.whole.minor)
    return all((sum(one.seconds for one in rows), sum(one.minor for one in rows)) == whole for rows in tables)


def test_a_stop_costs_what_its_machine_earns_in_its_hours(shop: TestWorkshop) -> None:
    stood(shop, shop.now - 3 * HOUR, shop.now - HOUR, item=1)
    found = cost(shop)
    assert monthly(found) == {MARCH: (2, 600)}
    assert named(found) == {"PLA Chalk white": (2, 600)}
    assert adds_up(found)


def test_a_machine_with_a_figure_of_its_own_costs_that(shop: TestWorkshop) -> None:
    shop.do(lambda s: machines.describe(session=s, now=shop.now, by=by(), machine_id=1, entry=OF_ITS_OWN))
    stood(shop, shop.now - 3 * HOUR, shop.now - HOUR)
    assert cost(shop).whole.minor == 1000


def test_a_stop_that_lasts_is_counted_up_to_now(shop: TestWorkshop) -> None:
    stood(shop, shop.now - HOUR, None, item=0)
    assert [cost(shop, shop.now + later * HOUR).whole.hours for later in (0, 2, 5)] == [1, 3, 6]
    (lasts,) = cost(shop).stops
    assert (lasts.until_at, lasts.cost.minor) == (None, 300)


def test_nobody_is_there_at_night_to_begin_a_job(shop: TestWorkshop) -> None:
    stood(shop, shop.now - 24 * HOUR, shop.now, item=0)
    assert cost(shop).whole.hours == 6 + 4  # from noon to 18, and from 8 to noon


def test_the_job_that_waited_would_have_run_on_into_the_night(shop: TestWorkshop) -> None:
    shop.plan("Hook", FeedGrams(200_000, article_id=shop.articles[1]), duration_s=7 * 3600)
    standstill.look_at_all(shop.store, now=shop.now)
    # from noon to 19, and since somebody is gone by then, anew from 8
    assert cost(shop, shop.now + 24 * HOUR).whole.hours == 7 + 4
    assert named(cost(shop, shop.now + 24 * HOUR)) == {"PLA Chalk white": (11, 3300)}


def test_a_day_on_which_the_shop_is_closed_does_not_count(shop: TestWorkshop) -> None:
    stood(shop, shop.now - 2 * DAY, shop.now)
    before = cost(shop).whole.hours
    yesterday = (shop.now - DAY).date()
    shop.do(
        lambda s: foresight.close(
            session=s, now=shop.now, by=by(), from_day=yesterday, until_day=yesterday, why="stocktaking"
        )
    )
    assert (before, cost(shop).whole.hours) == (20, 10)


def test_a_weekday_on_which_the_shop_never_works_does_not_count(shop: TestWorkshop) -> None:
    shop.deliver(article=0, at=shop.now - 60 * DAY)
    for ago in range(56):
        at = shop.now - ago * DAY
        if at.weekday() < 5:  # nobody prints at a weekend
            report = JobReport("Peg", 1, (FeedGrams(1000, article_id=shop.articles[0]),))
            shop.do(
                lambda s, at=at, report=report: jobs.report_job(  # type: ignore[misc]
                    session=s, now=shop.now, by=by(), report=report, outcome=Outcome.GOOD, ended_at=at
                )
            )
    friday = shop.now - 5 * DAY
    stood(shop, friday, friday + 3 * DAY)
    assert cost(shop).whole.hours == 6 + 4


def test_a_stop_over_the_end_of_a_month_is_split_between_both(shop: TestWorkshop) -> None:
    last = datetime(2026, 2, 28, 12, tzinfo=shop.now.tzinfo)
    stood(shop, last, last + DAY, item=1)
    found = cost(shop)
    assert monthly(found) == {MARCH: (4, 1200), FEBRUARY: (6, 1800)}
    assert adds_up(found)
    of_march = cost(shop, month=MARCH)
    assert (monthly(of_march), named(of_march)) == ({MARCH: (4, 1200)}, {"PLA Chalk white": (4, 1200)})
    assert [one.cost.hours for one in of_march.stops] == [4]
    assert adds_up(of_march)


def test_hours_that_two_stops_of_one_machine_share_count_once(shop: TestWorkshop) -> None:
    since = shop.now - 3 * HOUR
    stood(shop, since, since + HOUR, item=0)
    later = stood(shop, since + HOUR, since + 2 * HOUR, item=1)
    shop.do(lambda s: setattr(s.get_one(Stop, later), "from_at", since + HOUR / 2))  # as older books may have
    found = cost(shop)
    assert found.whole.hours == 2
    assert named(found) == {"PLA Slate black": (1, 300), "PLA Chalk white": (1, 300)}


def test_two_machines_that_stand_still_at_once_cost_both(shop: TestWorkshop) -> None:
    shop.do(lambda s: catalogue.add_machine(session=s, now=shop.now, by=by(), name="Rowan", feeds=1))
    for name in ("Larch", "Rowan"):
        stood(shop, shop.now - 2 * HOUR, shop.now, item=0, of=name)
    assert cost(shop).whole.hours == 4


def test_figures_are_of_one_item_or_of_those_of_which_nobody_said(shop: TestWorkshop) -> None:
    for ago, item in ((4, 0), (3, 1), (2, None)):
        stood(shop, shop.now - ago * HOUR, shop.now - (ago - 1) * HOUR, item=item)
    assert [len(cost(shop, **of).stops) for of in ({}, {"article_id": shop.articles[1]}, {"unsaid": True})] == [3, 1, 1]
    assert named(cost(shop, unsaid=True)) == {"": (1, 300)}


def test_a_stop_that_was_none_costs_nothing_and_can_still_be_seen(shop: TestWorkshop) -> None:
    number = stood(shop, shop.now - 2 * HOUR, shop.now, item=0)
    shop.do(lambda s: stops.was_none(session=s, now=shop.now, by=by(), stop_id=number))
    found = cost(shop)
    assert (found.months, found.items, found.whole.minor) == ((), (), 0)
    assert [(one.was_none, one.cost.hours) for one in found.stops] == [(True, 0)]


def test_a_workshop_without_stops_has_no_figures(shop: TestWorkshop) -> None:
    found = cost(shop)
    assert (found.months, found.items, found.stops) == ((), (), ())
