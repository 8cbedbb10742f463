"""Merging an item, or a supplier, that was entered twice: whatever names the first then names the second.

The pages of an item and of a supplier call it. The first stays, retired, and points at the second.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any, TypeVar

from sqlalchemy import Column, exists, func, select
from sqlalchemy.orm import Session, aliased
from sqlmodel import SQLModel, col

from spoolkeep.domain.errors import BadInput, Conflict
from spoolkeep.domain.names import folded
from spoolkeep.services import draws, finding
from spoolkeep.services.catalogue import Made
from spoolkeep.services.finding import Item
from spoolkeep.services.history import DRAWN
from spoolkeep.store import moves
from spoolkeep.store.acts import By, once
from spoolkeep.store.journal import change, change_all, pointers, table_named
from spoolkeep.store.ledger import workshop
from spoolkeep.store.tables import (
    Act,
    Article,
    Balance,
    BasketBreak,
    CalendarDay,
    ChangePurge,
    DayTotal,
    Foresight,
    Make,
    Movement,
    ProductOrder,
    ProductPart,
    Spool,
    Substitute,
    Supplier,
)

Row = TypeVar("Row", bound=SQLModel)


@dataclass(frozen=True)
class Carried:
    """What a merge of two items would carry over, and what it would not."""

    item: Item
    into: Item
    spools: int
    """Of which something is left."""
    left_mg: int
    value_minor: int
    drawn_mg: int
    demand_days: int
    """Shop days on which something was drawn."""
    counts: tuple[tuple[str, int], ...]
    """What else names the first, in words, and how many."""
    warnings: tuple[str, ...]
    closed_through: date | None


_WORDS = {
    "offer": ("offer", "offers"),
    "order_line": ("line of an order", "lines of orders"),
    "product_part": ("part of a product", "parts of products"),
    "job_feed": ("need of a job", "needs of jobs"),
    "foresight": ("thing known ahead", "things known ahead"),
    "make": ("make", "makes"),
    "substitute": ("accepted substitute", "accepted substitutes"),
    "set_aside": ("lot set aside", "lots set aside"),
    "product_order": ("order on hand", "orders on hand"),
    "change_purge": ("purge told", "purges told"),
    "stop": ("stop", "stops"),
}


def items_ahead(*, session: Session, article_id: int, into_id: int) -> Carried:
    """Give what a merge would carry over. Errors: BadInput, NotFound, Conflict."""
    item, into = _both(session, article_id, into_id)
    left = select(func.count(), func.sum(col(Balance.left_mg)), func.sum(col(Balance.value_minor)))
    of_item = col(Spool.article_id) == article_id, col(Spool.live), col(Balance.left_mg) > 0
    spools, left_mg, value = session.execute(
        left.select_from(Spool).join(Balance, col(Balance.spool_id) == col(Spool.id)).where(*of_item)
    ).one()
    mg, days = drawn_of(session, article_id)
    return Carried(
        item=item,
        into=into,
        spools=spools,
        left_mg=int(left_mg or 0),
        value_minor=int(value or 0),
        drawn_mg=mg,
        demand_days=days,
        counts=tuple(_counted(session, article_id)),
        warnings=tuple(_warnings(item, into)),
        closed_through=workshop(session).closed_through,
    )


def drawn_of(session: Session, article_id: int) -> tuple[int, int]:
    """Give milligrams drawn of an item, and on how many shop days."""
    drawn = select(func.sum(col(DayTotal.mg)), func.count(col(DayTotal.shop_day).distinct()))
    of_item = col(DayTotal.article_id) == article_id, col(DayTotal.kind).in_(DRAWN), col(DayTotal.mg) != 0
    mg, days = session.execute(drawn.where(*of_item)).one()
    return -int(mg or 0), days


def _counted(session: Session, article_id: int) -> Iterable[tuple[str, int]]:
    asked: dict[str, list[Any]] = {}
    for pointer in naming("article"):
        if pointer.table.name in _WORDS:
            asked.setdefault(pointer.table.name, []).append(pointer == article_id)
    for name, (one, several) in _WORDS.items():
        table, named = SQLModel.metadata.tables[name], asked[name]
        any_of = named[0] if len(named) == 1 else named[0] | named[1]
        count = session.scalar(select(func.count()).select_from(table).where(any_of, table.c.live)) or 0
        if count:
            yield (one if count == 1 else several), count


def _warnings(item: Item, into: Item) -> Iterable[str]:
    if item.material != into.material:
        yield f"{item.name} is {item.material} and {into.name} is {into.material}: they melt and print otherwise."
    if item.diameter_um != into.diameter_um:
        yield "They differ in diameter."
    if item.density_mg_per_cm3 != into.density_mg_per_cm3:
        yield "They differ in density. What was booked and planned in grams stays as it is."
    if item.finish != into.finish:
        yield f"{item.name} is {item.finish}, {into.name} is {into.finish}."


def merge_items(*, session: Session, now: datetime, by: By, article_id: int, into_id: int) -> Made:
    """Let everything that names an item name another from now on. Errors: BadInput, NotFound, Conflict."""

    def do(act: Act) -> Made:
        _both(session, article_id, into_id)
        first, second = session.get_one(Article, article_id), session.get_one(Article, into_id)
        merge = _Merge(session, act, article_id, into_id)
        for step in (_substitutes, _purges, _foresights, _makes, _parts, _orders_on_hand):
            step(merge)
        merge.rename("article", apart=("spool",))
        spools = session.scalars(select(col(Spool.id)).where(col(Spool.article_id) == article_id)).all()
        moves.move(session, act, spools, from_id=article_id, to_id=into_id)
        draws.book_again(session, act, _waiting(session, article_id), lambda _: {"article_id": into_id})
        told = {name: getattr(first, name) for name in ("usual_job_mg", "risk_ppm") if getattr(second, name) is None}
        change(session, act, second, **told)
        change(session, act, first, now_id=into_id, retired=True)
        return Made(act.id, into_id)

    def about() -> str:
        item, into = _both(session, article_id, into_id)
        return f"{item.name} into {into.name}"

    request = {"article_id": article_id, "into_id": into_id}
    return once(session, "merge items", by=by, now=now, request=request, answers=Made, about=about, do=do)


def _both(session: Session, article_id: int, into_id: int) -> tuple[Item, Item]:
    item, into = finding.item(session, article_id), finding.item(session, into_id)
    if article_id == into_id:
        raise BadInput("same_item", "An item cannot be merged into itself. Choose the other one.")
    if into.retired:
        raise Conflict("item_is_retired", f"{into.name} is retired. Take it back first, or merge the other way.")
    return item, into


@dataclass
class _Merge:
    """One row that goes into another of its table, within an act."""

    session: Session
    act: Act
    first: int
    second: int
    left: set[tuple[str, int]] = field(default_factory=set)
    """Rows, by table and number, that go on naming the first: they are dropped, or were undone."""

    def live(self, model: type[Row], pointer: object, number: int) -> list[Row]:
        """Give the rows that stand and name a row in a column."""
        query = select(model).where(col(pointer) == number, col(getattr(model, "live")))  # noqa: B009 - as in finding
        return list(self.session.scalars(query.order_by(col(getattr(model, "id")))))  # noqa: B009 - as above

    def drop(self, row: SQLModel) -> None:
        """Let a row stand no more, because the second has its like."""
        change(self.session, self.act, row, live=False)
        self.leave(row)

    def leave(self, row: SQLModel) -> None:
        """Let a row go on naming the first."""
        self.left.add((str(row.__tablename__), getattr(row, "id")))  # noqa: B009 - as above

    def rename(
        self, table: str, *, apart: Sequence[str] = (), first: int | None = None, second: int | None = None
    ) -> None:
        """Let all rows that name the first name the second, those that were undone too: a redo brings them back."""
        was, now = first or self.first, second or self.second
        for pointer in naming(table):
            rows = pointer.table
            if rows.name not in apart:
                found = self.session.scalars(select(rows.c.id).where(pointer == was)).all()
                numbers = [number for number in found if (rows.name, number) not in self.left]
                change_all(self.session, self.act, table_named(rows.name), numbers, **{pointer.name: now})


def naming(table: str) -> list[Column[Any]]:
    """Give the columns that name a row of a table and can be changed."""
    return [one for one in pointers(table) if "live" in one.table.c]


def _substitutes(merge: _Merge) -> None:
    """Drop what would stand in for itself, or twice."""
    pairs = merge.session.scalars(select(Substitute)).all()
    there = {(one.article_id, one.instead_id) for one in pairs if one.live}
    for one in pairs:
        was = (one.article_id, one.instead_id)
        now = tuple(merge.second if number == merge.first else number for number in was)
        if now == was:
            continue
        if one.live and (now[0] == now[1] or now in there):
            merge.drop(one)
        elif now[0] == now[1]:
            merge.leave(one)


def _purges(merge: _Merge) -> None:
    """Drop what would be a change of a plastic to itself, or is told of the second already."""
    told = merge.session.scalars(select(ChangePurge).where(col(ChangePurge.live))).all()
    there = {(one.machine_id, one.from_id, one.to_id) for one in told}
    for one in told:
        was = (one.from_id, one.to_id)
        now = tuple(merge.second if number == merge.first else number for number in was)
        same = now[0] == now[1] and now[0] is not None
        if now != was and (same or (one.machine_id, *now) in there):
            merge.drop(one)


def _foresights(merge: _Merge) -> None:
    """Drop times as much of the first on days for which the second has its own: both would count."""
    last = date.max
    second = [one for one in merge.live(Foresight, Foresight.article_id, merge.second) if one.factor_ppm is not None]
    for one in merge.live(Foresight, Foresight.article_id, merge.first):
        spans = any(
            other.from_day <= (one.until_day or last) and one.from_day <= (other.until_day or last) for other in second
        )
        if one.factor_ppm is not None and spans:
            merge.drop(one)


def _makes(merge: _Merge) -> None:
    """Let what names a make of the first name the second's of the same maker, where there is one."""
    there = {folded(one.maker): one.id for one in merge.live(Make, Make.article_id, merge.second)}
    for one in merge.live(Make, Make.article_id, merge.first):
        if folded(one.maker) in there:
            merge.rename("make", first=one.id, second=there[folded(one.maker)])
            merge.drop(one)


def _parts(merge: _Merge) -> None:
    """Add the first's grams in a product to the second's, where both are in it."""
    there = {
        (one.product_id, one.make_id): one for one in merge.live(ProductPart, ProductPart.article_id, merge.second)
    }
    for one in merge.live(ProductPart, ProductPart.article_id, merge.first):
        other = there.get((one.product_id, one.make_id))
        if other is not None:
            change(merge.session, merge.act, other, mg=other.mg + one.mg)
            merge.drop(one)


def _orders_on_hand(merge: _Merge) -> None:
    """Let the lines of customers' orders be known by the second: a later sheet tells them anew by it."""
    lines = merge.session.scalars(select(ProductOrder).where(col(ProductOrder.live))).all()
    there = {one.outside_id for one in lines}
    for one in lines:
        head, _, item = one.outside_id.rpartition("/")
        if item == str(merge.first) and f"{head}/{merge.second}" not in there:
            change(merge.session, merge.act, one, outside_id=f"{head}/{merge.second}")


def _waiting(session: Session, article_id: int) -> Sequence[Movement]:
    """Give the open draws of an item that stand."""
    back = aliased(Movement)
    query = select(Movement).where(
        col(Movement.article_id) == article_id,
        col(Movement.spool_id).is_(None),
        col(Movement.sign) == 1,
        ~exists().where(col(back.reverses_id) == col(Movement.id)),
    )
    return session.scalars(query.order_by(col(Movement.id))).all()


@dataclass(frozen=True)
class SuppliersAhead:
    """What a merge of two suppliers would carry over."""

    name: str
    into: str
    into_id: int
    counts: tuple[tuple[str, int], ...]


_OF_SUPPLIERS = {
    "spool": ("spool", "spools"),
    "offer": ("offer", "offers"),
    "order": ("order", "orders"),
    "delivery": ("delivery", "deliveries"),
    "credit": ("credit", "credits"),
}


def suppliers_ahead(*, session: Session, supplier_id: int, into_id: int) -> SuppliersAhead:
    """Give what a merge of two suppliers would carry over. Errors: BadInput, NotFound, Conflict."""
    first, second = _both_suppliers(session, supplier_id, into_id)
    counts = []
    for name, (one, several) in _OF_SUPPLIERS.items():
        table = SQLModel.metadata.tables[name]
        named = select(func.count()).select_from(table).where(table.c.supplier_id == supplier_id, table.c.live)
        count = session.scalar(named) or 0
        if count:
            counts.append((one if count == 1 else several, count))
    return SuppliersAhead(first.name, second.name, into_id, tuple(counts))


def merge_suppliers(*, session: Session, now: datetime, by: By, supplier_id: int, into_id: int) -> Made:
    """Let everything that names a supplier name another; the second's terms hold.

    Errors: BadInput, NotFound, Conflict where they are paid in different currencies.
    """

    def do(act: Act) -> Made:
        first, _ = _both_suppliers(session, supplier_id, into_id)
        merge = _Merge(session, act, supplier_id, into_id)
        for one in merge.live(BasketBreak, BasketBreak.supplier_id, supplier_id):
            merge.drop(one)
        there = {one.day for one in merge.live(CalendarDay, CalendarDay.supplier_id, into_id)}
        for day in merge.live(CalendarDay, CalendarDay.supplier_id, supplier_id):
            if day.day in there:
                merge.drop(day)
        merge.rename("supplier")
        change(session, act, first, now_id=into_id, retired=True)
        return Made(act.id, into_id)

    def about() -> str:
        first, second = _both_suppliers(session, supplier_id, into_id)
        return f"{first.name} into {second.name}"

    request = {"supplier_id": supplier_id, "into_id": into_id}
    return once(session, "merge suppliers", by=by, now=now, request=request, answers=Made, about=about, do=do)


def _both_suppliers(session: Session, supplier_id: int, into_id: int) -> tuple[Supplier, Supplier]:
    first, second = finding.live(session, Supplier, supplier_id), finding.live(session, Supplier, into_id)
    if supplier_id == into_id:
        raise BadInput("same_supplier", "A supplier cannot be merged into itself. Choose the other one.")
    if second.retired:
        raise Conflict("supplier_is_retired", f"{second.name} is retired. Take it back first, or merge the other way.")
    if first.currency != second.currency:
        raise Conflict("another_currency", f"{first.name} and {second.name} are paid in different currencies.")
    return first, second
