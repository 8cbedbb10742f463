"""The people of the demo workshop, the station that they share, and who of them books what.

The demo's builder lets them in before their days are lived. It books no act: who may come in is not in the ledger.
"""

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.errors import NotFound
from spoolkeep.domain.words import Role
from spoolkeep.services import people, stations
from spoolkeep.services.demo.described import Described
from spoolkeep.services.demo.truth import Numbers
from spoolkeep.store.tables import Person, Station, Token

BENCH = "Bench"


@dataclass(frozen=True)
class Crew:
    """Under whose numbers the demo's acts are booked."""

    owner_id: int
    station_id: int
    token_id: int
    at_bench: dict[str, int]
    """Who is at the station, by weekday."""


def let_in(told: Described, numbers: Numbers, *, session: Session, now: datetime) -> Crew:
    """Give the people as they may act from now on; whoever of the files is not there yet is added, and the station.

    They are looked for before they are added, because the file that keeps their numbers may be older than the books.
    """
    owner_id: int | None = None
    for row in sorted(told.people, key=lambda one: one.role is not Role.OWNER):
        if row.name not in numbers.people:
            there = people.named(session, row.name)
            numbers.people[row.name] = (
                there[1].id
                if there
                else people.add(session=session, now=now, by_id=owner_id, name=row.name, role=row.role)
            )
        owner_id = owner_id or numbers.people[row.name]
    station_id, token_id = _station(session) or _signed_in(session, now, by_id=owner_id)
    may_work = {one.actor_id for one in stations.hands(session=session)}
    at_bench = {day: numbers.people[row.name] for row in told.people for day in row.bench}
    return Crew(
        owner_id=owner_in(session),
        station_id=station_id,
        token_id=token_id,
        at_bench={day: number for day, number in at_bench.items() if number in may_work},
    )


def owner_in(session: Session) -> int:
    """Give the number of who owns the demo. Errors: NotFound where its people have not been let in."""
    query = select(col(Person.actor_id)).where(col(Person.role) == Role.OWNER).order_by(col(Person.actor_id))
    found = session.scalars(query).first()
    if found is None:
        raise NotFound("no_owner", "Nobody owns this demo yet. Run spoolkeep demo again, which lets its people in.")
    return found


def _station(session: Session) -> tuple[int, int] | None:
    """Give the numbers of the station and of its token; None where there is none, or a person has revoked it."""
    query = (
        select(col(Station.id), col(Token.id))
        .join(Token, col(Token.id) == col(Station.token_id))
        .where(col(Token.kind) == "station", col(Token.revoked_at).is_(None), col(Station.label) == BENCH)
        .order_by(col(Station.id))
    )
    found = session.execute(query).first()
    return None if found is None else (found[0], found[1])


def _signed_in(session: Session, now: datetime, *, by_id: int | None) -> tuple[int, int]:
    made = stations.sign_in(session=session, now=now, label=BENCH, by_id=by_id)
    return made.station_id, made.token_id
