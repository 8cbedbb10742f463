"""The journal: every field that an act sets, with its value before and after, so that a whole act can be undone.

Services change rows only through `create` and `change`; `undo` puts them back. It must not know stock's sums.
"""

import json
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, TypeVar

from pydantic import TypeAdapter
from pydantic_core import to_jsonable_python
from sqlalchemy import Column, ColumnElement, Table, and_, insert, or_, select, true, update
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session, aliased
from sqlmodel import SQLModel, col

from spoolkeep.domain.errors import Conflict
from spoolkeep.store.rows import Row, put_in
from spoolkeep.store.tables import Act, Change

_CHANGES = insert(SQLModel.metadata.tables["change"])
Bound = TypeVar("Bound")
_NOTED = "changes noted and not yet written"


def create(session: Session, act: Act, row: Row) -> Row:
    """Give `row` with its number, made by `act`. It has a `live` mark that undoing takes away."""
    put_in(session, [row])
    _note(session, act, row, "live", before=False, after=True)
    return row


def create_all(session: Session, act: Act, model: type[SQLModel], rows: Sequence[Mapping[str, object]]) -> list[int]:
    """Give the numbers of many new rows of one table, made by `act`: in their order, in as few statements as can be."""
    if not rows:
        return []
    optional = {name: field.default for name, field in model.model_fields.items() if not field.is_required()}
    defaults = {name: value for name, value in optional.items() if name != "id"}
    number = SQLModel.metadata.tables[str(model.__tablename__)].c.id
    made = insert(model).returning(number, sort_by_parameter_order=True)
    numbers = [int(one) for one in session.scalars(made, [{**defaults, **row} for row in rows])]
    session.execute(insert(Change), [_made(act, str(model.__tablename__), one) for one in numbers])
    return numbers


def change(session: Session, act: Act, row: SQLModel, **fields: object) -> None:
    """Set fields of a row, noting what they were."""
    for name, value in fields.items():
        before = getattr(row, name)
        if before != value:
            _note(session, act, row, name, before=before, after=value)
            setattr(row, name, value)
    session.add(row)


def change_all(
    session: Session, act: Act, model: type[SQLModel], row_ids: Sequence[int], **fields: object
) -> list[int]:
    """Set fields of many rows of one table alike, noting what they were; give those that this changes."""
    write_down(session)
    table, changed = SQLModel.metadata.tables[str(model.__tablename__)], set[int]()
    for name, value in fields.items():
        column = table.c[name]
        for some in batched(row_ids):
            rows = select(table.c.id, column).where(table.c.id.in_(some), column.is_distinct_from(value))
            before = session.execute(rows.order_by(table.c.id)).all()
            if not before:
                continue
            noted = [(number, _text(was), _text(value)) for number, was in before]
            session.execute(insert(Change), [_set(act, table.name, name, one) for one in noted])
            numbers = [number for number, _ in before]
            session.execute(update(model).where(table.c.id.in_(numbers)).values({name: value}))
            changed.update(numbers)
    return sorted(changed)


def invert(session: Session, act: Act, target: Act) -> None:
    """Put back every field that `target` set, row by row, the last one set first: so no check sees half a row.

    Errors: Conflict, naming the later act that stands on it.
    """
    write_down(session)
    later = _later_on_same_fields(session, target) | _later_on_made_rows(session, target)
    refuse_if_stood_on(session, target, later | _later_by_given_rows(session, target))
    changes = session.scalars(
        select(Change).where(col(Change.act_id) == target.id).order_by(col(Change.id).desc())
    ).all()
    _refuse_where_it_is_otherwise(session, changes)
    fields: dict[tuple[str, int], dict[str, str]] = {}
    for made in changes:
        fields.setdefault((made.on_table, made.row_id), {})[made.field] = made.before
    # rows that only go or come back are many after an import: those that go make room first, those that come are last
    going, coming = (_only_live(fields, back) for back in ("false", "true"))
    _set_live(session, act, going, live=False)
    try:
        for (table, row_id), before in fields.items():
            if set(before) != {"live"}:
                row = session.get_one(table_named(table), row_id)
                change(session, act, row, **{name: _value(row, name, written) for name, written in before.items()})
        session.flush()
        _set_live(session, act, coming, live=True)
    except IntegrityError as error:
        words = "What this act made has been made again since. Undo the later act first."
        raise Conflict("made_again", words) from error


_FOLLOWED = frozenset({("spool", "article_id"), ("article", "now_id"), ("supplier", "now_id")})
"""Fields by which sums go from one row to another: these are put back only from where the act left them."""


def _refuse_where_it_is_otherwise(session: Session, changes: Sequence[Change]) -> None:
    """Refuse where what an act set is not as it left it, since undos came in another order. Errors: Conflict."""
    last: dict[tuple[str, int, str], str] = {}
    for made in changes:  # the last one first
        if (made.on_table, made.field) in _FOLLOWED:
            last.setdefault((made.on_table, made.row_id, made.field), made.after)
    for (table, row_id, field), written in last.items():
        row = session.get_one(table_named(table), row_id)
        if getattr(row, field) != _value(row, field, written):
            raise stood_on(session.get_one(Act, last_act_on(session, table, row_id, field)))


def _only_live(fields: Mapping[tuple[str, int], Mapping[str, str]], back: str) -> dict[str, list[int]]:
    """Give, by table, the rows of which nothing but the mark that they stand is put back to this."""
    found: dict[str, list[int]] = {}
    for (table, row_id), before in fields.items():
        if dict(before) == {"live": back}:
            found.setdefault(table, []).append(row_id)
    return found


def _set_live(session: Session, act: Act, rows: Mapping[str, Sequence[int]], *, live: bool) -> None:
    """Mark that these rows stand, or do not, noting those that this changes."""
    for table, row_ids in rows.items():
        model = table_named(table)
        columns = SQLModel.metadata.tables[table].c
        for some in batched(row_ids):
            other = session.scalars(select(columns.id).where(columns.id.in_(some), columns.live.is_(not live))).all()
            session.execute(update(model).where(columns.id.in_(other)).values(live=live))
            if other:
                session.execute(insert(Change), [_made(act, table, number, live=live) for number in other])


def refuse_if_stood_on(session: Session, target: Act, act_ids: set[int]) -> None:
    """Refuse where one of these acts is later than `target` and still has its effect. Errors: Conflict naming it."""
    for act_id in sorted(one for one in act_ids if one > target.id):
        act = session.get_one(Act, act_id)
        if act.sense == 1 and not undone(session, act):
            raise stood_on(act)


def stood_on(act: Act) -> Conflict:
    """Give the refusal that names the act in the way."""
    named = " ".join(part for part in (act.kind, act.about) if part)
    when = f"{act.recorded_at:%Y-%m-%d %H:%M} UTC"
    return Conflict("stood_on", f"Act {act.id} ({named}, {when}) stands in the way. Undo that first.")


def undone(session: Session, act: Act) -> bool:
    """Say whether an act has been undone."""
    return session.scalars(select(col(Act.id)).where(col(Act.undoes_id) == act.id)).first() is not None


def refuse_if_footing_gone(session: Session, act: Act) -> None:
    """Refuse what `act` has brought back where it points at a row that no longer stands. Errors: Conflict."""
    write_down(session)
    touched: dict[str, list[int]] = {}
    query = select(col(Change.on_table), col(Change.row_id)).where(col(Change.act_id) == act.id).distinct()
    for table, row_id in session.execute(query):
        touched.setdefault(table, []).append(row_id)
    for table, row_ids in touched.items():
        rows = SQLModel.metadata.tables[table]
        for some in batched(row_ids):
            standing = rows.c.id.in_(some) & (rows.c.live if "live" in rows.c else true())
            _refuse_pointing_at_undone(session, rows, standing)
    movements = SQLModel.metadata.tables["movement"]
    _refuse_pointing_at_undone(session, movements, (movements.c.act_id == act.id) & (movements.c.sign == 1))


def _refuse_pointing_at_undone(session: Session, rows: Table, which: ColumnElement[bool]) -> None:
    for key in sorted(rows.foreign_keys, key=lambda one: one.parent.name):
        target = key.column.table.alias()
        if "live" not in target.c:
            continue
        query = select(target.c.id).select_from(rows.join(target, key.parent == target.c.id))
        gone = {"live": ~target.c.live} | ({"now_id": target.c.now_id.is_not(None)} if "now_id" in target.c else {})
        for field, is_gone in gone.items():
            number = session.scalars(query.where(which, is_gone).limit(1)).first()
            if number is not None:
                raise stood_on(session.get_one(Act, last_act_on(session, key.column.table.name, number, field)))


def refuse_if_still_named(session: Session, act: Act) -> None:
    """Refuse what merges a row into another by this act where anything that stands names it still. Errors: Conflict."""
    merged = select(col(Change.on_table), col(Change.row_id)).where(
        col(Change.act_id) == act.id, col(Change.field) == "now_id", col(Change.after) != _text(None)
    )
    for table, number in session.execute(merged).all():
        for pointer in pointers(table):
            rows = pointer.table
            if "live" in rows.c:
                standing = select(rows.c.id).where(pointer == number, rows.c.live).limit(1)
                row_id = session.scalars(standing).first()
                if row_id is not None:
                    raise stood_on(session.get_one(Act, last_act_on(session, rows.name, row_id, "live")))


def last_act_on(session: Session, table: str, row_id: int, field: str) -> int:
    """Give the act that last set a field of a row."""
    query = (
        select(col(Change.act_id))
        .where(col(Change.on_table) == table, col(Change.row_id) == row_id, col(Change.field) == field)
        .order_by(col(Change.id).desc())
    )
    return session.scalars(query).first() or 0


def acts_that_set(session: Session, table: str, row_ids: Sequence[int], fields: Sequence[str]) -> set[int]:
    """Give the acts that set one of these fields on one of these rows."""
    found: set[int] = set()
    for some in batched(row_ids):
        query = select(col(Change.act_id)).where(
            col(Change.on_table) == table, col(Change.row_id).in_(some), col(Change.field).in_(fields)
        )
        found.update(session.scalars(query))
    return found


def batched(ids: Sequence[Bound], size: int = 500) -> Iterator[Sequence[Bound]]:
    """Give numbers, or rows, in parts that every database takes as bound values."""
    return (ids[start : start + size] for start in range(0, len(ids), size))


def _later_on_same_fields(session: Session, target: Act) -> set[int]:
    """Give the later acts that set a field which `target` set, or any field of a row that it made."""
    mine, later = aliased(Change), aliased(Change)
    query = (
        select(col(later.act_id))
        .distinct()
        .join(mine, and_(col(mine.on_table) == col(later.on_table), col(mine.row_id) == col(later.row_id)))
        .where(col(mine.act_id) == target.id, col(later.act_id) > target.id)
        .where(or_(col(mine.field) == "live", col(mine.field) == col(later.field)))
    )
    return set(session.scalars(query))


def _later_on_made_rows(session: Session, target: Act) -> set[int]:
    """Give the acts that made or set rows which point at a row that `target` made."""
    query = select(col(Change.on_table), col(Change.row_id)).where(
        col(Change.act_id) == target.id, col(Change.field) == "live"
    )
    made: dict[str, list[int]] = {}
    for table, row_id in session.execute(query):
        made.setdefault(table, []).append(row_id)
    found: set[int] = set()
    for table, row_ids in made.items():
        for pointer in pointers(table):
            for some in batched(row_ids):
                found |= _acts_behind(session, pointer, some)
    return found


_GIVEN = {
    ("order_line", "article_id"): (("spool", "order_line_id"),),
    ("offer", "article_id"): (("order_line", "offer_id"),),
    ("offer", "supplier_id"): (("order_line", "offer_id"),),
    ("order", "supplier_id"): (("delivery", "order_id"),),
    ("delivery", "supplier_id"): (("spool", "delivery_id"),),
}
"""What takes its item or supplier over from a row that names it, when it is made."""


def _later_by_given_rows(session: Session, target: Act) -> set[int]:
    """Give the acts that made rows which took over an item or a supplier that `target` set."""
    found: set[int] = set()
    for (table, field), takers in _GIVEN.items():
        query = select(col(Change.row_id)).where(
            col(Change.act_id) == target.id, col(Change.on_table) == table, col(Change.field) == field
        )
        for some in batched(session.scalars(query).all()):
            for name, pointer in takers:
                found |= _acts_behind(session, SQLModel.metadata.tables[name].c[pointer], some)
    return found


def pointers(table: str) -> list[Column[Any]]:
    """Give the columns of other tables that point at this one and are history or journalled."""
    return [
        key.parent
        for other in SQLModel.metadata.tables.values()
        for key in other.foreign_keys
        if key.column.table.name == table and ("act_id" in other.c or "live" in other.c)
    ]


def _acts_behind(session: Session, pointer: Column[Any], ids: Sequence[int]) -> set[int]:
    pointing = pointer.table
    if "act_id" in pointing.c:
        return {int(act_id) for act_id in session.scalars(select(pointing.c.act_id).where(pointer.in_(ids)))}
    rows = session.scalars(select(pointing.c.id).where(pointer.in_(ids), pointing.c.live)).all()
    return acts_that_set(session, pointing.name, list(rows), ("live", pointer.name))


def _note(session: Session, act: Act, row: SQLModel, name: str, *, before: object, after: object) -> None:
    noted = {
        "act_id": act.id,
        "on_table": str(row.__tablename__),
        "row_id": row.id,  # type: ignore[attr-defined] # every journalled table has a number
        "field": name,
        "before": _text(before),
        "after": _text(after),
    }
    session.info.setdefault(_NOTED, []).append(noted)


def forget_noted(session: Session) -> None:
    """Forget what an act noted that was refused half-way."""
    session.info.pop(_NOTED, None)


def write_down(session: Session) -> None:
    """Write the changes that were noted since, in one statement: `acts.once` does at an act's end."""
    session.flush()
    noted = session.info.pop(_NOTED, None)
    if noted:
        session.connection().execute(_CHANGES, noted)


def _set(act: Act, table: str, field: str, told: tuple[int, str, str]) -> dict[str, object]:
    row_id, before, after = told
    return {"act_id": act.id, "on_table": table, "row_id": row_id, "field": field, "before": before, "after": after}


def _made(act: Act, table: str, row_id: int, *, live: bool = True) -> dict[str, object]:
    return {
        "act_id": act.id,
        "on_table": table,
        "row_id": row_id,
        "field": "live",
        "before": _text(not live),
        "after": _text(live),
    }


def _text(value: object) -> str:
    return json.dumps(to_jsonable_python(value))


def _value(row: SQLModel, name: str, written: str) -> Any:  # noqa: ANN401 - the field decides
    annotation: Any = type(row).model_fields[name].annotation
    return TypeAdapter(annotation).validate_json(written)


def table_named(name: str) -> type[SQLModel]:
    """Give the model of a table. Errors: LookupError where there is none."""
    for mapper in SQLModel._sa_registry.mappers:  # noqa: SLF001 - SQLModel has no public list of its tables
        if mapper.local_table.description == name:
            return mapper.class_
    raise LookupError(name)
