"""The writer of takings: append-only lines and their sums by day and channel.

Services call it. It must not know stock.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.words import TakingsKind
from spoolkeep.store.copies import TakingsSum, add_to_takings_days
from spoolkeep.store.tables import Act, TakingsLine


@dataclass(frozen=True, kw_only=True)
class Taking:
    """What came in on one shop day by one channel; refunds and fees are negative."""

    shop_day: date
    channel_id: int
    kind: TakingsKind
    amount_minor: int
    currency: str


def book_takings(session: Session, act: Act, takings: Sequence[Taking]) -> None:
    """Book takings and add them to their days."""
    _enter(session, [TakingsLine(act_id=act.id, **vars(taking)) for taking in takings])


def take_back_takings(session: Session, act: Act, target: Act) -> None:
    """Take back the takings that `target` booked."""
    booked = session.scalars(select(TakingsLine).where(col(TakingsLine.act_id) == target.id)).all()
    _enter(
        session,
        [
            TakingsLine(
                **line.model_dump(exclude={"id", "act_id", "amount_minor", "reverses_id"}),
                act_id=act.id,
                amount_minor=-line.amount_minor,
                reverses_id=line.id,
            )
            for line in booked
        ],
    )


def _enter(session: Session, lines: Sequence[TakingsLine]) -> None:
    session.add_all(lines)
    session.flush()
    add_to_takings_days(
        session, [TakingsSum(line.shop_day, line.channel_id, line.kind, line.amount_minor) for line in lines]
    )
