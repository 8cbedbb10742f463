"""What leaves the books on paper or as a file: a month for whoever keeps accounts, and the stock list of a day.

The Money pages and the command line call it; figures are those of `services.books`.
"""

from collections.abc import Callable
from datetime import date, datetime
from decimal import Decimal

from sqlalchemy.orm import Session

from spoolkeep.domain.books import Flow
from spoolkeep.domain.formats import currency_decimals
from spoolkeep.domain.words import CostFlow
from spoolkeep.paper.stock_list import CountedItem, CountedSpool, StockSheet, stock_list
from spoolkeep.services import books
from spoolkeep.services.books import StockList
from spoolkeep.services.shop import Shop, load_shop
from spoolkeep.services.workbooks import Cell, Table

FLOWS = {CostFlow.AVERAGE: "weighted average", CostFlow.FIFO: "first in, first out"}
CAUTION = "These figures are for running the shop. How stock is valued for tax is for a professional to say."
_COLUMNS = ("opening", "brought", "bought", "returned", "used", "differed", "written_off", "closing")
_TITLES = ("opening", "brought in", "bought", "went back", "used", "differences", "written off", "closing")


def month_table(*, session: Session, now: datetime, month: date) -> Table:
    """Give one month of the books: a row for each item, and their sum. Errors: NotFound where it has none."""
    shop = load_shop(session)
    told = books.by_month(session=session, now=now)
    found = books.month_of(told, month)
    money = _money(shop)
    named = sorted((told.items[article].name, flow) for article, flow in found.by_item.items())
    rows = [
        (month.isoformat()[:7], name, shop.currency, *_flow_cells(flow, money))
        for name, flow in (*named, ("all items", found.flow))
    ]
    header = ("month", "item", "currency", *(f"{title}, {unit}" for title in _TITLES for unit in ("g", "amount")))
    return Table(f"books-{month:%Y-%m}", header, tuple(rows), shop.today(now))


def _flow_cells(flow: Flow, money: Callable[[int], Decimal]) -> list[Cell]:
    cells: list[Cell] = []
    for name in _COLUMNS:
        cells += [_grams(getattr(flow, f"{name}_mg")), money(getattr(flow, f"{name}_minor"))]
    return cells


def stock_table(told: StockList, shop: Shop) -> Table:
    """Give a stock list as a table, a row for each spool."""
    money = _money(shop)
    rows = [
        (
            told.day,
            one.item.name,
            spool.code.text,
            spool.place,
            spool.lot,
            _grams(spool.left_mg),
            money(spool.value_minor),
        )
        for one in told.items
        for spool in one.spools
    ]
    header = ("day", "item", "spool", "place", "lot", "left, g", f"value, {shop.currency}")
    return Table(f"stock-{told.day.isoformat()}", header, tuple(rows), told.day)


def stock_pdf(told: StockList, shop: Shop, *, now: datetime) -> bytes:
    """Give a stock list as a PDF to count against and sign."""
    formats = shop.formats
    about = (
        f"What was there at the end of {formats.day(told.day)}, by the books as they stand on"
        f" {formats.day(shop.today(now))}. Valued by {FLOWS[told.cost_flow]}; each spool bears its part by grams."
        " Weigh or look, write what is there, and book what differs as a count."
    )
    return stock_list(
        StockSheet(
            workshop=shop.name,
            title=f"Stock list, {formats.day(told.day)}",
            about=about,
            items=tuple(
                CountedItem(
                    name=one.item.name,
                    grams=formats.grams(one.mg),
                    value=formats.money(one.minor),
                    spools=tuple(
                        CountedSpool(
                            spool.code.grouped,
                            spool.place,
                            spool.lot,
                            formats.grams(spool.left_mg),
                            formats.money(spool.value_minor),
                        )
                        for spool in one.spools
                    ),
                )
                for one in told.items
            ),
            grams=formats.grams(told.mg),
            value=formats.money(told.minor),
            caution=CAUTION,
            stamp=f"{told.day:%Y%m%d}000000",
        )
    )


def _money(shop: Shop) -> Callable[[int], Decimal]:
    decimals = currency_decimals(shop.currency)
    return lambda minor: Decimal(minor).scaleb(-decimals)


def _grams(mg: int) -> Decimal:
    return Decimal(mg).scaleb(-3)
