"""Who may come in: people with their roles and passwords, one-time links, known devices, and who came when.

The services of the door write them, without acts: nothing here can be undone. They must not know stock.
"""

from datetime import datetime

from sqlalchemy import Index, UniqueConstraint
from sqlmodel import Field, SQLModel

from spoolkeep.domain.words import LinkKind, Role, VisitKind
from spoolkeep.store.columns import link, maybe_link, maybe_moment, moment, one_of, primary_key


class Person(SQLModel, table=True):
    """An actor who may sign in. Its row goes when the name is removed; the actor's number stays in the ledger."""

    actor_id: int = Field(primary_key=True, foreign_key="actor.id")
    role: str
    password_hash: str | None = None
    """As argon2 writes it; empty until the person has chosen a password."""
    __table_args__ = (one_of("role", Role),)


class OneTimeLink(SQLModel, table=True):
    """A hashed random secret that lets one person or one station in, once and soon."""

    __tablename__ = "one_time_link"
    id: int = primary_key()
    kind: str
    secret_hash: str = Field(unique=True)
    actor_id: int | None = maybe_link("actor.id")
    """Whom it lets in; nobody yet where it makes the owner or a station."""
    label: str = ""
    made_by_id: int | None = maybe_link("actor.id")
    made_at: datetime = moment()
    expires_at: datetime = moment()
    used_at: datetime | None = maybe_moment()
    __table_args__ = (one_of("kind", LinkKind),)


class KnownDevice(SQLModel, table=True):
    """A browser on which a person signed in before: strangers' wrong guesses do not count against it."""

    __tablename__ = "known_device"
    id: int = primary_key()
    secret_hash: str
    actor_id: int = link("actor.id")
    made_at: datetime = moment()
    __table_args__ = (UniqueConstraint("secret_hash", "actor_id"),)


class Visit(SQLModel, table=True):
    """One thing that happened at the door. What is counted against guessing is counted here."""

    id: int = primary_key()
    at: datetime = moment()
    kind: str
    actor_id: int | None = maybe_link("actor.id")
    """Whom it is about."""
    by_id: int | None = maybe_link("actor.id", index=False)
    """Who did it, where that is somebody else."""
    address: str = ""
    device_id: int | None = maybe_link("known_device.id")
    about: str = ""
    __table_args__ = (one_of("kind", VisitKind), Index("ix_visit_at", "at"))


class AtStation(SQLModel, table=True):
    """Who says that they are at a shared station."""

    __tablename__ = "at_station"
    station_id: int = Field(primary_key=True, foreign_key="station.id")
    actor_id: int = link("actor.id")
    since: datetime = moment()
