"""The workshop's settings, its takings, and what was imported from which sheet.

`store.takings` writes takings lines and their copy; services the rest. Nothing here must know stock.
"""

from datetime import date, datetime

from sqlalchemy import BigInteger, Index, Integer, LargeBinary, UniqueConstraint, text
from sqlmodel import Field, SQLModel

from spoolkeep.domain.words import CostFlow, MailSafety, TakingsKind
from spoolkeep.store.columns import (
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
    whole,
)

WIDE = BigInteger().with_variant(Integer, "sqlite")
"""A column that was made narrow: SQLite keeps any whole number in it, PostgreSQL was told to."""


class Workshop(SQLModel, table=True):
    """The one row of settings."""

    id: int = Field(default=1, primary_key=True)
    name: str = "Workshop"
    address: str = ""
    locale: str = "en_GB"
    currency: str = "EUR"
    zone: str = "UTC"
    day_starts_hour: int = 4
    opens_hour: int = 7
    closed_through: date | None = None
    """The last day of the last closed month: what comes late falls in the open one."""
    review_days: int = 7
    cover_days: int = 60
    """For how many days ahead plastic is bought at most."""
    safety_days: int = 3
    lead_days: int = 7
    carry_ppm_a_year: int = 200_000
    share_low_bp: int = 100
    share_high_bp: int = 200
    usual_stock: str = Field(default="", sa_column_kwargs={"server_default": text("''")})
    """The label stock that is offered first; empty for the first shipped one."""
    ready_at: datetime | None = maybe_moment()
    closes_hour: int = Field(default=18, sa_column_kwargs={"server_default": text("18")})
    """The hour at which the last person leaves."""
    earns_minor_per_hour: int = Field(default=300, sa_column_kwargs={"server_default": text("300")})
    """What a machine earns in an hour, where it has no figure of its own. Source: common practice, no source."""
    rest_mg: int = Field(default=20_000, sa_column_kwargs={"server_default": text("20000")})
    """Less than this on a spool is scrap. Source: our own choice."""
    risk_ppm: int = Field(default=50_000, sa_column_kwargs={"server_default": text("50000")})
    """The chance, accepted, that an item runs out before an order comes. Source: our own choice."""
    hour_cost_minor: int = Field(default=2500, sa_column_kwargs={"server_default": text("2500")})
    """What an hour of the owner's time is worth. Source: our own choice."""
    space_minor_a_month: int = Field(default=0, sa_column_kwargs={"server_default": text("0")})
    """What the room of one spool costs in a month."""
    change_seconds: int = Field(default=180, sa_column_kwargs={"server_default": text("180")})
    """What it takes a person to change a spool. Source: common practice, no source."""
    cost_flow: str = Field(default=CostFlow.AVERAGE, sa_column_kwargs={"server_default": text("'average'")})
    """How the books let cost flow out of stock."""
    order_seconds: int = Field(default=900, sa_column_kwargs={"server_default": text("900")})
    """What an order takes of a person, from looking to paying. Source: common practice, no source."""
    idle_ppm: int = Field(default=1_000_000, sa_column_kwargs={"server_default": text("1000000")})
    """The chance that a machine that lacks its item has no other work."""
    idle_busy_ppm: int = Field(default=1_000_000, sa_column_kwargs={"server_default": text("1000000")})
    """The same in the busy months."""
    busy_months: int = Field(default=0, sa_column_kwargs={"server_default": text("0")})
    """The busy months as bits, January the lowest."""
    late_minor: int = Field(default=0, sa_column_kwargs={"server_default": text("0")})
    """What a customer's order that goes out late costs."""
    budget_minor: int | None = None
    """What may be spent on one day's orders."""
    shelf_spools: int | None = None
    """For how many spools there is room."""
    public_address: str = Field(default="", sa_column_kwargs={"server_default": text("''")})
    """Where its pages are found, as notices link to them; empty for no links."""
    mail_host: str = Field(default="", sa_column_kwargs={"server_default": text("''")})
    mail_port: int = Field(default=465, sa_column_kwargs={"server_default": text("465")})
    mail_safety: str = Field(default=MailSafety.TLS, sa_column_kwargs={"server_default": text("'tls'")})
    mail_user: str = Field(default="", sa_column_kwargs={"server_default": text("''")})
    mail_from: str = Field(default="", sa_column_kwargs={"server_default": text("''")})
    __table_args__ = (
        one_of("cost_flow", CostFlow),
        holds("is_the_only_one", "id = 1"),
        holds("day_starts_at_an_hour", "day_starts_hour BETWEEN 0 AND 23 AND opens_hour BETWEEN 0 AND 23"),
        holds("days_are_days", "review_days >= 1 AND cover_days >= 1 AND safety_days >= 0 AND lead_days >= 0"),
        holds("band_is_a_band", "share_low_bp >= 0 AND share_high_bp >= share_low_bp"),
    )


class Channel(SQLModel, table=True):
    """A way by which the shop sells."""

    id: int = primary_key()
    name: str = Field(unique=True)


class TakingsLine(SQLModel, table=True):
    """What the shop took, gave back or paid in fees on a shop day, net of recoverable tax. Append-only."""

    __tablename__ = "takings_line"
    id: int = primary_key()
    act_id: int = link("act.id")
    channel_id: int = link("channel.id")
    shop_day: date = Field(index=True)
    book_day: date = Field(index=True)
    kind: str = TakingsKind.SALE
    amount_minor: int = whole()
    """Signed: refunds and fees are negative."""
    currency: str
    rate_ppm: int = Field(default=1_000_000, sa_type=WIDE)
    """How many millionths of the workshop's own unit one unit of the currency was worth."""
    foreign_minor: int | None = maybe_whole()
    """The amount in that currency, signed, where it is not the workshop's own."""
    product_id: int | None = maybe_link("product.id")
    pieces: int | None = None
    """How many pieces of the product were sold, signed as the amount."""
    reverses_id: int | None = Field(default=None, foreign_key="takings_line.id", unique=True)
    __table_args__ = (one_of("kind", TakingsKind), *integers("amount_minor", "rate_ppm", "foreign_minor", "pieces"))


class TakingsDay(SQLModel, table=True):
    """A copy: takings by shop day, day in the books and channel."""

    __tablename__ = "takings_day"
    shop_day: date = Field(primary_key=True)
    book_day: date = Field(primary_key=True)
    channel_id: int = Field(primary_key=True, foreign_key="channel.id")
    kind: str = Field(primary_key=True)
    amount_minor: int = whole()
    __table_args__ = (*integers("amount_minor"),)


class ImportRow(SQLModel, table=True):
    """One row of a sheet that was booked, by its source and key, so that it is booked once."""

    __tablename__ = "import_row"
    id: int = primary_key()
    live: bool = live()
    act_id: int = link("act.id")
    sheet: str
    source: str
    key: str
    digest: str
    line: int
    booked_at: datetime | None = maybe_moment()
    __table_args__ = (
        Index(
            "uq_import_row_booked_once",
            "sheet",
            "source",
            "key",
            unique=True,
            sqlite_where=text("live"),
            postgresql_where=text("live"),
        ),
        UniqueConstraint("act_id", "sheet", "key"),
    )


class ImportDraft(SQLModel, table=True):
    """A sheet that a person sent. It is no act: it ends a day later, or when it is dropped."""

    __tablename__ = "import_draft"
    id: int = primary_key()
    actor_id: int = link("actor.id")
    sheet: str
    source: str
    names: str = "{}"
    """Their column names and ours, as JSON."""
    content: bytes = Field(sa_type=LargeBinary)
    sent_at: datetime = moment()


class ImportNames(SQLModel, table=True):
    """How the columns of a source are called, remembered from its last import."""

    __tablename__ = "import_names"
    id: int = primary_key()
    sheet: str
    source: str
    names: str
    __table_args__ = (UniqueConstraint("sheet", "source"),)
