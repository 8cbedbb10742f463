"""People: who may sign in and as what, and how a name goes without touching the ledger.

The People page, the links and the command line call it. Nothing here is an act: a name never enters what cannot change.
"""

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import delete, func, select, update
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.errors import BadInput, Conflict, NotFound
from spoolkeep.domain.names import folded
from spoolkeep.domain.words import LinkKind, Role, VisitKind
from spoolkeep.services import links, tokens, visits
from spoolkeep.services.tokens import read_label
from spoolkeep.store.tables import Actor, AtStation, KnownDevice, Person, Token, Visit


@dataclass(frozen=True)
class PersonView:
    """A person in a list."""

    actor_id: int
    name: str
    role: Role
    has_password: bool
    devices: int
    """Browsers on which the person is signed in."""
    seen_at: datetime | None


def listing(*, session: Session, now: datetime) -> list[PersonView]:
    """Give everybody who may sign in, in the order of being added."""
    query = select(Person, Actor).join(Actor, col(Actor.id) == col(Person.actor_id)).order_by(col(Actor.id))
    signed_in: dict[int, int] = {}
    seen: dict[int, datetime] = {}
    for token in session.scalars(tokens.not_over(now, "browser")):
        actor_id, last = token.actor_id or 0, token.used_at or token.made_at
        signed_in[actor_id] = signed_in.get(actor_id, 0) + int(tokens.holds(token, now))
        seen[actor_id] = max(last, seen.get(actor_id, last))
    return [
        PersonView(
            actor_id=actor.id,
            name=actor.name or "",
            role=Role(person.role),
            has_password=person.password_hash is not None,
            devices=signed_in.get(actor.id, 0),
            seen_at=seen.get(actor.id),
        )
        for person, actor in session.execute(query)
    ]


def has_owner(session: Session) -> bool:
    """Give whether somebody with a password owns the workshop."""
    query = select(func.count()).where(col(Person.role) == Role.OWNER, col(Person.password_hash).is_not(None))
    return session.scalars(query).one() > 0


def named(session: Session, name: str) -> tuple[Person, Actor] | None:
    """Give the person of this name, whatever its case and blanks."""
    wanted = folded(name)
    for person, actor in session.execute(select(Person, Actor).join(Actor, col(Actor.id) == col(Person.actor_id))):
        if folded(actor.name or "") == wanted:
            return person, actor
    return None


def by_number(session: Session, actor_id: int | None) -> Person | None:
    """Give the person of this number who may sign in."""
    return None if actor_id is None else session.get(Person, actor_id)


def add(*, session: Session, now: datetime, by_id: int | None, name: str, role: Role) -> int:
    """Give the number of a new person. Errors: BadInput without a name; Conflict where there is one of that name."""
    read = read_label(name)
    if named(session, read):
        raise Conflict("name_taken", f"There is a {read} already. Add something that tells them apart.")
    actor = Actor(name=read, kind="person", made_at=now)
    session.add(actor)
    session.flush()
    session.add(Person(actor_id=actor.id, role=role))
    visits.note(session, now, VisitKind.PERSON_ADDED, actor_id=actor.id, by_id=by_id, about=role)
    return actor.id


def only_owner(session: Session) -> str:
    """Give the only owner's name. Errors: BadInput where there is none, or several."""
    query = select(col(Actor.name)).join(Person, col(Person.actor_id) == col(Actor.id))
    owners = session.scalars(query.where(col(Person.role) == Role.OWNER)).all()
    if len(owners) != 1:
        found = "Nobody owns this workshop yet" if not owners else "It has several owners"
        raise BadInput("name_an_owner", f"{found}: write the owner's name, like spoolkeep owner NAME.")
    return owners[0] or ""


def set_owner(*, session: Session, now: datetime, name: str, password_hash: str) -> int:
    """Give the number of the owner of this name, who signs in by this password from now on; the first one is added.

    Errors: BadInput without a name; Conflict where others own the workshop and this is none of them.
    """
    found = named(session, name)
    if (found is None or found[0].role != Role.OWNER) and has_owner(session):
        words = f"{name} does not own this workshop, and others do. An owner makes another under People and devices."
        raise Conflict("owned_by_others", words)
    actor_id = found[1].id if found else add(session=session, now=now, by_id=None, name=name, role=Role.OWNER)
    _person(session, actor_id).role = Role.OWNER
    end_sign_ins(session, now, actor_id=actor_id)
    links.end_all(session, now, kind=LinkKind.FIRST, actor_id=None)
    choose_password(session=session, now=now, actor_id=actor_id, password_hash=password_hash)
    return actor_id


def give_role(*, session: Session, now: datetime, by_id: int, actor_id: int, role: Role) -> None:
    """Let a person do more or less from now on. Errors: NotFound; Conflict where no owner would be left."""
    person = _person(session, actor_id)
    if role is not Role.OWNER:
        _refuse_last_owner(session, person)
    person.role = role
    visits.note(session, now, VisitKind.ROLE_GIVEN, actor_id=actor_id, by_id=by_id, about=role)


def choose_password(
    *, session: Session, now: datetime, actor_id: int, password_hash: str, by_id: int | None = None
) -> None:
    """Keep a person's new password; guesses at the old one count no more. Errors: NotFound."""
    _person(session, actor_id).password_hash = password_hash
    visits.note(session, now, VisitKind.PASSWORD_CHOSEN, actor_id=actor_id, by_id=by_id)


def forget_password(*, session: Session, now: datetime, by_id: int, actor_id: int) -> str:
    """Give a one-time link with which a person chooses a new password; the old one and every sign-in end.

    Errors: NotFound; Conflict where the last owner would be shut out until the link is used.
    """
    person = _person(session, actor_id)
    _refuse_last_owner(session, person)
    person.password_hash = None
    end_sign_ins(session, now, actor_id=actor_id)
    return links.make(
        session=session, now=now, kind=LinkKind.PERSON, lasts=links.SENT_LASTS, actor_id=actor_id, by_id=by_id
    )


def sign_out_everywhere(*, session: Session, now: datetime, by_id: int, actor_id: int) -> None:
    """End every sign-in of a person, on whatever device. Errors: NotFound."""
    _person(session, actor_id)
    end_sign_ins(session, now, actor_id=actor_id)
    visits.note(session, now, VisitKind.SIGNED_OUT_EVERYWHERE, actor_id=actor_id, by_id=by_id)


def remove_name(*, session: Session, now: datetime, by_id: int, actor_id: int) -> None:
    """Forget a person's name, password and devices; in the ledger the number stays, with all that it did.

    Errors: NotFound; Conflict where no owner would be left.
    """
    person = _person(session, actor_id)
    _refuse_last_owner(session, person)
    end_sign_ins(session, now, actor_id=actor_id)
    session.delete(person)
    session.execute(delete(AtStation).where(col(AtStation.actor_id) == actor_id))
    session.execute(update(Token).where(col(Token.actor_id) == actor_id).values(label=""))
    session.execute(update(Visit).where(col(Visit.actor_id) == actor_id).values(address=""))
    session.execute(update(Actor).where(col(Actor.id) == actor_id).values(name=None, retired_at=now))
    visits.note(session, now, VisitKind.NAME_REMOVED, actor_id=actor_id, by_id=by_id)


def end_sign_ins(session: Session, now: datetime, *, actor_id: int) -> None:
    """End a person's sign-ins and open links, and forget the devices that the person is known on."""
    tokens.end_all_of(session, now, actor_id=actor_id)
    links.end_all(session, now, kind=LinkKind.PERSON, actor_id=actor_id)
    known = select(col(KnownDevice.id)).where(col(KnownDevice.actor_id) == actor_id)
    session.execute(update(Visit).where(col(Visit.device_id).in_(known)).values(device_id=None))
    session.execute(delete(KnownDevice).where(col(KnownDevice.actor_id) == actor_id))


def _person(session: Session, actor_id: int) -> Person:
    person = session.get(Person, actor_id)
    if person is None:
        raise NotFound("no_such_person", "There is no such person here. Look at the list again.")
    return person


def _refuse_last_owner(session: Session, person: Person) -> None:
    others = select(func.count()).where(
        col(Person.role) == Role.OWNER,
        col(Person.password_hash).is_not(None),
        col(Person.actor_id) != person.actor_id,
    )
    if person.role == Role.OWNER and session.scalars(others).one() == 0:
        raise Conflict(
            "last_owner", "Somebody must own the workshop. Make another owner first, who has signed in once."
        )
