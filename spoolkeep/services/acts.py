"""What was done lately, by whom, and whether it can be undone.

The Bench and the Setup page call it. It only reads.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, Select, bindparam, func, or_, select
from sqlalchemy.orm import Session, aliased
from sqlmodel import col

from spoolkeep.services.undoing import OWNERS_ACTS
from spoolkeep.services.visits import called
from spoolkeep.store.rows import Found, read
from spoolkeep.store.tables import Act, Actor, Change, Movement, Station, TakingsLine


@dataclass(frozen=True)
class ActView:
    """One act in a list."""

    act_id: int
    kind: str
    about: str
    recorded_at: datetime
    actor: str
    station: str
    undone: bool
    undoes_id: int | None
    owners: bool
    """Whether only an owner undoes it."""


def recent(*, session: Session, limit: int = 50, station_id: int | None = None) -> list[ActView]:
    """Give the last acts that changed anything, newest first; of one station where it is named."""
    some = {"most": limit}
    rows = (
        read(session, _RECENT, some)
        if station_id is None
        else read(session, _RECENT_AT, some | {"station": station_id})
    )
    return _views(rows)


@dataclass(frozen=True)
class Which:
    """Which acts are listed; what is not said leaves none out."""

    actor_id: int | None = None
    """Who did it, or said at a station that it was they."""
    station_id: int | None = None
    kind: str = ""
    since: datetime | None = None


def listed(*, session: Session, which: Which, limit: int | None = None, skip: int = 0) -> list[ActView]:
    """Give the acts that are meant, newest first, after so many of them; all where the limit is None."""
    query = _narrowed(_all_that_wrote(), which).order_by(col(Act.id).desc()).limit(limit)
    return _views(session.execute(query.offset(skip) if skip else query))


def of_key(*, session: Session, actor_id: int, key: str) -> ActView | None:
    """Give the act that an actor did under a key; None where it wrote nothing that can be taken back."""
    query = _all_that_wrote().where(col(Act.actor_id) == actor_id, col(Act.key) == key)
    return next(iter(_views(session.execute(query))), None)


def count(*, session: Session, which: Which) -> int:
    """Give how many acts are meant."""
    return session.scalar(_narrowed(select(func.count()).select_from(Act).where(_wrote()), which)) or 0


def _narrowed(query: Select[Any], which: Which) -> Select[Any]:
    if which.actor_id is not None:
        query = query.where(func.coalesce(col(Act.person_id), col(Act.actor_id)) == which.actor_id)
    if which.station_id is not None:
        query = query.where(col(Act.station_id) == which.station_id)
    if which.kind:
        query = query.where(col(Act.kind) == which.kind)
    return query if which.since is None else query.where(col(Act.recorded_at) >= which.since)


@dataclass(frozen=True)
class Choices:
    """By what acts can be told apart: by number and name, and their kinds."""

    who: list[tuple[int, str]]
    stations: list[tuple[int, str]]
    kinds: list[str]


def choices(*, session: Session) -> Choices:
    """Give who acted, where, and what was done."""
    who = session.execute(select(col(Actor.id), col(Actor.name)).order_by(col(Actor.id))).all()
    stations = session.execute(select(col(Station.id), col(Station.label)).order_by(col(Station.label))).all()
    kinds = session.scalars(select(col(Act.kind)).distinct()).all()
    return Choices(
        [(number, called(number, name)) for number, name in who],
        [(number, label) for number, label in stations],
        sorted(kinds),
    )


def _views(rows: Iterable[Any]) -> list[ActView]:
    return [
        ActView(
            act_id=act.id,
            kind=act.kind,
            about=act.about,
            recorded_at=act.recorded_at,
            actor=called(act.person_id or act.actor_id, act.person if act.person_id else act.actor),
            station=act.station or "",
            undone=act.undone_by is not None,
            undoes_id=act.undoes_id,
            owners=_is_owners(act),
        )
        for act in rows
    ]


def _wrote() -> ColumnElement[bool]:
    """Give, for a query of acts, whether one wrote anything."""
    return or_(
        *(select(1).where(col(model.act_id) == col(Act.id)).exists() for model in (Movement, Change, TakingsLine))
    )


def _all_that_wrote() -> Select[Any]:
    undoing, at_hand = aliased(Act), aliased(Actor)
    told = ("id", "kind", "about", "recorded_at", "actor_id", "person_id", "undoes_id")
    return (
        select(
            *(getattr(Act, name) for name in told),
            *(col(Actor.name).label("actor"), col(at_hand.name).label("person")),
            *(col(Station.label).label("station"), col(undoing.id).label("undone_by")),
        )
        .join(Actor, col(Actor.id) == col(Act.actor_id))
        .outerjoin(at_hand, col(at_hand.id) == col(Act.person_id))
        .outerjoin(Station, col(Station.id) == col(Act.station_id))
        .outerjoin(undoing, col(undoing.undoes_id) == col(Act.id))
        .where(_wrote())
    )


_RECENT = _all_that_wrote().order_by(col(Act.id).desc()).limit(bindparam("most"))
_RECENT_AT = _RECENT.where(col(Act.station_id) == bindparam("station"))


def _is_owners(act: Found) -> bool:
    """Give whether an act, or the one that it undoes in the end, is an owner's: an undo is about what it undoes."""
    return act.kind in OWNERS_ACTS or (act.undoes_id is not None and any(kind in act.about for kind in OWNERS_ACTS))


def version(*, session: Session) -> str:
    """Give a word that changes whenever an act changes anything in the books, and else does not."""
    changes, movements = read(session, _LATEST).one()
    return f"{changes or 0}-{movements or 0}"


_LATEST = select(
    select(func.max(col(Change.id))).scalar_subquery(), select(func.max(col(Movement.id))).scalar_subquery()
)
