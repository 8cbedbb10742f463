"""What acts on orders changed, by the journal: which order, whose, which items, and the numbers.

The page of the last acts calls it. It only reads.
"""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.codes import CodeKind
from spoolkeep.domain.formats import Formats
from spoolkeep.services import finding
from spoolkeep.services.shop import code_text, load_shop
from spoolkeep.store.tables import Change, Credit, Order, OrderLine, Supplier

SHOWN = 6
"""So many items of an order are named; the rest is a number."""
_MOVES = ("state", "promised_for")
"""Fields of an order that move it on: all that it asks for is named."""
_ORDER, _LINE, _CREDIT = (str(model.__tablename__) for model in (Order, OrderLine, Credit))


@dataclass(frozen=True)
class _Books:
    """The rows that acts on orders wrote to, and the names of what they are about."""

    formats: Formats
    orders: Mapping[int, Order]
    lines: Mapping[int, OrderLine]
    credits: Mapping[int, Credit]
    suppliers: Mapping[int | None, str]
    items: Mapping[int, str]
    spools: Mapping[int, Sequence[Change]]
    """By line, every change of its number, oldest first."""

    def spools_at(self, line: OrderLine, change_id: int) -> int:
        """Give how many spools a line asked for just after a change."""
        later = next((one for one in self.spools.get(line.id, ()) if one.id > change_id), None)
        return line.spools if later is None else int(json.loads(later.before))


def told(*, session: Session, act_ids: Sequence[int]) -> dict[int, str]:
    """Give what these acts changed of orders and credits, in words by act; nothing of an act that changed none."""
    query = select(Change).where(col(Change.act_id).in_(act_ids), col(Change.on_table).in_((_ORDER, _LINE, _CREDIT)))
    by_act: dict[int, list[Change]] = {}
    for one in session.scalars(query.order_by(col(Change.id))):
        by_act.setdefault(one.act_id, []).append(one)
    if not by_act:
        return {}
    books = _books(session, [one for some in by_act.values() for one in some])
    found = {act: _words(some, books) for act, some in by_act.items()}
    return {act: words for act, words in found.items() if words}


def _books(session: Session, changes: Sequence[Change]) -> _Books:
    ids = {name: {one.row_id for one in changes if one.on_table == name} for name in (_ORDER, _LINE, _CREDIT)}
    whose = select(col(OrderLine.order_id)).where(col(OrderLine.id).in_(ids[_LINE]))
    numbers = ids[_ORDER] | set(session.scalars(whose))
    theirs = select(OrderLine).where(col(OrderLine.order_id).in_(numbers)).order_by(col(OrderLine.id))
    lines = {one.id: one for one in session.scalars(theirs)}
    moved = select(Change).where(
        col(Change.on_table) == _LINE, col(Change.row_id).in_(lines), col(Change.field) == "spools"
    )
    spools: dict[int, list[Change]] = {}
    for one in session.scalars(moved.order_by(col(Change.id))):
        spools.setdefault(one.row_id, []).append(one)
    known = finding.items(session, {line.article_id for line in lines.values()})
    return _Books(
        formats=load_shop(session).formats,
        orders={one.id: one for one in session.scalars(select(Order).where(col(Order.id).in_(numbers)))},
        lines=lines,
        credits={one.id: one for one in session.scalars(select(Credit).where(col(Credit.id).in_(ids[_CREDIT])))},
        suppliers=dict(session.execute(select(col(Supplier.id), col(Supplier.name))).all()),
        items={number: item.name for number, item in known.items()},
        spools=spools,
    )


def _words(changes: Sequence[Change], books: _Books) -> str:
    by_order: dict[int, list[Change]] = {}
    said = []
    for one in changes:
        if one.on_table == _CREDIT:
            said.append(_of_credit(one, books))
        else:
            number = one.row_id if one.on_table == _ORDER else books.lines[one.row_id].order_id
            by_order.setdefault(number, []).append(one)
    said += [_of_order(books.orders[number], some, books) for number, some in by_order.items()]
    return "; ".join(filter(None, said))


def _of_order(order: Order, changes: Sequence[Change], books: _Books) -> str:
    """Give whose order it is, and what of it changed."""
    whose = f"{code_text(CodeKind.ORDER, order.serial)} from {books.suppliers.get(order.supplier_id, '')}"
    lines = [one for one in (_of_line(change, books) for change in changes if change.on_table == _LINE) if one]
    if not lines and any(change.field in _MOVES for change in changes):
        asked = (line for line in books.lines.values() if line.order_id == order.id and line.live)
        lines = [f"{books.spools_at(line, changes[-1].id)} {books.items.get(line.article_id, '')}" for line in asked]
    more = [f"and {len(lines) - SHOWN} more"] if len(lines) > SHOWN else []
    parts = [*lines[:SHOWN], *more, *filter(None, (_of_head(change, books) for change in changes))]
    return f"{whose}: {', '.join(parts)}" if parts else whose


def _of_line(change: Change, books: _Books) -> str:
    line = books.lines[change.row_id]
    name = books.items.get(line.article_id, "")
    before, after = json.loads(change.before), json.loads(change.after)
    if change.field == "live":
        return f"{books.spools_at(line, change.id)} {name}" if after else f"without {name}"
    return f"{before} to {after} {name}" if change.field == "spools" else ""


def _of_head(change: Change, books: _Books) -> str:
    if change.on_table != _ORDER:
        return ""
    after = json.loads(change.after)
    if change.field == "note":
        return "note changed" if after else "note taken out"
    words = {"promised_for": "promised for", "needed_by": "needed by"}.get(change.field)
    if words is None:
        return ""
    return f"{words} {books.formats.day(date.fromisoformat(after))}" if after else f"{words} no set day"


def _of_credit(change: Change, books: _Books) -> str:
    """Give what came of a credit, or was asked for, and from whom; each of its acts sets one of these fields."""
    credit, after = books.credits[change.row_id], json.loads(change.after)
    money = books.formats.money
    asked = f"{money(credit.asked_minor)} from {books.suppliers.get(credit.supplier_id, 'no supplier')}"
    if change.field == "live":
        return f"credit of {asked} is {'due' if after else 'not due any more'}"
    if change.field != "came_minor":
        return ""
    return f"of {asked} {money(after)} came" if after is not None else f"{asked} is due again"
