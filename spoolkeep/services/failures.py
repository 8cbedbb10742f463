"""What fails, where, with honest bounds; and every job that was made from a lot.

The web's pages of jobs and spools call it. It only reads.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from itertools import chain
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Row, case, func, select
from sqlalchemy.orm import Session, aliased
from sqlmodel import col

from spoolkeep.domain.intervals import Bounds, of_count, of_ratio
from spoolkeep.domain.words import Cause, JobState, Kind, Outcome
from spoolkeep.services import finding
from spoolkeep.store.journal import batched
from spoolkeep.store.tables import Article, Job, Machine, Material, Movement, Product, Spool, Supplier

DAYS = 365
MOST_LOTS = 12
Whole = NDArray[np.int64]
Parts = NDArray[np.float64]
"""(jobs, 2): what was wasted of each, and all that it drew."""


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


@dataclass(frozen=True)
class Draws:
    """The draws that stand of the jobs that ended, as arrays of whole numbers, (draws,) each."""

    job: Whole
    machine: Whole
    spool: Whole
    mg: Whole
    wasted_mg: Whole
    failed: Whole
    """1 of jobs that did not come off good."""


def view(*, session: Session, now: datetime, since: datetime | None = None, every_lot: bool = False) -> Failures:
    """Give what failed since a moment, else in the last year; of the worst lots, or of every one."""
    since = since or now - timedelta(days=DAYS)
    draws = draws_since(session, since)
    machines = dict(session.execute(select(col(Machine.id), col(Machine.name))).all())
    spools = _spools(session, np.unique(draws.spool).tolist())
    lots = {number: _lot(row) for number, row in spools.items()}
    by_lot = sorted(_grouped(draws, draws.spool, lots), key=lambda one: (-one.failing.low, one.name))
    return Failures(
        since=since,
        jobs=len(np.unique(draws.job)),
        by_machine=_grouped(draws, draws.machine, machines),
        by_material=_grouped(draws, draws.spool, {number: row.material for number, row in spools.items()}),
        by_supplier=_grouped(draws, draws.spool, {number: row.supplier or "" for number, row in spools.items()}),
        by_lot=tuple(by_lot if every_lot else by_lot[:MOST_LOTS]),
    )


def _lot(row: Row[Any]) -> str:
    return ", ".join(filter(None, (row.material, row.lot, row.supplier))) if row.lot else ""


def draws_since(session: Session, since: datetime, *, until: datetime | None = None) -> Draws:
    """Give the draws that stand of the jobs that ended since, up to a moment or all."""
    back = aliased(Movement)
    query: Any = (
        select(
            col(Job.id),
            func.coalesce(col(Job.machine_id), 0),
            func.coalesce(col(Movement.spool_id), 0),
            -col(Movement.asked_mg),
            case((col(Movement.cause) != Cause.GOOD, -col(Movement.asked_mg)), else_=0),
            case((col(Job.outcome) != Outcome.GOOD, 1), else_=0),
        )
        .join(Movement, col(Movement.job_id) == col(Job.id))
        .where(col(Job.live), col(Job.state) == JobState.ENDED, col(Job.ended_at) > since)
        .where(col(Movement.kind) == Kind.DRAW, col(Movement.sign) == 1)
        .where(~select(col(back.id)).where(col(back.reverses_id) == col(Movement.id)).exists())
    )
    if until is not None:
        query = query.where(col(Job.ended_at) <= until)
    flat = np.fromiter(chain.from_iterable(session.execute(query)), np.int64).reshape(-1, 6)
    for stopped, later in session.execute(_went_on()):
        first = flat[:, 0] == stopped
        flat[first, 5] = 0
        flat[first, 0] = later
    return Draws(*flat.T)


def _went_on() -> Any:  # noqa: ANN401 - pairs
    """Ask for the jobs that went on, in order, each with the later one: they are one job, and end as the last."""
    query = select(col(Job.resumes_id), col(Job.id)).where(col(Job.resumes_id).is_not(None), col(Job.live))
    return query.order_by(col(Job.id))


def _spools(session: Session, spool_ids: Sequence[int]) -> dict[int, Row[Any]]:
    """Give each spool's material, supplier and lot."""
    found: dict[int, Row[Any]] = {}
    for some in batched(spool_ids):
        query: Any = (
            select(
                col(Spool.id),
                col(Material.code).label("material"),
                col(Supplier.name).label("supplier"),
                col(Spool.lot).label("lot"),
            )
            .join(Article, col(Article.id) == col(Spool.article_id))
            .join(Material, col(Material.id) == col(Article.material_id))
            .outerjoin(Supplier, col(Supplier.id) == col(Spool.supplier_id))
            .where(col(Spool.id).in_(some))
        )
        found |= {row.id: row for row in session.execute(query)}
    return found


def _grouped(draws: Draws, things: Whole, names: Mapping[int, str]) -> tuple[Failing, ...]:
    """Group the draws by the names of the machines or spools that had a part in them; what has no name is left out."""
    known = sorted({name for name in names.values() if name})
    if not known:
        return ()
    place = {name: at for at, name in enumerate(known)}
    each, at = np.unique(things, return_inverse=True)
    group = np.array([place.get(names.get(thing, ""), -1) for thing in each.tolist()])[at]
    named = group >= 0
    jobs, job = np.unique(draws.job, return_inverse=True)
    pairs, at = np.unique(group[named] * len(jobs) + job[named], return_inverse=True)
    parts = np.zeros((len(pairs), 2))
    np.add.at(parts, at, np.column_stack((draws.wasted_mg, draws.mg))[named])
    failed = np.zeros(len(pairs), np.int64)
    failed[at] = draws.failed[named]
    ends = np.searchsorted(pairs, np.arange(1, len(known)) * len(jobs))
    split = zip(known, np.split(parts, ends), np.split(failed, ends), strict=True)
    found = [_failing(name, of_name, int(bad.sum())) for name, of_name, bad in split if len(of_name)]
    return tuple(sorted(found, key=lambda one: (-one.jobs, one.name)))


def _failing(name: str, parts: Parts, failed: int) -> Failing:
    wasted_mg, drawn_mg = (round(float(one)) for one in parts.sum(axis=0))
    return Failing(
        name=name,
        jobs=len(parts),
        failed=failed,
        failing=of_count(failed, len(parts)),
        drawn_mg=drawn_mg,
        wasted_mg=wasted_mg,
        wasted=of_ratio(parts),
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
    back = aliased(Movement)
    query: Any = (
        select(Job, col(Machine.name), col(Product.name), col(Movement.spool_id), col(Movement.asked_mg))
        .select_from(Movement)
        .join(Job, col(Job.id) == col(Movement.job_id))
        .join(Spool, col(Spool.id) == col(Movement.spool_id))
        .outerjoin(Machine, col(Machine.id) == col(Job.machine_id))
        .outerjoin(Product, col(Product.id) == col(Job.product_id))
        .where(these, col(Job.live), col(Job.state) == JobState.ENDED)
        .where(col(Movement.kind) == Kind.DRAW, col(Movement.sign) == 1)
        .where(~select(col(back.id)).where(col(back.reverses_id) == col(Movement.id)).exists())
        .order_by(col(Job.ended_at).desc(), col(Job.id).desc())
    )
    found: dict[int, Made] = {}
    for job, machine, product, spool_id, asked_mg in session.execute(query):
        told = (job.id, job.title, product or "", machine or "", job.outcome, job.purpose, job.ended_at)
        known = found.get(job.id) or Made(*told, mg=0, own=False)
        found[job.id] = replace(known, mg=known.mg - asked_mg, own=known.own or spool_id == spool.id)
    return list(found.values())
