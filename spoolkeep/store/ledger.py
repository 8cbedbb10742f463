"""The ledger's one writer: books events on spools, settles them again when a late one comes, and takes them back.

Services call `book`, `store.undo` calls `take_back`. Nothing else may write movements, lines or their copies.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from sqlalchemy import Row, func, insert, select
from sqlalchemy.orm import Session
from sqlmodel import SQLModel, col

from spoolkeep.domain.errors import Conflict
from spoolkeep.domain.ledger import Booked, Report, State, replay, sort_key, worth
from spoolkeep.domain.shopday import ShopClock
from spoolkeep.domain.words import Kind
from spoolkeep.store.copies import OPEN, DaySum, add_to_day_totals
from spoolkeep.store.journal import batched, stood_on
from spoolkeep.store.rows import put_in
from spoolkeep.store.tables import Act, Balance, Line, Movement, Spool, Workshop

_LINES = insert(SQLModel.metadata.tables["line"])

Sums = dict[tuple[int, str], tuple[int, int]]
"""Milligrams and value by movement and kind."""


@dataclass(frozen=True, kw_only=True)
class Event:
    """One event to book: an amount (`asked_mg`, signed) or a level (`leaves_mg`), on a spool or an open draw."""

    kind: Kind
    occurred_at: datetime
    spool_id: int | None = None
    article_id: int | None = None
    asked_mg: int | None = None
    leaves_mg: int | None = None
    gross_mg: int | None = None
    tare_mg: int | None = None
    cost_minor: int = 0
    job_id: int | None = None
    feed_id: int | None = None
    loading_id: int | None = None
    cause: str | None = None


def book(session: Session, act: Act, events: Sequence[Event]) -> list[Movement]:
    """Give the movements of these events, booked, with every spool's later weighings settled again."""
    clock = shop_clock(session)
    movements = [
        Movement(
            act_id=act.id,
            shop_day=clock.day_of(event.occurred_at),
            sort_key=sort_key(event.kind, event.occurred_at, f"{act.key}|{number:06d}"),
            **vars(event),
        )
        for number, event in enumerate(events)
    ]
    _enter(session, act, movements)
    return movements


def take_back(session: Session, act: Act, target: Act) -> list[Movement]:
    """Give the movements by which `act` takes back those of `target`; what was taken back is booked again.

    A movement that was taken back and booked again since is taken back where it stands now.
    Errors: Conflict naming the act in whose hands it is, where it does not stand.
    """
    done = session.scalars(select(Movement).where(col(Movement.act_id) == target.id).order_by(col(Movement.id))).all()
    ends = _standing_ends(session, done)
    for movement, end in zip(done, ends, strict=True):
        if end.sign != movement.sign:
            raise stood_on(session.get_one(Act, end.act_id))
    back = [_opposite(act, end) for end in ends]
    _enter(session, act, back)
    return back


def _standing_ends(session: Session, movements: Sequence[Movement]) -> list[Movement]:
    """Give, for each movement, the last of the chain in which each takes the one before back."""
    ends = list(movements)
    while True:
        numbers = {end.id: at for at, end in enumerate(ends)}
        later = [
            one
            for some in batched(list(numbers))
            for one in session.scalars(select(Movement).where(col(Movement.reverses_id).in_(some)))
        ]
        if not later:
            return ends
        for one in later:
            ends[numbers[one.reverses_id or 0]] = one


def take_back_one(session: Session, act: Act, movement: Movement) -> Movement:
    """Give the movement that takes back one other. Errors: Conflict where that was done before."""
    query = select(col(Movement.id)).where(col(Movement.reverses_id) == movement.id)
    if session.scalars(query).first() is not None:
        raise Conflict("settled_before", "That has been settled already. Nothing was changed.")
    back = _opposite(act, movement)
    _enter(session, act, [back])
    return back


def shop_clock(session: Session) -> ShopClock:
    """Give the workshop's clock: its zone and the hour at which its day begins."""
    row = workshop(session)
    return ShopClock(row.zone, row.day_starts_hour)


def workshop(session: Session) -> Workshop:
    """Give the workshop's settings, held for the session's length: every event asks for them."""
    held: Workshop = session.info.setdefault("workshop", None) or session.get_one(Workshop, 1)
    session.info["workshop"] = held
    return held


def book_day(settings: Workshop, shop_day: date, now_day: date) -> date:
    """Give the day in the books: the shop day, unless its month is closed; then today, or the first open day."""
    if settings.closed_through is None or shop_day > settings.closed_through:
        return shop_day
    return max(now_day, date.fromordinal(settings.closed_through.toordinal() + 1))


def _opposite(act: Act, movement: Movement) -> Movement:
    same = movement.model_dump(exclude={"id", "act_id", "sign", "reverses_id"})
    return Movement(**same, act_id=act.id, sign=-movement.sign, reverses_id=movement.id)


def _enter(session: Session, act: Act, movements: Sequence[Movement]) -> None:
    put_in(session, movements)
    by_spool: dict[int, list[Movement]] = defaultdict(list)
    for movement in movements:
        if movement.spool_id is not None:
            by_spool[movement.spool_id].append(movement)
    totals = [_open_draw(movement) for movement in movements if movement.spool_id is None]
    for spool_id in sorted(by_spool):
        totals += _settle(session, act, spool_id, by_spool[spool_id])
    session.flush()
    add_to_day_totals(session, totals)


def _open_draw(movement: Movement) -> DaySum:
    day, mg = movement.shop_day, movement.sign * (movement.asked_mg or 0)
    return DaySum(movement.article_id, day, day, OPEN, mg, 0)


def _settle(session: Session, act: Act, spool_id: int, new: list[Movement]) -> list[DaySum]:
    """Bring a spool's lines and balance in step with its events; give what that adds to the day totals."""
    balance = session.get(Balance, spool_id) or Balance(
        spool_id=spool_id, left_mg=0, received_mg=0, cost_minor=0, value_minor=0
    )
    new.sort(key=lambda movement: movement.sort_key)
    days = {movement.id: movement.shop_day for movement in new}
    if new[0].sort_key > balance.last_key and all(movement.sign == 1 for movement in new):
        last_key, known = new[-1].sort_key, {}
        start = State(balance.left_mg, balance.received_mg, balance.cost_minor, balance.doubtful)
        state, booked = replay([_report([getattr(one, name) for name in _REPORTED]) for one in new], start)
    else:
        life, known = life_of(session, spool_id), booked_so_far(session, spool_id)
        last_key, days = life.last_key, {**life.days, **days}
        state, booked = replay(life.reports)
    _set_balance(session, balance, state, last_key)
    due = _differences(booked, known, days) + _taken_back(new, known)
    return _write_lines(session, act, spool_id, due=due, days=days)


_REPORTED = ("id", "kind", "asked_mg", "leaves_mg", "cost_minor")


@dataclass(frozen=True)
class Life:
    """The events of a spool that stand, in the order in which they happened, and the shop day of each."""

    reports: list[Report]
    days: dict[int, date]
    last_key: str


def life_of(session: Session, spool_id: int) -> Life:
    """Give a spool's events that have not been taken back."""
    return lives_of(session, [spool_id])[spool_id]


def lives_of(session: Session, spool_ids: Sequence[int]) -> dict[int, Life]:
    """Give some spools' events that have not been taken back, by spool; no more spools than a database takes values."""
    on_them = col(Movement.spool_id).in_(spool_ids)
    back = select(col(Movement.reverses_id)).where(on_them, col(Movement.reverses_id).is_not(None))
    told = (getattr(Movement, name) for name in (*_REPORTED, "shop_day", "sort_key"))
    query = select(col(Movement.spool_id), *told).where(on_them, col(Movement.sign) == 1, col(Movement.id).not_in(back))
    rows: dict[int, list[Row[Any]]] = {number: [] for number in spool_ids}
    for row in session.execute(query):
        rows[row[0]].append(row)
    return {number: _life(some) for number, some in rows.items()}


def _life(rows: list[Row[Any]]) -> Life:
    # sorted here, not by the database: its collation may order letters otherwise than the balance's last key
    rows.sort(key=lambda row: (row.sort_key, row.id))
    return Life(
        reports=[_report(row[1:-2]) for row in rows],
        days={row.id: row.shop_day for row in rows},
        last_key=rows[-1].sort_key if rows else "",
    )


def _report(told: Sequence[Any]) -> Report:
    number, kind, *rest = told
    return Report(number, Kind(kind), *rest)


def booked_so_far(session: Session, spool_id: int) -> Sums:
    """Give what the lines of a spool add up to, by movement and kind."""
    return booked_on(session, [spool_id])[spool_id]


def booked_on(session: Session, spool_ids: Sequence[int]) -> dict[int, Sums]:
    """Give what the lines of some spools add up to, by spool, then by movement and kind; as many as `lives_of`."""
    keys = (col(Line.spool_id), col(Line.movement_id), col(Line.kind))
    query = (
        select(*keys, func.sum(col(Line.mg)), func.sum(col(Line.value_minor)))
        .where(col(Line.spool_id).in_(spool_ids))
        .group_by(*keys)
    )
    sums: dict[int, Sums] = {number: {} for number in spool_ids}
    for spool_id, movement, kind, mg, value in session.execute(query):
        sums[spool_id][movement, kind] = (int(mg), int(value))
    return sums


def _taken_back(new: Iterable[Movement], known: Sums) -> list[Booked]:
    """Give the opposite of all that the movements taken back were booked at."""
    back = {movement.reverses_id: movement.id for movement in new if movement.sign == -1}
    return [
        Booked(back[number], Kind(kind), -mg, -value) for (number, kind), (mg, value) in known.items() if number in back
    ]


def _differences(booked: Iterable[Booked], known: Sums, days: Mapping[int, date]) -> list[Booked]:
    """Give what must still be booked; an event that stands and no longer comes to a kind goes to zero there."""
    wanted = {(one.movement_id, str(one.kind)): (one.mg, one.value_minor) for one in booked}
    standing = {number for number, _ in wanted} & set(days)
    keys = [*wanted, *(key for key in known if key[0] in standing and key not in wanted)]
    due = []
    for key in keys:
        (mg, value), (known_mg, known_value) = wanted.get(key, (0, 0)), known.get(key, (0, 0))
        due.append(Booked(key[0], Kind(key[1]), mg - known_mg, value - known_value))
    return due


def _write_lines(
    session: Session, act: Act, spool_id: int, *, due: Iterable[Booked], days: Mapping[int, date]
) -> list[DaySum]:
    today = shop_clock(session).day_of(act.recorded_at)
    article_id = session.get_one(Spool, spool_id).article_id
    changed = [one for one in due if one.mg or one.value_minor]
    booked_on = {number: book_day(workshop(session), day, today) for number, day in days.items()}
    if changed:
        # written past the session: an import has tens of thousands, and nothing reads a line back as an object
        rows = [
            {
                "movement_id": one.movement_id,
                "act_id": act.id,
                "spool_id": spool_id,
                "kind": one.kind,
                "mg": one.mg,
                "value_minor": one.value_minor,
                "book_day": booked_on[one.movement_id],
            }
            for one in changed
        ]
        session.connection().execute(_LINES, rows)
    return [
        DaySum(article_id, days[one.movement_id], booked_on[one.movement_id], one.kind, one.mg, one.value_minor)
        for one in changed
    ]


def _set_balance(session: Session, balance: Balance, state: State, last_key: str) -> None:
    balance.left_mg, balance.received_mg = state.left_mg, state.received_mg
    balance.cost_minor, balance.doubtful = state.cost_minor, state.doubtful
    balance.value_minor, balance.last_key = worth(state), last_key
    session.add(balance)
