"""What plastic costs by product: what its jobs drew, beside its takings where they name it.

The Money page calls it. It only reads.
"""

from dataclasses import dataclass
from datetime import date
from fractions import Fraction

from sqlalchemy import func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.share import share_bp
from spoolkeep.domain.words import Kind, TakingsKind
from spoolkeep.store.tables import Job, Line, Movement, Product, ProductPart, TakingsLine


@dataclass(frozen=True)
class ProductCost:
    """One product over some days."""

    name: str
    pieces: int
    """Sold, less what came back, where takings say so."""
    takings_minor: int
    sold_mg: int
    """In the pieces sold, by the product's parts as they are today."""
    drawn_mg: int
    """By its jobs, good and waste."""
    drawn_minor: int

    @property
    def material_bp(self) -> Fraction | None:
        """Give its material share in basis points; None where its takings are not told apart."""
        return share_bp(self.drawn_minor, self.takings_minor)


def view(*, session: Session, since: date) -> list[ProductCost]:
    """Give the products that jobs or takings name since a day in the books; the one that took most plastic first."""
    sold = {
        number: (int(pieces or 0), int(amount))
        for number, pieces, amount in session.execute(
            select(
                col(TakingsLine.product_id), func.sum(col(TakingsLine.pieces)), func.sum(col(TakingsLine.amount_minor))
            )
            .where(col(TakingsLine.product_id).is_not(None), col(TakingsLine.kind) != TakingsKind.FEE)
            .where(col(TakingsLine.book_day) >= since)
            .group_by(col(TakingsLine.product_id))
        )
    }
    drawn = {
        number: (-int(mg), -int(value))
        for number, mg, value in session.execute(
            select(col(Job.product_id), func.sum(col(Line.mg)), func.sum(col(Line.value_minor)))
            .join(Movement, col(Movement.job_id) == col(Job.id))
            .join(Line, col(Line.movement_id) == col(Movement.id))
            .where(col(Job.product_id).is_not(None), col(Line.kind) == Kind.DRAW, col(Line.book_day) >= since)
            .group_by(col(Job.product_id))
        )
    }
    of_piece = select(col(ProductPart.product_id), func.sum(col(ProductPart.mg))).where(col(ProductPart.live))
    parts = {number: int(mg) for number, mg in session.execute(of_piece.group_by(col(ProductPart.product_id)))}
    names = dict(session.execute(select(col(Product.id), col(Product.name))).all())
    found = [
        ProductCost(
            name,
            *sold.get(number, (0, 0)),
            sold.get(number, (0, 0))[0] * parts.get(number, 0),
            *drawn.get(number, (0, 0)),
        )
        for number, name in names.items()
        if number in sold or number in drawn
    ]
    return sorted(found, key=lambda one: (-one.drawn_minor, one.name))
