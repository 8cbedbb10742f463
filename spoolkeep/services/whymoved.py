"""Why the material share moved between two spans of days, by cause and item, and the jobs and deliveries behind it.

The Money pages call it. It only reads; the arithmetic is `domain.whymoved`.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import NamedTuple

from sqlalchemy import ColumnElement, case, func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.errors import BadInput
from spoolkeep.domain.share import MonthShare
from spoolkeep.domain.whymoved import Effect, Moved, SpanUse, Used, moved
from spoolkeep.domain.words import Cause, JobState, Kind
from spoolkeep.services import finding, money
from spoolkeep.services.finding import Item
from spoolkeep.store.tables import Delivery, Job, Line, Machine, Movement, Spool, Supplier

MOST_DAYS = 1100
MOST_JOBS = 60


class Span(NamedTuple):
    """Days in the books, both included."""

    first: date
    last: date


@dataclass(frozen=True)
class ItemMoved:
    """What one item moved of the share, in tenths of a basis point, by cause."""

    item: Item
    tenths: Mapping[Effect, int]

    @property
    def all_tenths(self) -> int:
        """Give all of it."""
        return sum(self.tenths.values())


@dataclass(frozen=True)
class Why:
    """Two spans, and the change of the share from the first to the second."""

    before: MonthShare
    after: MonthShare
    moved: Moved | None
    """None where either span has no takings, or nothing came off good in it."""
    items: tuple[ItemMoved, ...]
    """Those that moved it, the most at the top."""


@dataclass(frozen=True)
class Bought:
    """What came of an item in one delivery."""

    delivery_id: int
    arrived_at: datetime
    supplier: str
    spools: int
    mg: int
    minor: int


@dataclass(frozen=True)
class Printed:
    """What one job drew of an item."""

    job_id: int
    title: str
    machine: str
    ended_at: datetime
    outcome: str
    drawn_mg: int
    wasted_mg: int
    minor: int


@dataclass(frozen=True)
class Behind:
    """What stands behind an item's figures over a span."""

    used: Used
    bought: tuple[Bought, ...]
    printed: tuple[Printed, ...]
    """Those that wasted most, then those that drew most; the newest at the top."""
    jobs: int
    """How many there are in all."""


def why(*, session: Session, before: Span, after: Span) -> Why:
    """Give why the share moved from one span to another. Errors: BadInput where a span is none."""
    for span in (before, after):
        _check(span)
    one, other = (money.over_days(session=session, first=span.first, last=span.last) for span in (before, after))
    found = moved(
        SpanUse(_used(session, before), one.takings_minor), SpanUse(_used(session, after), other.takings_minor)
    )
    items = finding.items(session, list(found.parts)) if found else {}
    lines = [ItemMoved(items[article], parts) for article, parts in found.parts.items()] if found else []
    lines.sort(key=lambda line: (-sum(map(abs, line.tenths.values())), line.item.name))
    return Why(one, other, found, tuple(line for line in lines if any(line.tenths.values())))


def behind(*, session: Session, article_id: int, span: Span) -> Behind:
    """Give the deliveries and jobs behind an item's figures. Errors: NotFound where there is no such item; BadInput."""
    finding.item(session, article_id)
    _check(span)
    jobs = _jobs(session, article_id, span)
    shown = sorted(jobs, key=lambda one: (-one.wasted_mg, -one.drawn_mg))[:MOST_JOBS]
    return Behind(
        used=_used(session, span, col(Spool.article_id) == article_id).get(article_id, Used(0, 0, 0)),
        bought=_deliveries(session, article_id, span),
        printed=tuple(sorted(shown, key=lambda one: one.ended_at, reverse=True)),
        jobs=len(jobs),
    )


def _check(span: Span) -> None:
    if span.last < span.first:
        raise BadInput("ends_before", "The last day comes before the first. Swap them.")
    if (span.last - span.first).days >= MOST_DAYS:
        raise BadInput("too_many_days", f"Compare at most {MOST_DAYS} days with as many.")


def _used(session: Session, span: Span, *only: ColumnElement[bool]) -> dict[int, Used]:
    """Give what was drawn by item over days in the books: its cost, all grams, and those that came off good."""
    good = case((col(Movement.cause) == Cause.GOOD, col(Line.mg)), else_=0)
    query = (
        select(col(Spool.article_id), func.sum(col(Line.value_minor)), func.sum(col(Line.mg)), func.sum(good))
        .join(Movement, col(Movement.id) == col(Line.movement_id))
        .join(Spool, col(Spool.id) == col(Line.spool_id))
        .where(*_drawn_in(span), *only)
        .group_by(col(Spool.article_id))
    )
    return {article: Used(-int(cost), -int(mg), -int(well)) for article, cost, mg, well in session.execute(query)}


def _drawn_in(span: Span) -> tuple[ColumnElement[bool], ...]:
    return (col(Line.kind) == Kind.DRAW, col(Line.book_day).between(span.first, span.last))


def _jobs(session: Session, article_id: int, span: Span) -> list[Printed]:
    wasted = case((col(Movement.cause) != Cause.GOOD, col(Line.mg)), else_=0)
    of_job = (col(Job.id), col(Job.title), func.coalesce(col(Machine.name), ""), col(Job.ended_at), col(Job.outcome))
    query = (
        select(*of_job, func.sum(col(Line.mg)), func.sum(wasted), func.sum(col(Line.value_minor)))
        .join(Movement, col(Movement.job_id) == col(Job.id))
        .join(Line, col(Line.movement_id) == col(Movement.id))
        .join(Spool, col(Spool.id) == col(Line.spool_id))
        .outerjoin(Machine, col(Machine.id) == col(Job.machine_id))
        .where(*_drawn_in(span), col(Spool.article_id) == article_id, col(Job.state) == JobState.ENDED)
        .group_by(*of_job)
        .order_by(col(Job.id))
    )
    return [
        Printed(number, title, machine, ended_at, outcome or "", -int(mg), -int(bad), -int(value))
        for number, title, machine, ended_at, outcome, mg, bad, value in session.execute(query)
        if mg
    ]


def _deliveries(session: Session, article_id: int, span: Span) -> tuple[Bought, ...]:
    of_delivery = (col(Delivery.id), col(Delivery.arrived_at), func.coalesce(col(Supplier.name), ""))
    query = (
        select(
            *of_delivery, func.count(col(Spool.id).distinct()), func.sum(col(Line.mg)), func.sum(col(Line.value_minor))
        )
        .join(Spool, col(Spool.delivery_id) == col(Delivery.id))
        .join(Line, col(Line.spool_id) == col(Spool.id))
        .outerjoin(Supplier, col(Supplier.id) == col(Delivery.supplier_id))
        .where(col(Line.kind).in_(money.BOUGHT), col(Line.book_day).between(span.first, span.last))
        .where(col(Spool.article_id) == article_id)
        .group_by(*of_delivery)
        .having(func.sum(col(Line.mg)) > 0)
        .order_by(col(Delivery.arrived_at).desc(), col(Delivery.id))
    )
    return tuple(
        Bought(number, arrived_at, supplier, spools, int(mg), int(minor))
        for number, arrived_at, supplier, spools, mg, minor in session.execute(query)
    )
