"""What fails, where, with honest bounds; and every job that was made from a lot.

The web's pages of jobs and spools call it. It only reads.
"""

from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import Row, select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.intervals import Bounds, of_count, of_ratio
from spoolkeep.domain.words import Cause, JobState, Kind, Outcome
from spoolkeep.services import finding
from spoolkeep.store.tables import Article, Job, Machine, Material, Movement, Product, Spool, Supplier

DAYS = 365
MOST_LOTS = 12


@dataclass(frozen=True)
class Failing:
    """What failed of the jobs that one machine, material, supplier or lot had a part in."""

    name: str
    jobs: int
    failed: int
    """Jobs that failed or were stopped."""
    failing: Bounds
    drawn_mg: int
    wasted_mg: int
    wasted: Bounds


@dataclass(frozen=True)
class Failures:
    """The same jobs by four groups; those with most jobs at the top, of lots those that fail most surely."""

    since: datetime
    jobs: int
    by_machine: tuple[Failing, ...]
    by_material: tuple[Failing, ...]
    by_supplier: tuple[Failing, ...]
    by_lot: tuple[Failing, ...]


def view(*, session: Session, now: datetime) -> Failures:
    """Give what failed in the last year."""
    since = now - timedelta(days=DAYS)
    rows = _rows(session, since)
    lots = sorted(_grouped(rows, _lot), key=lambda one: (-one.failing.low, one.name))
    return Failures(
        since=since,
        jobs=len({row.job_id for row in rows}),
        by_machine=_grouped(rows, lambda row: row.machine or ""),
        by_material=_grouped(rows, lambda row: row.material or ""),
        by_supplier=_grouped(rows, lambda row: row.supplier or ""),
        by_lot=tuple(lots[:MOST_LOTS]),
    )


def _lot(row: Row[Any]) -> str:
    return ", ".join(filter(None, (row.material, row.lot, row.supplier))) if row.lot else ""


def _rows(session: Session, since: datetime) -> list[Row[Any]]:
    """Give the draws that stand of the jobs that ended since, each with what it was drawn from."""
    back = select(col(Movement.reverses_id)).where(col(Movement.reverses_id).is_not(None))
    query: Any = (
        select(
            col(Job.id).label("job_id"),
            col(Job.outcome),
            col(Machine.name).label("machine"),
            col(Material.code).label("material"),
            col(Supplier.name).label("supplier"),
            col(Spool.lot).label("lot"),
            col(Movement.asked_mg),
            col(Movement.cause),
        )
        .select_from(Job)
        .outerjoin(Machine, col(Machine.id) == col(Job.machine_id))
        .join(Movement, col(Movement.job_id) == col(Job.id))
        .outerjoin(Spool, col(Spool.id) == col(Movement.spool_id))
        .outerjoin(Article, col(Article.id) == col(Spool.article_id))
        .outerjoin(Material, col(Material.id) == col(Article.material_id))
        .outerjoin(Supplier, col(Supplier.id) == col(Spool.supplier_id))
        .where(col(Job.live), col(Job.state) == JobState.ENDED, col(Job.ended_at) > since)
        .where(col(Movement.kind) == Kind.DRAW, col(Movement.sign) == 1, col(Movement.id).not_in(back))
    )
    return list(session.execute(query))


def _grouped(rows: list[Row[Any]], key: Callable[[Row[Any]], str]) -> tuple[Failing, ...]:
    jobs: dict[str, dict[int, list[int]]] = defaultdict(dict)
    failed: dict[str, set[int]] = defaultdict(set)
    for row in rows:
        name = key(row)
        if not name:
            continue
        wasted_and_all = jobs[name].setdefault(row.job_id, [0, 0])
        mg = -(row.asked_mg or 0)
        wasted_and_all[0] += mg if row.cause not in {None, Cause.GOOD} else 0
        wasted_and_all[1] += mg
        if row.outcome != Outcome.GOOD:
            failed[name].add(row.job_id)
    found = [_failing(name, list(parts.values()), len(failed[name])) for name, parts in jobs.items()]
    return tuple(sorted(found, key=lambda one: (-one.jobs, one.name)))


def _failing(name: str, parts: list[list[int]], failed: int) -> Failing:
    return Failing(
        name=name,
        jobs=len(parts),
        failed=failed,
        failing=of_count(failed, len(parts)),
        drawn_mg=sum(whole for _, whole in parts),
        wasted_mg=sum(part for part, _ in parts),
        wasted=of_ratio([(float(part), float(whole)) for part, whole in parts]),
    )


@dataclass(frozen=True)
class Made:
    """A job that a spool, or another of its lot, had a part in."""

    job_id: int
    title: str
    product: str
    machine: str
    outcome: str
    purpose: str
    ended_at: datetime
    mg: int
    own: bool
    """Whether the spool itself gave of it, and not only another of its lot."""


def made_from(*, session: Session, spool_code: str) -> list[Made]:
    """Give every job made from a spool or another of its lot, newest first. Errors: NotFound."""
    spool = finding.spool_of(session, spool_code)
    of_lot = (
        (col(Spool.lot) == spool.lot)
        & (col(Spool.article_id) == spool.article_id)
        & (col(Spool.supplier_id) == spool.supplier_id)
    )
    these = of_lot if spool.lot and spool.supplier_id else col(Spool.id) == spool.id
    back = select(col(Movement.reverses_id)).where(col(Movement.reverses_id).is_not(None))
    query: Any = (
        select(Job, col(Machine.name), col(Product.name), col(Movement.spool_id), col(Movement.asked_mg))
        .select_from(Movement)
        .join(Job, col(Job.id) == col(Movement.job_id))
        .join(Spool, col(Spool.id) == col(Movement.spool_id))
        .outerjoin(Machine, col(Machine.id) == col(Job.machine_id))
        .outerjoin(Product, col(Product.id) == col(Job.product_id))
        .where(these, col(Job.live), col(Job.state) == JobState.ENDED)
        .where(col(Movement.kind) == Kind.DRAW, col(Movement.sign) == 1, col(Movement.id).not_in(back))
        .order_by(col(Job.ended_at).desc(), col(Job.id).desc())
    )
    found: dict[int, Made] = {}
    for job, machine, product, spool_id, asked_mg in session.execute(query):
        told = (job.id, job.title, product or "", machine or "", job.outcome, job.purpose, job.ended_at)
        known = found.get(job.id) or Made(*told, mg=0, own=False)
        found[job.id] = replace(known, mg=known.mg - asked_mg, own=known.own or spool_id == spool.id)
    return list(found.values())
