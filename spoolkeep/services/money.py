"""Money: what plastic costs beside takings, by month and over any days, and which months differ by more than chance.

The Money pages and the command line call it. It only reads.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import NamedTuple

from sqlalchemy import ColumnElement, case, func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.control import LEAST_VALUES, Limits, Sign, limits
from spoolkeep.domain.share import MonthShare, by_month
from spoolkeep.domain.words import Kind, TakingsKind
from spoolkeep.services.shop import load_shop
from spoolkeep.store.tables import Balance, Channel, DayTotal, TakingsDay

BOUGHT = (Kind.DELIVERY, Kind.COST)
MONTHS_CHARTED = 24
LATE_MONTHS = 3
"""A change that was last seen longer ago is no news. Source: our own choice."""


class Changed(NamedTuple):
    """Months that differ from the others by more than chance."""

    sign: Sign
    first: date
    last: date
    """Their first days."""
    is_above: bool


@dataclass(frozen=True)
class Chart:
    """The control chart of the months that are over, of the last two years."""

    limits: Limits
    first: date
    """The first month in it."""
    signs: Mapping[date, Sign]
    """Of the months that are marked, all those of a run."""
    changed: Changed | None
    """The newest that are marked, where that is of late."""


@dataclass(frozen=True)
class MoneyView:
    """The months' figures, newest last, and what the plastic on the shelves is worth."""

    months: tuple[MonthShare, ...]
    stock_minor: int
    channels: tuple[str, ...]
    chart: Chart | None = None
    """None where fewer months are known than say anything of chance."""


def view(*, session: Session, now: datetime | None = None) -> MoneyView:
    """Give material share and spend share by month. Fees are a cost of selling, and left out of takings.

    Months are those of the books: what came late to a closed month stands in the open one. The chart is drawn where
    `now` says which months are over.
    """
    drawn, bought = _drawn_and_bought(session)
    takings_query = (
        select(col(TakingsDay.book_day), func.sum(col(TakingsDay.amount_minor)))
        .where(col(TakingsDay.kind) != TakingsKind.FEE)
        .group_by(col(TakingsDay.book_day))
    )
    takings = {day: int(amount) for day, amount in session.execute(takings_query)}
    stock = session.scalars(select(func.coalesce(func.sum(col(Balance.value_minor)), 0))).one()
    months = by_month(drawn=drawn, bought=bought, takings=takings)
    return MoneyView(
        months=months,
        stock_minor=int(stock),
        channels=tuple(session.scalars(select(col(Channel.name)).order_by(col(Channel.name)))),
        chart=None if now is None else _chart(months, load_shop(session).today(now).replace(day=1)),
    )


def over_days(*, session: Session, first: date, last: date) -> MonthShare:
    """Give what plastic cost beside takings over days in the books, both included; under the first one's date."""
    drawn, bought = _drawn_and_bought(session, col(DayTotal.book_day).between(first, last))
    within = (col(TakingsDay.kind) != TakingsKind.FEE, col(TakingsDay.book_day).between(first, last))
    takings = session.scalar(select(func.coalesce(func.sum(col(TakingsDay.amount_minor)), 0)).where(*within))
    return MonthShare(first, sum(drawn.values()), sum(bought.values()), int(takings or 0))


def _chart(months: tuple[MonthShare, ...], this_month: date) -> Chart | None:
    over = [(one.month, one.material_bp) for one in months[-MONTHS_CHARTED - 1 :] if one.month < this_month]
    known = [(month, float(share)) for month, share in over if share is not None][-MONTHS_CHARTED:]
    shares = [share for _, share in known]
    found = limits(shares) if len(shares) >= LEAST_VALUES else None
    if found is None:
        return None
    signs = {month: sign for (month, _), sign in zip(known, found.signs(shares), strict=True) if sign is not None}
    changed = None
    for at, (month, share) in enumerate(known):
        if signs.get(month) is not None:
            start = _run_start(shares[: at + 1], found.middle) if signs[month] is Sign.RUN else at
            changed = Changed(signs[month], known[start][0], month, is_above=share > found.middle)
            signs = {known[one][0]: Sign.RUN for one in range(start, at) if signs[month] is Sign.RUN} | signs
    is_late = changed is not None and changed.last >= known[-LATE_MONTHS:][0][0]
    return Chart(found, known[0][0], signs, changed if is_late else None)


def _run_start(shares: Sequence[float], middle: float) -> int:
    """Give where the run begins that ends with the last of these: all of it is on one side of the middle."""
    others = (at for at in range(len(shares) - 1, -1, -1) if (shares[at] > middle) != (shares[-1] > middle))
    return next(others, -1) + 1


def _drawn_and_bought(session: Session, *within: ColumnElement[bool]) -> tuple[dict[date, int], dict[date, int]]:
    """Give the value of the plastic drawn, and of that bought, by day in the books: both in one reading."""
    drawn, bought = (
        func.sum(case((col(DayTotal.kind).in_(kinds), col(DayTotal.value_minor)), else_=0))
        for kinds in ((Kind.DRAW,), BOUGHT)
    )
    query = (
        select(col(DayTotal.book_day), drawn, bought)
        .where(col(DayTotal.kind).in_((Kind.DRAW, *BOUGHT)), *within)
        .group_by(col(DayTotal.book_day))
    )
    rows = session.execute(query).all()
    return {day: -int(value) for day, value, _ in rows}, {day: int(value) for day, _, value in rows}
