"""What files do not tell is learned from the workshop's own books, and what fails is counted with honest bounds."""

from datetime import datetime, timedelta

import pytest
from sqlalchemy import select

from spoolkeep.domain.words import FailedWhen, Outcome
from spoolkeep.services import bench, endings, failures, jobs, spools, standby, untold
from spoolkeep.services.endings import Early
from spoolkeep.services.jobs import FeedGrams, JobReport
from spoolkeep.store.acts import By
from spoolkeep.store.engine import Store
from spoolkeep.store.seeds import FIRST_ACTOR
from spoolkeep.store.tables import Spool, Supplier
from tests.workshop import TestWorkshop, by, station_at

HOUR = timedelta(hours=1)
TARE_MG = 200_000


@pytest.fixture
def shop(store: Store, now: datetime) -> TestWorkshop:
    return TestWorkshop(store, now)


def load(shop: TestWorkshop, code: str, at: datetime) -> None:
    for text in (code, shop.feeds[0]):
        with shop.store.write() as session:
            who = By(FIRST_ACTOR, by().key, station_id=station_at(session, at))
            bench.scan(session=session, now=at, by=who, text=text)


def draw(shop: TestWorkshop, mg: int, at: datetime, outcome: Outcome = Outcome.GOOD) -> int:
    report = JobReport("Hook", 1, (FeedGrams(mg, feed_id=1),))
    return shop.do(
        lambda s: jobs.report_job(session=s, now=at, by=by(), report=report, outcome=outcome, ended_at=at)
    ).job_id


def weigh(shop: TestWorkshop, code: str, left_mg: int, at: datetime) -> None:
    gross = left_mg + TARE_MG
    shop.do(lambda s: spools.weigh(session=s, now=at, by=by(), spool_code=code, gross_mg=gross))


def use_up(shop: TestWorkshop, code: str, began: datetime) -> None:
    """Print nine jobs of 100 g on a spool; the machine draws three per cent more, which two weighings tell."""
    load(shop, code, began)
    weigh(shop, code, 1_000_000, began + HOUR)
    for number in range(9):
        draw(shop, 100_000, began + (2 + number) * HOUR)
    weigh(shop, code, 1_000_000 - 9 * 103_000, began + 12 * HOUR)


def test_weighings_teach_what_a_machine_draws_besides(shop: TestWorkshop) -> None:
    codes = shop.deliver(7, at=shop.now - 200 * HOUR)
    for number, code in enumerate(codes[:6]):
        use_up(shop, code, shop.now - (180 - 20 * number) * HOUR)
    load(shop, codes[6], shop.now - 30 * HOUR)
    weigh(shop, codes[6], 1_000_000, shop.now - 29 * HOUR)
    for number in range(5):
        draw(shop, 100_000, shop.now - (20 - number) * HOUR)
    with shop.store.read() as session:
        drift, rows = untold.biases(session=session)
        left = untold.probably_left(session=session, spool_code=codes[6])
        settled = untold.probably_left(session=session, spool_code=codes[0])
    assert drift.stretches >= 6
    assert [(row.machine, row.material) for row in rows] == [("Larch", "PLA")]
    assert left is not None
    assert left.mean == pytest.approx(500_000 - 15_000, abs=3_000)
    assert left.ninety[0] < 485_000 < left.ninety[1]
    assert settled is None, "a spool that was just weighed has nothing untold"


def test_what_was_learned_stands_until_the_next_weighing(shop: TestWorkshop) -> None:
    codes = shop.deliver(2, at=shop.now - 200 * HOUR)
    use_up(shop, codes[0], shop.now - 180 * HOUR)
    with shop.store.read() as session:
        learned = untold.learned(session)
    load(shop, codes[1], shop.now - 40 * HOUR)
    draw(shop, 100_000, shop.now - 30 * HOUR)
    draw(shop, 100_000, shop.now - 170 * HOUR)
    with shop.store.read() as session:
        assert untold.learned(session) is learned, "a late draw waits for the next level"
    weigh(shop, codes[1], 890_000, shop.now - 20 * HOUR)
    with shop.store.read() as session:
        anew = untold.learned(session)
    assert (learned.stretches, anew.stretches) == (1, 2)


def test_a_spool_that_ran_out_teaches_too(shop: TestWorkshop) -> None:
    codes = shop.deliver(2, at=shop.now - 100 * HOUR)
    load(shop, codes[0], shop.now - 90 * HOUR)
    for number in range(9):
        draw(shop, 100_000, shop.now - (80 - number) * HOUR)
    at = shop.now - 60 * HOUR
    shop.do(lambda s: standby.ran_out(session=s, now=shop.now, by=by(), spool_code=codes[0], at=at))
    with shop.store.read() as session:
        drift, _ = untold.biases(session=session)
    assert drift.stretches == 1
    assert drift.bias((1, "PLA")).mean > 0.02


def test_of_a_job_that_failed_nobody_knows_when_little_is_learned(shop: TestWorkshop) -> None:
    code = shop.deliver(at=shop.now - 100 * HOUR)[0]
    load(shop, code, shop.now - 90 * HOUR)
    weigh(shop, code, 1_000_000, shop.now - 89 * HOUR)
    report = JobReport("Hook", 1, (FeedGrams(400_000, feed_id=1),))
    job_id = shop.do(lambda s: jobs.plan_job(session=s, now=shop.now, by=by(), report=report)).job_id
    early, at = Early(when=FailedWhen.UNKNOWN), shop.now - 80 * HOUR
    shop.do(
        lambda s: endings.end_early(
            session=s, now=shop.now, by=by(), job_id=job_id, outcome=Outcome.FAILED, early=early, ended_at=at
        )
    )
    weigh(shop, code, 1_000_000 - 390_000, shop.now - 70 * HOUR)
    with shop.store.read() as session:
        drift, _ = untold.biases(session=session)
    assert abs(drift.bias((1, "PLA")).mean) < 0.01, "190 g more than the middle may well be the failure's own"


def test_what_fails_is_counted_by_machine_material_supplier_and_lot(shop: TestWorkshop) -> None:
    code = shop.deliver(at=shop.now - 100 * HOUR)[0]
    load(shop, code, shop.now - 90 * HOUR)
    for number in range(10):
        outcome = Outcome.FAILED if number in {3, 7} else Outcome.GOOD
        draw(shop, 30_000 if number == 3 else 10_000, shop.now - (80 - number) * HOUR, outcome)
    with shop.store.read() as session:
        found = failures.view(session=session, now=shop.now)
        later = failures.view(session=session, now=shop.now + timedelta(days=400))
    (machine,) = found.by_machine
    assert (machine.name, machine.jobs, machine.failed) == ("Larch", 10, 2)
    assert (machine.drawn_mg, machine.wasted_mg) == (120_000, 40_000)
    assert machine.failing.low < 0.2 < machine.failing.high
    assert machine.wasted.share == pytest.approx(1 / 3)
    assert [one.name for one in found.by_material] == ["PLA"]
    assert (later.jobs, later.by_machine) == (0, ())


def test_every_job_made_from_a_lot_is_listed(shop: TestWorkshop) -> None:
    first, second = shop.deliver(2, at=shop.now - 100 * HOUR)
    load(shop, first, shop.now - 90 * HOUR)
    draw(shop, 30_000, shop.now - 80 * HOUR)
    load(shop, second, shop.now - 70 * HOUR)
    draw(shop, 20_000, shop.now - 60 * HOUR)
    with shop.store.write() as session:
        for spool in session.scalars(select(Spool)):
            spool.lot = "L7"
        session.add(Supplier(name="North Quay"))
        session.flush()
        for spool in session.scalars(select(Spool)):
            spool.supplier_id = 1
    with shop.store.read() as session:
        rows = failures.made_from(session=session, spool_code=first)
    assert [(one.mg, one.own) for one in rows] == [(20_000, False), (30_000, True)]


def test_a_ruler_settles_a_spool_where_there_is_no_scale(shop: TestWorkshop) -> None:
    (code,) = shop.deliver()
    lengths = (150.0, 80.0, 55.0)
    found = shop.do(lambda s: spools.by_ruler(session=s, now=shop.now, by=by(), spool_code=code, lengths_mm=lengths))
    with shop.store.read() as session:
        assert spools.view(session=session, spool_code=code).left_mg == found.mg
    assert found.low_mg < found.mg < found.high_mg
