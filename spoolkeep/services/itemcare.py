"""What an owner knows of an item: its usual job, and which items may stand in for it; and that a spool was dried.

The pages of an item and of a spool call it.
"""

from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.errors import BadInput, Conflict
from spoolkeep.domain.units import MAX_MG
from spoolkeep.services import airing, finding, picking
from spoolkeep.services.catalogue import Made
from spoolkeep.services.finding import Item
from spoolkeep.services.setup import MOST_RISK_PPM
from spoolkeep.services.shop import load_shop
from spoolkeep.store.acts import By, once
from spoolkeep.store.journal import change, create
from spoolkeep.store.tables import Act, Article, Substitute


@dataclass(frozen=True)
class ItemCare:
    """What is known of an item besides its stock."""

    usual_mg: int
    usual_is_told: bool
    risk_ppm: int | None
    """The chance, accepted, that it runs out before an order comes; None where it follows from what a stop costs."""
    instead: tuple[Item, ...]
    """Items that may stand in for it."""
    nearest: tuple[picking.Nearest, ...]
    """Items held that come nearest to it in colour."""
    others: tuple[tuple[int, str], ...]
    """Items of the same material and diameter, which could stand in for it."""


def view(*, session: Session, now: datetime, article_id: int) -> ItemCare:
    """Give what is known of an item. Errors: NotFound."""
    article, shop = finding.live(session, Article, article_id), load_shop(session)
    of_item = col(Substitute.article_id) == article_id, col(Substitute.live)
    numbers = list(session.scalars(select(col(Substitute.instead_id)).where(*of_item)))
    items = finding.items(session, [article_id, *numbers])
    return ItemCare(
        usual_mg=picking.usual_mg(session, [article_id], today=shop.today(now))[article_id],
        usual_is_told=article.usual_job_mg is not None,
        risk_ppm=article.risk_ppm,
        instead=tuple(items[number] for number in numbers if number in items),
        nearest=tuple(one for one in picking.nearest(session, items[article_id], []) if not one.accepted),
        others=tuple(
            (one.article_id, one.name)
            for one in finding.in_use(session).values()
            if (one.material, one.diameter_um) == (items[article_id].material, items[article_id].diameter_um)
            and one.article_id not in {article_id, *numbers}
        ),
    )


def set_usual_job(*, session: Session, now: datetime, by: By, article_id: int, mg: int | None) -> Made:
    """Enter what an item's usual job draws; None: as its jobs show. Errors: BadInput, NotFound."""

    def do(act: Act) -> Made:
        if mg is not None and not 0 < mg <= MAX_MG:
            raise BadInput("not_positive", "A usual job draws more than 0 g. Leave it empty to have it learned.")
        change(session, act, finding.live(session, Article, article_id), usual_job_mg=mg)
        return Made(act.id, article_id)

    request = {"article_id": article_id, "mg": mg}
    return once(
        session, "usual job", by=by, now=now, request=request, answers=Made, about=_name(session, article_id), do=do
    )


def set_risk(*, session: Session, now: datetime, by: By, article_id: int, risk_ppm: int | None) -> Made:
    """Enter the chance, accepted, that an item runs out before an order comes; None: from what a stop costs.

    Errors: BadInput, NotFound.
    """

    def do(act: Act) -> Made:
        if risk_ppm is not None and not 0 < risk_ppm < MOST_RISK_PPM:
            raise BadInput(
                "no_such_risk", "The risk of running out lies above 0 and below 50 per cent. Or leave it empty."
            )
        change(session, act, finding.live(session, Article, article_id), risk_ppm=risk_ppm)
        return Made(act.id, article_id)

    request = {"article_id": article_id, "risk_ppm": risk_ppm}
    about = _name(session, article_id)
    return once(session, "risk", by=by, now=now, request=request, answers=Made, about=about, do=do)


def accept(*, session: Session, now: datetime, by: By, article_id: int, instead_id: int, accepted: bool) -> Made:
    """Say that another item may stand in for one, or no longer. Errors: BadInput, NotFound, Conflict."""

    def do(act: Act) -> Made:
        first, instead = finding.item(session, article_id), finding.item(session, instead_id)
        if article_id == instead_id:
            raise BadInput("same_item", "An item cannot stand in for itself. Choose another.")
        if accepted and (first.material, first.diameter_um) != (instead.material, instead.diameter_um):
            words = f"{instead.name} is printed otherwise than {first.name}: another material cannot stand in for it."
            raise BadInput("another_material", words)
        pair = col(Substitute.article_id) == article_id, col(Substitute.instead_id) == instead_id
        known = session.scalars(select(Substitute).where(*pair, col(Substitute.live))).first()
        if (known is not None) == accepted:
            raise Conflict("said_before", "That is so already. Nothing was changed.")
        if known is not None:
            change(session, act, known, live=False)
        else:
            create(session, act, Substitute(article_id=article_id, instead_id=instead_id))
        return Made(act.id, article_id)

    request = {"article_id": article_id, "instead_id": instead_id, "accepted": accepted}
    return once(
        session, "stand in", by=by, now=now, request=request, answers=Made, about=_name(session, article_id), do=do
    )


def dried(*, session: Session, now: datetime, by: By, spool_code: str, on: date | None = None) -> Made:
    """Note that a spool was dried, today where no day is said. Errors: BadInput, NotFound."""

    def do(act: Act) -> Made:
        spool, shop = finding.spool_of(session, spool_code), load_shop(session)
        today = shop.today(now)
        day = on or today
        if day > today:
            raise BadInput("in_the_future", "That day lies in the future. Check the date.")
        change(session, act, spool, dried_on=day)
        airing.was_dried(session, act, spool, at=now if day == today else shop.clock.span_of(day)[1])
        return Made(act.id, spool.id)

    request = {"spool_code": spool_code, "on": on}
    return once(session, "dried", by=by, now=now, request=request, answers=Made, about=spool_code, do=do)


def _name(session: Session, article_id: int) -> str:
    found = finding.items(session, [article_id]).get(article_id)
    return found.name if found else ""
