"""Undo: taking back a whole act, once, by a new act; undo of an undo does it again.

The undo service calls it. It knows no page.
"""

from sqlalchemy import Select, exists, select
from sqlalchemy.orm import Session, aliased
from sqlmodel import col

from spoolkeep.store.journal import (
    acts_that_set,
    invert,
    last_act_on,
    refuse_if_footing_gone,
    refuse_if_still_named,
    refuse_if_stood_on,
    stood_on,
)
from spoolkeep.store.ledger import shop_clock, take_back
from spoolkeep.store.moves import take_back_moves
from spoolkeep.store.rebuild import shop_days_again
from spoolkeep.store.tables import Act, Article, Change, Feed, Loading, Machine, Movement, Place, Spool
from spoolkeep.store.takings import take_back_takings


def take_back_act(session: Session, act: Act, target: Act) -> None:
    """Take back all that `target` wrote.

    Errors: Conflict where a later act stands on it, or what it stood on is gone; that act is then named.
    """
    _refuse_if_reloaded(session, target)
    clock = shop_clock(session)
    invert(session, act, target)
    take_back_moves(session, act, target)
    take_back(session, act, target)
    take_back_takings(session, act, target)
    refuse_if_footing_gone(session, act)
    refuse_if_still_named(session, act)
    _refuse_open_draws_of_merged(session, act)
    _refuse_if_retired(session, act)
    if shop_clock(session) != clock:
        shop_days_again(session, shop_clock(session))


def _refuse_if_retired(session: Session, act: Act) -> None:
    """Refuse to put back a spool that was given up since, or one where nothing is any more. Errors: Conflict."""
    touched = select(col(Change.row_id)).where(col(Change.act_id) == act.id, col(Change.on_table) == "loading")
    query = (
        select(col(Spool.id))
        .join(Loading, col(Loading.spool_id) == col(Spool.id))
        .where(col(Loading.id).in_(touched), col(Loading.live), col(Loading.until_at).is_(None))
        .where(col(Spool.retired_on).is_not(None))
    )
    retired = session.scalars(query).first()
    if retired is not None:
        raise stood_on(session.get_one(Act, last_act_on(session, "spool", retired, "retired_on")))
    for table, query in (("machine", _loaded_machines(touched)), ("place", _places_taken(act))):
        number = session.scalars(query).first()
        if number is not None:
            raise stood_on(session.get_one(Act, last_act_on(session, table, number, "retired")))


def _loaded_machines(loading_ids: Select[int]) -> Select[int]:
    """Ask for machines that are retired, and on which one of these loadings lasts."""
    return (
        select(col(Machine.id))
        .join(Feed, col(Feed.machine_id) == col(Machine.id))
        .join(Loading, col(Loading.feed_id) == col(Feed.id))
        .where(col(Loading.id).in_(loading_ids), col(Loading.live), col(Loading.until_at).is_(None))
        .where(col(Machine.retired))
    )


def _places_taken(act: Act) -> Select[int]:
    """Ask for places that are retired, and at which a spool lies or lives that an act has put there."""
    put = select(col(Change.row_id)).where(
        col(Change.act_id) == act.id, col(Change.on_table) == "spool", col(Change.field).in_(("place_id", "home_id"))
    )
    there = col(Place.id).in_((col(Spool.place_id), col(Spool.home_id)))
    return select(col(Place.id)).join(Spool, there).where(col(Spool.id).in_(put), col(Place.retired))


def _refuse_open_draws_of_merged(session: Session, act: Act) -> None:
    """Refuse to merge an item again while an open draw that was told since waits for it. Errors: Conflict."""
    merged = select(col(Change.row_id)).where(
        col(Change.act_id) == act.id, col(Change.on_table) == "article", col(Change.field) == "now_id"
    )
    back = aliased(Movement)
    waiting = (
        select(col(Movement.act_id))
        .join(Article, col(Article.id) == col(Movement.article_id))
        .where(col(Article.id).in_(merged), col(Article.now_id).is_not(None))
        .where(col(Movement.spool_id).is_(None), col(Movement.sign) == 1)
        .where(~exists().where(col(back.reverses_id) == col(Movement.id)))
    )
    told = session.scalars(waiting).first()
    if told is not None:
        raise stood_on(session.get_one(Act, told))


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
