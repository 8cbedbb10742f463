"""Orders on hand: what customers ordered by product and colour, so that sales are known before they are printed.

The sheet `orders`, the JSON doors and the Jobs page call it.
"""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from sqlalchemy import Select, select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.errors import BadInput, Conflict, NotFound
from spoolkeep.domain.names import folded
from spoolkeep.services import finding, stock
from spoolkeep.services.finding import Item
from spoolkeep.store.acts import By, once
from spoolkeep.store.journal import batched, change, create
from spoolkeep.store.tables import Act, Product, ProductOrder, ProductPart

MOST_PIECES = 100_000
_NO_DAY = date.max


@dataclass(frozen=True)
class Wanted:
    """One line of a customer's order, as the shop or its sheet tells it; a later telling stands."""

    order: str
    product: str
    colour: str = ""
    """Another colour than the product's own."""
    pieces: int = 1
    sent: int = 0
    due_on: date | None = None
    called_off: bool = False


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


class Range:
    """What the shop sells: products by name, and each one's parts."""

    def __init__(self, session: Session) -> None:
        products = select(col(Product.name), col(Product.id)).where(col(Product.live))
        self._products = {folded(name): number for name, number in session.execute(products)}
        self._items = finding.items(session)
        self._by_name = {
            _named(one.material, one.colour, one.diameter_um): one.article_id for one in self._items.values()
        }
        self._parts: dict[int, list[ProductPart]] = {}
        for part in session.scalars(select(ProductPart).where(col(ProductPart.live)).order_by(col(ProductPart.id))):
            self._parts.setdefault(part.product_id, []).append(part)

    def meant(self, product: str, colour: str) -> tuple[int, int | None]:
        """Give a product's number, and the item in place of its main one where another colour is wanted.

        “Trug” in “Moss” may be a product of its own, or the product Trug in another item. Errors: NotFound.
        """
        whole = (f"{product}, {colour}", f"{product} {colour}") if colour else (product,)
        for name in whole:
            if folded(name) in self._products:
                return self._products[folded(name)], None
        found = self._products.get(folded(product))
        if found is None:
            raise NotFound("no_such_product", f"There is no product “{product[:60]}”. Add it under Setup first.")
        return found, self._instead(found, colour)

    def _instead(self, product_id: int, colour: str) -> int | None:
        main = self._main(product_id)
        if main is None:
            raise NotFound(
                "no_parts", "That product has no parts yet, so its colour means nothing. Add them under Setup."
            )
        found = self._of_colour(product_id, colour)
        return None if found == main else found

    def _of_colour(self, product_id: int, colour: str) -> int:
        own = self._items[self._main(product_id) or 0]
        found = self._by_name.get(_named(own.material, colour, own.diameter_um))
        if found is None:
            words = f"There is no item {own.material} {colour[:60]}. Add it under Setup first."
            raise NotFound("no_such_item", words)
        return found

    def _main(self, product_id: int) -> int | None:
        parts = self._parts.get(product_id, [])
        return max(parts, key=lambda one: one.mg).article_id if parts else None

    def line(self, one: Wanted) -> str:
        """Give the id by which a line is known again, whatever is a product's main part then. Errors: NotFound."""
        product_id, _ = self.meant(one.product, one.colour)
        is_own = self._products.get(folded(one.product)) != product_id or not one.colour
        return f"{one.order.strip()}/{product_id}/{'' if is_own else self._of_colour(product_id, one.colour)}"

    def grams(self, product_id: int, instead_id: int | None) -> Counter[int]:
        """Give the milligrams of each item in one piece."""
        main, found = self._main(product_id), Counter[int]()
        for part in self._parts.get(product_id, []):
            found[instead_id if instead_id and part.article_id == main else part.article_id] += part.mg
        return found


def _named(material: str, colour: str, diameter_um: int) -> tuple[str, str, int]:
    return folded(material), folded(colour), diameter_um


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
    for row in session.scalars(_open()):
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


def _open() -> Select[ProductOrder]:
    return select(ProductOrder).where(
        col(ProductOrder.live), ~col(ProductOrder.called_off), col(ProductOrder.sent) < col(ProductOrder.pieces)
    )


def _order_of(row: ProductOrder) -> str:
    return row.outside_id.rsplit("/", 2)[0]
