"""The writer of takings: append-only lines and their sums by day and channel.

Services call it. It must not know stock.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.words import TakingsKind
from spoolkeep.store.copies import TakingsSum, add_to_takings_days
from spoolkeep.store.ledger import book_day, shop_clock, workshop
from spoolkeep.store.tables import Act, TakingsLine


@dataclass(frozen=True, kw_only=True)
class Taking:
    """What came in on one shop day by one channel; refunds and fees are negative."""

    shop_day: date
    channel_id: int
    kind: TakingsKind
    amount_minor: int
    currency: str
    rate_ppm: int = 1_000_000
    foreign_minor: int | None = None
    product_id: int | None = None
    pieces: int | None = None


def book_takings(session: Session, act: Act, takings: Sequence[Taking]) -> None:
    """Book takings and add them to their days; those of a closed month fall in the open one."""
    _enter(
        session,
        [
            TakingsLine(act_id=act.id, book_day=_book_day(session, act, taking.shop_day), **vars(taking))
            for taking in takings
        ],
    )


def take_back_takings(session: Session, act: Act, target: Act) -> None:
    """Take back the takings that `target` booked."""
    booked = session.scalars(select(TakingsLine).where(col(TakingsLine.act_id) == target.id)).all()
    _enter(
        session,
        [
            TakingsLine(
                **line.model_dump(exclude={"id", "act_id", "book_day", "reverses_id", *_SIGNED}),
                act_id=act.id,
                **_turned(line),
                book_day=_book_day(session, act, line.shop_day),
                reverses_id=line.id,
            )
            for line in booked
        ],
    )


_SIGNED = ("amount_minor", "foreign_minor", "pieces")


def _turned(line: TakingsLine) -> dict[str, Any]:
    """Give the signed amounts of a line the other way round."""
    told = {name: getattr(line, name) for name in _SIGNED}
    return {name: None if amount is None else -amount for name, amount in told.items()}


def _book_day(session: Session, act: Act, shop_day: date) -> date:
    return book_day(workshop(session), shop_day, shop_clock(session).day_of(act.recorded_at))


def _enter(session: Session, lines: Sequence[TakingsLine]) -> None:
    session.add_all(lines)
    session.flush()
    sums = [TakingsSum(one.shop_day, one.book_day, one.channel_id, one.kind, one.amount_minor) for one in lines]
    add_to_takings_days(session, sums)
