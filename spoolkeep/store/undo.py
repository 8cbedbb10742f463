"""Undo: taking back a whole act, once, by a new act; undo of an undo does it again.

The undo service calls it. It knows no page.
"""

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.store.journal import acts_that_set, invert, refuse_if_stood_on
from spoolkeep.store.ledger import take_back
from spoolkeep.store.tables import Act, Change, Loading
from spoolkeep.store.takings import take_back_takings


def take_back_act(session: Session, act: Act, target: Act) -> None:
    """Take back all that `target` wrote.

    Errors: Conflict where a later act stands on it, which is then named.
    """
    _refuse_if_reloaded(session, target)
    invert(session, act, target)
    take_back(session, act, target)
    take_back_takings(session, act, target)


def _refuse_if_reloaded(session: Session, target: Act) -> None:
    """Refuse to put a spool back on a feed once it, or the feed, has been loaded anew. Errors: Conflict."""
    ended = select(col(Change.row_id)).where(
        col(Change.act_id) == target.id, col(Change.on_table) == "loading", col(Change.field) == "until_at"
    )
    for loading in session.scalars(select(Loading).where(col(Loading.id).in_(ended))):
        same = (col(Loading.feed_id) == loading.feed_id) | (col(Loading.spool_id) == loading.spool_id)
        others = session.scalars(
            select(col(Loading.id)).where(same, col(Loading.live), col(Loading.id) > loading.id)
        ).all()
        refuse_if_stood_on(session, target, acts_that_set(session, "loading", others, ("live",)))
