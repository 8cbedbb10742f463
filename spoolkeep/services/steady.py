"""A clock that never goes back: nothing is dated before what was booked last, whatever a computer's clock says.

The web's clock and what is due by itself go by it. Where a clock is set back, or another server's is ahead, the order
in which things happened would be lost: a job would be charged to the spool that was on before.
"""

from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.store.tables import Act

BACK_AT_MOST = timedelta(hours=14)
"""So far a clock goes back by a slip of its zone or of a person. Further, it was ahead before: then it is believed."""
WORTH_SAYING = timedelta(minutes=2)
TICK = timedelta(milliseconds=1)
_LAST = select(col(Act.recorded_at)).order_by(col(Act.id).desc()).limit(1)


@dataclass(frozen=True)
class Behind:
    """A clock that is behind what was booked last."""

    last: datetime
    """When that was, by the clock of then."""
    wall: datetime
    """What the clock says now."""
    believed: bool
    """Whether the clock is gone by all the same, because it is too far behind."""


def moment(session: Session, wall: datetime) -> datetime:
    """Give the moment that it is: the clock's, or just after the last act where the clock is behind it by hours."""
    last = session.scalars(_LAST).first()
    if last is None or last <= wall or last - wall > BACK_AT_MOST:
        return wall
    return last + TICK


def behind(session: Session, wall: datetime) -> Behind | None:
    """Give how far a clock is behind what was booked last; None where it is not, or hardly."""
    last = session.scalars(_LAST).first()
    if last is None or last - wall <= WORTH_SAYING:
        return None
    return Behind(last, wall, believed=last - wall > BACK_AT_MOST)
