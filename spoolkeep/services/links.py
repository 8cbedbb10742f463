"""One-time links: a secret that lets one person or one station in, once and soon.

The door makes and uses them. The secret stands in the part of an address that browsers keep to themselves.
"""

import base64
import secrets
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import select, update
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.errors import NotSignedIn
from spoolkeep.domain.words import LinkKind, VisitKind
from spoolkeep.services import visits
from spoolkeep.services.tokens import digest
from spoolkeep.store.tables import Actor, OneTimeLink, Person

SECRET_BYTES = 16
FIRST_LASTS = timedelta(hours=1)
AT_HAND_LASTS = timedelta(minutes=10)
"""For a device that lies beside this one. Source: OWASP ASVS 5.0.0, V6.5.5: at most 10 minutes."""
SENT_LASTS = timedelta(hours=24)
"""For a person who gets it by some other way, and chooses a password with it."""
IS_FOR = {LinkKind.FIRST: "the first owner", LinkKind.PERSON: "a person", LinkKind.STATION: "a station"}
NO_LINK = "This link does not hold any more: it was used, or it is too old. Ask for a new one."


@dataclass(frozen=True)
class OpenLink:
    """A link that can still be used."""

    link_id: int
    kind: LinkKind
    actor_id: int | None
    name: str
    """Of the person whom it lets in."""
    needs_password: bool
    label: str
    made_by_id: int | None


def make(
    *,
    session: Session,
    now: datetime,
    kind: LinkKind,
    lasts: timedelta,
    actor_id: int | None = None,
    by_id: int | None = None,
    label: str = "",
) -> str:
    """Give a new link's secret; earlier ones of the same kind for the same person end."""
    if kind is not LinkKind.STATION:
        end_all(session, now, kind=kind, actor_id=actor_id)
    secret = base64.b32encode(secrets.token_bytes(SECRET_BYTES)).decode().rstrip("=").lower()
    session.add(
        OneTimeLink(
            kind=kind,
            secret_hash=digest(secret),
            actor_id=actor_id,
            label=label,
            made_by_id=by_id,
            made_at=now,
            expires_at=now + lasts,
        )
    )
    visits.note(
        session, now, VisitKind.LINK_MADE, actor_id=actor_id, by_id=by_id, about=f"{IS_FOR[kind]} {label}".strip()
    )
    return secret


def for_device_at_hand(*, session: Session, now: datetime, actor_id: int) -> str:
    """Give the secret of a link that signs a person in on a device beside this one."""
    return make(session=session, now=now, kind=LinkKind.PERSON, lasts=AT_HAND_LASTS, actor_id=actor_id, by_id=actor_id)


def look(*, session: Session, now: datetime, secret: str) -> OpenLink:
    """Give what a link is for, without using it. Errors: NotSignedIn where it does not hold."""
    query = (
        select(OneTimeLink, col(Actor.name), col(Person.password_hash).is_not(None))
        .outerjoin(Actor, col(Actor.id) == col(OneTimeLink.actor_id))
        .outerjoin(Person, col(Person.actor_id) == col(OneTimeLink.actor_id))
        .where(col(OneTimeLink.secret_hash) == digest(secret.strip().lower()))
    )
    found = session.execute(query).first()
    if found is None or found[0].used_at is not None or found[0].expires_at <= now:
        raise NotSignedIn("no_link", NO_LINK)
    link, name, has_password = found
    kind = LinkKind(link.kind)
    return OpenLink(
        link_id=link.id,
        kind=kind,
        actor_id=link.actor_id,
        name=name or "",
        needs_password=kind is not LinkKind.STATION and not has_password,
        label=link.label,
        made_by_id=link.made_by_id,
    )


def use(*, session: Session, now: datetime, secret: str, address: str) -> OpenLink:
    """Give what a link is for, and use it up. Errors: NotSignedIn where it does not hold."""
    link = look(session=session, now=now, secret=secret)
    session.execute(update(OneTimeLink).where(col(OneTimeLink.id) == link.link_id).values(used_at=now))
    # who uses the first link has no number yet by which the address could be forgotten
    known = "" if link.kind is LinkKind.FIRST else address
    visits.note(session, now, VisitKind.LINK_USED, actor_id=link.actor_id, address=known, about=IS_FOR[link.kind])
    return link


def end_all(session: Session, now: datetime, *, kind: LinkKind, actor_id: int | None) -> None:
    """Let no open link of a kind for a person hold any more."""
    whose = col(OneTimeLink.actor_id).is_(None) if actor_id is None else col(OneTimeLink.actor_id) == actor_id
    still_open = (col(OneTimeLink.kind) == kind, col(OneTimeLink.used_at).is_(None), whose)
    session.execute(update(OneTimeLink).where(*still_open).values(used_at=now))
