"""The reorder sheet of an order, as PDF and as CSV.

The web and the command line call it; the press makes the bytes.
"""

from datetime import datetime

from sqlalchemy.orm import Session

from spoolkeep.domain.codes import CodeKind, read_code_of
from spoolkeep.domain.sheets import write_sheet
from spoolkeep.paper.sheets import ReorderLine, ReorderSheet, press_reorder_sheet, reorder_csv_rows
from spoolkeep.services import choices, orders
from spoolkeep.services.shop import load_shop


def reorder_pdf(*, session: Session, now: datetime, order_id: int) -> bytes:
    """Give the PDF of an order's sheet, dated by the day on which it was drafted. Errors: NotFound."""
    return press_reorder_sheet(
        sheet_of(session=session, now=now, order_id=order_id), formats=load_shop(session).formats
    )


def reorder_csv(*, session: Session, now: datetime, order_id: int) -> bytes:
    """Give the CSV of an order's sheet. Errors: NotFound."""
    return as_csv(sheet_of(session=session, now=now, order_id=order_id))


def advised_sheets(*, session: Session, now: datetime) -> list[ReorderSheet]:
    """Give a sheet a supplier of what to order now, before any order is drafted."""
    shop = load_shop(session)
    by_supplier: dict[str, list[orders.Advice]] = {}
    for one in orders.advise(session=session, now=now):
        if one.offer_id is not None:
            by_supplier.setdefault(one.supplier, []).append(one)
    offers = {one.offer_id: one for one in choices.offers(session=session)}
    addresses = {one.name: one.address for one in choices.supplier_list(session=session)}
    return [
        ReorderSheet(
            order_code=None,
            reference=f"Advice of {shop.today(now).isoformat()}",
            supplier="\n".join(part for part in (supplier, addresses.get(supplier, "")) if part),
            workshop=shop.name,
            address=shop.address,
            drawn_on=shop.today(now),
            needed_by=None,
            lines=tuple(
                ReorderLine(
                    article=one.item.name,
                    their_number=offers[one.offer_id or 0].their_number,
                    spool_mg=one.spool_mg,
                    pack=offers[one.offer_id or 0].pack,
                    spools=one.spools,
                    price_minor=one.price_minor,
                    total_minor=one.total_minor,
                )
                for one in some
            ),
            notes="",
            currency=shop.currency,
        )
        for supplier, some in by_supplier.items()
    ]


def as_csv(sheet: ReorderSheet) -> bytes:
    """Give a sheet as CSV."""
    header, *rows = reorder_csv_rows(sheet)
    return write_sheet(header, rows)


def sheet_of(*, session: Session, now: datetime, order_id: int) -> ReorderSheet:
    """Give an order's sheet. Errors: NotFound."""
    shop = load_shop(session)
    order = orders.view(session=session, now=now, order_id=order_id)
    lines = tuple(
        ReorderLine(
            article=line.item.name,
            their_number=line.their_number,
            spool_mg=line.spool_mg,
            pack=line.pack,
            spools=line.spools,
            price_minor=line.price_minor,
            total_minor=line.total_minor,
        )
        for line in order.lines
    )
    return ReorderSheet(
        order_code=read_code_of(order.code, CodeKind.ORDER),
        reference=order.code,
        supplier=order.supplier,
        workshop=shop.name,
        address=shop.address,
        drawn_on=shop.today(order.drafted_at),
        needed_by=order.promised_for,
        lines=lines,
        notes=order.note,
        currency=shop.currency,
    )
