"""What was done lately, by whom, and whether it can be undone.

The Bench and the Setup page call it. It only reads.
"""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Select, bindparam, func, or_, select
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


def _recent() -> Select[Any]:
    """Ask for the last acts that wrote anything."""
    undoing, at_hand = aliased(Act), aliased(Actor)
    told = ("id", "kind", "about", "recorded_at", "actor_id", "person_id", "undoes_id")
    wrote = (select(1).where(col(model.act_id) == col(Act.id)).exists() for model in (Movement, Change, TakingsLine))
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
        .where(or_(*wrote))
        .order_by(col(Act.id).desc())
        .limit(bindparam("most"))
    )


_RECENT = _recent()
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
