"""Tokens: the hashed random secrets by which a browser, a station and a program are known again.

The web asks who sends a secret; the services of the door make and revoke them. It must not know passwords.
"""

import hashlib
import secrets
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import Executable, Select, bindparam, or_, select, update
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.errors import BadInput, Conflict, NotFound
from spoolkeep.domain.names import folded
from spoolkeep.domain.words import Role, Scope, VisitKind
from spoolkeep.services import visits
from spoolkeep.store.rows import Found, read
from spoolkeep.store.seeds import FIRST_ACTOR
from spoolkeep.store.tables import Actor, Person, Station, Token

BROWSER_DAYS, BROWSER_IDLE_DAYS = 30, 7
"""A person signs in once a month. Source: NIST SP 800-63B-4, section 2.1.3 (AAL1): at most 30 days."""
STATION_IDLE_DAYS = 100
"""A station that works stays signed in; one that lay in a drawer for a season does not."""
PROGRAM_DAYS = 365
MOST_PROGRAM_DAYS = 1095
USE_IS_NOTED_AFTER = timedelta(hours=1)
LONGEST_LABEL = 80


@dataclass(frozen=True)
class Caller:
    """Who asks."""

    token_id: int
    kind: str
    """`browser`, `station` or `api`."""
    actor_id: int
    name: str
    role: Role | None
    scopes: frozenset[Scope]
    station_id: int | None
    station: str
    use_to_note: bool
    """Whether the last noted use is old enough to be noted anew."""


@dataclass(frozen=True)
class TokenView:
    """A token in a list; nobody can read its secret again."""

    token_id: int
    label: str
    scopes: tuple[str, ...]
    made_at: datetime
    used_at: datetime | None
    expires_at: datetime | None


def new_secret() -> str:
    """Give 256 random bits as text."""
    return secrets.token_urlsafe(32)


def digest(secret: str) -> str:
    """Give what is kept of a random secret: with 128 bits or more it needs no slow hash. Source: OWASP ASVS V6.5.2."""
    return hashlib.sha256(secret.encode()).hexdigest()


def issue(
    session: Session,
    now: datetime,
    *,
    kind: str,
    actor_id: int,
    label: str,
    scopes: str = "",
    days: int | None = None,
    idle_days: int | None = None,
) -> tuple[int, str]:
    """Give the number and the secret of a new token, which ends after `days`, or once unused for `idle_days`."""
    secret = new_secret()
    token = Token(
        kind=kind,
        secret_hash=digest(secret),
        label=label,
        scopes=scopes,
        actor_id=actor_id,
        made_at=now,
        used_at=None if kind == "api" else now,
        expires_at=None if days is None else now + timedelta(days=days),
        idle_seconds=None if idle_days is None else idle_days * 86_400,
    )
    session.add(token)
    session.flush()
    return token.id, secret


def for_browser(session: Session, now: datetime, *, actor_id: int, label: str) -> str:
    """Give the secret of a person's new sign-in on one browser."""
    _, secret = issue(
        session,
        now,
        kind="browser",
        actor_id=actor_id,
        label=label,
        days=BROWSER_DAYS,
        idle_days=BROWSER_IDLE_DAYS,
    )
    return secret


def caller_of(*, session: Session, now: datetime, secret: str, kinds: tuple[str, ...]) -> Caller | None:
    """Give who sends this secret, or None where it lets nobody in, or no longer."""
    token = read(session, _CALLER, {"secret": digest(secret)}).first()
    if token is None or token.kind not in kinds or not holds(token, now):
        return None
    if token.kind == "browser" and token.role is None:
        return None
    return Caller(
        token_id=token.id,
        kind=token.kind,
        actor_id=token.actor_id or FIRST_ACTOR,
        name=visits.called(token.actor_id, token.name),
        role=Role(token.role) if token.role and token.kind == "browser" else None,
        scopes=frozenset(Scope(word) for word in token.scopes.split()) if token.kind == "api" else frozenset(),
        station_id=token.station_id,
        station=token.station or "",
        use_to_note=token.used_at is None or now - token.used_at > USE_IS_NOTED_AFTER,
    )


_CALLER: Executable = (
    select(
        *(Token, col(Actor.name), col(Person.role)),
        *(col(Station.id).label("station_id"), col(Station.label).label("station")),
    )
    .join(Actor, col(Actor.id) == col(Token.actor_id))
    .outerjoin(Person, col(Person.actor_id) == col(Token.actor_id))
    .outerjoin(Station, col(Station.token_id) == col(Token.id))
    .where(col(Token.secret_hash) == bindparam("secret"))
)


def holds(token: Token | Found, now: datetime) -> bool:
    """Give whether a token still lets somebody in."""
    if token.revoked_at is not None or (token.expires_at is not None and token.expires_at <= now):
        return False
    last = token.used_at or token.made_at
    return token.idle_seconds is None or now - last <= timedelta(seconds=token.idle_seconds)


def not_over(now: datetime, kind: str) -> Select[Token]:
    """Give the query for tokens of a kind that were not revoked and have not reached their end."""
    to_come = or_(col(Token.expires_at).is_(None), col(Token.expires_at) > now)
    return select(Token).where(col(Token.kind) == kind, col(Token.revoked_at).is_(None), to_come)


def note_use(*, session: Session, now: datetime, token_id: int) -> None:
    """Write down that a token was used."""
    session.execute(update(Token).where(col(Token.id) == token_id).values(used_at=now))


def end(session: Session, now: datetime, *, token_id: int) -> None:
    """Let a token let nobody in any more."""
    session.execute(
        update(Token).where(col(Token.id) == token_id, col(Token.revoked_at).is_(None)).values(revoked_at=now)
    )


def end_all_of(session: Session, now: datetime, *, actor_id: int) -> None:
    """End every sign-in of a person."""
    of_actor = (col(Token.actor_id) == actor_id, col(Token.kind) == "browser", col(Token.revoked_at).is_(None))
    session.execute(update(Token).where(*of_actor).values(revoked_at=now))


def standing(
    *, session: Session, now: datetime, kind: str, actor_id: int | None = None, limit: int = 200
) -> list[TokenView]:
    """Give the tokens of a kind that let somebody in, newest first; of one actor where it is named."""
    query = not_over(now, kind)
    if actor_id is not None:
        query = query.where(col(Token.actor_id) == actor_id)
    rows = session.scalars(query.order_by(col(Token.id).desc()).limit(limit))
    return [
        TokenView(one.id, one.label, tuple(one.scopes.split()), one.made_at, one.used_at, one.expires_at)
        for one in rows
        if holds(one, now)
    ]


def for_program(
    *, session: Session, now: datetime, by_id: int, label: str, scopes: tuple[Scope, ...], days: int = PROGRAM_DAYS
) -> str:
    """Give the secret of a new token for a program, shown this once.

    A new token under an old label is the same program's: what it sent before under a key is known again.
    Errors: BadInput without a label or a scope, or for days that are none.
    """
    name = read_label(label)
    if not scopes:
        raise BadInput("no_scope", "Choose what the program may do.")
    if not 1 <= days <= MOST_PROGRAM_DAYS:
        raise BadInput("no_such_days", f"Days: enter 1 to {MOST_PROGRAM_DAYS}.")
    token_id, secret = issue(
        session,
        now,
        kind="api",
        actor_id=_program(session, now, name),
        label=name,
        scopes=" ".join(sorted(scopes)),
        days=days,
    )
    visits.note(session, now, VisitKind.TOKEN_MADE, by_id=by_id, about=f"token {token_id}: {' '.join(sorted(scopes))}")
    return secret


def read_label(label: str) -> str:
    """Give a label without stray blanks. Errors: BadInput where there is none, or too much."""
    name = " ".join(label.split())
    if not name or len(name) > LONGEST_LABEL:
        raise BadInput("no_label", f"Write what it is called, in 1 to {LONGEST_LABEL} characters.")
    return name


def _program(session: Session, now: datetime, name: str) -> int:
    programs = session.scalars(select(Actor).where(col(Actor.kind) == "program", col(Actor.retired_at).is_(None)))
    for one in programs:
        if folded(one.name or "") == folded(name):
            return one.id
    made = Actor(name=name, kind="program", made_at=now)
    session.add(made)
    session.flush()
    return made.id


def revoke(*, session: Session, now: datetime, by_id: int, token_id: int) -> str:
    """Give the label of a station's or program's token, which lets nobody in from now on.

    Errors: NotFound; Conflict where it was revoked before.
    """
    token = session.get(Token, token_id)
    if token is None or token.kind == "browser":
        raise NotFound("no_such_token", "There is no such station or token. Look at the list again.")
    if token.revoked_at is not None:
        raise Conflict("revoked_before", "That is revoked already.")
    token.revoked_at = now
    visits.note(session, now, VisitKind.REVOKED, by_id=by_id, about=f"{token.kind} {token.id}: {token.label}")
    return token.label
