"""What the workshop's own last year tells of buying: whose plastic failed, how long it lies, and what a parcel is.

The pages of buys and of bargains call it. It only reads.
"""

from collections.abc import Hashable, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from functools import reduce
from typing import Any, NamedTuple
from weakref import WeakKeyDictionary

import numpy as np
from sqlalchemy import Dialect, extract, func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.failing import Learned, Seller
from spoolkeep.domain.truecost import MG_PER_KG, Losing, Lost, losing, unknown_losing
from spoolkeep.domain.words import JobState, Kind, Outcome
from spoolkeep.services import failures, outlooks
from spoolkeep.services.shop import Shop
from spoolkeep.store.journal import batched
from spoolkeep.store.tables import Article, Delivery, Job, Machine, Material, Movement, Spool

DAYS = failures.DAYS
UNTOLD_LIES_DAYS = 14.0
"""How long plastic lies before it is used, where none was drawn yet. Source: our own choice."""
SECONDS_PER_HOUR, SECONDS_PER_DAY = 3600, 86_400


class Parcel(NamedTuple):
    """What came at once from one supplier."""

    supplier_id: int | None
    value_minor: int
    """Prices without freight."""
    mg: int
    spools: int
    arrived_at: datetime


@dataclass(frozen=True)
class Bought:
    """The deliveries of the last year."""

    parcels: tuple[Parcel, ...]
    usual_mg: dict[int, int]
    """By item, what came of it at once, on average of the deliveries that had it."""

    def of(self, supplier_id: int | None) -> tuple[Parcel, ...]:
        """Give the parcels of one supplier."""
        return tuple(one for one in self.parcels if one.supplier_id == supplier_id)


@dataclass(frozen=True)
class Experience:
    """What the last year tells."""

    since: datetime
    learned: Learned
    """By material and supplier's number."""
    losing: dict[str, Losing]
    """By material."""
    losing_any: Losing
    """Of a material of which no job has ended."""
    bought: Bought
    lies: dict[int, float]
    """By item, the days from delivery to use."""
    lies_any: float

    def losing_of(self, material: str) -> Losing:
        """Give what jobs of a material lose."""
        return self.losing.get(material, self.losing_any)

    def lies_days(self, article_id: int) -> float:
        """Give how many days an item lies between its delivery and its use."""
        return self.lies.get(article_id, self.lies_any)


def read(session: Session, *, shop: Shop, now: datetime) -> Experience:
    """Give what the year up to a moment tells."""
    since = now - timedelta(days=DAYS)
    lots, lost = _jobs(session, shop, since, until=now)
    any_lost = reduce(_together, lost.values(), _NOTHING)
    usual = losing(any_lost, like=unknown_losing(shop.earns_minor_per_hour))
    lies, lies_any = _lies(session, since=shop.today(since), until=shop.today(now))
    return Experience(
        since=since,
        learned=Learned(lots),
        losing={material: losing(one, like=usual) for material, one in lost.items()},
        losing_any=usual,
        bought=bought(session, since=since, until=now),
        lies=lies,
        lies_any=lies_any,
    )


_KEPT: WeakKeyDictionary[Dialect, tuple[Hashable, Experience]] = WeakKeyDictionary()
"""The last of each database, by its engine's dialect, and what it rests on."""


def kept(session: Session, *, shop: Shop, now: datetime) -> Experience:
    """Give what the year up to today tells, and nothing of today: a plan asks for it at every look.

    So whoever reads it, at whatever hour and in whichever process, reads the same.
    """
    database = session.get_bind().engine.dialect
    today = shop.today(now)
    rests_on = (shop, today, outlooks.last_of_past(session, today))
    known = _KEPT.get(database)
    if known is None or known[0] != rests_on:
        yesterday = shop.clock.span_of(today)[0] - timedelta(microseconds=1)
        known = _KEPT[database] = (rests_on, read(session, shop=shop, now=yesterday))
    return known[1]


@dataclass
class _Sums:
    """One job's draws of one material."""

    mg: int = 0
    wasted_mg: int = 0
    by_seller: dict[Seller, dict[object, int]] = field(default_factory=dict)
    """Milligrams by lot."""


def _jobs(
    session: Session, shop: Shop, since: datetime, *, until: datetime
) -> tuple[dict[Seller, list[tuple[int, int]]], dict[str, Lost]]:
    """Give failed and all jobs by lot of each seller, and what jobs of each material came to.

    A job counts for every seller that it drew from, once, for the lot that gave most; its hours by its grams.
    """
    draws = failures.draws_since(session, since, until=until)
    spools = _spools(session, np.unique(draws.spool).tolist())
    sums: dict[int, dict[str, _Sums]] = {}
    failed: dict[int, bool] = {}
    rows = zip(
        *(one.tolist() for one in (draws.job, draws.spool, draws.mg, draws.wasted_mg, draws.failed)), strict=True
    )
    for job, spool, mg, wasted_mg, has_failed in rows:
        if spool not in spools:
            continue
        seller, lot = spools[spool]
        one = sums.setdefault(job, {}).setdefault(seller.material, _Sums())
        one.mg += mg
        one.wasted_mg += wasted_mg
        by_lot = one.by_seller.setdefault(seller, {})
        by_lot[lot] = by_lot.get(lot, 0) + mg
        failed[job] = bool(has_failed)
    earned = _earned(session, shop, since)
    return _by_lot(sums, failed), _lost(sums, failed, earned)


def _by_lot(sums: Mapping[int, Mapping[str, _Sums]], failed: Mapping[int, bool]) -> dict[Seller, list[tuple[int, int]]]:
    counted: dict[Seller, dict[object, tuple[int, int]]] = {}
    for job, by_material in sums.items():
        for one in by_material.values():
            for seller, by_lot in one.by_seller.items():
                lot = max(by_lot, key=lambda name: by_lot[name])
                bad, jobs = counted.setdefault(seller, {}).get(lot, (0, 0))
                counted[seller][lot] = (bad + failed[job], jobs + 1)
    return {seller: list(lots.values()) for seller, lots in counted.items()}


def _lost(
    sums: Mapping[int, Mapping[str, _Sums]], failed: Mapping[int, bool], earned: Mapping[int, float]
) -> dict[str, Lost]:
    found: dict[str, Lost] = {}
    for job, by_material in sums.items():
        whole_mg = sum(one.mg for one in by_material.values())
        for material, one in by_material.items():
            hours = earned.get(job, 0.0) * one.mg / whole_mg if whole_mg else 0.0
            told = (
                Lost(0, 0, 0, 1, one.wasted_mg, hours)
                if failed[job]
                else Lost(1, one.mg - one.wasted_mg, one.wasted_mg, 0, 0, 0.0)
            )
            found[material] = _together(found.get(material, _NOTHING), told)
    return found


_NOTHING = Lost(0, 0, 0, 0, 0, 0.0)


def _together(one: Lost, other: Lost) -> Lost:
    return Lost(
        good_jobs=one.good_jobs + other.good_jobs,
        good_mg=one.good_mg + other.good_mg,
        other_mg=one.other_mg + other.other_mg,
        failed_jobs=one.failed_jobs + other.failed_jobs,
        failed_mg=one.failed_mg + other.failed_mg,
        failed_minor=one.failed_minor + other.failed_minor,
    )


def _earned(session: Session, shop: Shop, since: datetime) -> dict[int, float]:
    """Give by job that failed what its machine would have earned in its hours, in minor units.

    A job that went on bears the hours before too. One whose start is not known took as long as it was planned to;
    where that is not known either, it says nothing.
    """
    rate = func.coalesce(col(Machine.earns_minor_per_hour), shop.earns_minor_per_hour)
    query: Any = (
        select(col(Job.id), col(Job.resumes_id), col(Job.started_at), col(Job.ended_at), col(Job.duration_s), rate)
        .outerjoin(Machine, col(Machine.id) == col(Job.machine_id))
        .where(col(Job.live), col(Job.state) == JobState.ENDED, col(Job.ended_at) > since)
        .where(col(Job.outcome) != Outcome.GOOD)
        .order_by(col(Job.id))
    )
    found: dict[int, float] = {}
    for number, resumes, started_at, ended_at, duration_s, minor in session.execute(query):
        seconds = max(0.0, (ended_at - started_at).total_seconds()) if started_at else duration_s
        if seconds is not None:
            found[number] = seconds / SECONDS_PER_HOUR * float(minor) + found.get(resumes, 0.0)
    return found


def _spools(session: Session, spool_ids: list[int]) -> dict[int, tuple[Seller, object]]:
    """Give each spool's seller, and its lot; where none is known, its delivery stands for it, or else itself."""
    found: dict[int, tuple[Seller, object]] = {}
    columns = (Spool.id, Spool.supplier_id, Spool.lot, Spool.delivery_id, Material.code)
    query = (
        select(*map(col, columns))
        .join(Article, col(Article.id) == col(Spool.article_id))
        .join(Material, col(Material.id) == col(Article.material_id))
    )
    for some in batched(spool_ids):
        for row in session.execute(query.where(col(Spool.id).in_(some))):
            lot = row.lot or (("delivery", row.delivery_id) if row.delivery_id else ("spool", row.id))
            found[row.id] = (Seller(row.code, row.supplier_id), lot)
    return found


def bought(session: Session, *, since: datetime, until: datetime) -> Bought:
    """Give the deliveries of a span, by parcel, and what usually comes of an item at once."""
    query: Any = (
        select(
            col(Delivery.id),
            col(Delivery.supplier_id),
            col(Delivery.freight_minor),
            col(Delivery.arrived_at),
            col(Spool.article_id),
            func.sum(col(Movement.asked_mg)),
            func.sum(col(Movement.cost_minor)),
            func.count(col(Spool.id)),
        )
        .join(Spool, col(Spool.delivery_id) == col(Delivery.id))
        .join(Movement, col(Movement.spool_id) == col(Spool.id))
        .where(col(Delivery.live), col(Spool.live), col(Delivery.arrived_at) > since)
        .where(col(Delivery.arrived_at) <= until)
        .where(col(Movement.kind) == Kind.DELIVERY, col(Movement.sign) == 1)
        .group_by(col(Delivery.id), col(Delivery.supplier_id), col(Delivery.freight_minor), col(Delivery.arrived_at))
        .group_by(col(Spool.article_id))
        .order_by(col(Delivery.id), col(Spool.article_id))
    )
    parcels: dict[int, Parcel] = {}
    came: dict[int, list[int]] = {}
    for number, supplier_id, freight, at, article_id, mg, cost, spools in session.execute(query):
        before = parcels.get(number, Parcel(supplier_id, -freight, 0, 0, at))
        parcels[number] = before._replace(
            value_minor=before.value_minor + int(cost), mg=before.mg + int(mg), spools=before.spools + int(spools)
        )
        came.setdefault(article_id, []).append(int(mg))
    return Bought(tuple(parcels.values()), {item: round(sum(some) / len(some)) for item, some in came.items()})


def _lies(session: Session, *, since: date, until: date) -> tuple[dict[int, float], float]:
    """Give the mean days between delivery and use, by item and of all, each draw by its grams.

    An item's own lean on those of all for a kilogram; without any draw it is UNTOLD_LIES_DAYS.
    """
    used, came = (extract("epoch", day) for day in (col(Movement.shop_day), col(Spool.received_on)))
    days = (used - came) / SECONDS_PER_DAY
    mg = col(Movement.asked_mg) * col(Movement.sign)  # what was taken back falls out of both sums
    query: Any = (
        select(col(Spool.article_id), func.sum(mg * days), func.sum(mg))
        .join(Spool, col(Spool.id) == col(Movement.spool_id))
        .where(col(Movement.kind) == Kind.DRAW, col(Movement.shop_day) > since)
        .where(col(Movement.shop_day) <= until)
        .group_by(col(Spool.article_id))
    )
    told = {item: (-float(by_days), -int(drawn)) for item, by_days, drawn in session.execute(query) if drawn}
    all_mg = sum(drawn for _, drawn in told.values())
    usual = UNTOLD_LIES_DAYS
    if all_mg > 0:
        usual = max(0.0, sum(by_days for by_days, _ in told.values()) / all_mg)
    each = {
        item: max(0.0, (by_days + usual * MG_PER_KG) / (drawn + MG_PER_KG))
        for item, (by_days, drawn) in told.items()
        if drawn > 0
    }
    return each, usual
