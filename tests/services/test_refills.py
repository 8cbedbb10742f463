"""A refill without a core, wound on an emptied reel by a scan of both, on both databases."""

from datetime import datetime, timedelta

import pytest
from sqlalchemy.orm import Session

from spoolkeep.services import finding, spools, standby
from spoolkeep.services.bench import HEARD
from spoolkeep.store.engine import Store
from spoolkeep.store.proof import differences
from tests.workshop import TestWorkshop, by


@pytest.fixture
def shop(store: Store, now: datetime) -> TestWorkshop:
    return TestWorkshop(store, now)


def refill(shop: TestWorkshop) -> str:
    (code,) = shop.deliver()

    def bare(session: Session) -> None:
        finding.spool_of(session, code).tare_mg = None

    shop.do(bare)
    return code


def emptied(shop: TestWorkshop) -> str:
    (code,) = shop.deliver(at=shop.now - timedelta(days=9))
    shop.scan(code, shop.feeds[1], at=shop.now - timedelta(days=8))
    shop.do(lambda s: standby.ran_out(session=s, now=shop.now, by=by(), spool_code=code))
    return code


@pytest.mark.parametrize("refill_first", [True, False])
def test_a_refill_and_an_emptied_reel_belong_together_in_either_order(
    shop: TestWorkshop, *, refill_first: bool
) -> None:
    empty, fresh = emptied(shop), refill(shop)
    answer = shop.scan(*((fresh, empty) if refill_first else (empty, fresh)))
    assert (answer.did, answer.kind, answer.waiting) == ("wound on", HEARD, True)
    assert "200 g empty" in answer.words
    assert shop.scan(shop.feeds[0]).did == "loaded"  # the refill waits for its feed
    with shop.store.read() as session:
        assert spools.view(session=session, spool_code=fresh).tare_mg == 200_000
        assert list(differences(session)) == []
