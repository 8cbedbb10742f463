"""The reorder sheets, of an order or of what is advised, as PDF and as CSV.

The web and the command line call it; the press makes the bytes.
"""

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, datetime

from sqlalchemy.orm import Session

from spoolkeep.domain.codes import CodeKind, read_code_of
from spoolkeep.domain.sheets import write_sheet
from spoolkeep.paper.sheets import ReorderLine, ReorderSheet, reorder_csv_rows
from spoolkeep.services import orders
from spoolkeep.services.orders import Advice, LineView
from spoolkeep.services.shop import Shop, load_shop


def advised_sheets(*, session: Session, now: datetime, advice: Sequence[Advice]) -> dict[int, ReorderSheet]:
    """Give the sheets of what to order now by the supplier's number, before any order is drafted."""
    shop = load_shop(session)
    today = shop.today(now)
    by_supplier: dict[int, list[Advice]] = {}
    for one in advice:
        if one.supplier_id is not None:
            by_supplier.setdefault(one.supplier_id, []).append(one)
    return {
        number: _sheet(
            shop,
            some,
            reference=f"Advice of {today.isoformat()}",
            supplier=some[0].supplier,
            supplier_address=some[0].supplier_address,
            drawn_on=today,
        )
        for number, some in by_supplier.items()
    }


def as_csv(sheet: ReorderSheet) -> bytes:
    """Give a sheet as CSV."""
    header, *rows = reorder_csv_rows(sheet)
    return write_sheet(header, rows)


def sheet_of(*, session: Session, now: datetime, order_id: int) -> ReorderSheet:
    """Give an order's sheet. Errors: NotFound."""
    shop = load_shop(session)
    order = orders.view(session=session, now=now, order_id=order_id)
    sheet = _sheet(
        shop,
        order.lines,
        reference=order.code,
        supplier=order.supplier,
        supplier_address=order.supplier_address,
        drawn_on=shop.today(order.drafted_at),
    )
    code = read_code_of(order.code, CodeKind.ORDER)
    return replace(sheet, order_code=code, notes=order.note)


def _sheet(
    shop: Shop,
    lines: Sequence[Advice | LineView],
    *,
    reference: str,
    supplier: str,
    supplier_address: str,
    drawn_on: date,
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
        lines=tuple(map(_line, lines)),
        notes="",
        currency=shop.currency,
    )


def _line(line: Advice | LineView) -> ReorderLine:
    return ReorderLine(
        article=line.item.name,
        their_number=line.their_number,
        spool_mg=line.spool_mg,
        pack=line.pack,
        spools=line.spools,
        price_minor=line.price_minor,
        total_minor=line.total_minor,
    )
