"""A clock that never goes back: nothing is dated before what was booked last, whatever a computer's clock says.

The web's clock and what is due by itself go by it. Where a clock is set back, or another server's is ahead, the order
in which things happened would be lost: a job would be charged to the spool that was on before.
"""

import time
from collections.abc import Callable
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


@dataclass
class Steady:
    """One process's clock: the computer's, or what has passed since the last act where that is behind it by hours."""

    ticks: Callable[[], float] = time.monotonic
    """Seconds that nobody sets."""
    _behind: tuple[datetime, float] | None = None
    """The act that the computer's clock was seen to be behind, and when by the ticks it was first seen."""

    def moment(self, session: Session, wall: datetime) -> datetime:
        """Give the moment that it is; `wall` is what the computer's clock says."""
        last = session.scalars(_LAST).first()
        seen = self._behind
        if last is None or last - wall > BACK_AT_MOST:
            return wall
        if seen is None or seen[0] != last:
            seen = self._behind = (last, self.ticks()) if last > wall else None
        if seen is None:
            return wall
        return max(wall, last + TICK + timedelta(seconds=self.ticks() - seen[1]))


def behind(session: Session, wall: datetime) -> Behind | None:
    """Give how far a clock is behind what was booked last; None where it is not, or hardly."""
    last = session.scalars(_LAST).first()
    if last is None or last - wall <= WORTH_SAYING:
        return None
    return Behind(last, wall, believed=last - wall > BACK_AT_MOST)
