"""Rebuilding what is only a copy, when a setting that it depends on has changed.

The settings service and `spoolkeep upgrade` call it. It adds nothing to history.
"""

from sqlalchemy import delete, select, update
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.shopday import ShopClock
from spoolkeep.store import guards
from spoolkeep.store.copies import DaySum, add_to_day_totals
from spoolkeep.store.proof import day_totals_due
from spoolkeep.store.tables import DayTotal, Line, Movement, Workshop


def shop_days_again(session: Session, clock: ShopClock) -> None:
    """Put every movement on its shop day by a new clock, and sum the days again.

    The shop day follows from the moment and the setting, so the guards are lifted for it alone, within the
    transaction. The day in the books moves along, except out of or into a closed month.
    """
    closed = session.get_one(Workshop, 1).closed_through
    query = select(col(Movement.id), col(Movement.occurred_at), col(Movement.shop_day))
    moved = [(number, day, clock.day_of(at)) for number, at, day in session.execute(query) if clock.day_of(at) != day]
    with guards.lifted(session.connection(), "movement"), guards.lifted(session.connection(), "line"):
        for number, before, after in moved:
            session.execute(update(Movement).where(col(Movement.id) == number).values(shop_day=after))
            if closed is None or min(before, after) > closed:
                same = (col(Line.movement_id) == number) & (col(Line.book_day) == before)
                session.execute(update(Line).where(same).values(book_day=after))
    session.execute(delete(DayTotal))
    due = day_totals_due(session)
    add_to_day_totals(session, [DaySum(*key, mg, value) for key, (mg, value) in due.items()])
    session.expire_all()
