"""Label stocks: those that come with the program, as they lie in this workshop's printers, and the workshop's own.

The labels and the web's Labels page call it; the geometry is the press'.
"""

from dataclasses import fields, replace
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.errors import BadInput, NotFound
from spoolkeep.domain.words import StockKind, Surface
from spoolkeep.paper.calibration import press_calibration
from spoolkeep.paper.layout import layout_of
from spoolkeep.paper.stocks import CARD_SHEETS, STOCKS, Grid, Stock, check_geometry, choose
from spoolkeep.services.catalogue import Made
from spoolkeep.services.shop import load_shop
from spoolkeep.store.acts import By, once
from spoolkeep.store.journal import change, create
from spoolkeep.store.ledger import workshop
from spoolkeep.store.tables import Act, LabelStock

UM_PER_MM = 1000
_ANY_CODE = "S00421720"
_SHIPPED = {stock.name: stock for stock in (*STOCKS, *CARD_SHEETS)}
_LENGTHS = tuple(field.name.removesuffix("_mm") for field in fields(Stock) if field.name.endswith("_mm"))
_LONGEST_NAME = 40


def every(session: Session) -> list[Stock]:
    """Give all stocks for labels, the workshop's own first; a shipped one is as it was set here."""
    kept = {row.name: _stock(row) for row in session.scalars(select(LabelStock).where(col(LabelStock.live)))}
    own = sorted((stock for name, stock in kept.items() if name not in _SHIPPED), key=lambda stock: stock.name)
    return [*own, *(kept.get(stock.name, stock) for stock in STOCKS)]


def card_sheets(session: Session) -> list[Stock]:
    """Give the plain sheets for bench cards, as they were set here, and after them every stock for labels."""
    kept = {row.name: _stock(row) for row in session.scalars(select(LabelStock).where(col(LabelStock.live)))}
    return [*(kept.get(stock.name, stock) for stock in CARD_SHEETS), *every(session)]


def named(session: Session, name: str) -> Stock:
    """Give the stock of that name; the usual one where it is empty. Errors: BadInput, with the names there are."""
    return choose(name.strip() or usual(session), card_sheets(session))


def usual(session: Session) -> str:
    """Give the name of the stock that is offered first."""
    name = workshop(session).usual_stock
    return name if name in {stock.name for stock in every(session)} else STOCKS[0].name


def is_shipped(name: str) -> bool:
    """Give whether a stock comes with the program."""
    return name in _SHIPPED


def in_words(stock: Stock) -> str:
    """Give a stock in a line: what it is, how large its labels are, and what prints it."""
    size = f"{round(stock.label_width_mm, 1):g} by {round(stock.label_height_mm, 1):g} mm"
    if stock.kind is StockKind.ROLL:
        what = f"Roll, {size}"
    else:
        what = f"{_paper_of(stock)} sheet, {stock.columns} by {stock.rows} labels of {size}"
    own = "" if is_shipped(stock.name) else f"{stock.name}: "
    return f"{own}{what}, {stock.dpi} dots an inch"


def _paper_of(stock: Stock) -> str:
    names = {(210, 297): "A4", (215.9, 279.4): "Letter"}  # ISO 216; ANSI/ASME Y14.1
    return names.get((stock.page_width_mm, stock.page_height_mm), "Own")


def keep(*, session: Session, now: datetime, by: By, stock: Stock) -> Made:
    """Keep a stock of the workshop's own, or how one lies in its printer; what had its name becomes what it says.

    Errors: BadInput where no page or no code would fit on it.
    """

    def do(act: Act) -> Made:
        checked = _checked(stock)
        values = {f"{name}_um": round(getattr(checked, f"{name}_mm") * UM_PER_MM) for name in _LENGTHS}
        values |= {"kind": checked.kind, "surface": checked.surface, "dpi": checked.dpi}
        values |= {"columns": checked.columns, "rows": checked.rows}
        row = _row(session, checked.name)
        if row is None:
            return Made(act.id, create(session, act, LabelStock(name=checked.name, **values)).id)
        change(session, act, row, **values)
        return Made(act.id, row.id)

    request = {"stock": vars(stock)}
    return once(session, "label stock", by=by, now=now, request=request, answers=Made, about=stock.name, do=do)


def nudge(*, session: Session, now: datetime, by: By, name: str, right_mm: float, down_mm: float) -> Made:
    """Keep how far the print on a stock is to be moved. Errors: BadInput."""
    stock = named(session, name)
    moved = replace(stock, nudge_x_mm=right_mm, nudge_y_mm=down_mm)
    return keep(session=session, now=now, by=by, stock=moved)


def withdraw(*, session: Session, now: datetime, by: By, name: str) -> Made:
    """Withdraw a stock of the workshop's own, or how a shipped one was set. Errors: NotFound."""

    def do(act: Act) -> Made:
        row = _row(session, name)
        if row is None:
            raise NotFound("no_such_stock", "That stock is as it came. Nothing was changed.")
        change(session, act, row, live=False)
        return Made(act.id, row.id)

    request = {"name": name}
    return once(session, "withdraw stock", by=by, now=now, request=request, answers=Made, about=name, do=do)


def make_usual(*, session: Session, now: datetime, by: By, name: str) -> Made:
    """Say which stock is offered first. Errors: BadInput."""

    def do(act: Act) -> Made:
        stock = choose(name, every(session))
        change(session, act, workshop(session), usual_stock=stock.name)
        return Made(act.id, 1)

    request = {"name": name}
    return once(session, "usual stock", by=by, now=now, request=request, answers=Made, about=name, do=do)


def calibration(*, session: Session, now: datetime, name: str) -> bytes:
    """Give the PDF that shows how a stock lies in its printer. Errors: BadInput."""
    return press_calibration(named(session, name), printed_on=load_shop(session).today(now))


def _checked(stock: Stock) -> Stock:
    name = " ".join(stock.name.lower().split())
    if not 1 <= len(name) <= _LONGEST_NAME or not name.isprintable():
        words = f"Name the stock by its measures, like 60x40, in 1 to {_LONGEST_NAME} characters."
        raise BadInput("no_name", words)
    check_geometry(stock)
    layout_of(stock, Grid(stock.dpi), _ANY_CODE)
    return replace(stock, name=name)


def _row(session: Session, name: str) -> LabelStock | None:
    query = select(LabelStock).where(col(LabelStock.live), col(LabelStock.name) == name.strip().lower())
    return session.scalars(query).first()


def _stock(row: LabelStock) -> Stock:
    lengths = {f"{name}_mm": getattr(row, f"{name}_um") / UM_PER_MM for name in _LENGTHS}
    return Stock(
        name=row.name,
        kind=StockKind(row.kind),
        surface=Surface(row.surface),
        dpi=row.dpi,
        columns=row.columns,
        rows=row.rows,
        **lengths,
    )
