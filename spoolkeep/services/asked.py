"""What the shop sells, and what its orders on hand ask of each item by the day on which they are due.

Orders on hand, the forecast and foresight call it. It only reads.
"""

from collections import Counter
from dataclasses import dataclass
from datetime import date

from sqlalchemy import Select, select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.errors import NotFound
from spoolkeep.domain.names import folded
from spoolkeep.services import finding
from spoolkeep.services.names import ItemNames, Said, numbers
from spoolkeep.store.tables import Product, ProductOrder, ProductPart


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


class Range:
    """What the shop sells: products by name, and each one's parts."""

    def __init__(self, session: Session) -> None:
        self._products = numbers(session, Product)
        self._items, self._names = finding.items(session), ItemNames(session)
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
        said = Said(folded(own.material), folded(colour), own.diameter_um)
        found = next(iter(self._names.finishes(said).values()), None)
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


def open_lines() -> Select[ProductOrder]:
    """Give the lines of orders on hand of which pieces are still to go out."""
    return select(ProductOrder).where(
        col(ProductOrder.live), ~col(ProductOrder.called_off), col(ProductOrder.sent) < col(ProductOrder.pieces)
    )


def by_day(session: Session) -> dict[int, list[tuple[date | None, int]]]:
    """Give by item what orders on hand ask, in milligrams, with the day on which it is due, the soonest first."""
    lines = session.scalars(open_lines()).all()
    if not lines:
        return {}
    sold = Range(session)
    found: dict[int, list[tuple[date | None, int]]] = {}
    for row in sorted(lines, key=lambda one: (one.due_on is None, one.due_on or date.max, one.id)):
        for article_id, mg in sold.grams(row.product_id, row.article_id).items():
            found.setdefault(article_id, []).append((row.due_on, mg * (row.pieces - row.sent)))
    return found
