"""The reorder sheets, of an order or of what the plan orders: as PDF, CSV and XLSX, and as a mail to copy.

The web and the command line call it; the press makes the bytes.
"""

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, datetime
from fractions import Fraction

from sqlalchemy.orm import Session

from spoolkeep.domain.codes import CodeKind, read_code_of
from spoolkeep.domain.errors import NotFound
from spoolkeep.domain.formats import Formats
from spoolkeep.domain.sheets import write_sheet
from spoolkeep.domain.terms import Bill
from spoolkeep.paper.sheets import HEADER, ReorderLine, ReorderSheet, reorder_csv_rows, reorder_rows
from spoolkeep.services import orderbook, orderneeds
from spoolkeep.services.orderbook import LineView, OrderTerms, OrderView
from spoolkeep.services.orderplan import ItemLine, PlanView
from spoolkeep.services.shop import Shop, load_shop
from spoolkeep.services.workbooks import write_workbook


def planned_sheets(plan: PlanView) -> dict[int, ReorderSheet]:
    """Give the sheets of what the plan orders today by the supplier's number, before any order is drafted."""
    shop = plan.shop
    found = {}
    for one in plan.due:
        sheet = _sheet(
            shop,
            [_planned(line) for line in one.lines],
            reference="",
            supplier=one.name,
            supplier_address=one.address,
            drawn_on=plan.today,
            currency=shop.currency,
        )
        comes_to = one.bill or Bill((), 0, 0, 0)
        basket = one.terms.reached(sum(line.spools for line in one.lines))
        terms = OrderTerms(comes_to.freight_minor, one.terms.free_from_minor, one.terms.least_minor, basket)
        found[one.supplier_id] = replace(
            sheet,
            needed_by=one.needed_by,
            freight_minor=comes_to.freight_minor,
            terms=_in_words(terms, comes_to.goods_minor, shop.formats),
        )
    return found


def _planned(line: ItemLine) -> ReorderLine:
    if line.held is None:
        raise NotFound("no_offer", f"Nobody offers {line.item.name}.")
    return ReorderLine(
        article=line.item.name,
        their_number=line.held.their_number,
        spool_mg=line.held.terms.spool_mg,
        pack=line.held.terms.pack,
        spools=line.spools,
        price_minor=line.price_minor,
        total_minor=line.total_minor,
    )


def as_csv(sheet: ReorderSheet) -> bytes:
    """Give a sheet as CSV."""
    header, *rows = reorder_csv_rows(sheet)
    return write_sheet(header, rows)


def as_workbook(sheet: ReorderSheet) -> bytes:
    """Give a sheet as XLSX: grams and amounts as numbers, days as days, all else as texts."""
    return write_workbook(
        f"Order {sheet.reference}" if sheet.reference else "Plan", HEADER, reorder_rows(sheet), made_on=sheet.drawn_on
    )


def sheet_of(*, session: Session, now: datetime, order_id: int) -> ReorderSheet:
    """Give an order's sheet. Errors: NotFound."""
    needs = orderneeds.needs(session=session, now=now)
    return of_order(orderbook.view(session=session, now=now, order_id=order_id, needs=needs), load_shop(session))


def of_drafts(*, session: Session, now: datetime) -> list[ReorderSheet]:
    """Give the sheet of every order that is drafted, the oldest first. Errors: NotFound where none is."""
    shop, needs = load_shop(session), orderneeds.needs(session=session, now=now)
    drafted = [of_order(order, shop) for order in orderbook.drafts(session=session, now=now, needs=needs)]
    if not drafted:
        raise NotFound("no_drafts", "No order is drafted, so there is no sheet to print. Open an order for its own.")
    return drafted


def of_order(order: OrderView, shop: Shop) -> ReorderSheet:
    """Give the sheet of an order as it stands, in the supplier's currency."""
    sheet = _sheet(
        shop,
        list(map(_line, order.lines)),
        reference=order.code,
        supplier=order.supplier,
        supplier_address=order.supplier_address,
        drawn_on=shop.today(order.drafted_at),
        currency=order.currency,
    )
    return replace(
        sheet,
        order_code=read_code_of(order.code, CodeKind.ORDER),
        needed_by=order.needed_by,
        notes=order.note,
        freight_minor=order.terms.freight_minor,
        terms=terms_in_words(order, shop),
    )


def terms_in_words(order: OrderView, shop: Shop) -> tuple[str, ...]:
    """Give what bears on an order's price in sentences, as its supplier reads them."""
    return _in_words(order.terms, order.total_minor, order.priced(shop.formats))


def _in_words(terms: OrderTerms, goods_minor: int, formats: Formats) -> tuple[str, ...]:
    told = [f"Prices are for one spool, in {formats.currency}."]
    if terms.basket:
        from_spools, off_ppm = terms.basket
        off = formats.share(Fraction(off_ppm, 100))
        told.append(f"From {from_spools} spools on, you take {off} off all spools: it is off these prices already.")
    free = "" if terms.free_from_minor is None else f"free from {formats.money(terms.free_from_minor)} of goods"
    if terms.freight_minor:
        told.append(f"The parcel as you charge it: {formats.money(terms.freight_minor)}{', ' if free else ''}{free}.")
    elif terms.free_from_minor is not None and goods_minor >= terms.free_from_minor:
        told.append(f"The parcel is {free}.")
    return tuple(told)


def _sheet(
    shop: Shop,
    lines: Sequence[ReorderLine],
    *,
    reference: str,
    supplier: str,
    supplier_address: str,
    drawn_on: date,
    currency: str,
) -> ReorderSheet:
    return ReorderSheet(
        order_code=None,
        reference=reference,
        supplier=supplier,
        supplier_address=supplier_address,
        workshop=shop.name,
        address=shop.address,
        drawn_on=drawn_on,
        needed_by=None,
        lines=tuple(lines),
        notes="",
        currency=currency,
        terms=(f"Prices are for one spool, in {currency}.",),
    )


def _line(line: LineView) -> ReorderLine:
    return ReorderLine(
        article=line.item.name,
        their_number=line.their_number,
        spool_mg=line.spool_mg,
        pack=line.pack,
        spools=line.spools,
        price_minor=line.price_minor,
        total_minor=line.total_minor,
    )
