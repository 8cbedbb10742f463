"""Takings: other currencies, products, refunds of closed months, and taking them back; on both databases."""

from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import select
from sqlmodel import col

from spoolkeep.domain.errors import BadInput, Conflict, NotFound
from spoolkeep.domain.exchange import in_own, rate_ppm
from spoolkeep.domain.words import TakingsKind
from spoolkeep.services import catalogue, money, setup, takings, undoing
from spoolkeep.services.imports import ImportReport, import_sheet
from spoolkeep.services.takings import Taken
from spoolkeep.store.engine import Store
from spoolkeep.store.proof import differences
from spoolkeep.store.tables import TakingsLine
from tests.workshop import TestWorkshop, by


@pytest.fixture
def shop(store: Store, now: object) -> TestWorkshop:
    return TestWorkshop(store, now)  # type: ignore[arg-type]


def take(shop: TestWorkshop, *taken: Taken) -> takings.TakingsAnswer:
    return shop.do(lambda s: takings.enter(session=s, now=shop.now, by=by(), taken=taken))


def brought(shop: TestWorkshop, data: bytes) -> ImportReport:
    return shop.do(
        lambda s: import_sheet(session=s, now=shop.now, by=by(), sheet="takings", source="till.csv", data=data)
    )


def lines(shop: TestWorkshop) -> list[TakingsLine]:
    with shop.store.read() as session:
        assert list(differences(session)) == []
        return list(session.scalars(select(TakingsLine).order_by(col(TakingsLine.id))))


def test_an_amount_in_another_currency_by_hand() -> None:
    # 100.00 at 0.9137 is 91.37; 1,234 of a currency without cents at 0.00612 is 7.552, half up 7.55
    assert in_own(10_000, rate_ppm("0.9137"), decimals=2, own_decimals=2) == 9137
    assert in_own(1234, rate_ppm("0.00612"), decimals=0, own_decimals=2) == 755
    # 1.000 of one with three decimals at 2.5 is 2.50; 10.00 at 160 in one without cents is 1,600
    assert in_own(1000, rate_ppm("2.5"), decimals=3, own_decimals=2) == 250
    assert in_own(1000, rate_ppm("160"), decimals=2, own_decimals=0) == 1600


@given(st.integers(0, 10**12), st.sampled_from([0, 2, 3]))
def test_at_a_rate_of_one_an_amount_stays(minor: int, decimals: int) -> None:
    assert in_own(minor, 1_000_000, decimals=decimals, own_decimals=decimals) == minor


@pytest.mark.parametrize("typed", ["0", "-1", "0.0000001", "much"])
def test_a_rate_that_is_none_is_refused(typed: str) -> None:
    with pytest.raises(BadInput):
        rate_ppm(typed)


def test_several_lines_are_entered_at_once_or_not_at_all(shop: TestWorkshop) -> None:
    good = Taken(channel="Counter", amount_minor=5000)
    for bad, refusal in (
        (Taken(channel="Counter", amount_minor=5000, currency="USD"), Conflict),
        (Taken(channel="Counter", amount_minor=5000, product="Nothing"), NotFound),
        (Taken(channel="Counter", amount_minor=5000, pieces=2), BadInput),
        (Taken(channel="Counter", amount_minor=1, currency="USD", rate_ppm=1), Conflict),
        (Taken(channel="Counter", amount_minor=0), BadInput),
    ):
        with pytest.raises(refusal):
            take(shop, good, bad)
    assert lines(shop) == []
    answer = take(shop, good, Taken(channel="counter", amount_minor=700, kind=TakingsKind.FEE))
    assert (answer.lines, answer.amount_minor) == (2, 4300)
    assert len({one.channel_id for one in lines(shop)}) == 1


def test_what_is_taken_back_is_taken_back_in_both_currencies_and_pieces(shop: TestWorkshop) -> None:
    entry = catalogue.ProductEntry("Trug", None, ((shop.articles[0], 25_000),))
    shop.do(lambda s: catalogue.add_product(session=s, now=shop.now, by=by(), entry=entry))
    told = Taken(channel="Far", amount_minor=10_000, currency="USD", rate_ppm=900_000, product="trug", pieces=3)
    answer = take(shop, told)
    shop.do(lambda s: undoing.undo_act(session=s, now=shop.now, by=by(), act_id=answer.act_id))
    assert [(one.amount_minor, one.foreign_minor, one.pieces) for one in lines(shop)] == [
        (9000, 10_000, 3),
        (-9000, -10_000, -3),
    ]
    with shop.store.read() as session:
        assert [one.takings_minor for one in money.view(session=session).months] in ([0], [])


def test_a_refund_of_a_closed_month_falls_in_the_open_one(shop: TestWorkshop) -> None:
    january = date(2026, 1, 20)
    take(shop, Taken(channel="Counter", amount_minor=10_000, shop_day=january))
    shop.do(lambda s: setup.close_books(session=s, now=shop.now, by=by(), through=date(2026, 1, 31)))
    take(shop, Taken(channel="Counter", amount_minor=2500, shop_day=january, kind=TakingsKind.REFUND))
    with shop.store.read() as session:
        months = {one.month: one.takings_minor for one in money.view(session=session).months}
        over = money.over_days(session=session, first=january, last=january + timedelta(days=1))
    assert months == {date(2026, 1, 1): 10_000, date(2026, 2, 1): 0, date(2026, 3, 1): -2500}
    assert over.takings_minor == 10_000


def test_a_sheet_of_takings_may_name_a_currency_a_rate_and_a_product(shop: TestWorkshop) -> None:
    entry = catalogue.ProductEntry("Trug", None, ((shop.articles[0], 25_000),))
    shop.do(lambda s: catalogue.add_product(session=s, now=shop.now, by=by(), entry=entry))
    sheet = (
        b"day,channel,amount,currency,rate,product,pieces\n"
        b"2026-03-01,Far,100.00,USD,0.9137,,\n2026-03-01,Counter,48.00,,,Trug,2\n"
    )
    brought(shop, sheet)
    assert [(one.amount_minor, one.currency, one.pieces) for one in lines(shop)] == [
        (9137, "USD", None),
        (4800, "EUR", 2),
    ]


@pytest.mark.parametrize(
    ("row", "code"),
    [
        (b"2026-03-01,Far,100.00,USD,,,", "no_rate"),
        (b"2026-03-01,Far,100.00,XXQ,1,,", "bad_currency"),
        (b"2026-03-01,Far,100.00,USD,much,,", "not_a_number"),
        (b"2026-03-01,Far,100.00,,,Nothing,1", "no_such_product"),
        (b"2026-03-01,Far,100.001,USD,1,,", "too_fine"),
    ],
)
def test_a_row_that_cannot_be_is_named_and_nothing_is_booked(shop: TestWorkshop, row: bytes, code: str) -> None:
    sheet = b"day,channel,amount,currency,rate,product,pieces\n2026-03-01,Counter,5.00,,,,\n" + row + b"\n"
    report = brought(shop, sheet)
    assert [(one.line, one.code) for one in report.problems] == [(3, code)]
    assert lines(shop) == []
