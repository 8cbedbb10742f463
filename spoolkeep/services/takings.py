"""Takings as they are told: by day and channel, refunds and fees, another currency with its rate, a product sold.

The Money page, the imports, the JSON doors and the demo call it.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime

from sqlalchemy import func, select
from sqlalchemy.orm import Session, aliased
from sqlmodel import col

from spoolkeep.domain.errors import BadInput, Conflict, NotFound
from spoolkeep.domain.exchange import MOST_RATE, PPM_PER_ONE, in_own
from spoolkeep.domain.formats import currency_decimals
from spoolkeep.domain.names import folded
from spoolkeep.domain.words import TakingsKind
from spoolkeep.services.shop import Shop, load_shop
from spoolkeep.store.acts import By, once
from spoolkeep.store.tables import Act, Channel, Product, TakingsDay, TakingsLine
from spoolkeep.store.takings import Taking, book_takings

FIRST_YEAR = 2000
MOST_MINOR = 10**12
MOST_RATE_PPM = MOST_RATE * PPM_PER_ONE
MOST_PIECES = 100_000


@dataclass(frozen=True, kw_only=True)
class Taken:
    """What came in, went back or was kept as a fee on one day by one channel; always an amount above 0.

    Net of recoverable tax, in minor units of `currency`, or of the workshop's own where it is empty.
    """

    channel: str
    amount_minor: int
    shop_day: date | None = None
    """Today where it is not said."""
    kind: TakingsKind = TakingsKind.SALE
    currency: str = ""
    rate_ppm: int | None = None
    """How many millionths of one own unit one unit of that currency was worth on the day."""
    product: str = ""
    pieces: int | None = None

    def words(self, shop: Shop) -> str:
        """Give the amount in its own currency. Errors: BadInput where there is no such currency."""
        return replace(shop.formats, currency=self.currency or shop.currency).money(self.amount_minor)


@dataclass(frozen=True)
class Entered:
    """A line that stands, as a list shows it."""

    act_id: int
    shop_day: date
    channel: str
    kind: str
    amount_minor: int
    """Signed, in the workshop's own currency."""
    foreign: str
    """The amount in its own currency and its rate, where that is another."""
    product: str
    pieces: int | None
    lines: int
    """How many its act entered: they are taken back together."""


@dataclass(frozen=True)
class TakingsAnswer:
    """What was entered: how many lines, and their sum in the workshop's own currency, refunds and fees taken off."""

    act_id: int
    lines: int
    amount_minor: int


def enter(*, session: Session, now: datetime, by: By, taken: Sequence[Taken]) -> TakingsAnswer:
    """Enter takings, all or none. Errors: BadInput; NotFound for a product; Conflict for a rate that lacks."""

    def do(act: Act) -> TakingsAnswer:
        found = [one.taking for one in Till(session, now).read(taken)]
        book_takings(session, act, found)
        return TakingsAnswer(act.id, len(found), sum(one.amount_minor for one in found))

    def about() -> str:
        shop, one = load_shop(session), taken[0]
        day = one.shop_day or shop.today(now)
        if len(taken) == 1:
            return f"{one.words(shop)}, {one.channel.strip()}, {day.isoformat()}"
        of_day = f", {day.isoformat()}" if {line.shop_day for line in taken} == {one.shop_day} else ""
        return f"{len(taken)} lines{of_day}"

    request = {"taken": list(taken)}  # no day that was not said: sent again after midnight, it is known as the same
    return once(session, "takings", by=by, now=now, request=request, answers=TakingsAnswer, about=about, do=do)


def recent(*, session: Session, limit: int | None = 15) -> list[Entered]:
    """Give the last lines that stand, all where the limit is None, the newest first."""
    shop, back = load_shop(session), aliased(TakingsLine)
    of_act = select(func.count()).where(col(back.act_id) == col(TakingsLine.act_id)).scalar_subquery()
    taken_back = select(col(back.reverses_id)).where(col(back.reverses_id).is_not(None))
    query = (
        select(TakingsLine, col(Channel.name), col(Product.name), of_act)
        .join(Channel, col(Channel.id) == col(TakingsLine.channel_id))
        .outerjoin(Product, col(Product.id) == col(TakingsLine.product_id))
        .where(col(TakingsLine.reverses_id).is_(None), col(TakingsLine.id).not_in(taken_back))
        .order_by(col(TakingsLine.id).desc())
        .limit(limit)
    )
    return [
        Entered(
            act_id=line.act_id,
            shop_day=line.shop_day,
            channel=channel,
            kind=line.kind,
            amount_minor=line.amount_minor,
            foreign=_abroad(line, shop),
            product=product or "",
            pieces=line.pieces,
            lines=lines,
        )
        for line, channel, product, lines in session.execute(query)
    ]


def besides(*, session: Session, day: date, taken: Sequence[Taken]) -> dict[str, int]:
    """Give what channels sold on a day besides these, once they are entered: in minor units, by channel, where any did.

    Takings in another currency are left out.
    """
    told: dict[str, int] = {}
    for one in taken:
        if one.kind is TakingsKind.SALE and not one.currency:
            told[folded(one.channel)] = told.get(folded(one.channel), 0) + one.amount_minor
    query = (
        select(col(Channel.name), func.sum(col(TakingsDay.amount_minor)))
        .join(Channel, col(Channel.id) == col(TakingsDay.channel_id))
        .where(col(TakingsDay.shop_day) == day, col(TakingsDay.kind) == TakingsKind.SALE)
        .group_by(col(Channel.name))
    )
    more = {name: int(minor) - told[folded(name)] for name, minor in session.execute(query) if folded(name) in told}
    return {name: minor for name, minor in more.items() if minor > 0}


def _abroad(line: TakingsLine, shop: Shop) -> str:
    if line.foreign_minor is None:
        return ""
    amount = replace(shop.formats, currency=line.currency).money(line.foreign_minor)
    return f"{amount} at {line.rate_ppm / PPM_PER_ONE:g}"


@dataclass(frozen=True)
class Checked:
    """Takings that can be booked once their channel is there."""

    told: Taken
    till: "Till"
    day: date
    product_id: int | None
    own_minor: int

    @property
    def taking(self) -> Taking:
        """Give what is booked; a channel that is new is made."""
        shop, told = self.till.shop, self.told
        sign = 1 if told.kind is TakingsKind.SALE else -1
        is_own = told.currency in {"", shop.currency}
        return Taking(
            shop_day=self.day,
            channel_id=self.till.channel(told.channel),
            kind=told.kind,
            amount_minor=sign * self.own_minor,
            currency=told.currency or shop.currency,
            rate_ppm=PPM_PER_ONE if is_own else told.rate_ppm or 0,
            foreign_minor=None if is_own else sign * told.amount_minor,
            product_id=self.product_id,
            pieces=None if told.pieces is None else sign * told.pieces,
        )


class Till:
    """What takings are read against: the shop, its channels and its products."""

    def __init__(self, session: Session, now: datetime) -> None:
        self._session = session
        self.shop: Shop = load_shop(session)
        self.today = self.shop.today(now)
        self._channels = {folded(one.name): one.id for one in session.scalars(select(Channel))}
        rows = session.execute(select(col(Product.id), col(Product.name)).where(col(Product.live))).all()
        self._products = {folded(name): number for number, name in rows}

    def read(self, taken: Sequence[Taken]) -> list[Checked]:
        """Give takings that can be booked. Errors: as `enter`."""
        if not taken:
            raise BadInput("no_takings", "There is nothing to enter. Give at least one line.")
        return [self.check(one) for one in taken]

    def check(self, told: Taken) -> Checked:
        """Give takings that can be booked. Errors: as `enter`."""
        day = told.shop_day or self.today
        if day > self.today:
            raise BadInput("in_the_future", "Takings cannot be of a day to come. Check the date.")
        if day.year < FIRST_YEAR:
            raise BadInput("long_ago", f"Takings before {FIRST_YEAR} cannot be. Check the date.")
        if not 0 < told.amount_minor <= MOST_MINOR:
            raise BadInput("not_positive", "Enter an amount above 0; say refund or fee for what went out.")
        if not told.channel.strip():
            raise BadInput("no_channel", "Say where it was sold: name a channel.")
        if told.pieces is not None and not (1 <= told.pieces <= MOST_PIECES and told.product.strip()):
            raise BadInput("no_such_pieces", f"Pieces are 1 to {MOST_PIECES}, of a product that is named.")
        return Checked(told, self, day, self._product(told.product), self._own_minor(told))

    def channel(self, name: str) -> int:
        """Give the number of a channel, made where it is new."""
        known = self._channels.get(folded(name))
        if known is None:
            made = Channel(name=" ".join(name.split()))
            self._session.add(made)
            self._session.flush()
            known = self._channels[folded(name)] = made.id
        return known

    def _product(self, name: str) -> int | None:
        if not name.strip():
            return None
        known = self._products.get(folded(name))
        if known is None:
            raise NotFound("no_such_product", f"There is no product “{name.strip()[:60]}”. Add it under Setup first.")
        return known

    def _own_minor(self, told: Taken) -> int:
        own = self.shop.currency
        if told.currency in {"", own}:
            return told.amount_minor
        decimals = currency_decimals(told.currency)
        if told.rate_ppm is None:
            words = (
                f"That is in {told.currency}, and the books are in {own}. Say how many {own} one {told.currency} is."
            )
            raise Conflict("no_rate", words)
        if not 0 < told.rate_ppm <= MOST_RATE_PPM:
            raise BadInput("no_such_rate", f"The rate is how many {own} one {told.currency} was worth, above 0.")
        minor = in_own(told.amount_minor, told.rate_ppm, decimals=decimals, own_decimals=currency_decimals(own))
        if not 0 < minor <= MOST_MINOR * 1000:
            words = f"At that rate it comes to nothing or to too much in {own}. Check the rate."
            raise Conflict("no_such_rate", words)
        return minor
