"""Moving a spool that was booked under the wrong item: what was drawn from it follows, its grams and value stay.

The spool's page calls it.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy import Select, func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.codes import CodeKind
from spoolkeep.domain.errors import BadInput, Conflict
from spoolkeep.domain.names import folded
from spoolkeep.domain.words import Kind
from spoolkeep.services import finding
from spoolkeep.services.catalogue import Made
from spoolkeep.services.finding import Item
from spoolkeep.services.shop import code_text
from spoolkeep.store import moves
from spoolkeep.store.acts import By, once
from spoolkeep.store.journal import change, create
from spoolkeep.store.ledger import workshop
from spoolkeep.store.tables import (
    Act,
    Balance,
    KeptOn,
    Line,
    Loading,
    Make,
    Movement,
    Order,
    OrderLine,
    SetAside,
    Spool,
)

Choices = list[tuple[int, str]]


@dataclass(frozen=True)
class MoveView:
    """A spool, and what a move to another item would carry over."""

    spool_code: str
    item: Item
    into: Item | None
    """None before one is chosen."""
    choices: Choices
    left_mg: int
    value_minor: int
    drawn_mg: int
    demand_days: int
    notes: tuple[str, ...]
    """What becomes of what the spool is part of, in sentences."""
    closed_through: date | None


def view(*, session: Session, spool_code: str, into_id: int | None = None) -> MoveView:
    """Give what a move would carry over. Errors: BadInput, NotFound, Conflict."""
    spool = finding.spool_of(session, spool_code)
    item = finding.item(session, spool.article_id)
    into = None if into_id is None else _other(session, spool, into_id)
    balance = session.get(Balance, spool.id)
    drawn = select(func.sum(col(Line.mg)), func.count(col(Movement.shop_day).distinct()))
    of_spool = col(Line.spool_id) == spool.id, col(Line.kind) == Kind.DRAW
    mg, days = session.execute(drawn.join(Movement, col(Movement.id) == col(Line.movement_id)).where(*of_spool)).one()
    return MoveView(
        spool_code=code_text(CodeKind.SPOOL, spool.serial),
        item=item,
        into=into,
        choices=[(one.article_id, one.name) for one in finding.in_use(session).values() if one != item],
        left_mg=balance.left_mg if balance else 0,
        value_minor=balance.value_minor if balance else 0,
        drawn_mg=-int(mg or 0),
        demand_days=days,
        notes=tuple(_notes(session, spool, item, into)) if into else (),
        closed_through=workshop(session).closed_through,
    )


def _other(session: Session, spool: Spool, into_id: int) -> Item:
    into = finding.item(session, into_id)
    if into_id == spool.article_id:
        raise BadInput("same_item", f"It is booked under {into.name} already. Choose another item.")
    if into.retired:
        raise Conflict("item_is_retired", f"{into.name} is retired. Take it back first.")
    return into


def _notes(session: Session, spool: Spool, item: Item, into: Item) -> Iterable[str]:
    if item.material != into.material:
        yield f"{item.material} becomes {into.material}: it prints and keeps otherwise. Mind what its maker says."
    if item.diameter_um != into.diameter_um:
        yield "The two differ in diameter."
    if item.density_mg_per_cm3 != into.density_mg_per_cm3:
        yield "The two differ in density. Grams that were booked or metered stay as they are."
    loading = session.scalars(_on_a_feed(spool)).first()
    if loading is not None:
        where = finding.feed_name(session, finding.feed(session, loading.feed_id))
        yield f"It is on {where}. It stays there, and the Bench holds it anew against what its job wants."
    if _kept(session, spool):
        yield "That it was kept on there is forgotten: the Bench asks again."
    line = session.get(OrderLine, spool.order_line_id) if spool.order_line_id else None
    if line is not None:
        code = code_text(CodeKind.ORDER, session.get_one(Order, line.order_id).serial)
        yield f"It still counts as come for the line of order {code}, which stays one of {item.name}."
    if _lots_aside(session, spool, spool.article_id):
        yield "It is set aside with its lot. It stays set aside, by itself, until somebody lets it go."
    if _lots_aside(session, spool, into.article_id):
        yield f"Lot {spool.lot} of {into.name} is set aside, so it will be too."
    make = session.get(Make, spool.make_id) if spool.make_id else None
    if make is not None and _make(session, spool, into.article_id) is None:
        yield f"{into.name} has no make of {make.maker}, so its make is not known any more."
    yield "Its label keeps its code. Print it again, so that it says the right name."


def move_spool(*, session: Session, now: datetime, by: By, spool_code: str, article_id: int) -> Made:
    """Book a spool under another item, with all that was drawn from it. Errors: BadInput, NotFound, Conflict."""

    def do(act: Act) -> Made:
        spool = finding.spool_of(session, spool_code)
        _other(session, spool, article_id)
        before = spool.article_id
        for kept in _kept(session, spool):
            change(session, act, kept, live=False)
        for aside in _lots_aside(session, spool, before)[:1]:
            create(session, act, SetAside(spool_id=spool.id, why=aside.why, from_at=aside.from_at))
        change(session, act, spool, make_id=_make(session, spool, article_id))
        moves.move(session, act, [spool.id], from_id=before, to_id=article_id)
        return Made(act.id, spool.id)

    def about() -> str:
        return f"{spool_code} to {finding.item_name(session, article_id)}"

    request = {"spool_code": spool_code, "article_id": article_id}
    return once(session, "move spool", by=by, now=now, request=request, answers=Made, about=about, do=do)


def _on_a_feed(spool: Spool) -> Select[Loading]:
    return select(Loading).where(col(Loading.spool_id) == spool.id, col(Loading.live), col(Loading.until_at).is_(None))


def _kept(session: Session, spool: Spool) -> Sequence[KeptOn]:
    """Give what a person answered of the spool where it is loaded now."""
    loaded = _on_a_feed(spool).with_only_columns(col(Loading.id))
    return session.scalars(select(KeptOn).where(col(KeptOn.loading_id).in_(loaded), col(KeptOn.live))).all()


def _lots_aside(session: Session, spool: Spool, article_id: int) -> Sequence[SetAside]:
    """Give by what the spool's lot is set aside, were it of an item."""
    of_lot = col(SetAside.article_id) == article_id, col(SetAside.lot) == spool.lot
    standing = col(SetAside.live), col(SetAside.until_at).is_(None)
    return session.scalars(select(SetAside).where(*of_lot, *standing).order_by(col(SetAside.id))).all()


def _make(session: Session, spool: Spool, article_id: int) -> int | None:
    """Give the make of an item by the maker of the spool, where there is one."""
    make = session.get(Make, spool.make_id) if spool.make_id else None
    others = select(Make).where(col(Make.article_id) == article_id, col(Make.live))
    same = (one.id for one in session.scalars(others) if make and folded(one.maker) == folded(make.maker))
    return next(same, None)
