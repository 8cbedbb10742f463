"""Is it worth it: a cheaper price or free freight, beside what the workshop uses, what that costs, and its own time.

The page of that name calls it. It only reads.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from enum import StrEnum
from fractions import Fraction
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.bargain import Ceiling, CheaperPrice, FreeFreight, Worth, cheaper_price, free_freight
from spoolkeep.domain.errors import BadInput, NotFound
from spoolkeep.domain.truecost import DAYS_PER_MONTH, MG_PER_KG
from spoolkeep.domain.words import Kind, TakingsKind
from spoolkeep.services import buys, experience, finding, outlooks
from spoolkeep.services.buys import rates_of
from spoolkeep.services.experience import Bought, Parcel
from spoolkeep.services.outlooks import Outlooks
from spoolkeep.services.shop import load_shop
from spoolkeep.store.tables import Balance, DayTotal, Spool, Supplier, TakingsDay

DRAWN_DAYS = 90
"""Over how many days it is asked what plastic that was drawn had cost. Source: our own choice."""
LEAST_DAYS = 28
"""Over how many days parcels are spread at least, where deliveries have only begun. Source: our own choice."""
MONTH = Fraction(DAYS_PER_MONTH)
USUAL_SPOOL_MINOR = 1800
"""What a spool costs where nothing came yet, for the room that it takes alone. Source: common practice, no source."""


class CostFrom(StrEnum):
    """What tells what a kilogram costs now: the first of these that there is."""

    OFFERS = "offers"
    """Each item's best buy as it is sold today."""
    DRAWS = "draws"
    """What was drawn in the last ninety days had cost."""
    LEFT = "left"
    """What is left had cost."""


@dataclass(frozen=True)
class Plastic:
    """What is used of an item, or of all, and what it costs now."""

    month_mg: Fraction
    """Expected in a month, by the forecast of the coming four weeks."""
    now_minor: Fraction | None
    """What a kilogram costs with freight; None where nothing tells."""
    told_by: CostFrom | None
    """What tells it."""
    usual_mg: int
    """What is bought at once; 0 where nothing came in a year."""
    ceiling: Ceiling | None
    """None where it is not known what a kilogram costs."""


@dataclass(frozen=True)
class PriceAsked:
    """A price that somebody offers."""

    article_id: int | None
    """None for all plastic, or all of a material."""
    price_minor: int
    spool_mg: int
    is_for_spool: bool
    """Whether the price is that of a spool, and not of a kilogram."""
    spools: int | None
    """How many must be bought at once; None for as many as ever."""
    minutes: Fraction
    months: int
    material: str = ""


@dataclass(frozen=True)
class PriceAnswer:
    """What a price is worth."""

    offer: CheaperPrice
    worth: Worth
    plastic: Plastic


@dataclass(frozen=True)
class FreightAsked:
    """Free freight that may be worth filling a basket up for; None for what is not said, and is as it usually is."""

    supplier_id: int | None
    freight_minor: int | None
    add_minor: int | None
    basket_minor: int | None
    parcels: Fraction | None
    """Parcels in a month."""
    minutes: Fraction


@dataclass(frozen=True)
class FreightAnswer:
    """What free freight is worth, and what was taken for what was not said."""

    offer: FreeFreight
    worth: Worth


def plastic(*, session: Session, now: datetime, article_id: int | None = None, material: str = "") -> Plastic:
    """Give what is used of an item, of a material or of all plastic, and what it costs now. Errors: NotFound."""
    shop = load_shop(session)
    outlook, since = outlooks.told(session, today=shop.today(now)), shop.today(now) - timedelta(days=DRAWN_DAYS)
    meant = _meant(session, outlook.past.article_ids, article_id, material)
    daily_mg = _daily_mg(outlook, meant)
    of_day = (col(DayTotal.kind) == Kind.DRAW, col(DayTotal.book_day) > since, col(DayTotal.article_id).in_(meant))
    drawn = session.execute(select(func.sum(col(DayTotal.mg)), func.sum(col(DayTotal.value_minor))).where(*of_day))
    left = session.execute(
        select(func.sum(col(Balance.left_mg)), func.sum(col(Balance.value_minor)))
        .join(Spool, col(Spool.id) == col(Balance.spool_id))
        .where(col(Spool.article_id).in_(meant))
    )
    (drawn_mg, drawn_minor), (left_mg, left_minor) = (_whole(one.one()) for one in (drawn, left))
    costs = {
        CostFrom.OFFERS: _offered(session, now, daily_mg),
        CostFrom.DRAWS: _a_kilogram(-drawn_minor, -drawn_mg),
        CostFrom.LEFT: _a_kilogram(left_minor, left_mg),
    }
    told_by = next((one for one, cost in costs.items() if cost is not None), None)
    now_minor = costs[told_by] if told_by else None
    month_mg, takings = Fraction(sum(daily_mg.values())) * MONTH, _takings(session, since)
    bought = experience.bought(session, since=now - timedelta(days=experience.DAYS), until=now)
    share = Fraction(-drawn_minor, takings) if takings > 0 else None
    return Plastic(
        month_mg=month_mg,
        now_minor=now_minor,
        told_by=told_by,
        usual_mg=_usual_mg(bought, article_id),
        ceiling=None if now_minor is None else Ceiling(month_mg / MG_PER_KG * now_minor, share),
    )


def _meant(session: Session, known: Sequence[int], article_id: int | None, material: str) -> list[int]:
    """Give the numbers of the items that are asked for. Errors: NotFound."""
    if article_id is not None:
        return [finding.item(session, article_id).article_id]
    found = [one.article_id for one in finding.items(session, known).values() if material in {"", one.material}]
    if material and not found:
        raise NotFound("no_such_material", f"There is no item of “{material[:40]}”. Choose one from the list.")
    return found


def _daily_mg(outlook: Outlooks, meant: Sequence[int]) -> dict[int, float]:
    """Give what is expected to be drawn a day; an item that is only set up is not reckoned with, as on Stock."""
    rows = {article: row for row, article in enumerate(outlook.past.article_ids)}
    return {
        article: float(outlook.daily_mg[rows[article]])
        for article in meant
        if article in rows and not outlook.is_unheard_of(rows[article])
    }


def _offered(session: Session, now: datetime, daily_mg: Mapping[int, float]) -> Fraction | None:
    """Give what a kilogram costs with freight as each item's best buy is sold today, each by its use."""
    best = {one.item.article_id: one.buys[0].cost.parts for one in buys.view(session=session, now=now).items}
    weighed = [(Fraction(daily_mg[one]), parts) for one, parts in best.items() if daily_mg.get(one)]
    mg = sum(one for one, _ in weighed)
    return sum(Fraction(one) * Fraction(parts.price + parts.freight) for one, parts in weighed) / mg if mg else None


def _whole(row: Sequence[Any]) -> tuple[int, int]:
    mg, minor = row
    return int(mg or 0), int(minor or 0)


def _takings(session: Session, since: date) -> int:
    """Give takings since, as Money counts them: without fees."""
    query = select(func.sum(col(TakingsDay.amount_minor)))
    query = query.where(col(TakingsDay.kind) != TakingsKind.FEE, col(TakingsDay.book_day) > since)
    return int(session.scalar(query) or 0)


def _a_kilogram(minor: int, mg: int) -> Fraction | None:
    return Fraction(minor * MG_PER_KG, mg) if mg > 0 and minor > 0 else None


def _usual_mg(bought: Bought, article_id: int | None) -> int:
    if article_id is not None:
        return bought.usual_mg.get(article_id, 0)
    return sum(one.mg for one in bought.parcels) // max(1, len(bought.parcels))


def price(*, session: Session, now: datetime, asked: PriceAsked) -> PriceAnswer:
    """Give what an offered price saves in a month, after everything. Errors: BadInput, NotFound."""
    found = plastic(session=session, now=now, article_id=asked.article_id, material=asked.material)
    if asked.spool_mg <= 0:
        raise BadInput("bad_spool_size", "A spool must hold more than 0 g. Enter its grams.")
    if found.now_minor is None:
        words = (
            "What a kilogram costs now is not known: nobody offers it, nothing was drawn or is left. Enter an offer."
        )
        raise BadInput("no_cost_yet", words)
    offered = Fraction(asked.price_minor * MG_PER_KG, asked.spool_mg if asked.is_for_spool else MG_PER_KG)
    at_once = found.usual_mg if asked.spools is None else asked.spools * asked.spool_mg
    offer = CheaperPrice(
        month_mg=found.month_mg,
        now_minor=found.now_minor,
        offered_minor=offered,
        usual_mg=found.usual_mg,
        at_once_mg=at_once,
        spool_mg=asked.spool_mg,
        minutes=asked.minutes,
        months=asked.months,
    )
    return PriceAnswer(offer, cheaper_price(offer, rates_of(load_shop(session))), found)


def freight(*, session: Session, now: datetime, asked: FreightAsked) -> FreightAnswer:
    """Give what filling parcels up to free freight saves in a month. Errors: BadInput, NotFound.

    What is not said is taken from the supplier's terms and the parcels of the last year that paid freight.
    """
    supplier = None if asked.supplier_id is None else session.get(Supplier, asked.supplier_id)
    if asked.supplier_id is not None and (supplier is None or not supplier.live):
        raise NotFound("no_such_supplier", "There is no such supplier. Choose one from the list.")
    free = None if supplier is None else supplier.free_freight_minor
    bought = experience.bought(session, since=now - timedelta(days=experience.DAYS), until=now)
    came = bought.parcels if supplier is None else bought.of(supplier.id)
    paid = [one for one in came if free is None or one.value_minor < free]
    if came and not paid and asked.basket_minor is None:
        words = "Every parcel of the last year reached free freight as it was: there is nothing to add."
        raise BadInput("free_already", words)
    basket = _known(asked.basket_minor, _mean(paid), "What is usually in a parcel", "basket")
    usual_add = None if free is None or free <= basket else free - basket
    offer = FreeFreight(
        parcels=_a_month(paid, bought, now=now) if asked.parcels is None else asked.parcels,
        basket_minor=basket,
        freight_minor=_known(
            asked.freight_minor, None if supplier is None else supplier.parcel_minor, "What a parcel costs", "freight"
        ),
        add_minor=_known(asked.add_minor, usual_add, "What must be added", "add"),
        spool_minor=_spool_minor(came or bought.parcels),
        minutes=asked.minutes,
    )
    return FreightAnswer(offer, free_freight(offer, rates_of(load_shop(session))))


def _known(said: int | None, usual: Fraction | int | None, what: str, code: str) -> Fraction:
    """Give what was said, else what is usual. Errors: BadInput where neither is known."""
    found = usual if said is None else said
    if found is None:
        raise BadInput(f"no_{code}", f"{what} is not known from the supplier or from deliveries. Enter it.")
    return Fraction(found)


def _mean(parcels: Sequence[Parcel]) -> Fraction | None:
    return Fraction(sum(one.value_minor for one in parcels), len(parcels)) if parcels else None


def _a_month(paid: Sequence[Parcel], bought: Bought, *, now: datetime) -> Fraction:
    """Give how many such parcels come in a month, of the days since the first of all; one where none is known."""
    if not paid:
        return Fraction(1)
    days = (now - min(one.arrived_at for one in bought.parcels)).days
    return len(paid) * MONTH / max(LEAST_DAYS, days)


def _spool_minor(parcels: Sequence[Parcel]) -> Fraction:
    spools, value = sum(one.spools for one in parcels), sum(one.value_minor for one in parcels)
    return Fraction(value, spools) if spools and value > 0 else Fraction(USUAL_SPOOL_MINOR)
