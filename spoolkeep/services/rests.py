"""Rests: opened spools with too little for a usual job, what they still fit, and which are only scrap.

The page of rests calls it.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Select, select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.errors import BadInput, Conflict
from spoolkeep.domain.words import Kind
from spoolkeep.services import finding, floor, picking, untold
from spoolkeep.services.floor import Lying
from spoolkeep.services.shop import load_shop
from spoolkeep.services.spools import retire
from spoolkeep.store.acts import By, once
from spoolkeep.store.ledger import Event, book
from spoolkeep.store.tables import Act, Balance, Loading, Product, ProductPart, Spool

FITS_SHOWN = 4
MOST_SCRAPPED = 200


@dataclass(frozen=True)
class Rest:
    """A spool with too little on it for its item's usual job."""

    spool: Lying
    surely_mg: int
    """What is on it at the least."""
    usual_mg: int
    jobs: tuple[str, ...]
    """Planned jobs that it would do."""
    products: tuple[str, ...]
    """Products of which it would do a piece."""
    is_scrap: bool
    """So little that it is not worth a place."""


@dataclass(frozen=True)
class Scrapped:
    """What was thrown away."""

    act_id: int
    spools: int
    mg: int


def listed(*, session: Session, now: datetime) -> list[Rest]:
    """Give the rests: those that fit a planned job first, then those that fit a product, the larger ones first."""
    shop = load_shop(session)
    lying = _opened(session)
    numbers = sorted({one.item.article_id for one in lying.values()})
    usual = picking.usual_mg(session, numbers, today=shop.today(now))
    small = {number: one for number, one in lying.items() if one.left_mg < usual[one.item.article_id]}
    lefts = untold.left_of(session, small)
    jobs, products = _small_jobs(session), _products(session)
    found = []
    for number, one in small.items():
        low = max(0, round(lefts[number].probably.ninety[0])) if number in lefts else one.left_mg
        item = one.item.article_id
        found.append(
            Rest(
                spool=one,
                surely_mg=low,
                usual_mg=usual[item],
                jobs=tuple(title for mg, title in jobs.get(item, []) if mg <= low)[:FITS_SHOWN],
                products=tuple(name for mg, name in products.get(item, []) if mg <= low)[:FITS_SHOWN],
                is_scrap=one.left_mg < shop.rest_mg,
            )
        )
    return sorted(found, key=lambda one: (not one.jobs, not one.products, -one.spool.left_mg, one.spool.code))


def scrap(*, session: Session, now: datetime, by: By, spool_codes: Sequence[str]) -> Scrapped:
    """Throw rests away, all in one act. Errors: BadInput where none is named; NotFound; Conflict where one is gone."""

    def do(act: Act) -> Scrapped:
        if not spool_codes:
            raise BadInput("no_spools", "Tick at least one rest.")
        if len(spool_codes) > MOST_SCRAPPED:
            raise BadInput("too_many", f"Tick at most {MOST_SCRAPPED} rests at once.")
        spools = [finding.spool_of(session, code) for code in dict.fromkeys(spool_codes)]
        for spool in spools:
            if spool.retired_on is not None:
                name = finding.item_name(session, spool.article_id)
                raise Conflict("given_up", f"{name} was given up already. Open the page again.")
            retire(session, act, spool, at=now)
        left = floor.lying(session, col(Spool.id).in_([spool.id for spool in spools]))
        events = [Event(kind=Kind.SCRAP, occurred_at=now, spool_id=one.id, leaves_mg=0) for one in spools]
        book(session, act, events)
        return Scrapped(act.id, len(spools), sum(one.left_mg for one in left.values()))

    request = {"spool_codes": list(spool_codes)}
    about = f"{len(spool_codes)} rests"
    return once(session, "scrap", by=by, now=now, request=request, answers=Scrapped, about=about, do=do)


def _opened(session: Session) -> dict[int, Lying]:
    """Give the opened spools that lie on shelves with something on them."""
    loaded = select(col(Loading.spool_id)).where(col(Loading.live), col(Loading.until_at).is_(None))
    which = col(Spool.opened_on).is_not(None) & col(Spool.retired_on).is_(None) & col(Spool.id).not_in(loaded)
    found = floor.lying(session, which & col(Spool.id).in_(_with_something()))
    return {number: one for number, one in found.items() if not one.aside}


def _with_something() -> Select[int]:
    return select(col(Balance.spool_id)).where(col(Balance.left_mg) > 0)


def _small_jobs(session: Session) -> dict[int, list[tuple[int, str]]]:
    """Give the planned jobs of one item each, with what they need, by item, the largest first."""
    found: dict[int, list[tuple[int, str]]] = {}
    machines = [one.machine_id for one in floor.machines(session)]
    jobs = [job for job in floor.jobs_to_come(session, machines) if not job.runs] + floor.without_machine(session)
    for job in jobs:
        items = {need.article_id for need in job.needs}
        item = next(iter(items)) if len(items) == 1 else None
        if item is not None:
            found.setdefault(item, []).append((sum(need.mg for need in job.needs), job.title))
    return {item: sorted(several, reverse=True) for item, several in found.items()}


def _products(session: Session) -> dict[int, list[tuple[int, str]]]:
    """Give the products of one item each, with what a piece needs, by item, the largest first."""
    query = (
        select(col(ProductPart.product_id), col(ProductPart.article_id), col(ProductPart.mg), col(Product.name))
        .join(Product, col(Product.id) == col(ProductPart.product_id))
        .where(col(ProductPart.live), col(Product.live), ~col(Product.retired))
    )
    parts: dict[int, list[tuple[int, int, str]]] = {}
    for product_id, item, mg, name in session.execute(query):
        parts.setdefault(product_id, []).append((item, mg, name))
    found: dict[int, list[tuple[int, str]]] = {}
    for (item, mg, name), *more in parts.values():
        if not more:
            found.setdefault(item, []).append((mg, name))
    return {item: sorted(several, reverse=True) for item, several in found.items()}
