"""Who sells, at what price, what was ordered and what came; calendars, and what the owner knows ahead.

Services read and write them. They must not know machines.
"""

from datetime import date, datetime

from sqlalchemy import BigInteger, text
from sqlmodel import Field, SQLModel

from spoolkeep.domain.words import OrderState
from spoolkeep.store.columns import (
    flag,
    holds,
    integers,
    link,
    live,
    maybe_link,
    maybe_moment,
    maybe_whole,
    moment,
    one_of,
    primary_key,
    unique_while_live,
    unique_while_used,
    whole,
)


class Supplier(SQLModel, table=True):
    """Who sells plastic."""

    id: int = primary_key()
    live: bool = live()
    name: str
    address: str = ""
    mail: str = ""
    currency: str | None = None
    lead_days: int | None = None
    """What the owner says a delivery takes; few deliveries lean on it."""
    parcel_minor: int = Field(default=0, sa_type=BigInteger)
    free_freight_minor: int | None = maybe_whole()
    least_minor: int | None = maybe_whole()
    note: str = ""
    retired: bool = False
    order_days: int = Field(default=127, sa_column_kwargs={"server_default": text("127")})
    """The weekdays on which it takes orders as bits, Monday the lowest."""
    lead_spread_days: int | None = None
    """How much later or earlier the owner says that one may come, give or take."""
    now_id: int | None = maybe_link("supplier.id")
    """The supplier that it was merged into. Then this one is retired."""
    __table_args__ = (
        unique_while_used("supplier", "name"),
        holds("lead_is_days", "lead_days BETWEEN 0 AND 365"),
        *integers("lead_days", "parcel_minor"),
    )


class Offer(SQLModel, table=True):
    """One article from one supplier at one price and spool size."""

    id: int = primary_key()
    live: bool = live()
    supplier_id: int = link("supplier.id")
    article_id: int = link("article.id")
    make_id: int | None = maybe_link("make.id")
    their_number: str = ""
    retail_code: str | None = Field(default=None, index=True)
    spool_mg: int = whole()
    tare_mg: int | None = maybe_whole()
    price_minor: int = whole()
    pack: int = 1
    least_spools: int = 1
    from_day: date | None = None
    until_day: date | None = None
    __table_args__ = (
        holds("weighs_something", "spool_mg > 0"),
        holds("price_is_not_negative", "price_minor >= 0"),
        holds("pack_holds_spools", "pack >= 1 AND least_spools >= 1"),
        *integers("spool_mg", "price_minor", "pack"),
    )


class PriceBreak(SQLModel, table=True):
    """A cheaper price for a spool from a quantity on."""

    __tablename__ = "price_break"
    id: int = primary_key()
    live: bool = live()
    offer_id: int = link("offer.id")
    from_spools: int
    price_minor: int = whole()
    __table_args__ = (
        unique_while_live("price_break", "offer_id", "from_spools"),
        holds("begins_above_one", "from_spools > 1"),
        holds("price_is_not_negative", "price_minor >= 0"),
        *integers("from_spools", "price_minor"),
    )


class BasketBreak(SQLModel, table=True):
    """What a supplier takes off all spools of an order from a number on, of whatever items."""

    __tablename__ = "basket_break"
    id: int = primary_key()
    live: bool = live()
    supplier_id: int = link("supplier.id")
    from_spools: int
    off_ppm: int
    __table_args__ = (
        unique_while_live("basket_break", "supplier_id", "from_spools"),
        holds("begins_above_one", "from_spools > 1"),
        holds("is_a_share", "off_ppm BETWEEN 1 AND 999999"),
        *integers("from_spools", "off_ppm"),
    )


class Order(SQLModel, table=True):
    """What was asked of a supplier."""

    id: int = primary_key()
    live: bool = live()
    serial: int = Field(unique=True)
    supplier_id: int = link("supplier.id")
    state: str = OrderState.DRAFTED
    drafted_at: datetime = moment()
    sent_at: datetime | None = maybe_moment()
    promised_for: date | None = None
    closed_at: datetime | None = maybe_moment()
    freight_minor: int = Field(default=0, sa_type=BigInteger)
    note: str = ""
    needed_by: date | None = None
    """The last day on which it still comes in time, as its sheet says: what a person said, else as it was sent."""
    needed_said: bool = flag()
    """Whether a person said that day; else it follows from how its lines stand."""
    __table_args__ = (one_of("state", OrderState), *integers("freight_minor"))


class OrderLine(SQLModel, table=True):
    """Spools of one offer in an order, at the price of that day. What arrived is the live spools that name it."""

    __tablename__ = "order_line"
    id: int = primary_key()
    live: bool = live()
    order_id: int = link("order.id")
    offer_id: int = link("offer.id")
    article_id: int = link("article.id")
    spools: int
    spool_mg: int = whole()
    price_minor: int = whole()
    placed_at: datetime | None = maybe_moment()
    confirmed_for: date | None = None
    __table_args__ = (
        holds("orders_something", "spools > 0 AND spool_mg > 0"),
        holds("price_is_not_negative", "price_minor >= 0"),
        *integers("spools", "spool_mg", "price_minor"),
    )


class OrderPromise(SQLModel, table=True):
    """Each day for which a supplier confirmed a line, as it was said. Append-only."""

    __tablename__ = "order_promise"
    id: int = primary_key()
    act_id: int = link("act.id")
    order_line_id: int = link("order_line.id")
    promised_for: date | None = None
    said_at: datetime = moment()


class Delivery(SQLModel, table=True):
    """What came, in part or whole."""

    id: int = primary_key()
    live: bool = live()
    order_id: int | None = maybe_link("order.id")
    supplier_id: int | None = maybe_link("supplier.id")
    arrived_at: datetime = moment()
    freight_minor: int = Field(default=0, sa_type=BigInteger)
    note: str = ""
    __table_args__ = (holds("freight_is_not_negative", "freight_minor >= 0"), *integers("freight_minor"))


class Credit(SQLModel, table=True):
    """What a supplier owes for spools that went back, until it comes."""

    id: int = primary_key()
    live: bool = live()
    supplier_id: int | None = maybe_link("supplier.id")
    spools: int
    asked_minor: int = whole()
    asked_at: datetime = moment()
    came_minor: int | None = maybe_whole()
    came_at: datetime | None = maybe_moment()
    note: str = ""
    __table_args__ = (
        holds("is_not_negative", "asked_minor >= 0 AND coalesce(came_minor, 0) >= 0"),
        holds("came_at_a_moment", "(came_minor IS NULL) = (came_at IS NULL)"),
        *integers("asked_minor", "came_minor"),
    )


class ProductOrder(SQLModel, table=True):
    """An order on hand: pieces of a product that a customer wants, in its own colour or in another."""

    __tablename__ = "product_order"
    id: int = primary_key()
    live: bool = live()
    outside_id: str
    """The id by which the shop or its sheet knows it."""
    product_id: int = link("product.id")
    article_id: int | None = maybe_link("article.id")
    """The item in place of the product's main one, where the customer chose a colour."""
    pieces: int
    sent: int = 0
    """Pieces that went out."""
    due_on: date | None = None
    called_off: bool = False
    told_at: datetime = moment()
    __table_args__ = (
        unique_while_live("product_order", "outside_id"),
        holds("wants_something", "pieces > 0 AND sent >= 0"),
        *integers("pieces", "sent"),
    )


class CalendarDay(SQLModel, table=True):
    """A day on which the shop, or a supplier where one is named, is closed; or open against its weekday."""

    __tablename__ = "calendar_day"
    id: int = primary_key()
    live: bool = live()
    supplier_id: int | None = maybe_link("supplier.id")
    day: date = Field(index=True)
    is_open: bool = False
    why: str = ""
    __table_args__ = (unique_while_live("calendar_day", "supplier_id", "day"),)


class Foresight(SQLModel, table=True):
    """What the owner knows ahead: a factor or grams a day on an item, a product or the shop."""

    id: int = primary_key()
    live: bool = live()
    article_id: int | None = maybe_link("article.id")
    product_id: int | None = maybe_link("product.id")
    from_day: date
    until_day: date | None = None
    factor_ppm: int | None = None
    mg_a_day: int | None = maybe_whole()
    said_at: datetime = moment()
    why: str = ""
    __table_args__ = (
        holds("item_or_product", "article_id IS NULL OR product_id IS NULL"),
        holds("factor_or_grams", "(factor_ppm IS NULL) <> (mg_a_day IS NULL)"),
        holds("ends_after_it_begins", "until_day IS NULL OR until_day >= from_day"),
        *integers("factor_ppm", "mg_a_day"),
    )
