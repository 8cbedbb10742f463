"""What motion files did not tell of each spool: learned from the workshop's weighings and zeros, and added up since.

The spool's page, the page of what fails and the command line call it. It only reads.
"""

from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from sqlalchemy import Row, select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.drift import Drawn, Drift, Estimate, Stretch, learn
from spoolkeep.domain.ledger import RECEIPTS
from spoolkeep.domain.words import Kind
from spoolkeep.services import finding
from spoolkeep.store.journal import batched
from spoolkeep.store.tables import Article, Balance, Feed, Job, Loading, Machine, Material, Movement, Spool

LATEST_LEVELS = 1500
"""So many of the latest weighings and zeros are learned from: what a machine did years ago says little of now."""
_SCALE_SD_MG = 700.0
"""Of one reading: a kitchen scale of 1 g. Source: our own choice."""
_TARE_SD_MG = 6000.0
"""Of a reel whose weight is its kind's. Source: common practice, no source."""
_WOUND_SD = 0.008
"""Of what a maker winds on a reel, as a share. Source: our own choice; makers promise no less than this."""
_ZERO_SD_MG = 1000.0
"""What stays in the tube and on the hub of a spool that ran out."""
_EYE_SD_MG = 25_000.0
"""Of a count by eye."""
_PPM = 1_000_000
_UNIFORM = 12**0.5

Group = tuple[int, str]
"""A machine and a material."""


@dataclass(frozen=True)
class _Level:
    """What was known to be on a spool, and how well."""

    mg: int
    sd_mg: float
    is_weighing: bool
    at: datetime

    def until(self, later: "_Level") -> float:
        """Give how uncertain the difference to a later level is: a reel's weight falls out of two weighings."""
        if self.is_weighing and later.is_weighing:
            return 2**0.5 * _SCALE_SD_MG
        return float((self.sd_mg**2 + later.sd_mg**2) ** 0.5)


@dataclass(frozen=True)
class Learned:
    """What was learned, and what each spool drew since its level was known."""

    drift: Drift
    since: dict[int, tuple[Drawn, float]]
    """By the spool's number, with how uncertain its level was then."""

    def left(self, spool_id: int, booked_mg: int) -> Estimate:
        """Give what is probably left on a spool, by what is left by the books."""
        drawn, sd_mg = self.since.get(spool_id, (Drawn(), 0.0))
        untold = self.drift.untold(drawn)
        return Estimate(max(0.0, booked_mg - untold.mean), (untold.sd**2 + sd_mg**2) ** 0.5)


@dataclass(frozen=True)
class BiasView:
    """What a machine draws of a material beside what its files tell."""

    machine: str
    material: str
    bias: Estimate


@dataclass
class _Life:
    """One spool as its events are walked through."""

    level: _Level | None = None
    mg: Counter[Group] = field(default_factory=Counter)
    squares: int = 0
    variance: float = 0.0
    jobs: set[int] = field(default_factory=set)

    def begin(self, level: _Level | None) -> None:
        """Begin anew at a level, or where nothing is known."""
        self.level, self.mg, self.squares, self.variance, self.jobs = level, Counter(), 0, 0.0, set()

    def drawn(self, changes: int) -> Drawn:
        """Give what was metered since the level."""
        return Drawn(dict(self.mg), self.squares, len(self.jobs), changes, self.variance**0.5)


def learned(session: Session) -> Learned:
    """Learn from the latest levels, and give what every spool among them, or on a machine, drew since its last one."""
    spool_ids = _spools(session)
    loads = _loads(session, spool_ids)
    stretches: list[Stretch] = []
    since: dict[int, tuple[Drawn, float]] = {}
    for spool_id, events in _events(session, spool_ids).items():
        life = _Life()
        for event in events:
            stretches += _walk(life, event, loads[spool_id])
        if life.level is not None:
            changes = sum(at > life.level.at for at in loads[spool_id])
            since[spool_id] = (life.drawn(changes), life.level.sd_mg)
    return Learned(learn(stretches), since)


def probably_left(*, session: Session, spool_code: str) -> Estimate | None:
    """Give what is probably left on a spool; None where nothing was drawn since that was known. Errors: NotFound."""
    spool = finding.spool_of(session, spool_code)
    found = learned(session)
    drawn, _ = found.since.get(spool.id, (Drawn(), 0.0))
    booked_mg = session.get_one(Balance, spool.id).left_mg
    return found.left(spool.id, booked_mg) if drawn.mg and booked_mg else None


def biases(*, session: Session) -> tuple[Drift, list[BiasView]]:
    """Give what was learned, and each machine's and material's bias, those known best at the top."""
    found = learned(session)
    names = dict(session.execute(select(col(Machine.id), col(Machine.name))).all())
    groups: Sequence[Group] = found.drift.groups  # type: ignore[assignment] # as they were given to it
    rows = [BiasView(names.get(one[0], ""), one[1], found.drift.bias(one)) for one in groups]
    return found.drift, sorted(rows, key=lambda one: (one.bias.sd, one.machine, one.material))


def _spools(session: Session) -> list[int]:
    """Give the spools of the latest levels, and those that are on machines."""
    levels = (
        select(col(Movement.spool_id))
        .where(col(Movement.leaves_mg).is_not(None), col(Movement.spool_id).is_not(None))
        .order_by(col(Movement.id).desc())
        .limit(LATEST_LEVELS)
    )
    opened = (
        select(col(Spool.id))
        .join(Balance, col(Balance.spool_id) == col(Spool.id))
        .where(col(Spool.live), col(Spool.retired_on).is_(None), col(Spool.opened_on).is_not(None))
        .where(col(Balance.left_mg) > 0)
    )
    found = {number for number in session.scalars(levels) if number is not None} | set(session.scalars(opened))
    return sorted(found)


def _loads(session: Session, spool_ids: Sequence[int]) -> dict[int, list[datetime]]:
    """Give when each spool was put on a feed or began to be used there."""
    found: dict[int, list[datetime]] = defaultdict(list)
    for some in batched(spool_ids):
        query = select(col(Loading.spool_id), col(Loading.from_at)).where(
            col(Loading.spool_id).in_(some), col(Loading.live), ~col(Loading.standby)
        )
        for spool_id, at in session.execute(query):
            found[spool_id].append(at)
    return found


def _events(session: Session, spool_ids: Sequence[int]) -> dict[int, list[Row[Any]]]:
    """Give the events of spools that stand, in order."""
    found: dict[int, list[Row[Any]]] = defaultdict(list)
    machine = select(col(Feed.id).label("feed_id"), col(Feed.machine_id).label("machine_id")).subquery()
    for some in batched(spool_ids):
        on_them = col(Movement.spool_id).in_(some)
        back = select(col(Movement.reverses_id)).where(on_them, col(Movement.reverses_id).is_not(None))
        query = (
            select(
                col(Movement.spool_id),
                col(Movement.kind),
                col(Movement.occurred_at),
                col(Movement.asked_mg),
                col(Movement.leaves_mg),
                col(Movement.job_id),
                col(Movement.sort_key),
                machine.c.machine_id,
                col(Job.failed_at_ppm),
                col(Job.failed_from_ppm),
                col(Job.failed_until_ppm),
                col(Material.code).label("material"),
            )
            .join(Spool, col(Spool.id) == col(Movement.spool_id))
            .join(Article, col(Article.id) == col(Spool.article_id))
            .join(Material, col(Material.id) == col(Article.material_id))
            .outerjoin(Job, col(Job.id) == col(Movement.job_id))
            .outerjoin(machine, machine.c.feed_id == col(Movement.feed_id))
            .where(on_them, col(Movement.sign) == 1, col(Movement.id).not_in(back))
        )
        for row in session.execute(query):
            found[row.spool_id].append(row)
    for rows in found.values():
        rows.sort(key=lambda row: row.sort_key)
    return found


def _walk(life: _Life, event: Row[Any], loads: Sequence[datetime]) -> Iterator[Stretch]:
    """Take one event into a spool's life; give the stretch that ends with it, if one does."""
    kind = Kind(event.kind)
    if kind is Kind.DRAW:
        _take(life, event)
        return
    if kind is Kind.COST:
        return
    level = _level(kind, event)
    if level is not None and life.level is not None and life.mg:
        changes = sum(life.level.at < at <= level.at for at in loads)
        yield Stretch(life.drawn(changes), life.level.mg - level.mg, life.level.until(level))
    life.begin(level)


def _take(life: _Life, event: Row[Any]) -> None:
    mg = -(event.asked_mg or 0)
    life.mg[event.machine_id or 0, event.material] += mg
    life.squares += mg * mg
    if event.job_id is not None:
        life.jobs.add(event.job_id)
    if event.failed_at_ppm and event.failed_until_ppm is not None:
        between = mg * (event.failed_until_ppm - (event.failed_from_ppm or 0)) / event.failed_at_ppm
        life.variance += (between / _UNIFORM) ** 2


def _level(kind: Kind, event: Row[Any]) -> _Level | None:
    """Give what is known after an event, or None where nothing is: something was found, or left."""
    if kind in RECEIPTS:
        return _Level(event.asked_mg, _WOUND_SD * event.asked_mg, is_weighing=False, at=event.occurred_at)
    if kind is Kind.WEIGHING:
        sd_mg = (_SCALE_SD_MG**2 + _TARE_SD_MG**2) ** 0.5
        return _Level(event.leaves_mg, sd_mg, is_weighing=True, at=event.occurred_at)
    if kind is Kind.COUNT:
        sd_mg = _EYE_SD_MG if event.leaves_mg else _ZERO_SD_MG
        return _Level(event.leaves_mg, sd_mg, is_weighing=False, at=event.occurred_at)
    return None
