"""The floor as it stands: machines, their feeds, what is on them, and the jobs that run and come.

The check of a scan, the board and Tonight read it. It only reads, in a number of queries that does not grow.
"""

from collections import Counter, defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from sqlalchemy import BindParameter, ColumnElement, ScalarSelect, Select, and_, bindparam, case, func, or_, select
from sqlalchemy.orm import Session, aliased
from sqlmodel import col

from spoolkeep.domain.airing import Air
from spoolkeep.domain.codes import CodeKind
from spoolkeep.domain.feeding import Need
from spoolkeep.domain.rightspool import Limits, usual_reel_mm
from spoolkeep.domain.words import TO_COME, JobState, Kind, Outcome, PlaceKind, Purpose
from spoolkeep.services import airing, asides, finding
from spoolkeep.services.finding import Item
from spoolkeep.services.shop import code_text
from spoolkeep.store.journal import batched
from spoolkeep.store.rows import Found, read
from spoolkeep.store.tables import (
    Balance,
    Feed,
    Job,
    JobFeed,
    Line,
    Loading,
    Machine,
    Movement,
    Place,
    Reel,
    Spool,
)

NOBODY_REPEATS = (Purpose.SAMPLE, Purpose.TEST, Purpose.REMAKE)
"""What a machine does not print again by itself."""


@dataclass(frozen=True)
class Lying:
    """A spool, wherever it is, as it matters for a job."""

    spool_id: int
    code: str
    item: Item
    left_mg: int
    received_mg: int
    doubtful: bool
    aside: bool
    make_id: int | None
    lot: str
    received_on: date
    opened_on: date | None
    dried_on: date | None
    reel_mm: int
    """As told; else what is usual for what was wound on it."""
    cardboard: bool
    tare_mg: int | None
    place_id: int | None
    place: str
    height_mm: int | None
    keeps_dry: bool
    """Whether its own place is a dry box."""
    air: Air
    dryer_hours: int | None
    """Of one in a dryer: how many hours the dryer takes at least."""


@dataclass(frozen=True)
class On:
    """A spool on a feed."""

    loading_id: int
    spool: Lying
    from_at: datetime
    since: datetime
    """Since when it gives to the job that runs: taken off and put back within it, from the first time on."""


@dataclass(frozen=True)
class FeedState:
    """A feed, what is in use on it and what stands by."""

    feed_id: int
    code: str
    position: int
    name: str
    switches: bool
    in_use: On | None = None
    standby: On | None = None


@dataclass(frozen=True)
class JobToCome:
    """A job that runs or comes, and what it needs."""

    job_id: int
    title: str
    machine_id: int | None
    runs: bool
    started_at: datetime | None
    lasts: timedelta | None
    due_at: datetime | None
    product_id: int | None
    needs: tuple[Need, ...]
    paced_from: datetime | None = None
    """When it would have begun to stand where it stands, had it never paused: later, where a spool ran out in it."""
    repeats: bool = True
    """Whether its machine would print it again: not a sample, a test or a remake."""


@dataclass(frozen=True)
class MachineState:
    """A machine, its feeds in order, and its jobs: what runs first, then what is planned in order."""

    machine_id: int
    limits: Limits
    self_starting: bool
    runout_sensor: bool
    earns_minor_per_hour: int | None
    feeds: tuple[FeedState, ...]
    jobs: tuple[JobToCome, ...]

    @property
    def name(self) -> str:
        """Give its name."""
        return self.limits.name

    @property
    def on(self) -> tuple[On, ...]:
        """Give what is on its feeds."""
        return tuple(on for one in self.feeds for on in (one.in_use, one.standby) if on)

    @property
    def loaded(self) -> dict[int, int | None]:
        """Give the item on each feed, in order."""
        return {one.feed_id: one.in_use.spool.item.article_id if one.in_use else None for one in self.feeds}


def machines(session: Session, machine_ids: Collection[int] | None = None) -> list[MachineState]:
    """Give the machines that are in use, or these of them, by name."""
    some = None if machine_ids is None else {"machines": list(machine_ids)}
    rows = (read(session, _MACHINES) if some is None else read(session, _MACHINES_OF, some)).all()
    numbers = {row.id for row in rows}
    is_told = bool(read(session, _TOLD).scalar())
    feeds, jobs = _feeds(session, {row.id: row.name for row in rows}), _by_machine(jobs_to_come(session, numbers))
    return [
        MachineState(
            machine_id=row.id,
            limits=_limits(row, is_told=is_told),
            self_starting=row.self_starting,
            runout_sensor=row.runout_sensor,
            earns_minor_per_hour=row.earns_minor_per_hour,
            feeds=tuple(feeds.get(row.id, ())),
            jobs=tuple(jobs.get(row.id, ())),
        )
        for row in rows
    ]


_THESE: BindParameter[int] = bindparam("machines", expanding=True)
_MACHINES = select(Machine).where(col(Machine.live), ~col(Machine.retired)).order_by(col(Machine.name))
_MACHINES_OF = _MACHINES.where(col(Machine.id).in_(_THESE))
_FEEDS = (
    select(Feed)
    .where(col(Feed.live), col(Feed.machine_id).in_(_THESE))
    .order_by(col(Feed.machine_id), col(Feed.position))
)
_RUNS = col(Job.state) == JobState.RUNNING
_JOBS = (
    select(Job)
    .where(col(Job.live), col(Job.state).in_(TO_COME), col(Job.machine_id).in_(_THESE))
    .order_by(
        ~_RUNS,
        case((_RUNS, col(Job.started_at))).desc(),
        col(Job.due_at).is_(None),
        col(Job.due_at),
        col(Job.planned_at),
        col(Job.id),
    )
)
_NEEDS = (
    select(JobFeed)
    .where(col(JobFeed.job_id).in_(bindparam("jobs", expanding=True)), col(JobFeed.live))
    .order_by(col(JobFeed.id))
)
_SAYS = or_(col(Machine.enclosed), col(Machine.hardened_nozzle), col(Machine.largest_reel_mm).is_not(None))
_TOLD = select(select(col(Machine.id)).where(col(Machine.live), _SAYS).exists())
"""Whether it was told of any machine what it can take."""


def _limits(row: Found, *, is_told: bool) -> Limits:
    """Give what a machine can take; where nobody told anything of any machine, nothing is known of this one."""
    return Limits(
        name=row.name,
        largest_reel_mm=row.largest_reel_mm,
        enclosed=row.enclosed if is_told else None,
        hardened=row.hardened_nozzle if is_told else None,
        cardboard=row.cardboard_reels,
    )


def _feeds(session: Session, names: Mapping[int, str]) -> dict[int, list[FeedState]]:
    on = _on_feeds(session, names)
    rows = read(session, _FEEDS, {"machines": list(names)}).all()
    several = Counter(row.machine_id for row in rows)
    found: dict[int, list[FeedState]] = defaultdict(list)
    for row in rows:
        state = FeedState(
            feed_id=row.id,
            code=code_text(CodeKind.FEED, row.serial),
            position=row.position,
            name=finding.feed_named(names[row.machine_id], row.position, several[row.machine_id]),
            switches=row.switches,
            in_use=on.get((row.id, False)),
            standby=on.get((row.id, True)),
        )
        found[row.machine_id].append(state)
    return found


def _on_feeds(session: Session, machine_ids: Collection[int]) -> dict[tuple[int, bool], On]:
    """Give what is on the machines' feeds, by feed and whether it stands by."""
    rows = read(session, _ON_FEEDS, {"machines": list(machine_ids)}).all()
    known = _known(session, rows)
    earlier = read(session, _BEFORE, {"machines": list(machine_ids)}) if rows else ()
    before = {(feed_id, spool_id): at for feed_id, spool_id, at in earlier}
    return {
        (row.feed_id, row.standby): On(
            row.loading_id, known[row.id], row.from_at, before.get((row.feed_id, row.id), row.from_at)
        )
        for row in rows
    }


_BEFORE = (
    select(col(Loading.feed_id), col(Loading.spool_id), func.min(col(Loading.from_at)))
    .join(Feed, and_(col(Feed.id) == col(Loading.feed_id), col(Feed.machine_id).in_(_THESE)))
    .join(Job, and_(col(Job.machine_id) == col(Feed.machine_id), col(Job.live), _RUNS))
    .where(col(Loading.live), ~col(Loading.standby), col(Loading.until_at) > col(Job.started_at))
    .group_by(col(Loading.feed_id), col(Loading.spool_id))
)
"""Since when spools were on feeds whose machine's job began before they came off."""


def lying(session: Session, which: ColumnElement[bool]) -> dict[int, Lying]:
    """Give the spools that a condition names, by number."""
    return _known(session, read(session, _spools().where(which)).all())


def _spools(*more: Any) -> Select[Any]:  # noqa: ANN401 - columns of any type
    """Ask for spools with all that says how they lie, and more columns after those."""
    home = aliased(Place)
    of_spool = ("id", "serial", "article_id", "make_id", "lot", "received_on", "opened_on", "dried_on", "tare_mg")
    air = ("air_from", "air_s", "dryer_from")
    query: Select[Any] = (
        select(
            *(getattr(Spool, name) for name in (*of_spool, *air, "place_id")),
            *(getattr(Balance, name) for name in ("left_mg", "received_mg", "doubtful")),
            *(getattr(Reel, name) for name in ("outer_mm", "cardboard")),
            *(
                col(Place.name).label("place"),
                col(Place.height_mm),
                col(Place.ready_hours),
                col(home.kind).label("lives_in"),
                *more,
            ),
        )
        .join(Balance, col(Balance.spool_id) == col(Spool.id))
        .outerjoin(Reel, col(Reel.id) == col(Spool.reel_id))
        .outerjoin(Place, col(Place.id) == col(Spool.place_id))
        .outerjoin(home, col(home.id) == func.coalesce(col(Spool.home_id), col(Spool.place_id)))
        .where(col(Spool.live))
    )
    return query


_ON_FEEDS = (
    _spools(col(Loading.id).label("loading_id"), col(Loading.feed_id), col(Loading.standby), col(Loading.from_at))
    .join(Loading, col(Loading.spool_id) == col(Spool.id))
    .join(Feed, and_(col(Feed.id) == col(Loading.feed_id), col(Feed.machine_id).in_(_THESE)))
    .where(col(Loading.live), col(Loading.until_at).is_(None))
)


def _known(session: Session, rows: Sequence[Found]) -> dict[int, Lying]:
    items = finding.items(session, {row.article_id for row in rows}) if rows else {}
    aside = asides.standing(session) if rows else asides.Aside(frozenset(), frozenset())
    return {row.id: _lying(row, items, aside) for row in rows}


def _lying(row: Found, items: Mapping[int, Item], aside: asides.Aside) -> Lying:
    return Lying(
        spool_id=row.id,
        code=code_text(CodeKind.SPOOL, row.serial),
        item=items[row.article_id],
        left_mg=row.left_mg,
        received_mg=row.received_mg,
        doubtful=row.doubtful,
        aside=aside.holds(row.id, row.article_id, row.lot),
        make_id=row.make_id,
        lot=row.lot,
        received_on=row.received_on,
        opened_on=row.opened_on,
        dried_on=row.dried_on,
        reel_mm=row.outer_mm or usual_reel_mm(row.received_mg),
        cardboard=bool(row.cardboard),
        tare_mg=row.tare_mg,
        place_id=row.place_id,
        place=row.place or "",
        height_mm=row.height_mm,
        keeps_dry=row.lives_in == PlaceKind.DRY_BOX,
        air=airing.air_of(row),
        dryer_hours=row.ready_hours if row.dryer_from else None,
    )


def jobs_to_come(session: Session, machine_ids: Collection[int]) -> list[JobToCome]:
    """Give the jobs on these machines that run, what was begun last at the top, and those planned, by due time."""
    return _with_needs(session, read(session, _JOBS, {"machines": list(machine_ids)}).all())


def without_machine(session: Session) -> list[JobToCome]:
    """Give the planned jobs that no machine has yet, by due time."""
    query = select(Job).where(col(Job.live), col(Job.state) == JobState.PLANNED, col(Job.machine_id).is_(None))
    order = (col(Job.due_at).is_(None), col(Job.due_at), col(Job.planned_at), col(Job.id))
    return _with_needs(session, read(session, query.order_by(*order)).all())


def last_jobs(session: Session, machine_ids: Collection[int], since: datetime) -> dict[int, JobToCome]:
    """Give what each machine printed last, since a moment, and would print once more, by machine."""
    query = (
        select(Job)
        .join(Machine, col(Job.id) == _last_of(since))
        .where(col(Machine.id).in_(machine_ids))
        .order_by(col(Job.id))
    )
    return {one.machine_id or 0: one for one in _with_needs(session, read(session, query).all())}


def _last_of(since: datetime) -> ScalarSelect[int]:
    """Give the number of the last job that a machine ended well and would print once more."""
    job = aliased(Job)
    return (
        select(col(job.id))
        .where(col(job.machine_id) == col(Machine.id), col(job.ended_at) >= since, col(job.live))
        .where(col(job.outcome) == Outcome.GOOD, col(job.purpose).not_in(NOBODY_REPEATS))
        .order_by(col(job.ended_at).desc(), col(job.id).desc())
        .limit(1)
        .correlate(Machine)
        .scalar_subquery()
    )


def _paced_from(session: Session, jobs: Sequence[Found], needs: Mapping[int, Sequence[Need]]) -> dict[int, datetime]:
    """Give from when running jobs have gone on at their pace: one that stood still began later, as it were.

    What ran out in it says how far it was; since the spool after that it goes on.
    """
    known = {job.id: job for job in jobs if job.state == JobState.RUNNING and job.started_at and job.duration_s}
    paced: dict[int, datetime] = {}
    for some in batched(sorted(known)):
        for job_id, feed_id, gave_mg, went_on in read(session, _RAN_OUT_IN, {"jobs": list(some)}):
            job = known[job_id]
            whole_mg = sum(need.mg for need in needs[job_id] if need.feed_id in {None, feed_id})
            gone = timedelta(seconds=job.duration_s or 0) * min(1.0, int(gave_mg) / max(1, whole_mg))
            paced[job_id] = max(went_on - gone, paced.get(job_id, job.started_at or went_on))
    return paced


_AFTER = aliased(Loading)
_RAN_OUT_IN = (
    select(
        col(Job.id),
        col(Loading.feed_id),
        (-func.sum(col(Line.mg))).label("gave_mg"),
        func.max(col(_AFTER.from_at)).label("went_on"),
    )
    .join(Feed, col(Feed.id) == col(Loading.feed_id))
    .join(Job, and_(col(Job.machine_id) == col(Feed.machine_id), col(Job.id).in_(bindparam("jobs", expanding=True))))
    .join(_AFTER, and_(col(_AFTER.feed_id) == col(Loading.feed_id), col(_AFTER.live), ~col(_AFTER.standby)))
    .join(Movement, and_(col(Movement.spool_id) == col(Loading.spool_id), col(Movement.leaves_mg) == 0))
    .join(Line, col(Line.movement_id) == col(Movement.id))
    .where(col(Loading.live), ~col(Loading.standby), col(Loading.until_at) > col(Job.started_at))
    .where(col(_AFTER.until_at).is_(None), col(_AFTER.from_at) > col(Loading.until_at))
    .where(col(Movement.kind) == Kind.COUNT, col(Movement.sign) == 1, col(Movement.occurred_at) > col(Job.started_at))
    .group_by(col(Job.id), col(Loading.feed_id))
)
"""What spools that ran out in a job gave, by feed, and when the one in use there now was put on."""


def _with_needs(session: Session, jobs: Sequence[Found]) -> list[JobToCome]:
    needs: dict[int, list[Need]] = defaultdict(list)
    for some in batched([job.id for job in jobs]):
        for row in read(session, _NEEDS, {"jobs": list(some)}):
            needs[row.job_id].append(Need(row.needs_mg, row.article_id, row.feed_id, row.one_lot))
    paced = _paced_from(session, jobs, needs)
    return [
        JobToCome(
            job_id=job.id,
            title=job.title,
            machine_id=job.machine_id,
            runs=job.state == JobState.RUNNING,
            started_at=job.started_at,
            lasts=timedelta(seconds=job.duration_s) if job.duration_s else None,
            due_at=job.due_at,
            product_id=job.product_id,
            needs=tuple(needs[job.id]),
            paced_from=paced.get(job.id, job.started_at),
            repeats=job.purpose not in NOBODY_REPEATS,
        )
        for job in jobs
    ]


def _by_machine(jobs: Sequence[JobToCome]) -> dict[int, list[JobToCome]]:
    found: dict[int, list[JobToCome]] = defaultdict(list)
    for job in jobs:
        found[job.machine_id or 0].append(job)
    return found
