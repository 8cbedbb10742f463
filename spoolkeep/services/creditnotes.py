"""Credit that a supplier owes for spools that went back, until it comes.

A return asks for it within its own act; the Orders page shows what is due and enters what came.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.errors import BadInput, Conflict
from spoolkeep.domain.words import Kind
from spoolkeep.services import finding
from spoolkeep.services.shop import load_shop
from spoolkeep.store.acts import By, once
from spoolkeep.store.journal import change, create
from spoolkeep.store.tables import Act, Balance, Change, Credit, Delivery, Movement, Spool, Supplier


@dataclass(frozen=True)
class CreditView:
    """One credit that is due."""

    number: int
    supplier: str
    spools: int
    asked_minor: int
    asked_at: datetime
    note: str


@dataclass(frozen=True)
class CreditAnswer:
    """What came of a credit, and how it differs from what was asked."""

    act_id: int
    came_minor: int
    short_minor: int


def ask(session: Session, act: Act, back: Sequence[tuple[Spool, int]], *, at: datetime, note: str = "") -> int:
    """Ask, within an act, each supplier for what its spools were worth that went back; give the sum."""
    worth: dict[int | None, list[int]] = {}
    for spool, value_minor in back:
        worth.setdefault(spool.supplier_id, []).append(value_minor)
    for supplier_id, values in worth.items():
        if not sum(values):
            continue
        credit = Credit(supplier_id=supplier_id, spools=len(values), asked_minor=sum(values), asked_at=at, note=note)
        create(session, act, credit)
    return sum(value for _, value in back)


def due(*, session: Session) -> list[CreditView]:
    """Give the credits that have not come, oldest first."""
    query = (
        select(Credit, col(Supplier.name))
        .outerjoin(Supplier, col(Supplier.id) == col(Credit.supplier_id))
        .where(col(Credit.live), col(Credit.came_at).is_(None))
        .order_by(col(Credit.asked_at), col(Credit.id))
    )
    return [
        CreditView(one.id, supplier or "", one.spools, one.asked_minor, one.asked_at, one.note)
        for one, supplier in session.execute(query)
    ]


def came(*, session: Session, now: datetime, by: By, number: int, minor: int) -> CreditAnswer:
    """Enter what came of a credit: nothing, where the supplier refused it.

    A supplier may give back more than was asked, which is what was left of the cost, and never more than was paid.
    Errors: BadInput, NotFound, Conflict.
    """

    def do(act: Act) -> CreditAnswer:
        credit = finding.live(session, Credit, number)
        if minor < 0:
            raise BadInput("negative_credit", "Enter what came, 0 where nothing did.")
        if credit.came_at is not None:
            raise Conflict("came_before", "That credit came before. Undo that first if it was wrong.")
        paid_minor = _paid_minor(session, credit)
        if minor > paid_minor:
            money = load_shop(session).formats.money
            words = f"The order of these spools came to {money(paid_minor)}, so {money(minor)} cannot come back of it."
            raise BadInput("more_than_paid", f"{words} Check the amount.")
        change(session, act, credit, came_minor=minor, came_at=now)
        return CreditAnswer(act.id, minor, credit.asked_minor - minor)

    def about() -> str:
        supplier = session.get(Supplier, finding.live(session, Credit, number).supplier_id or 0)
        return supplier.name if supplier else "no supplier"

    request = {"number": number, "minor": minor}
    return once(session, "credit", by=by, now=now, request=request, answers=CreditAnswer, about=about, do=do)


def _paid_minor(session: Session, credit: Credit) -> int:
    """Give what was paid for all that came with the spools of a credit: their order, else their delivery, else they.

    With freight, in minor units of the books' currency.
    """
    asked_by = (
        select(func.min(col(Change.act_id)))
        .where(col(Change.on_table) == Credit.__tablename__, col(Change.row_id) == credit.id)
        .scalar_subquery()
    )
    went = select(col(Movement.spool_id)).where(
        col(Movement.act_id) == asked_by, col(Movement.kind) == Kind.RETURN, col(Movement.sign) == 1
    )
    back = select(col(Spool.delivery_id)).where(
        col(Spool.id).in_(went), col(Spool.supplier_id).is_not_distinct_from(credit.supplier_id)
    )
    orders = select(col(Delivery.order_id)).where(col(Delivery.id).in_(back))
    together = select(col(Delivery.id)).where(
        col(Delivery.live), col(Delivery.id).in_(back) | col(Delivery.order_id).in_(orders)
    )
    paid = (
        select(func.coalesce(func.sum(col(Balance.cost_minor)), 0))
        .join(Spool, col(Spool.id) == col(Balance.spool_id))
        .where(col(Spool.live), col(Spool.delivery_id).in_(together) | col(Spool.id).in_(went))
    )
    return int(session.execute(paid).scalar_one())
