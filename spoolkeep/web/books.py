"""The books of stock by month, closing them, and what leaves them: month files and the stock list of a day.

The app factory registers it.
"""

from datetime import date
from itertools import islice

from flask import Blueprint, Response, flash, redirect, render_template, request, url_for
from werkzeug.wrappers import Response as Redirect

from spoolkeep.domain.errors import BadInput, Refusal
from spoolkeep.domain.words import CostFlow
from spoolkeep.services import bookpapers, books, setup
from spoolkeep.services.books import StockList
from spoolkeep.services.shop import Shop, load_shop
from spoolkeep.services.workbooks import Table
from spoolkeep.web import doors, forms, paper, tables
from spoolkeep.web.answers import status_of
from spoolkeep.web.tables_money import BOOK_MONTHS

pages = Blueprint("books", __name__, url_prefix="/money/books")
MONTHS_SHOWN = 13


@pages.get("")
def page() -> str | Response | tuple[str, int]:
    """Show the books by month, and what the stock of the day in the address was worth."""
    file = tables.asked(
        BOOK_MONTHS.of(lambda session: reversed(books.by_month(session=session, now=doors.now()).months))
    )
    if file:
        return file
    if not request.args.get("day"):
        return _show()
    try:
        listed, _ = _stock()
    except Refusal as refusal:
        return _show(refusal), status_of(refusal)
    return _show(listed=listed)


@pages.post("")
def close() -> Redirect | tuple[str, int]:
    """Close the books through the last day of a month."""
    try:
        with doors.writing() as session:
            through = forms.day("through", "Through")
            if through is None:
                raise BadInput("no_day", "Choose the month to close.")
            setup.close_books(session=session, now=doors.now(), by=doors.by_form(), through=through)
            formats = load_shop(session).formats
    except Refusal as refusal:
        return _show(refusal), status_of(refusal)
    flash(f"The books are closed through {formats.day(through)}. What comes late falls in the open month.", "heard")
    return redirect(url_for("books.page"))


@pages.get("/<month>")
def one(month: str) -> str:
    """Show one month by item."""
    with doors.reading() as session:
        shop = load_shop(session)
        told = books.by_month(session=session, now=doors.now())
    return render_template("book_month.html", found=books.month_of(told, _month(month)), told=told, shop=shop)


@pages.get("/<month>.csv")
def month_csv(month: str) -> Response:
    """Give one month as CSV."""
    table = _table(month)
    return paper.csv(table.as_csv(), table.name)


@pages.get("/<month>.xlsx")
def month_workbook(month: str) -> Response:
    """Give one month as a workbook."""
    table = _table(month)
    return paper.workbook(table.as_workbook(), table.name)


@pages.get("/stock.pdf")
def stock_pdf() -> Response:
    """Give the stock list of a day as a PDF."""
    listed, shop = _stock()
    data = bookpapers.stock_pdf(listed, shop, now=doors.now())
    return paper.pdf(data, f"stock-{listed.day.isoformat()}")


@pages.get("/stock.csv")
def stock_csv() -> Response:
    """Give the stock list of a day as CSV."""
    table = bookpapers.stock_table(*_stock())
    return paper.csv(table.as_csv(), table.name)


@pages.get("/stock.xlsx")
def stock_workbook() -> Response:
    """Give the stock list of a day as a workbook."""
    table = bookpapers.stock_table(*_stock())
    return paper.workbook(table.as_workbook(), table.name)


def _table(month: str) -> Table:
    with doors.reading() as session:
        return bookpapers.month_table(session=session, now=doors.now(), month=_month(month))


def _stock() -> tuple[StockList, Shop]:
    day = forms.day_from(request.args.get("day", ""))
    with doors.reading() as session:
        shop = load_shop(session)
        listed = books.stock_on(session=session, now=doors.now(), day=day or shop.today(doors.now()))
    return listed, shop


def _month(text: str) -> date:
    return forms.day_from(f"{text}-01") or date.max


def _show(refused: Refusal | None = None, *, listed: StockList | None = None) -> str:
    with doors.reading() as session:
        shop = load_shop(session)
        told = books.by_month(session=session, now=doors.now())
    today = shop.today(doors.now())
    newest = list(reversed(told.months))
    return render_template(
        "books.html",
        told=told,
        shown=list(islice(newest, MONTHS_SHOWN)),
        older=newest[MONTHS_SHOWN:],
        listed=listed,
        closings=[(day.isoformat(), shop.formats.month(day)) for day in told.can_close],
        flow=bookpapers.FLOWS[told.cost_flow],
        other=bookpapers.FLOWS[CostFlow.FIFO if told.cost_flow is CostFlow.AVERAGE else CostFlow.AVERAGE],
        caution=bookpapers.CAUTION,
        shop=shop,
        today=today,
        refused=refused,
    )
