"""Notices to people who do not look: to whom, what waits to be sent, and of which matters it tells.

The services of notices write them, without acts: an address must be able to go again. They must not know stock.
"""

from datetime import datetime

from sqlalchemy import Index, UniqueConstraint, text
from sqlmodel import Field, SQLModel

from spoolkeep.domain.words import DigestWhen, NoticeKind, NoticeWay
from spoolkeep.store.columns import flag, holds, link, maybe_link, maybe_moment, moment, one_of, primary_key


class Addressee(SQLModel, table=True):
    """Who gets notices, and which. The row of one that was removed stays without name and address: its number too."""

    id: int = primary_key()
    name: str
    way: str
    address: str
    """A mail address, or the address of a webhook, which may be a secret itself."""
    digest: str
    digest_hour: int
    """On the shop's wall clock."""
    stops: bool = flag()
    nights: bool = flag()
    late: bool = flag()
    orders: bool = flag()
    paused: bool = flag()
    since_at: datetime = moment()
    """Since when it gets notices: no digest of an hour before."""
    changed_by_id: int | None = maybe_link("actor.id", index=False)
    removed_at: datetime | None = maybe_moment()
    __table_args__ = (
        one_of("way", NoticeWay),
        one_of("digest", DigestWhen),
        holds("digest_has_an_hour", "digest_hour BETWEEN 0 AND 23"),
    )


class Notice(SQLModel, table=True):
    """One message to one addressee, from when it was made until it was sent, given up or dropped."""

    id: int = primary_key()
    addressee_id: int = link("addressee.id", index=False)
    kind: str
    key: str
    mark: str = Field(unique=True)
    """By which whoever receives it twice knows it again."""
    subject: str = ""
    """As it was last tried."""
    made_at: datetime = moment()
    next_try_at: datetime | None = maybe_moment()
    """None once nothing more is to be done."""
    tries: int = Field(default=0, sa_column_kwargs={"server_default": text("0")})
    claim: str = ""
    """A random word of whoever is sending it."""
    claimed_until: datetime | None = maybe_moment()
    sent_at: datetime | None = maybe_moment()
    given_up_at: datetime | None = maybe_moment()
    dropped_at: datetime | None = maybe_moment()
    """When it turned out that there was nothing to say any more."""
    last_error: str = ""
    __table_args__ = (
        one_of("kind", NoticeKind),
        UniqueConstraint("addressee_id", "key"),
        Index("ix_notice_next_try_at", "next_try_at"),
    )


class NoticeMatter(SQLModel, table=True):
    """One matter that an addressee is told of once."""

    __tablename__ = "notice_matter"
    id: int = primary_key()
    notice_id: int = link("notice.id")
    addressee_id: int = link("addressee.id", index=False)
    key: str
    over_at: datetime | None = maybe_moment()
    """Since when it does not stand any more."""
    __table_args__ = (UniqueConstraint("addressee_id", "key"),)
