"""Undo and redo of whole acts, by number or as a station's last.

The web and the command line call it.
"""

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import exists, or_, select
from sqlalchemy.orm import Session, aliased
from sqlmodel import col

from spoolkeep.domain.errors import NotAllowed, NotFound
from spoolkeep.store.acts import By, once
from spoolkeep.store.tables import Act, Change, Movement, TakingsLine
from spoolkeep.store.undo import take_back_act


@dataclass(frozen=True)
class Undone:
    """What was taken back, or done again."""

    act_id: int
    undid_id: int
    undid_kind: str
    again: bool
    """Whether this undid an undo, and so did the first act again."""
    undid_about: str = ""
    """What that act was done to."""

    @property
    def words(self) -> str:
        """Say what was done."""
        return f"{'Done again' if self.again else 'Undone'}: {self.undid_about or self.undid_kind}."


OWNERS_ACTS = frozenset({"settings", "close books"})


def undo_act(*, session: Session, now: datetime, by: By, act_id: int, owner: bool = True) -> Undone:
    """Take back a whole act by a new one; what only an owner does, only an `owner` undoes.

    Errors: NotFound; NotAllowed; Conflict where it was undone before or a later act stands on it.
    """
    target = session.get(Act, act_id)
    if target is None:
        raise NotFound("no_such_act", f"There is no act {act_id} to undo.")
    if not owner and _first_of(session, target).kind in OWNERS_ACTS:
        raise NotAllowed("owners_act", "Only an owner changes that. Nothing was undone.")

    def do(act: Act) -> Undone:
        take_back_act(session, act, target)
        first = _first_of(session, target)
        return Undone(act.id, target.id, target.kind, again=act.sense == 1, undid_about=first.about)

    return once(
        session,
        "redo" if target.sense == -1 else "undo",
        by=by,
        now=now,
        request={"act_id": act_id},
        answers=Undone,
        about=f"{target.kind} {target.about}".strip(),
        do=do,
        undoes=target,
    )


def undo_here(*, session: Session, now: datetime, by: By, act_id: int) -> Undone:
    """Take back an act that was done at this very station. Errors: as `undo_act`; NotAllowed for another's."""
    target = session.get(Act, act_id)
    if target is None or target.station_id is None or target.station_id != by.station_id:
        raise NotAllowed("not_done_here", "That was not done here, so it is not undone here. Look under Acts and undo.")
    return undo_act(session=session, now=now, by=by, act_id=act_id, owner=False)


def _first_of(session: Session, act: Act) -> Act:
    """Give the act that an undo, or an undo of an undo, is about in the end."""
    while act.undoes_id is not None:
        act = session.get_one(Act, act.undoes_id)
    return act


def undo_last(*, session: Session, now: datetime, by: By) -> Undone:
    """Take back the last act of this station that still stands and changed something; sent again, the same one.

    Errors: as above.
    """
    before = select(col(Act.undoes_id)).where(col(Act.actor_id) == by.actor_id, col(Act.key) == by.key)
    last = session.scalars(before).first() or last_standing(session, station_id=by.station_id)
    if last is None:
        raise NotFound("nothing_to_undo", "There is nothing here to undo.")
    return undo_act(session=session, now=now, by=by, act_id=last)


def last_standing(session: Session, *, station_id: int | None) -> int | None:
    """Give the number of a station's last act that stands and changed something."""
    undoing = aliased(Act)
    wrote = or_(*(exists().where(col(model.act_id) == col(Act.id)) for model in (Movement, Change, TakingsLine)))
    query = (
        select(col(Act.id))
        .where(col(Act.sense) == 1, wrote, ~exists().where(col(undoing.undoes_id) == col(Act.id)))
        .where(col(Act.station_id) == station_id if station_id is not None else col(Act.station_id).is_(None))
        .order_by(col(Act.id).desc())
        .limit(1)
    )
    return session.scalars(query).first()
