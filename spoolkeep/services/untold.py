"""What motion files did not tell of each spool: learned from the workshop's weighings and zeros, and added up since.

The spool's page, the page of what fails and the command line call it. It only reads.
"""

import math
from collections import Counter, defaultdict
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from functools import cache
from typing import Any
from weakref import WeakKeyDictionary

from sqlalchemy import ColumnElement, Dialect, Select, and_, bindparam, func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.drift import Drawn, Drift, Estimate, Stretch, learn
from spoolkeep.domain.ledger import RECEIPTS
from spoolkeep.domain.words import Kind
from spoolkeep.services import finding
from spoolkeep.store.journal import batched
from spoolkeep.store.rows import Found, read
from spoolkeep.store.tables import Article, Balance, Feed, ItemMove, Job, Loading, Machine, Material, Movement, Spool

LATEST_LEVELS = 1500
"""So many of the latest weighings and zeros are learned from: what a machine did years ago says little of now."""
_SCALE_SD_MG = 700.0
"""Of one reading: a kitchen scale of 1 g. Source: our own choice."""
_TARE_SD_MG = 6000.0
"""Of a reel whose weight is its kind's. Source: common practice, no source."""
WEIGHED_SD_MG = (_SCALE_SD_MG**2 + _TARE_SD_MG**2) ** 0.5
"""Of what is left just after a weighing."""
_WOUND_SD = 0.008
"""Of what a maker winds on a reel, as a share. Source: our own choice; makers promise no less than this."""
_ZERO_SD_MG = 1000.0
"""What stays in the tube and on the hub of a spool that ran out."""
_EYE_SD_MG = 25_000.0
"""Of a count by eye."""
_LEVELS = (*RECEIPTS, Kind.WEIGHING, Kind.COUNT)
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
class BiasView:
    """What a machine draws of a material beside what its files tell."""

    machine: str
    material: str
    bias: Estimate


@dataclass(frozen=True)
class Left:
    """What is left on a spool: by the books, probably, and what was metered since that was known."""

    booked_mg: int
    probably: Estimate
    since: Drawn
    known_at: datetime


@dataclass
class _Life:
    """One spool as its events are walked through, and when it was put on feeds."""

    loads: Sequence[datetime]
    level: _Level | None = None
    mg: Counter[Group] = field(default_factory=Counter)
    squares: int = 0
    variance: float = 0.0
    jobs: set[int] = field(default_factory=set)

    def walk(self, event: Found) -> Iterator[Stretch]:
        """Take one event in; give the stretch that ends with it, if one does."""
        kind = Kind(event.kind)
        if kind is Kind.DRAW:
            self._take(event)
            return
        if kind is Kind.COST:
            return
        level = _level(kind, event)
        if level is not None and self.level is not None and self.mg:
            yield Stretch(self.drawn(level.at), self.level.mg - level.mg, self.level.until(level))
        self.level, self.mg, self.squares, self.variance, self.jobs = level, Counter(), 0, 0.0, set()

    def drawn(self, until: datetime | None = None) -> Drawn:
        """Give what was metered since the level."""
        since = self.level.at if self.level else None
        changes = sum((since is None or at > since) and (until is None or at <= until) for at in self.loads)
        return Drawn(dict(self.mg), self.squares, len(self.jobs), changes, self.variance**0.5)

    def _take(self, event: Found) -> None:
        mg = -(event.asked_mg or 0)
        self.mg[event.machine_id or 0, event.material] += mg
        self.squares += mg * mg
        if event.job_id is not None:
            self.jobs.add(event.job_id)
        if event.failed_at_ppm and event.failed_until_ppm is not None:
            between = mg * (event.failed_until_ppm - (event.failed_from_ppm or 0)) / event.failed_at_ppm
            self.variance += (between / _UNIFORM) ** 2


_KEPT: WeakKeyDictionary[Dialect, tuple[tuple[int, int], Drift]] = WeakKeyDictionary()
"""What was learned last from each database, by its engine's dialect, and up to which level: each teaches anew.

So does each spool that goes over to another item, which may be of another material.
"""


def learned(session: Session) -> Drift:
    """Learn from the latest levels: from what was recorded up to the last of them, whatever was since."""
    last = session.scalar(_levels().limit(1).with_only_columns(col(Movement.id))) or 0
    database = session.get_bind().engine.dialect
    known = _KEPT.get(database)
    rests_on = last, session.scalar(select(func.max(col(ItemMove.id)))) or 0
    if known is None or known[0] != rests_on:
        spool_ids = set(session.scalars(_levels().limit(LATEST_LEVELS)))
        stretches = [one for _, life, ended in _lives(session, sorted(spool_ids), until=last) for one in ended]
        known = _KEPT[database] = (rests_on, learn(stretches))
    return known[1]


def _kept(session: Session) -> Drift:
    known = _KEPT.get(session.get_bind().engine.dialect)
    return known[1] if known else _of_nothing()


@cache
def _of_nothing() -> Drift:
    """Give what the priors alone say."""
    return learn([])


def left_of(session: Session, spool_ids: Collection[int], *, anew: bool = True) -> dict[int, Left]:
    """Give what is left on spools, by their numbers: of those that are not empty, and of which it was once known.

    Within a write it is not learned anew, so that nobody waits for it: what was learned last is nearly as good.
    """
    drift = learned(session) if anew else _kept(session)
    return {
        spool_id: Left(booked_mg, _probably(drift, booked_mg, life), life.drawn(), life.level.at)
        for spool_id, booked_mg, life in _standing(session, spool_ids)
        if life.level is not None
    }


def after(session: Session, coming: Mapping[int, Drawn], *, anew: bool = True) -> dict[int, Estimate]:
    """Give what would be left on spools after what is to be drawn from each: less than nought where it will not last.

    What files do not tell is alike in what was drawn and what will be, so both are taken together. A spool that is
    empty, or of which nothing was ever known, is left out.
    """
    drift = learned(session) if anew else _kept(session)
    found = {}
    for spool_id, booked_mg, life in _standing(session, coming):
        if life.level is not None:
            rest_mg = booked_mg - coming[spool_id].metered_mg
            untold_of = drift.untold(life.drawn().and_then(coming[spool_id]))
            spread = math.hypot(untold_of.sd, life.level.sd_mg)
            found[spool_id] = Estimate(rest_mg - untold_of.mean, spread, irregular=True)
    return found


def _standing(session: Session, spool_ids: Collection[int]) -> Iterator[tuple[int, int, "_Life"]]:
    """Give the spools that are not empty, with what the books have on them, and their lives since they were known."""
    booked: dict[int, int] = {}
    for some in batched(sorted(spool_ids)):
        booked |= {row.spool_id: row.left_mg for row in read(session, _LEFT, {"spools": list(some)})}
    for spool_id, life, _ in _lives(session, sorted(booked)):
        yield spool_id, booked[spool_id], life


def _probably(drift: Drift, booked_mg: int, life: "_Life") -> Estimate:
    untold_of, known_sd = drift.untold(life.drawn()), life.level.sd_mg if life.level else 0.0
    return Estimate(max(0.0, booked_mg - untold_of.mean), math.hypot(untold_of.sd, known_sd), irregular=True)


def probably_left(*, session: Session, spool_code: str) -> Estimate | None:
    """Give what is probably left on a spool; None where nothing was drawn since that was known. Errors: NotFound."""
    spool = finding.spool_of(session, spool_code)
    left = left_of(session, [spool.id]).get(spool.id)
    return left.probably if left and left.since.mg else None


def biases(*, session: Session) -> tuple[Drift, list[BiasView]]:
    """Give what was learned, and each machine's and material's bias, those known best at the top."""
    drift = learned(session)
    names = dict(session.execute(select(col(Machine.id), col(Machine.name))).all())
    groups: Sequence[Group] = drift.groups  # type: ignore[assignment] # as they were given to it
    rows = [BiasView(names.get(one[0], ""), one[1], drift.bias(one)) for one in groups]
    return drift, sorted(rows, key=lambda one: (one.bias.sd, one.machine, one.material))


def _levels() -> "Select[Any]":
    """Ask for the spools of weighings and counts, those taken back too, latest first."""
    query = select(col(Movement.spool_id)).where(
        col(Movement.spool_id).is_not(None), col(Movement.leaves_mg).is_not(None)
    )
    return query.order_by(col(Movement.id).desc())


def _lives(
    session: Session, spool_ids: Sequence[int], *, until: int | None = None
) -> Iterator[tuple[int, "_Life", list[Stretch]]]:
    """Walk through the lives of spools: give where each stands, and the stretches that ended."""
    loads = _loads(session, spool_ids)
    for spool_id, events in _events(session, spool_ids, until).items():
        life = _Life(loads[spool_id])
        ended = [one for event in events for one in life.walk(event)]
        yield spool_id, life, ended


def _loads(session: Session, spool_ids: Sequence[int]) -> dict[int, list[datetime]]:
    """Give when each spool was put on a feed or began to be used there."""
    found: dict[int, list[datetime]] = defaultdict(list)
    for some in batched(spool_ids):
        for spool_id, at in read(session, _LOADS, {"spools": list(some)}):
            found[spool_id].append(at)
    return found


def _events(session: Session, spool_ids: Sequence[int], until: int | None) -> dict[int, list[Found]]:
    """Give the events of spools that stand, in order: those recorded up to a movement, else since the last level."""
    found: dict[int, list[Found]] = defaultdict(list)
    for some in batched(spool_ids):
        asked = {"spools": list(some)}
        rows = read(session, _SINCE, asked) if until is None else read(session, _UNTIL, asked | {"until": until})
        for row in rows:
            found[row.spool_id].append(row)
    for events in found.values():
        events.sort(key=lambda row: row.sort_key)
    return found


def _standing_events(on_them: ColumnElement[bool]) -> tuple[Select[Any], Select[Any]]:
    """Ask for the events of spools that stand, and for the numbers of those that were taken back."""
    back = select(col(Movement.reverses_id)).where(on_them, col(Movement.reverses_id).is_not(None))
    machine = select(col(Feed.id).label("feed_id"), col(Feed.machine_id).label("machine_id")).subquery()
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
    return query, back


def _since_the_last_level(on_them: ColumnElement[bool]) -> Select[Any]:
    query, back = _standing_events(on_them)
    known = select(col(Movement.spool_id), func.max(col(Movement.sort_key)).label("last"))
    levels = known.where(on_them, col(Movement.kind).in_(_LEVELS), col(Movement.sign) == 1)
    last = levels.where(col(Movement.id).not_in(back)).group_by(col(Movement.spool_id)).subquery()
    query = query.join(last, last.c.spool_id == col(Movement.spool_id))
    return query.where(col(Movement.sort_key) >= last.c.last)


_ON_THESE = col(Movement.spool_id).in_(bindparam("spools", expanding=True))
_SINCE = _since_the_last_level(_ON_THESE)
_UNTIL, _ = _standing_events(and_(_ON_THESE, col(Movement.id) <= bindparam("until")))
_LEFT = select(col(Balance.spool_id), col(Balance.left_mg)).where(
    col(Balance.spool_id).in_(bindparam("spools", expanding=True)), col(Balance.left_mg) > 0
)
_LOADS = select(col(Loading.spool_id), col(Loading.from_at)).where(
    col(Loading.spool_id).in_(bindparam("spools", expanding=True)), col(Loading.live), ~col(Loading.standby)
)


def _level(kind: Kind, event: Found) -> _Level | None:
    """Give what is known after an event, or None where nothing is: something was found, or left."""
    if kind in RECEIPTS:
        return _Level(event.asked_mg, _WOUND_SD * event.asked_mg, is_weighing=False, at=event.occurred_at)
    if kind is Kind.WEIGHING:
        return _Level(event.leaves_mg, WEIGHED_SD_MG, is_weighing=True, at=event.occurred_at)
    if kind is Kind.COUNT:
        sd_mg = _EYE_SD_MG if event.leaves_mg else _ZERO_SD_MG
        return _Level(event.leaves_mg, sd_mg, is_weighing=False, at=event.occurred_at)
    return None
