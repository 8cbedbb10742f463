"""Signing in with a name and a password: counted against guessing before the password is looked at.

The web calls `begin`, checks the password outside any session, then calls `let_in`. It must not know HTTP.

Wrong guesses are counted in the database, so that a restart forgets none, and in two ways. On a device where the person
signed in before, only that device's own guesses count: no stranger can lock anybody out of it. From anywhere else they
count by address and by person. Source of the two ways: OWASP, "Slow Down Online Guessing Attacks with Device Cookies".
"""

from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import ColumnElement, exists, func, select, update
from sqlalchemy.orm import Session, aliased
from sqlmodel import col

from spoolkeep.domain.errors import NotSignedIn
from spoolkeep.domain.words import LinkKind, VisitKind
from spoolkeep.services import people, tokens, visits
from spoolkeep.services.links import NO_LINK, OpenLink
from spoolkeep.store.tables import KnownDevice, Visit

HOURLY, DAILY = 10, 30
"""Wrong guesses that one device, or one address, has in an hour and in a day."""
PERSON_DAILY = 100
"""Wrong guesses about one person a day from all devices that the person is not known on."""
HELD_OFF = (
    "Too many wrong tries. Try again later, or open a link for this device on one where you are signed in: the page "
    "with your name has it. An owner gets one at the computer that runs Spoolkeep: spoolkeep owner."
)


@dataclass(frozen=True)
class Try:
    """A password that is about to be looked at."""

    visit_id: int | None
    """None where it must not be looked at."""
    actor_id: int | None
    password_hash: str | None
    known: bool
    """Whether the person signed in on this device before."""


@dataclass(frozen=True)
class LetIn:
    """The secrets of a sign-in: of this sign-in, and of the device, by which it is known the next time."""

    secret: str
    device_secret: str


def begin(*, session: Session, now: datetime, name: str, address: str, device_secret: str) -> Try:
    """Give a try, counted as wrong until `let_in` says otherwise; one without a number is held off."""
    found = people.named(session, name)
    actor_id = found[1].id if found else None
    device_id = _known(session, actor_id, device_secret)
    if _too_many(session, now, actor_id=actor_id, device_id=device_id, house=visits.house_of(address)):
        visits.note_seldom(session, now, VisitKind.HELD_OFF, address=address, actor_id=actor_id)
        return Try(None, actor_id, None, known=device_id is not None)
    visit_id = visits.note(session, now, VisitKind.TRIED, actor_id=actor_id, address=address, device_id=device_id)
    return Try(visit_id, actor_id, found[0].password_hash if found else None, known=device_id is not None)


def is_held_off(*, session: Session, now: datetime, name: str, address: str, device_secret: str) -> bool:
    """Give whether a try would be held off and that is written down already: then a flood need not write."""
    found = people.named(session, name)
    actor_id = found[1].id if found else None
    device_id, house = _known(session, actor_id, device_secret), visits.house_of(address)
    return _too_many(session, now, actor_id=actor_id, device_id=device_id, house=house) and visits.noted_lately(
        session, now, VisitKind.HELD_OFF, address=address, actor_id=actor_id
    )


def was_right(*, session: Session, tried: Try) -> None:
    """Count a try no longer: its password was right."""
    session.execute(update(Visit).where(col(Visit.id) == tried.visit_id).values(kind=VisitKind.SIGNED_IN))


def let_in(
    *, session: Session, now: datetime, tried: Try, device_secret: str, label: str, new_hash: str | None = None
) -> LetIn | None:
    """Give the secrets of a sign-in whose password was right; None where the person's changed in the meantime.

    `new_hash` is kept where the old one was made by weaker settings.
    """
    found = people.by_number(session, tried.actor_id)
    if found is None or found.password_hash != tried.password_hash:
        return None
    if new_hash:
        found.password_hash = new_hash
    was_right(session=session, tried=tried)
    return admit(session=session, now=now, actor_id=found.actor_id, device_secret=device_secret, label=label)


def come_in(
    *,
    session: Session,
    now: datetime,
    link: OpenLink,
    name: str,
    password_hash: str | None,
    device_secret: str,
    label: str,
) -> LetIn:
    """Give the secrets of a sign-in that a person's used link has earned, with the password chosen on the way.

    Errors: NotSignedIn where the link needed a password and none was chosen, or is a station's.
    """
    if password_hash and link.kind is LinkKind.FIRST:
        actor_id = people.set_owner(session=session, now=now, name=name, password_hash=password_hash)
    elif link.actor_id is not None and bool(password_hash) == link.needs_password:
        actor_id = link.actor_id
        if password_hash:
            people.choose_password(session=session, now=now, actor_id=actor_id, password_hash=password_hash)
    else:
        raise NotSignedIn("no_link", NO_LINK)
    return admit(session=session, now=now, actor_id=actor_id, device_secret=device_secret, label=label)


def admit(*, session: Session, now: datetime, actor_id: int, device_secret: str, label: str) -> LetIn:
    """Give the secrets of a sign-in that a password or a link has earned.

    A shared device is known by one secret for all who sign in there; one that we did not give out is not taken up.
    """
    secret = tokens.for_browser(session, now, actor_id=actor_id, label=label)
    if _known(session, actor_id, device_secret) is None:
        device_secret = device_secret if _given_out(session, device_secret) else tokens.new_secret()
        session.add(KnownDevice(secret_hash=tokens.digest(device_secret), actor_id=actor_id, made_at=now))
    return LetIn(secret, device_secret)


def sign_out(*, session: Session, now: datetime, token_id: int, actor_id: int) -> None:
    """End one sign-in."""
    tokens.end(session, now, token_id=token_id)
    visits.note(session, now, VisitKind.SIGNED_OUT, actor_id=actor_id)


def _known(session: Session, actor_id: int | None, device_secret: str) -> int | None:
    if actor_id is None or not device_secret:
        return None
    query = select(col(KnownDevice.id)).where(
        col(KnownDevice.secret_hash) == tokens.digest(device_secret), col(KnownDevice.actor_id) == actor_id
    )
    return session.scalars(query).first()


def _given_out(session: Session, device_secret: str) -> bool:
    query = select(func.count()).where(col(KnownDevice.secret_hash) == tokens.digest(device_secret))
    return session.scalars(query).one() > 0


def _too_many(session: Session, now: datetime, *, actor_id: int | None, device_id: int | None, house: str) -> bool:
    if device_id is not None:
        here: tuple[ColumnElement[bool], ...] = (col(Visit.device_id) == device_id,)
        return _wrong(session, now, 1, *here) >= HOURLY or _wrong(session, now, 24, *here) >= DAILY
    unknown = col(Visit.device_id).is_(None)
    here = (unknown, col(Visit.address) == house)
    about = col(Visit.actor_id).is_(None) if actor_id is None else col(Visit.actor_id) == actor_id
    return (
        _wrong(session, now, 1, *here) >= HOURLY
        or _wrong(session, now, 24, *here) >= DAILY
        or _wrong(session, now, 24, unknown, about) >= PERSON_DAILY
    )


def _wrong(session: Session, now: datetime, hours: int, *which: ColumnElement[bool]) -> int:
    within, chosen = col(Visit.at) > now - timedelta(hours=hours), aliased(Visit)
    # a guess at a password that was changed since is none at the one of now
    stale = exists().where(
        col(chosen.kind) == VisitKind.PASSWORD_CHOSEN,
        col(chosen.actor_id) == col(Visit.actor_id),
        col(chosen.id) > col(Visit.id),
    )
    tried = select(func.count()).select_from(Visit).where(col(Visit.kind) == VisitKind.TRIED, within, *which, ~stale)
    return session.scalars(tried).one()
