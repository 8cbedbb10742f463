"""Which spool to take for a job, from which place and why; and what comes nearest where there is none.

The Bench, Tonight and an item's page ask it. It only reads.
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from itertools import islice
from statistics import median

from sqlalchemy import func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain import picking
from spoolkeep.domain.nearness import apart
from spoolkeep.domain.picking import Candidate, Uses
from spoolkeep.domain.rightspool import Limits, Weight, faults
from spoolkeep.domain.units import MG_PER_G
from spoolkeep.domain.words import Kind
from spoolkeep.services import checking, finding, floor, untold
from spoolkeep.services.finding import Item
from spoolkeep.services.floor import Lying
from spoolkeep.services.shop import load_shop
from spoolkeep.store.tables import Article, Balance, Loading, Movement, Spool, Substitute

USUAL_DAYS = 45
NEAREST = 3
_USUAL_MG = 100_000
"""A usual job of an item of which nothing is known. Source: our own choice."""
_ANY = Limits("")


@dataclass(frozen=True)
class Nearest:
    """Another item that is held, and how far its colour is from the one that is not."""

    item: Item
    apart: float
    """By CIEDE2000."""
    accepted: bool
    """The owner accepts it in its place."""


@dataclass(frozen=True)
class Advice:
    """The spool to take for so many grams of an item, or what comes nearest."""

    item: Item
    needs_mg: int
    spool: Lying | None = None
    why: str = ""
    rest_mg: int = 0
    short: tuple[Lying, ...] = ()
    """Spools of it that lie there and will not last."""
    nearest: tuple[Nearest, ...] = ()

    @property
    def words(self) -> str:
        """Say which to take and why, in one line."""
        return self.short_words if self.spool is None else f"{self.short_words[:-1]}: {self.why}."

    @property
    def short_words(self) -> str:
        """Say which to take and from where; where none will do, why not."""
        if self.spool is not None:
            where = f" from {self.spool.place}" if self.spool.place else ""
            return f"Take {self.spool.item.name}, {_grouped(self.spool.code)},{where or ' of no known place'}."
        if self.short:
            most = max(self.short, key=lambda one: one.left_mg)
            if most.left_mg >= self.needs_mg:
                why = "the machine cannot take it, or it may not last"
                return f"No spool of {self.item.name} that lies there will do: {why}."
            left = f"{most.left_mg / MG_PER_G:.0f} g on {_grouped(most.code)}"
            return f"No spool of {self.item.name} lasts for {self.needs_mg / MG_PER_G:.0f} g; the most is {left}."
        if self.nearest:
            names = ", ".join(one.item.name + (" (accepted)" if one.accepted else "") for one in self.nearest)
            return f"No {self.item.name} is held. Nearest: {names}."
        return f"No {self.item.name} is held, and nothing near it."


def to_take(
    *,
    session: Session,
    now: datetime,
    article_id: int,
    needs_mg: int,
    limits: Limits | None = None,
    but: Collection[int] = (),
    anew: bool = True,
) -> Advice:
    """Give the spool to take for so many milligrams of an item; `but` names spools that are spoken for.

    Errors: NotFound.
    """
    item, shop = finding.item(session, article_id), load_shop(session)
    today = shop.today(now)
    uses = Uses(usual_mg(session, [article_id], today=today)[article_id], shop.rest_mg)
    of_item = col(Substitute.article_id) == article_id, col(Substitute.live)
    accepted = set(session.scalars(select(col(Substitute.instead_id)).where(*of_item)))
    books = checking.read_books(session, now, [])
    lying = on_shelves(session, [article_id], but=but)
    pick = _pick(session, books, lying, needs_mg=needs_mg, uses=uses, limits=limits or _ANY, anew=anew)
    if pick is None and accepted:
        instead = on_shelves(session, sorted(accepted), but=but)
        pick = _pick(session, books, instead, needs_mg=needs_mg, uses=uses, limits=limits or _ANY, anew=anew)
        lying = {**instead, **lying}
    if pick is not None:
        return Advice(item, needs_mg, lying[pick.spool_id], pick.why, pick.rest_mg)
    short = tuple(one for one in lying.values() if one.item.article_id == article_id)
    return Advice(item, needs_mg, short=short, nearest=nearest(session, item, accepted))


def on_shelves(session: Session, article_ids: Sequence[int], *, but: Collection[int] = ()) -> dict[int, Lying]:
    """Give the spools of items that lie somewhere, have something left and are not set aside, by number."""
    loaded = select(col(Loading.spool_id)).where(col(Loading.live), col(Loading.until_at).is_(None))
    which = col(Spool.article_id).in_(article_ids) & col(Spool.retired_on).is_(None)
    found = floor.lying(session, which & col(Spool.id).not_in(loaded))
    return {number: one for number, one in found.items() if one.left_mg > 0 and not one.aside and number not in but}


def usual_mg(session: Session, article_ids: Sequence[int], *, today: date) -> dict[int, int]:
    """Give each item's usual job: as its owner says, else the median of what jobs drew in the last weeks."""
    told = dict(
        session.execute(
            select(col(Article.id), col(Article.usual_job_mg)).where(col(Article.id).in_(article_ids))
        ).all()
    )
    unknown = [number for number in article_ids if not told.get(number)]
    since = today - timedelta(days=USUAL_DAYS)
    back = select(col(Movement.reverses_id)).where(
        col(Movement.reverses_id).is_not(None), col(Movement.shop_day) >= since
    )
    query = (
        select(col(Spool.article_id), -func.sum(col(Movement.asked_mg)))
        .join(Spool, col(Spool.id) == col(Movement.spool_id))
        .where(col(Movement.shop_day) >= since, col(Movement.kind) == Kind.DRAW)
        .where(col(Movement.sign) == 1, col(Spool.article_id).in_(unknown), col(Movement.id).not_in(back))
        .group_by(col(Spool.article_id), func.coalesce(col(Movement.job_id), -col(Movement.id)))
    )
    drawn: dict[int, list[int]] = {}
    for number, mg in session.execute(query) if unknown else ():
        drawn.setdefault(number, []).append(int(mg or 0))
    usual = {number: round(median(drawn[number])) if number in drawn else _USUAL_MG for number in unknown}
    return {number: told.get(number) or usual[number] for number in article_ids}


def _pick(
    session: Session,
    books: checking.Books,
    lying: dict[int, Lying],
    *,
    needs_mg: int,
    uses: Uses,
    limits: Limits,
    anew: bool,
) -> picking.Pick | None:
    lefts = untold.left_of(session, lying, anew=anew)
    candidates = []
    for number, one in lying.items():
        found = faults(None, checking.held(books, one), limits)
        low = lefts[number].probably.ninety[0] if number in lefts else one.left_mg
        candidate = Candidate(
            spool_id=number,
            left_mg=one.left_mg,
            surely_mg=round(low) if not one.doubtful else 0,
            opened=one.opened_on is not None,
            received_on=one.received_on,
            height_mm=one.height_mm,
            hindered=" ".join(fault.words for fault in found if fault.weight is not Weight.TELL),
            thirsty=any(fault.code in {"thirsty", "drying"} for fault in found),
        )
        candidates.append(candidate)
    return next(iter(picking.ranked(candidates, needs_mg=needs_mg, uses=uses)), None)


def nearest(session: Session, item: Item, accepted: Collection[int]) -> tuple[Nearest, ...]:
    """Give the items held that come nearest in colour: those accepted first, then those of the same material."""
    held = _held(session)
    found = [
        Nearest(one, apart(item.srgb, one.srgb), number in accepted)
        for number, one in finding.items(session).items()
        if (one.material == item.material or number in accepted)
        and number in held
        and number != item.article_id
        and one.diameter_um == item.diameter_um
        and one.srgb
        and item.srgb
    ]
    found.sort(key=lambda one: (not one.accepted, one.apart, one.item.name))
    # of a large workshop's thousands of spools only those of the nearest few are looked at
    free = (one for one in found if on_shelves(session, [one.item.article_id]))
    return tuple(islice(free, NEAREST))


def _held(session: Session) -> set[int]:
    """Give the items of which something is left on a spool."""
    query = (
        select(col(Spool.article_id))
        .join(Balance, col(Balance.spool_id) == col(Spool.id))
        .where(col(Spool.live), col(Spool.retired_on).is_(None), col(Balance.left_mg) > 0)
        .distinct()
    )
    return set(session.scalars(query))


def _grouped(code: str) -> str:
    return f"{code[:4]} {code[4:7]} {code[7:]}"
