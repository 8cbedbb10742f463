"""Stations: the devices that scan, known by a random secret of which only the hash is kept.

The web calls it with the secret in the device's cookie.
"""

import hashlib
from datetime import datetime, timedelta

from sqlalchemy import bindparam, delete, insert, select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.store.tables import HalfScan, Station, Token

HALF_SCAN_LASTS = timedelta(minutes=1)

_OF_STATION = col(HalfScan.station_id) == bindparam("station")
_HALF = select(col(HalfScan.code), col(HalfScan.scanned_at)).where(_OF_STATION)
_FORGET = delete(HalfScan).where(_OF_STATION).execution_options(synchronize_session=False)


def station_of(*, session: Session, now: datetime, secret: str) -> int:
    """Give the number of the station with this secret, made on its first visit."""
    token = _token(session, secret)
    if token is None:
        token = Token(kind="station", secret_hash=_hash(secret), label="Bench", scopes="scan", made_at=now)
        session.add(token)
        session.flush()
    station = session.scalars(select(Station).where(col(Station.token_id) == token.id)).first()
    if station is None:
        station = Station(label=f"Bench {token.id}", token_id=token.id, made_at=now)
        session.add(station)
        session.flush()
    return station.id


def known_station(*, session: Session, secret: str) -> int | None:
    """Give the number of the station with this secret, or None where it has never scanned."""
    token = _token(session, secret)
    if token is None:
        return None
    return session.scalars(select(col(Station.id)).where(col(Station.token_id) == token.id)).first()


def waiting_scan(session: Session, station_id: int, now: datetime) -> str | None:
    """Give the code of the half scan that waits at a station, unless it is over a minute old."""
    half = session.execute(_HALF, {"station": station_id}).first()
    if half is None or now - half.scanned_at > HALF_SCAN_LASTS:
        return None
    return str(half.code)


def keep_half_scan(session: Session, station_id: int, *, code: str, now: datetime) -> None:
    """Let a half scan wait at its station for the other half."""
    forget_half_scan(session, station_id)
    session.execute(insert(HalfScan), {"station_id": station_id, "code": code, "scanned_at": now})


def forget_half_scan(session: Session, station_id: int) -> None:
    """Forget the half scan at a station."""
    session.execute(_FORGET, {"station": station_id})


def _token(session: Session, secret: str) -> Token | None:
    return session.scalars(select(Token).where(col(Token.secret_hash) == _hash(secret))).first()


def _hash(secret: str) -> str:
    return hashlib.sha256(secret.encode()).hexdigest()
