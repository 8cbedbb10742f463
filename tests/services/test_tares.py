"""What empty reels weigh is learned from those that were emptied, and taken off where a spool's own is not known."""

from collections.abc import Sequence
from datetime import datetime, timedelta

import pytest
from sqlalchemy import select

from spoolkeep.domain.errors import Conflict
from spoolkeep.domain.words import Outcome
from spoolkeep.services import bench, deliveries, jobs, spools, standby, tares, undoing
from spoolkeep.services.deliveries import Arrived
from spoolkeep.services.jobs import FeedGrams, JobReport
from spoolkeep.services.tares import LearnedTare
from spoolkeep.store.acts import By
from spoolkeep.store.engine import Store
from spoolkeep.store.seeds import FIRST_ACTOR
from spoolkeep.store.tables import Spool, Supplier
from tests.workshop import TestWorkshop, by, station_at

HOUR = timedelta(hours=1)


@pytest.fixture
def shop(store: Store, now: datetime) -> TestWorkshop:
    shop = TestWorkshop(store, now)
    with store.write() as session:
        session.add_all([Supplier(name="North Quay"), Supplier(name="Brook Mill")])
    return shop


def came(shop: TestWorkshop, supplier_id: int, grams: int = 1000, *, tare_mg: int | None = None) -> str:
    arrived = Arrived(shop.articles[0], 1, grams * 1000, 1900, tare_mg=tare_mg)
    (code,) = shop.do(
        lambda s: deliveries.book_delivery(
            session=s, now=shop.now, by=by(), arrived=[arrived], arrived_at=shop.now - 100 * HOUR
        )
    ).spool_codes
    with shop.store.write() as session:
        latest = session.scalars(select(Spool)).all()[-1]
        latest.supplier_id = supplier_id
    return code


def set_tare(shop: TestWorkshop, code: str, tare_mg: int) -> int:
    return shop.do(lambda s: spools.set_tare(session=s, now=shop.now, by=by(), spool_code=code, tare_mg=tare_mg)).act_id


def weighed_empty(shop: TestWorkshop, supplier_id: int, tares_mg: Sequence[int], grams: int = 1000) -> list[int]:
    return [set_tare(shop, came(shop, supplier_id, grams), tare_mg) for tare_mg in tares_mg]


def weigh(shop: TestWorkshop, code: str, gross_mg: int, at: datetime | None = None) -> spools.SpoolAnswer:
    return shop.do(lambda s: spools.weigh(session=s, now=shop.now, by=by(), spool_code=code, gross_mg=gross_mg, at=at))


def learned(shop: TestWorkshop) -> dict[tares.Group, LearnedTare]:
    with shop.store.read() as session:
        return tares.learned(session)


def test_a_reel_is_known_by_its_supplier_s_others_of_its_size(shop: TestWorkshop) -> None:
    weighed_empty(shop, 1, (210_000, 214_000, 212_000))
    weighed_empty(shop, 2, (160_000,))
    weighed_empty(shop, 1, (90_000,), grams=250)
    own, alone, small = came(shop, 1), came(shop, 2), came(shop, 2, 250)
    answer = weigh(shop, own, 712_000)
    assert answer.left_mg == 500_000
    assert "212 g, by 3 of this supplier's emptied reels" in answer.questioned
    assert weigh(shop, alone, 660_000).left_mg == 500_000
    answer = weigh(shop, small, 190_000)
    assert answer.left_mg == 100_000
    assert "other suppliers' emptied reel " in answer.questioned


def test_few_reels_leave_more_doubt_than_many(shop: TestWorkshop) -> None:
    weighed_empty(shop, 1, (212_000,))
    few = learned(shop)[1, 1_000_000]
    weighed_empty(shop, 1, (211_000, 212_000, 213_000) * 3)
    many = learned(shop)[1, 1_000_000]
    assert (few.mg, many.mg) == (212_000, 212_000)
    assert many.sd_mg < few.sd_mg / 1.5


def test_where_no_reel_was_emptied_a_reading_waits_for_the_tare(shop: TestWorkshop) -> None:
    with pytest.raises(Conflict, match="Enter its tare"):
        weigh(shop, came(shop, 1), 712_000)


def test_a_tare_that_was_undone_teaches_nothing(shop: TestWorkshop) -> None:
    (act_id,) = weighed_empty(shop, 1, (212_000,))
    shop.do(lambda s: undoing.undo_act(session=s, now=shop.now, by=by(), act_id=act_id))
    assert learned(shop) == {}


def test_a_tare_that_only_an_offer_says_teaches_nothing(shop: TestWorkshop) -> None:
    came(shop, 1, tare_mg=200_000)
    assert learned(shop) == {}


@pytest.mark.parametrize(("drawn", "known"), [(60_000, 215_000), (400_000, None)])
def test_a_spool_that_ran_out_soon_after_a_reading_tells_of_it(
    shop: TestWorkshop, drawn: int, known: int | None
) -> None:
    code = came(shop, 1, tare_mg=200_000)
    for text in (code, shop.feeds[0]):
        with shop.store.write() as session:
            at = shop.now - 50 * HOUR
            bench.scan(
                session=session, now=at, by=By(FIRST_ACTOR, by().key, station_id=station_at(session, at)), text=text
            )
    weigh(shop, code, drawn + 215_000, shop.now - 40 * HOUR)
    report = JobReport("Hook", 1, (FeedGrams(drawn, feed_id=1),))
    ended_at = shop.now - 30 * HOUR
    shop.do(
        lambda s: jobs.report_job(
            session=s, now=shop.now, by=by(), report=report, outcome=Outcome.GOOD, ended_at=ended_at
        )
    )
    shop.do(lambda s: standby.ran_out(session=s, now=shop.now, by=by(), spool_code=code, at=shop.now - 29 * HOUR))
    found = learned(shop).get((1, 1_000_000))
    assert (found.mg if found else None) == known
