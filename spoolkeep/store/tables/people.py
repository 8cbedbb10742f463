"""Who did what: actors, their tokens and stations, acts with their answers, and the journal of changed fields.

The store writes them through `acts` and `journal`. They must not know stock.
"""

from datetime import datetime

from sqlalchemy import Index, UniqueConstraint, text
from sqlmodel import Field, SQLModel

from spoolkeep.store.columns import holds, link, maybe_link, maybe_moment, moment, primary_key


class Actor(SQLModel, table=True):
    """A person or a program that does things. The name may be removed; the number stays."""

    id: int = primary_key()
    name: str | None = None
    kind: str = "person"
    made_at: datetime = moment()
    retired_at: datetime | None = maybe_moment()
    __table_args__ = (holds("kind_is_known", "kind IN ('person', 'program')"),)


class Token(SQLModel, table=True):
    """A hashed random secret by which a browser, a station or a program is known."""

    id: int = primary_key()
    kind: str
    secret_hash: str = Field(unique=True)
    label: str
    scopes: str = ""
    actor_id: int | None = maybe_link("actor.id")
    made_at: datetime = moment()
    expires_at: datetime | None = maybe_moment()
    idle_seconds: int | None = None
    used_at: datetime | None = maybe_moment()
    revoked_at: datetime | None = maybe_moment()
    __table_args__ = (holds("kind_is_known", "kind IN ('browser', 'station', 'api')"),)


class Station(SQLModel, table=True):
    """A device at a bench that may scan."""

    id: int = primary_key()
    label: str
    token_id: int | None = maybe_link("token.id")
    made_at: datetime = moment()


class HalfScan(SQLModel, table=True):
    """The first half of a two-scan act, waiting at its station for the second."""

    __tablename__ = "half_scan"
    station_id: int = Field(primary_key=True, foreign_key="station.id")
    code: str
    digits: str = Field(default="", sa_column_kwargs={"server_default": text("''")})
    """A scale's reading in grams, scanned card by card."""
    scanned_at: datetime = moment()


class Act(SQLModel, table=True):
    """One thing done by one actor: the unit of doing and undoing. Append-only."""

    id: int = primary_key()
    actor_id: int = link("actor.id")
    station_id: int | None = maybe_link("station.id")
    token_id: int | None = maybe_link("token.id")
    key: str
    request_hash: str
    kind: str
    about: str = ""
    """What it was done to, in words for a list."""
    recorded_at: datetime = moment()
    undoes_id: int | None = Field(default=None, foreign_key="act.id", unique=True)
    sense: int = 1
    """1 where it does something or does it again, -1 where it undoes."""
    person_id: int | None = maybe_link("actor.id", index=False)
    """Who said at a shared station that it was they; a word, not a proof."""
    __table_args__ = (
        UniqueConstraint("actor_id", "key"),
        holds("sense_is_sign", "sense IN (1, -1)"),
        holds("key_is_given", "length(key) > 0"),
    )


class Answer(SQLModel, table=True):
    """What an act answered, so that the same request sent again gets the same words. Append-only."""

    act_id: int = Field(primary_key=True, foreign_key="act.id")
    body: str


class Change(SQLModel, table=True):
    """One field of one row that an act changed, with its value before and after as JSON. Append-only."""

    id: int = primary_key()
    act_id: int = link("act.id")
    on_table: str
    row_id: int
    field: str
    before: str
    after: str
    __table_args__ = (Index("ix_change_on_table_row_id", "on_table", "row_id"),)


class SerialCounter(SQLModel, table=True):
    """The last serial issued for a kind of code. Gaps do not matter."""

    __tablename__ = "serial_counter"
    kind: str = Field(primary_key=True)
    last: int
