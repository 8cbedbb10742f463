"""Stations: the shared devices that scan, each known by its token, and who says that they are at one.

The web calls it with the number that the token in the device's cookie leads to.
"""

from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import bindparam, delete, insert, select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.errors import Conflict, NotFound
from spoolkeep.domain.names import folded
from spoolkeep.domain.words import Role, VisitKind
from spoolkeep.services import tokens, visits
from spoolkeep.services.shop import load_shop
from spoolkeep.store.rows import read
from spoolkeep.store.seeds import FIRST_ACTOR
from spoolkeep.store.tables import Actor, AtStation, HalfScan, Person, Station, Token

HALF_SCAN_LASTS = timedelta(minutes=1)

_OF_STATION = col(HalfScan.station_id) == bindparam("station")
_HALF = select(col(HalfScan.code), col(HalfScan.digits), col(HalfScan.scanned_at)).where(_OF_STATION)
_FORGET, _KEEP = delete(HalfScan).where(_OF_STATION), insert(HalfScan)


@dataclass(frozen=True)
class NewStation:
    """A station just signed in, and the secret that its device keeps."""

    station_id: int
    token_id: int
    secret: str


@dataclass(frozen=True)
class Hand:
    """Somebody who may say that they are at a station."""

    actor_id: int
    name: str


def sign_in(*, session: Session, now: datetime, label: str, by_id: int | None = None) -> NewStation:
    """Give a new station, signed in until it is revoked or lies unused for a season. Errors: BadInput: no label."""
    name = tokens.read_label(label)
    token_id, secret = tokens.issue(
        session,
        now,
        kind="station",
        actor_id=FIRST_ACTOR,
        label=name,
        idle_days=tokens.STATION_IDLE_DAYS,
    )
    visits.note(session, now, VisitKind.STATION_ADDED, by_id=by_id, about=f"station {token_id}: {name}")
    return NewStation(of_token(session=session, now=now, token_id=token_id), token_id, secret)


def free_label(*, session: Session, now: datetime, label: str) -> str:
    """Give a label that no station in use has. Errors: BadInput without one; Conflict where it is taken."""
    name = tokens.read_label(label)
    taken = {folded(one.label) for one in tokens.standing(session=session, now=now, kind="station")}
    if folded(name) in taken:
        raise Conflict("label_taken", f"There is a station called {name}. Give this one another name.")
    return name


def of_token(*, session: Session, now: datetime, token_id: int) -> int:
    """Give the number of the station behind a token, made on its first scan: a person's own browser may scan too."""
    found = session.scalars(select(col(Station.id)).where(col(Station.token_id) == token_id)).first()
    if found is not None:
        return found
    label = session.scalars(select(col(Token.label)).where(col(Token.id) == token_id)).one()
    station = Station(label=label, token_id=token_id, made_at=now)
    session.add(station)
    session.flush()
    return station.id


def hands(*, session: Session) -> list[Hand]:
    """Give everybody who may say that they are at a station: whoever may work."""
    query = (
        select(col(Actor.id), col(Actor.name))
        .join(Person, col(Person.actor_id) == col(Actor.id))
        .where(col(Person.role) != Role.READER)
        .order_by(col(Actor.name))
    )
    return [Hand(number, name or "") for number, name in session.execute(query)]


def say_who(*, session: Session, now: datetime, station_id: int, actor_id: int | None) -> None:
    """Note who is at a station, until the shop day ends or another says so; None for nobody named. Errors: NotFound."""
    if actor_id is not None and actor_id not in {one.actor_id for one in hands(session=session)}:
        raise NotFound("no_such_person", "There is no such person at the benches. Choose another.")
    session.execute(delete(AtStation).where(col(AtStation.station_id) == station_id))
    if actor_id is not None:
        session.add(AtStation(station_id=station_id, actor_id=actor_id, since=now))


def who_is_at(*, session: Session, now: datetime, station_id: int) -> Hand | None:
    """Give who said on this shop day that they are at a station, and still may work."""
    found = read(session, _WHO, {"station": station_id}).first()
    if found is None:
        return None
    shop = load_shop(session)
    return Hand(found.actor_id, found.name or "") if shop.today(found.since) == shop.today(now) else None


_WHO = (
    select(col(AtStation.actor_id), col(AtStation.since), col(Actor.name))
    .join(Actor, col(Actor.id) == col(AtStation.actor_id))
    .join(Person, col(Person.actor_id) == col(AtStation.actor_id))
    .where(col(AtStation.station_id) == bindparam("station"), col(Person.role) != Role.READER)
)


def waiting_scan(session: Session, station_id: int, now: datetime) -> tuple[str, str] | None:
    """Give the half scan that waits at a station, and the digits after it, unless it is over a minute old."""
    half = read(session, _HALF, {"station": station_id}).first()
    if half is None or now - half.scanned_at > HALF_SCAN_LASTS:
        return None
    return str(half.code), str(half.digits)


def keep_half_scan(session: Session, station_id: int, *, code: str, now: datetime, digits: str = "") -> None:
    """Let a half scan wait at its station for the other half."""
    forget_half_scan(session, station_id)
    waits = {"station_id": station_id, "code": code, "digits": digits, "scanned_at": now}
    session.connection().execute(_KEEP, waits)


def forget_half_scan(session: Session, station_id: int) -> None:
    """Forget the half scan at a station."""
    session.connection().execute(_FORGET, {"station": station_id})
