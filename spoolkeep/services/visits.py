"""What happened at the door: who came, was held off, or changed who may come.

The services of the door write it; the People page and the throttle read it. No password and no typed name stands here.
"""

import ipaddress
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import delete, func, select
from sqlalchemy.orm import Session, aliased
from sqlmodel import col

from spoolkeep.domain.words import VisitKind
from spoolkeep.store.tables import Actor, Visit

KEPT_DAYS = 90
"""An address is a person's datum: no longer than it takes to notice a break-in."""
_ONCE_AN_HOUR = timedelta(hours=1)
_HOUSE_BITS = 64


@dataclass(frozen=True)
class VisitView:
    """One line of what happened at the door."""

    at: datetime
    kind: str
    who: str
    by: str
    address: str
    about: str


def note(
    session: Session,
    now: datetime,
    kind: VisitKind,
    *,
    actor_id: int | None = None,
    by_id: int | None = None,
    address: str = "",
    device_id: int | None = None,
    about: str = "",
) -> int:
    """Give the number of a new visit, written down; what is older than it may be kept is forgotten."""
    session.execute(delete(Visit).where(col(Visit.at) < now - timedelta(days=KEPT_DAYS)))
    visit = Visit(
        at=now,
        kind=kind,
        actor_id=actor_id,
        by_id=by_id if by_id != actor_id else None,
        address=house_of(address),
        device_id=device_id,
        about=about,
    )
    session.add(visit)
    session.flush()
    return visit.id


def note_seldom(
    session: Session, now: datetime, kind: VisitKind, *, address: str, actor_id: int | None = None, about: str = ""
) -> None:
    """Write a visit down unless the same was written down within the hour: a flood leaves one line."""
    if not noted_lately(session, now, kind, address=address, actor_id=actor_id):
        note(session, now, kind, address=address, actor_id=actor_id, about=about)


def noted_lately(
    session: Session, now: datetime, kind: VisitKind, *, address: str, actor_id: int | None = None
) -> bool:
    """Give whether such a visit was written down within the hour."""
    same = select(func.count()).where(
        col(Visit.kind) == kind,
        col(Visit.at) > now - _ONCE_AN_HOUR,
        col(Visit.address) == house_of(address),
        col(Visit.actor_id).is_(None) if actor_id is None else col(Visit.actor_id) == actor_id,
    )
    return session.scalars(same).one() > 0


def recent(*, session: Session, limit: int = 50) -> list[VisitView]:
    """Give what happened last at the door, newest first."""
    other = aliased(Actor)
    query = (
        select(Visit, col(Actor.name), col(other.name))
        .outerjoin(Actor, col(Actor.id) == col(Visit.actor_id))
        .outerjoin(other, col(other.id) == col(Visit.by_id))
        .order_by(col(Visit.id).desc())
        .limit(limit)
    )
    return [
        VisitView(
            at=visit.at,
            kind=visit.kind,
            who=called(visit.actor_id, who),
            by=called(visit.by_id, by),
            address=visit.address,
            about=visit.about,
        )
        for visit, who, by in session.execute(query)
    ]


def called(actor_id: int | None, name: str | None) -> str:
    """Give an actor's name, or its number where the name was removed."""
    return "" if actor_id is None else name or f"actor {actor_id}"


def house_of(address: str) -> str:
    """Give an address as guesses are counted by it: one IPv4 address, or the /64 that one IPv6 host chooses from.

    Source: RFC 4291, section 2.5.1: 64 bits of interface identifier.
    """
    try:
        read = ipaddress.ip_address(address.split("%", maxsplit=1)[0])
    except ValueError:
        return address[:45]
    if isinstance(read, ipaddress.IPv4Address):
        return str(read)
    if read.ipv4_mapped:
        return str(read.ipv4_mapped)
    return str(ipaddress.ip_network((read, _HOUSE_BITS), strict=False))
