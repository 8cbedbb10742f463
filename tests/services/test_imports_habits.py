"""Sheets as people of either habit write them: points or commas before decimals, and days before months."""

from datetime import date, datetime

import pytest
from sqlalchemy import select
from sqlmodel import col

from spoolkeep.services import stock
from spoolkeep.services.imports import import_sheet
from spoolkeep.store.engine import Store
from spoolkeep.store.tables import TakingsDay
from tests.workshop import TestWorkshop, by


@pytest.fixture
def shop(store: Store, now: datetime) -> TestWorkshop:
    return TestWorkshop(store, now)


@pytest.mark.parametrize(
    ("rows", "left"),
    [
        (["PLA;Slate black;1.000", "PLA;Chalk white;812,5"], 1_812_500),
        (["PLA;Slate black;1,000", "PLA;Chalk white;812.5"], 1_812_500),
        (["PLA;Slate black;1.234,5"], 1_234_500),
    ],
)
def test_a_sheets_own_numbers_tell_thousands_from_decimals(shop: TestWorkshop, rows: list[str], left: int) -> None:
    data = "\n".join(["material;colour;left_g;finish", *(f"{row};matt" for row in rows)]).encode()
    with shop.store.write() as session:
        report = import_sheet(session=session, now=shop.now, by=by(), sheet="spools", source="shelf.csv", data=data)
    assert report.problems == ()
    with shop.store.read() as session:
        assert sum(row.left_mg for row in stock.rows(session=session, now=shop.now)) == left


def test_a_sheet_whose_numbers_could_be_two_is_refused_by_line(shop: TestWorkshop) -> None:
    data = b"material,colour,left_g,finish\nPLA,Slate black,1.000,matt\n"
    with shop.store.write() as session:
        report = import_sheet(session=session, now=shop.now, by=by(), sheet="spools", source="shelf.csv", data=data)
    assert [(one.line, one.code) for one in report.problems] == [(2, "could_be_two")]


def test_a_date_with_points_has_its_day_first(shop: TestWorkshop) -> None:
    data = b"day;channel;amount\n1.3.2026;Market;10,50\n"
    with shop.store.write() as session:
        import_sheet(session=session, now=shop.now, by=by(), sheet="takings", source="t.csv", data=data)
    with shop.store.read() as session:
        assert session.scalars(select(col(TakingsDay.shop_day))).one() == date(2026, 3, 1)
