"""What a scan means at the Bench."""

from collections.abc import Callable
from datetime import datetime, timedelta

import pytest
from sqlalchemy import select
from sqlmodel import col

from spoolkeep.domain.codes import Code, CodeKind
from spoolkeep.domain.errors import BadInput, Conflict, NotFound
from spoolkeep.domain.words import Outcome
from spoolkeep.services import bench, boards, finding, jobs, spools, undoing
from spoolkeep.services.bench import ScanAnswer
from spoolkeep.services.jobs import FeedGrams, JobReport
from spoolkeep.store.acts import By
from spoolkeep.store.engine import Store
from spoolkeep.store.seeds import FIRST_ACTOR
from spoolkeep.store.tables import Loading, Spool
from tests.workshop import TestWorkshop, by, station_at

Scan = Callable[..., ScanAnswer]


@pytest.fixture
def shop(store: Store, now: datetime) -> TestWorkshop:
    return TestWorkshop(store, now)


@pytest.fixture
def scan(shop: TestWorkshop) -> Scan:
    """Give a scanner; each scan has a key of its own unless one is given."""

    def do(text: str, *, station: str = "bench", later: timedelta = timedelta(), key: str | None = None) -> ScanAnswer:
        now = shop.now + later
        with shop.store.write() as session:
            number = station_at(session, now, station)
            who = By(FIRST_ACTOR, key or by().key, number)
            return bench.scan(session=session, now=now, by=who, text=text)

    return do


def _on(shop: TestWorkshop) -> list[str | None]:
    with shop.store.read() as session:
        machines = boards.board(session=session, now=shop.now)
    return [feed.loaded.spool_code if feed.loaded else None for machine in machines for feed in machine.feeds]


def test_a_spool_then_a_feed_loads_it(shop: TestWorkshop, scan: Scan) -> None:
    code = shop.deliver()[0]
    assert scan(code).waiting
    assert scan(shop.feeds[0]).did == "loaded"
    assert _on(shop) == [code, None]


def test_a_feed_then_a_spool_loads_it_too(shop: TestWorkshop, scan: Scan) -> None:
    code = shop.deliver()[0]
    scan(shop.feeds[1])
    assert scan(code).words == "PLA Slate black is on Larch feed 2."
    assert _on(shop) == [None, code]


def test_the_old_spool_comes_off_when_a_new_one_goes_on(shop: TestWorkshop, scan: Scan) -> None:
    first, second = shop.deliver(2)
    for text in (first, shop.feeds[0], second, shop.feeds[0]):
        scan(text)
    assert _on(shop) == [second, None]


def test_a_spool_cannot_be_on_two_machines(shop: TestWorkshop, scan: Scan) -> None:
    code = shop.deliver()[0]
    for text in (code, shop.feeds[0], code, shop.feeds[1]):
        scan(text)
    assert _on(shop) == [None, code]


def test_a_place_takes_a_spool_off_its_machine(shop: TestWorkshop, scan: Scan) -> None:
    code = shop.deliver()[0]
    for text in (code, shop.feeds[0], code):
        scan(text)
    assert scan(shop.places[0]).words == "PLA Slate black is at Long shelf."
    assert _on(shop) == [None, None]


def test_a_half_scan_is_forgotten_after_a_minute(shop: TestWorkshop, scan: Scan) -> None:
    code = shop.deliver()[0]
    scan(code)
    assert scan(shop.feeds[0], later=timedelta(seconds=61)).waiting
    assert _on(shop) == [None, None]


def test_a_half_scan_belongs_to_its_station(shop: TestWorkshop, scan: Scan) -> None:
    code = shop.deliver()[0]
    scan(code, station="bench")
    assert scan(shop.feeds[0], station="other bench").waiting


def test_two_spools_in_a_row_leave_the_second_waiting(shop: TestWorkshop, scan: Scan) -> None:
    first, second = shop.deliver(2)
    scan(first)
    scan(second)
    scan(shop.feeds[0])
    assert _on(shop) == [second, None]


def test_the_same_scan_sent_twice_loads_once_and_answers_alike(shop: TestWorkshop, scan: Scan) -> None:
    code = shop.deliver()[0]
    scan(code)
    first = scan(shop.feeds[0], key="once")
    assert scan(shop.feeds[0], key="once") == first
    with shop.store.read() as session:
        assert len(session.scalars(select(Loading)).all()) == 1


def test_the_same_key_for_another_scan_is_refused(shop: TestWorkshop, scan: Scan) -> None:
    code = shop.deliver()[0]
    scan(code, key="once")
    with pytest.raises(Conflict, match="new key"):
        scan(shop.feeds[0], key="once")


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("S00421721", "mistyped_code"),
        ("", "empty_code"),
        ("hello there", "foreign_barcode"),
        (Code(CodeKind.CARD, 999).text, "not_for_the_bench"),
    ],
)
def test_what_is_no_code_here_is_refused_in_a_sentence(shop: TestWorkshop, scan: Scan, text: str, code: str) -> None:
    del shop
    with pytest.raises(BadInput) as refused:
        scan(text)
    assert refused.value.code == code
    assert refused.value.words.endswith(".")


def test_an_order_that_is_not_there_is_refused(scan: Scan) -> None:
    with pytest.raises(NotFound, match="Draft it under Orders"):
        scan("R00000142")


def test_a_code_that_nothing_carries_is_refused(scan: Scan) -> None:
    with pytest.raises(NotFound, match="Book it in under Deliveries"):
        scan("S00421720")


def test_a_makers_barcode_is_recognised_and_explained(scan: Scan) -> None:
    """6291041500213 is GS1's own worked example."""
    assert "maker's code" in scan("6291041500213").words


def test_an_empty_spool_is_loaded_all_the_same_and_marked(shop: TestWorkshop, scan: Scan) -> None:
    code = shop.deliver()[0]
    shop.do(lambda s: spools.count(session=s, now=shop.now, by=by(), spool_code=code, left_mg=0))
    scan(code)
    answer = scan(shop.feeds[0])
    assert answer.kind == "attention"
    assert _on(shop) == [code, None]


def test_the_undo_of_a_load_puts_the_old_spool_back(shop: TestWorkshop, scan: Scan) -> None:
    first, second = shop.deliver(2)
    for text in (first, shop.feeds[0], second, shop.feeds[0]):
        scan(text)
    with shop.store.write() as session:
        number = station_at(session, shop.now, "bench")
        undoing.undo_last(session=session, now=shop.now, by=By(FIRST_ACTOR, by().key, number))
    assert _on(shop) == [first, None]


def test_an_undo_can_be_undone(shop: TestWorkshop, scan: Scan) -> None:
    code = shop.deliver()[0]
    scan(code)
    loaded = scan(shop.feeds[0])
    undone = shop.do(lambda s: undoing.undo_act(session=s, now=shop.now, by=by(), act_id=loaded.act_id))
    assert _on(shop) == [None, None]
    again = shop.do(lambda s: undoing.undo_act(session=s, now=shop.now, by=by(), act_id=undone.act_id))
    assert again.again
    assert _on(shop) == [code, None]


def test_an_act_is_undone_once(shop: TestWorkshop, scan: Scan) -> None:
    code = shop.deliver()[0]
    scan(code)
    loaded = scan(shop.feeds[0])
    shop.do(lambda s: undoing.undo_act(session=s, now=shop.now, by=by(), act_id=loaded.act_id))
    with pytest.raises(Conflict, match="undone already"):
        shop.do(lambda s: undoing.undo_act(session=s, now=shop.now, by=by(), act_id=loaded.act_id))


def test_a_load_under_a_draw_is_not_undone_and_the_draw_is_named(shop: TestWorkshop, scan: Scan) -> None:
    code = shop.deliver()[0]
    scan(code)
    loaded = scan(shop.feeds[0])
    with shop.store.read() as session:
        feed_id = finding.feed_of(session, shop.feeds[0]).id
    report = JobReport("Hook", None, (FeedGrams(5_000, feed_id),))
    job = shop.do(lambda s: jobs.report_job(session=s, now=shop.now, by=by(), report=report, outcome=Outcome.GOOD))
    with pytest.raises(Conflict, match=f"Act {job.act_id} "):
        shop.do(lambda s: undoing.undo_act(session=s, now=shop.now, by=by(), act_id=loaded.act_id))


def test_taking_off_is_not_undone_once_the_feed_has_another_spool(shop: TestWorkshop, scan: Scan) -> None:
    first, second = shop.deliver(2)
    for text in (first, shop.feeds[0], first):
        scan(text)
    moved = scan(shop.places[0])
    scan(second)
    loaded = scan(shop.feeds[0])
    with pytest.raises(Conflict, match=f"Act {loaded.act_id} "):
        shop.do(lambda s: undoing.undo_act(session=s, now=shop.now, by=by(), act_id=moved.act_id))


def test_the_first_load_opens_a_spool(shop: TestWorkshop, scan: Scan) -> None:
    code = shop.deliver()[0]
    scan(code)
    scan(shop.feeds[0])
    with shop.store.read() as session:
        spool = session.scalars(select(Spool).where(col(Spool.live))).one()
    assert spool.opened_on == shop.now.date()


def test_a_scale_that_types_weighs_the_spool_that_was_scanned(shop: TestWorkshop, scan: Scan) -> None:
    (code,) = shop.deliver()
    scan(code)
    answer = scan("ST,GS,+  812.5 g")
    assert (answer.did, answer.spool_code) == ("weighed", code)
    assert "812.5 g on the scale, 612.5 g left" in answer.words
    with pytest.raises(BadInput, match="Scan the spool first"):
        scan("812.5 g")
    scan(code)
    with pytest.raises(BadInput, match="had not settled"):
        scan("US,GS,+  812.5 g")
