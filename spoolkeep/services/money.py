"""Money: takings entered by day and channel, and what plastic costs beside them.

The Money page, the imports and the command line call it.
"""

from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy import case, func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.errors import BadInput
from spoolkeep.domain.names import folded
from spoolkeep.domain.share import MonthShare, by_month
from spoolkeep.domain.words import Kind, TakingsKind
from spoolkeep.services.shop import load_shop
from spoolkeep.store.acts import By, once
from spoolkeep.store.tables import Act, Balance, Channel, DayTotal, TakingsDay
from spoolkeep.store.takings import Taking, book_takings

FIRST_YEAR = 2000
BOUGHT = (Kind.DELIVERY, Kind.COST)


@dataclass(frozen=True)
class TakingsAnswer:
    """What was entered."""

    act_id: int
    shop_day: date
    amount_minor: int


@dataclass(frozen=True)
class MoneyView:
    """The months' figures, newest last, and what the plastic on the shelves is worth."""

    months: tuple[MonthShare, ...]
    stock_minor: int
    channels: tuple[str, ...]


def enter_takings(
    *,
    session: Session,
    now: datetime,
    by: By,
    shop_day: date | None,
    channel: str,
    amount_minor: int,
    kind: TakingsKind = TakingsKind.SALE,
) -> TakingsAnswer:
    """Enter what came in on a shop day, or today where none is given. Refunds and fees are given as positive amounts.

    Errors: BadInput.
    """

    def day() -> date:
        # never part of the request: sent again after midnight, it must be known as the same
        return shop_day or load_shop(session).today(now)

    def do(act: Act) -> TakingsAnswer:
        shop = load_shop(session)
        check_takings(day(), amount_minor, channel, today=shop.today(now))
        signed = amount_minor if kind is TakingsKind.SALE else -amount_minor
        taking = Taking(
            shop_day=day(),
            channel_id=channel_named(session, channel),
            kind=kind,
            amount_minor=signed,
            currency=shop.currency,
        )
        book_takings(session, act, [taking])
        return TakingsAnswer(act.id, day(), signed)

    request = {"shop_day": shop_day, "channel": channel, "amount_minor": amount_minor, "kind": kind}
    return once(
        session,
        "takings",
        by=by,
        now=now,
        request=request,
        answers=TakingsAnswer,
        about=lambda: f"{channel.strip()}, {day().isoformat()}",
        do=do,
    )


def check_takings(shop_day: date, amount_minor: int, channel: str, *, today: date) -> None:
    """Refuse takings that cannot be. Errors: BadInput."""
    if shop_day > today:
        raise BadInput("in_the_future", "Takings cannot be of a day to come. Check the date.")
    if shop_day.year < FIRST_YEAR:
        raise BadInput("long_ago", f"Takings before {FIRST_YEAR} cannot be. Check the date.")
    if amount_minor <= 0:
        raise BadInput("not_positive", "Enter an amount above 0; say refund or fee for what went out.")
    if not channel.strip():
        raise BadInput("no_channel", "Say where it was sold: name a channel.")


def channel_named(session: Session, name: str) -> int:
    """Give the number of a channel, made where it is new."""
    known = {folded(channel.name): channel.id for channel in session.scalars(select(Channel))}
    if folded(name) in known:
        return known[folded(name)]
    made = Channel(name=" ".join(name.split()))
    session.add(made)
    session.flush()
    return made.id


def view(*, session: Session) -> MoneyView:
    """Give material share and spend share by month. Fees are a cost of selling, and left out of takings.

    Months are those of the books: what came late to a closed month stands in the open one.
    """
    drawn, bought = _drawn_and_bought(session)
    takings_query = (
        select(col(TakingsDay.book_day), func.sum(col(TakingsDay.amount_minor)))
        .where(col(TakingsDay.kind) != TakingsKind.FEE)
        .group_by(col(TakingsDay.book_day))
    )
    takings = {day: int(amount) for day, amount in session.execute(takings_query)}
    stock = session.scalars(select(func.coalesce(func.sum(col(Balance.value_minor)), 0))).one()
    return MoneyView(
        months=by_month(drawn=drawn, bought=bought, takings=takings),
        stock_minor=int(stock),
        channels=tuple(session.scalars(select(col(Channel.name)).order_by(col(Channel.name)))),
    )


def _drawn_and_bought(session: Session) -> tuple[dict[date, int], dict[date, int]]:
    """Give the value of the plastic drawn, and of that bought, by day in the books: both in one reading."""
    drawn, bought = (
        func.sum(case((col(DayTotal.kind).in_(kinds), col(DayTotal.value_minor)), else_=0))
        for kinds in ((Kind.DRAW,), BOUGHT)
    )
    query = (
        select(col(DayTotal.book_day), drawn, bought)
        .where(col(DayTotal.kind).in_((Kind.DRAW, *BOUGHT)))
        .group_by(col(DayTotal.book_day))
    )
    rows = session.execute(query).all()
    return {day: -int(value) for day, value, _ in rows}, {day: int(value) for day, _, value in rows}
