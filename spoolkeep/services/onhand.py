"""Orders on hand: what customers ordered by product and colour, so that sales are known before they are printed.

The sheet `orders`, the JSON doors and the Jobs page call it.
"""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.errors import BadInput, Conflict
from spoolkeep.services import finding, stock
from spoolkeep.services.asked import Range, Wanted, open_lines
from spoolkeep.services.finding import Item
from spoolkeep.store.acts import By, once
from spoolkeep.store.journal import batched, change, create
from spoolkeep.store.tables import Act, Product, ProductOrder

MOST_PIECES = 100_000
_NO_DAY = date.max


@dataclass(frozen=True)
class ToldAnswer:
    """What became of orders that were told: how many lines are new, and how many are otherwise than before."""

    act_id: int
    new: int
    changed: int


@dataclass(frozen=True)
class OnHand:
    """One line of an order that is open."""

    number: int
    order: str
    product: str
    item: Item | None
    """In place of the product's own colour."""
    pieces: int
    """Still to go out."""
    mg: int
    due_on: date | None


@dataclass(frozen=True)
class Asked:
    """What orders on hand ask of one item, beside what is free of it."""

    item: Item
    mg: int
    free_mg: int
    """Usable and not committed to jobs."""

    @property
    def short_mg(self) -> int:
        """Give what is missing."""
        return max(0, self.mg - max(0, self.free_mg))


def tell(*, session: Session, now: datetime, by: By, wanted: Sequence[Wanted]) -> ToldAnswer:
    """Tell of orders on hand, new or changed. Errors: BadInput, NotFound; Conflict where a line is told twice."""

    def do(act: Act) -> ToldAnswer:
        new, changed = tell_within(session, act, wanted, now=now)
        return ToldAnswer(act.id, new, changed)

    about = wanted[0].order if len(wanted) == 1 else f"{len(wanted)} lines"
    request = {"wanted": list(wanted)}
    return once(session, "orders on hand", by=by, now=now, request=request, answers=ToldAnswer, about=about, do=do)


def tell_within(session: Session, act: Act, wanted: Sequence[Wanted], *, now: datetime) -> tuple[int, int]:
    """Tell of orders on hand within an act; give how many lines are new and how many changed. Errors: as `tell`."""
    told = _by_line(Range(session), wanted)
    known = _known(session, told)
    changed = 0
    for outside_id, fields in told.items():
        row = known.get(outside_id)
        if row is None:
            create(session, act, ProductOrder(outside_id=outside_id, told_at=now, **fields))
        elif any(getattr(row, name) != value for name, value in fields.items()):
            change(session, act, row, told_at=now, **fields)
            changed += 1
    return len(told) - len(known), changed


def _by_line(sold: Range, wanted: Iterable[Wanted]) -> dict[str, dict[str, Any]]:
    """Give the fields of each line by its id. Errors: as `tell`; Conflict where one is told twice."""
    found: dict[str, dict[str, Any]] = {}
    for one in wanted:
        check(one)
        product_id, article_id = sold.meant(one.product, one.colour)
        name = sold.line(one)
        if name in found:
            words = f"Order {one.order.strip()} says {one.product} {one.colour}".rstrip() + " twice. Add the two up."
            raise Conflict("told_twice", words)
        found[name] = {
            "product_id": product_id,
            "article_id": article_id,
            "pieces": one.pieces,
            "sent": one.sent,
            "due_on": one.due_on,
            "called_off": one.called_off,
        }
    return found


def check(one: Wanted) -> None:
    """Refuse a line that cannot be. Errors: BadInput."""
    if not one.order.strip():
        raise BadInput("no_order", "Give the order's number, so that it is known again.")
    if not 1 <= one.pieces <= MOST_PIECES:
        raise BadInput("no_such_pieces", f"An order has 1 to {MOST_PIECES} pieces of a product.")
    if not 0 <= one.sent <= MOST_PIECES:
        raise BadInput("no_such_pieces", f"0 to {MOST_PIECES} pieces may have gone out.")


def _known(session: Session, told: Iterable[str]) -> dict[str, ProductOrder]:
    found: dict[str, ProductOrder] = {}
    for some in batched(list(told)):
        query = select(ProductOrder).where(col(ProductOrder.live), col(ProductOrder.outside_id).in_(some))
        found |= {row.outside_id: row for row in session.scalars(query)}
    return found


def close(*, session: Session, now: datetime, by: By, number: int, called_off: bool) -> ToldAnswer:
    """Say that all pieces of a line went out, or that it was called off. Errors: NotFound."""

    def do(act: Act) -> ToldAnswer:
        row = finding.live(session, ProductOrder, number)
        fields = {"called_off": True} if called_off else {"sent": max(row.sent, row.pieces)}
        change(session, act, row, **fields)
        return ToldAnswer(act.id, 0, 1)

    about = lambda: _order_of(finding.live(session, ProductOrder, number))  # noqa: E731 - asked only where it is new
    request = {"number": number, "called_off": called_off}
    return once(session, "orders on hand", by=by, now=now, request=request, answers=ToldAnswer, about=about, do=do)


def view(*, session: Session, now: datetime) -> tuple[list[OnHand], list[Asked]]:
    """Give the lines that are open, those due first at the top, and what they ask of each item, the shortest first."""
    sold, items = Range(session), finding.items(session)
    products = dict(session.execute(select(col(Product.id), col(Product.name))).all())
    lines, asked = [], Counter[int]()
    for row in session.scalars(open_lines()):
        grams, pieces = sold.grams(row.product_id, row.article_id), row.pieces - row.sent
        for article_id, mg in grams.items():
            asked[article_id] += mg * pieces
        item = items.get(row.article_id or 0)
        name, mg = products[row.product_id], grams.total() * pieces
        lines.append(OnHand(row.id, _order_of(row), name, item, pieces, mg, row.due_on))
    free = {one.item.article_id: one.usable_mg - one.committed_mg for one in stock.rows(session=session, now=now)}
    found = [Asked(items[number], mg, free.get(number, 0)) for number, mg in asked.items() if number in items]
    by_day = sorted(lines, key=lambda one: (one.due_on or _NO_DAY, one.number))
    return by_day, sorted(found, key=lambda one: (-one.short_mg, one.item.name))


def _order_of(row: ProductOrder) -> str:
    return row.outside_id.rsplit("/", 2)[0]
