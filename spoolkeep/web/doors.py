"""What every page needs of the app: its two database doors, its clock, who is asking, and the forms' keys.

The blueprints use it. It must not know a use case.
"""

import secrets
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from pathlib import Path

from flask import Flask, current_app, g, request

import spoolkeep
from spoolkeep.domain.errors import NotSignedIn
from spoolkeep.services import stations
from spoolkeep.services.stations import Hand
from spoolkeep.services.steady import Steady
from spoolkeep.services.tokens import Caller
from spoolkeep.store.acts import By
from spoolkeep.store.engine import Session, Store
from spoolkeep.store.upgrade import revision_of

_NOTHING = timedelta()


@dataclass(frozen=True)
class _Doors:
    store: Store
    clock: Callable[[], datetime]
    steady: Steady = field(default_factory=Steady)


def attach(app: Flask, store: Store, clock: Callable[[], datetime]) -> None:
    """Give the app its store and its clock."""
    app.extensions["spoolkeep"] = _Doors(store, clock)


def _doors() -> _Doors:
    found = current_app.extensions["spoolkeep"]
    assert isinstance(found, _Doors)  # noqa: S101 - `attach` is the only writer
    return found


@contextmanager
def reading() -> Iterator[Session]:
    """Open a session that reads. The page is made after it: on SQLite nobody's commit gets through while it is open."""
    with _doors().store.read() as session:
        yield session


@contextmanager
def writing() -> Iterator[Session]:
    """Open a session that writes: the request's one transaction. Once it is committed, what was sent is booked."""
    with _doors().store.write() as session:
        yield session
    g.booked = True


def is_booked() -> bool:
    """Give whether what this request sent is in the books, whatever came after."""
    return bool(g.get("booked", False))


def forget_booked() -> None:
    """Let what the lock wrote by itself not count as what was sent."""
    g.booked = False


def store() -> Store:
    """Give the store itself, for what watches over it."""
    return _doors().store


def about_database() -> str:
    """Give the program's version, the database's revision, name, version and journal in words."""
    books = _doors().store
    return f"Spoolkeep {spoolkeep.__version__}, books of revision {revision_of(books)}, {books.about()}"


def database_file() -> Path | None:
    """Give the file that the database lies in; None where it is no file."""
    return _doors().store.file


def wall() -> datetime:
    """Give what this computer's clock says."""
    return _doors().clock()


def now() -> datetime:
    """Give this moment, which is never before what was booked last."""
    ahead: timedelta = g.get("ahead", _NOTHING)
    return wall() + ahead


def keep_steady(session: Session) -> None:
    """Hold this computer's clock against the books, for the rest of the request."""
    told = wall()
    g.ahead = _doors().steady.moment(session, told) - told


def new_key() -> str:
    """Give a key for a form, so that sending it twice books once."""
    return secrets.token_hex(12)


def caller() -> Caller | None:
    """Give who is asking, as the lock found it; None where nobody is signed in."""
    found = g.get("caller")
    return found if isinstance(found, Caller) else None


def somebody() -> Caller:
    """Give who is asking. Errors: NotSignedIn, which the lock says first on every endpoint that asks this."""
    found = caller()
    if found is None:
        raise NotSignedIn("signed_out", "Sign in first; nothing was booked.")
    return found


def at_station() -> int | None:
    """Give the number of the station on this device, where it is one, or where this browser has scanned before."""
    found = g.get("station") or caller()
    return found.station_id if isinstance(found, Caller) else None


def by_form() -> By:
    """Give who sent this form, and its key."""
    return by_key(request.form.get("key", ""))


def by_key(key: str) -> By:
    """Give who is asking, under a key of theirs."""
    asking, present = somebody(), g.get("present")
    person_id = present.actor_id if isinstance(present, Hand) else None
    return By(asking.actor_id, key, station_id=at_station(), token_id=asking.token_id, person_id=person_id)


def by_station(session: Session, key: str) -> By:
    """Give who is asking as `by_key` does; a browser that scans for the first time becomes a place that can undo."""
    by = by_key(key)
    if by.station_id is not None:
        return by
    station_id = stations.of_token(session=session, now=now(), token_id=somebody().token_id)
    g.caller = replace(somebody(), station_id=station_id)  # the answer to this very scan shows what waits there
    return by_key(key)
