"""The ledger: spools, movements and their lines; and the copies of their sums.

`store.ledger` alone writes movements, lines and copies. Nothing here must know the web.
"""

from datetime import date, datetime

from sqlalchemy import BigInteger, Index
from sqlmodel import Field, SQLModel

from spoolkeep.domain.words import Cause, Kind
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


class Spool(SQLModel, table=True):
    """One physical reel of one article."""

    id: int = primary_key()
    live: bool = live()
    serial: int = Field(unique=True)
    article_id: int = link("article.id")
    make_id: int | None = maybe_link("make.id")
    reel_id: int | None = maybe_link("reel.id")
    supplier_id: int | None = maybe_link("supplier.id")
    delivery_id: int | None = maybe_link("delivery.id")
    order_line_id: int | None = maybe_link("order_line.id")
    place_id: int | None = maybe_link("place.id")
    home_id: int | None = maybe_link("place.id")
    lot: str = ""
    tare_mg: int | None = maybe_whole()
    received_on: date
    opened_on: date | None = None
    dried_on: date | None = None
    air_from: datetime | None = maybe_moment()
    """Since when a thirsty one has been in the air without a break."""
    air_s: int | None = None
    """Seconds that it was in the air before that, since it was dried; None where nobody followed it."""
    dryer_from: datetime | None = maybe_moment()
    """Since when it has been in a dryer."""
    retired_on: date | None = None
    note: str = ""
    __table_args__ = (holds("tare_is_not_negative", "tare_mg >= 0"), *integers("tare_mg"))


class Movement(SQLModel, table=True):
    """One event on one spool, as it was reported. A draw may have no spool yet: an open draw. Append-only."""

    id: int = primary_key()
    act_id: int = link("act.id")
    kind: str
    spool_id: int | None = Field(default=None, foreign_key="spool.id")
    article_id: int | None = maybe_link("article.id")
    """Of an open draw, once its item is known."""
    occurred_at: datetime = moment()
    shop_day: date = Field(index=True)
    sort_key: str
    asked_mg: int | None = maybe_whole()
    leaves_mg: int | None = maybe_whole()
    gross_mg: int | None = maybe_whole()
    tare_mg: int | None = maybe_whole()
    cost_minor: int = Field(default=0, sa_type=BigInteger)
    job_id: int | None = maybe_link("job.id")
    feed_id: int | None = maybe_link("feed.id")
    loading_id: int | None = maybe_link("loading.id")
    """The loading by which a draw found its spool."""
    cause: str | None = None
    sign: int = 1
    """1 where it stands for the event, -1 where it takes another movement back."""
    reverses_id: int | None = Field(default=None, foreign_key="movement.id", unique=True)
    __table_args__ = (
        Index("ix_movement_spool_id_sort_key", "spool_id", "sort_key"),
        one_of("kind", Kind),
        one_of("cause", Cause),
        holds("amount_or_level", "(asked_mg IS NULL) <> (leaves_mg IS NULL)"),
        holds("level_is_not_negative", "leaves_mg >= 0"),
        holds("comes_in", "kind NOT IN ('opening', 'delivery', 'found') OR coalesce(asked_mg, 0) > 0"),
        holds(
            "goes_out",
            "kind NOT IN ('draw', 'return', 'scrap', 'write-off')"
            " OR coalesce(asked_mg, 0) < 0 OR coalesce(leaves_mg, 1) = 0",
        ),
        holds("scale_gives_a_level", "kind NOT IN ('weighing', 'count') OR leaves_mg IS NOT NULL"),
        holds("cost_moves_no_grams", "kind <> 'cost' OR coalesce(asked_mg, 1) = 0"),
        holds("draw_is_an_amount", "kind <> 'draw' OR asked_mg IS NOT NULL"),
        holds("draw_has_a_cause", "(kind = 'draw') = (cause IS NOT NULL)"),
        holds("only_a_draw_lacks_a_reel", "spool_id IS NOT NULL OR kind = 'draw'"),
        holds("sign_is_sign", "sign IN (1, -1)"),
        holds("taking_back_names_what", "sign = 1 OR reverses_id IS NOT NULL"),
        *integers("asked_mg", "leaves_mg", "gross_mg", "tare_mg", "cost_minor"),
    )


class Line(SQLModel, table=True):
    """Signed milligrams and value on a spool, booked for a movement by an act. Append-only.

    What is left on a spool is the sum of its lines. A late report adds lines to the movements that it settles again.
    """

    id: int = primary_key()
    movement_id: int = link("movement.id")
    act_id: int = link("act.id")
    spool_id: int = link("spool.id")
    kind: str
    mg: int = whole()
    value_minor: int = whole()
    book_day: date = Field(index=True)
    """The day in the books: the shop day, or the first open day where its month was closed."""
    __table_args__ = (
        one_of("kind", Kind),
        holds("says_something", "mg <> 0 OR value_minor <> 0"),
        *integers("mg", "value_minor"),
    )


class ItemMove(SQLModel, table=True):
    """A spool that went over from one item to another, with all that was ever booked on it. Append-only.

    The days of demand follow it whole; what stands in months that were closed by then stays with the first item.
    """

    __tablename__ = "item_move"
    id: int = primary_key()
    act_id: int = link("act.id")
    spool_id: int = link("spool.id")
    from_id: int = link("article.id", index=False)
    to_id: int = link("article.id", index=False)
    closed_through: date | None = None
    """The last day of the months that were closed."""
    __table_args__ = (holds("is_another", "from_id <> to_id"),)


class Balance(SQLModel, table=True):
    """A copy: what is left on a spool, and what a next event starts from."""

    spool_id: int = Field(primary_key=True, foreign_key="spool.id")
    left_mg: int = whole()
    received_mg: int = whole()
    cost_minor: int = whole()
    value_minor: int = whole()
    doubtful: bool = False
    last_key: str = ""
    __table_args__ = (
        holds("left_is_not_negative", "left_mg >= 0"),
        *integers("left_mg", "received_mg", "cost_minor", "value_minor"),
    )


class DayTotal(SQLModel, table=True):
    """A copy: grams and value by item, shop day, day in the books and kind.

    Demand goes by shop day, money by the day in the books; the two differ only for what came late to a closed month.
    The kind `open` holds open draws whose item is known.
    """

    __tablename__ = "day_total"
    article_id: int = Field(primary_key=True, foreign_key="article.id")
    shop_day: date = Field(primary_key=True, index=True)
    book_day: date = Field(primary_key=True, index=True)
    kind: str = Field(primary_key=True)
    mg: int = whole()
    value_minor: int = whole()
    __table_args__ = (*integers("mg", "value_minor"),)


class SetAside(SQLModel, table=True):
    """A spool, or every spool of a lot, that may not be loaded until a person decides."""

    __tablename__ = "set_aside"
    id: int = primary_key()
    live: bool = live()
    spool_id: int | None = maybe_link("spool.id")
    article_id: int | None = maybe_link("article.id")
    lot: str | None = None
    why: str = ""
    from_at: datetime = moment()
    until_at: datetime | None = maybe_moment()
    __table_args__ = (holds("names_a_spool_or_a_lot", "(spool_id IS NULL) <> (article_id IS NULL OR lot IS NULL)"),)
