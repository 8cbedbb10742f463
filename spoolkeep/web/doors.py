"""What every page needs of the app: its two database doors, its clock, who is asking, and the forms' keys.

The blueprints use it. It must not know a use case.
"""

import secrets
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime

from flask import Flask, Response, current_app, request

from spoolkeep.services import stations
from spoolkeep.store.acts import By
from spoolkeep.store.engine import Session, Store
from spoolkeep.store.seeds import FIRST_ACTOR

STATION_COOKIE = "spoolkeep_station"
_YEAR_SECONDS = 365 * 24 * 3600


@dataclass(frozen=True)
class _Doors:
    store: Store
    clock: Callable[[], datetime]


def attach(app: Flask, store: Store, clock: Callable[[], datetime]) -> None:
    """Give the app its store and its clock."""
    app.extensions["spoolkeep"] = _Doors(store, clock)


def _doors() -> _Doors:
    found = current_app.extensions["spoolkeep"]
    assert isinstance(found, _Doors)  # noqa: S101 - `attach` is the only writer
    return found


@contextmanager
def reading() -> Iterator[Session]:
    """Open a session that reads."""
    with _doors().store.read() as session:
        yield session


@contextmanager
def writing() -> Iterator[Session]:
    """Open a session that writes: the request's one transaction."""
    with _doors().store.write() as session:
        yield session


def about_database() -> str:
    """Give the database's name, version and journal in words."""
    return _doors().store.about()


def now() -> datetime:
    """Give this moment."""
    return _doors().clock()


def new_key() -> str:
    """Give a key for a form, so that sending it twice books once."""
    return secrets.token_hex(12)


def by_form() -> By:
    """Give who sent this form, and its key."""
    return By(actor_id=FIRST_ACTOR, key=request.form.get("key", ""))


def by_station(session: Session, key: str) -> By:
    """Give the station that asks, made on its first act; a device without a cookie shares one."""
    secret = request.cookies.get(STATION_COOKIE) or "no cookie"
    return By(actor_id=FIRST_ACTOR, key=key, station_id=stations.station_of(session=session, now=now(), secret=secret))


def station_seen(session: Session) -> int | None:
    """Give the number of the station that asks, or None where it has never acted."""
    return stations.known_station(session=session, secret=request.cookies.get(STATION_COOKIE) or "no cookie")


def remember_station(response: Response) -> Response:
    """Give the device a secret of its own on its first visit."""
    if not request.cookies.get(STATION_COOKIE):
        secret = secrets.token_urlsafe(24)
        response.set_cookie(STATION_COOKIE, secret, max_age=_YEAR_SECONDS, httponly=True, samesite="Strict")
    return response
