"""What the owner knows ahead: more or less than usual of an item, a product or all, and closed days.

The page of foresight calls it, and the forecast reads it.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta

import numpy as np
from sqlalchemy import func, select
from sqlalchemy.orm import Session
from sqlmodel import col

from spoolkeep.domain.demand import Foreseen
from spoolkeep.domain.errors import BadInput, Conflict, NotFound
from spoolkeep.domain.runout import AHEAD_DAYS
from spoolkeep.domain.units import MAX_MG
from spoolkeep.services import finding
from spoolkeep.services.asked import Range
from spoolkeep.services.history import Past
from spoolkeep.store.acts import By, once
from spoolkeep.store.journal import change, create
from spoolkeep.store.tables import Act, Article, CalendarDay, Foresight, Job, Movement, Product, Spool, Supplier

MOST_FACTOR = 100
MOST_WHY = 200
MOST_CLOSED_DAYS = 370
_PPM = 1_000_000
_BELIEVED_DAYS = 14
"""So many days of what came are worth as much as what the owner said. Source: our own choice."""
_SHARE_DAYS = 180
"""Over which days a product's share of an item is taken."""


@dataclass(frozen=True)
class KnowAnswer:
    """What was entered."""

    act_id: int
    number: int


@dataclass(frozen=True)
class Known:
    """One thing that the owner knows ahead."""

    number: int
    about: str
    """The item, the product, or the shop."""
    article_id: int | None
    product_id: int | None
    from_day: date
    until_day: date | None
    factor: float | None
    mg_a_day: int | None
    why: str

    def on(self, day: date) -> bool:
        """Tell whether it speaks of a day."""
        return self.from_day <= day and not self.is_over(day)

    def is_over(self, day: date) -> bool:
        """Tell whether its last day came before a day."""
        return self.until_day is not None and self.until_day < day


@dataclass(frozen=True)
class Closing:
    """Days in a row on which the shop is closed."""

    from_day: date
    until_day: date
    why: str


@dataclass(frozen=True)
class Told:
    """What a person enters."""

    from_day: date
    until_day: date | None = None
    article_id: int | None = None
    product_id: int | None = None
    factor: float | None = None
    mg_a_day: int | None = None
    why: str = ""


def tell(*, session: Session, now: datetime, by: By, told: Told) -> KnowAnswer:
    """Enter what the owner knows ahead. Errors: BadInput; NotFound where the item or product is not there."""

    def do(act: Act) -> KnowAnswer:
        _check(session, told)
        row = create(
            session,
            act,
            Foresight(
                article_id=told.article_id,
                product_id=told.product_id,
                from_day=told.from_day,
                until_day=told.until_day,
                factor_ppm=None if told.factor is None else round(told.factor * _PPM),
                mg_a_day=told.mg_a_day,
                said_at=now,
                why=told.why.strip(),
            ),
        )
        return KnowAnswer(act.id, row.id)

    about = lambda: _about(session, told.article_id, told.product_id)  # noqa: E731 - asked only where it is new
    return once(session, "foresee", by=by, now=now, request={"told": told}, answers=KnowAnswer, about=about, do=do)


def take_back(*, session: Session, now: datetime, by: By, number: int) -> KnowAnswer:
    """Take back what was foreseen. Errors: NotFound."""

    def do(act: Act) -> KnowAnswer:
        change(session, act, finding.live(session, Foresight, number), live=False)
        return KnowAnswer(act.id, number)

    return once(session, "no longer foresee", by=by, now=now, request={"number": number}, answers=KnowAnswer, do=do)


def close(
    *,
    session: Session,
    now: datetime,
    by: By,
    from_day: date,
    until_day: date,
    why: str,
    supplier_id: int | None = None,
) -> KnowAnswer:
    """Enter days on which the shop, or a supplier, is closed; those that are so already stay.

    Errors: BadInput, NotFound, Conflict.
    """

    def do(act: Act) -> KnowAnswer:
        if supplier_id is not None:
            finding.live(session, Supplier, supplier_id)
        days = (until_day - from_day).days + 1
        if days < 1:
            raise BadInput("ends_before", "The last closed day comes before the first. Swap them.")
        if days > MOST_CLOSED_DAYS:
            raise BadInput("too_many_days", f"Enter at most {MOST_CLOSED_DAYS} days at once.")
        if len(why) > MOST_WHY:
            raise BadInput("too_long", f"Say why in at most {MOST_WHY} characters.")
        known = {row.day for row in _closed(session, from_day, until_day, supplier_id)}
        new = [day for day in (from_day + timedelta(days=n) for n in range(days)) if day not in known]
        if not new:
            raise Conflict("closed_already", "These days are entered as closed already.")
        for day in new:
            create(session, act, CalendarDay(supplier_id=supplier_id, day=day, why=why.strip()))
        return KnowAnswer(act.id, len(new))

    request = {"from_day": from_day, "until_day": until_day, "why": why, "supplier_id": supplier_id}
    about = lambda: _supplier_named(session, supplier_id)  # noqa: E731 - asked only where it is new
    return once(session, "closed days", by=by, now=now, request=request, answers=KnowAnswer, about=about, do=do)


def open_again(
    *, session: Session, now: datetime, by: By, from_day: date, until_day: date, supplier_id: int | None = None
) -> KnowAnswer:
    """Take closed days of the shop, or of a supplier, back. Errors: NotFound where none of these is closed."""

    def do(act: Act) -> KnowAnswer:
        rows = _closed(session, from_day, until_day, supplier_id)
        if not rows:
            raise NotFound("not_closed", "None of these days is entered as closed. Open the page again.")
        for row in rows:
            change(session, act, row, live=False)
        return KnowAnswer(act.id, len(rows))

    request = {"from_day": from_day, "until_day": until_day, "supplier_id": supplier_id}
    about = lambda: _supplier_named(session, supplier_id)  # noqa: E731 - asked only where it is new
    return once(session, "open days", by=by, now=now, request=request, answers=KnowAnswer, about=about, do=do)


def listed(session: Session) -> list[Known]:
    """Give all that is foreseen, what begins last at the top."""
    rows = session.scalars(select(Foresight).where(col(Foresight.live))).all()
    names = {None: "the whole shop"}
    items = finding.items(session, {row.article_id for row in rows if row.article_id})
    products = dict(session.execute(select(col(Product.id), col(Product.name))).all()) if rows else {}
    return sorted(
        (
            Known(
                number=row.id,
                about=_named(items, products, row) or names[None],
                article_id=row.article_id,
                product_id=row.product_id,
                from_day=row.from_day,
                until_day=row.until_day,
                factor=None if row.factor_ppm is None else row.factor_ppm / _PPM,
                mg_a_day=row.mg_a_day,
                why=row.why,
            )
            for row in rows
        ),
        key=lambda one: (one.from_day, one.number),
        reverse=True,
    )


def closings(session: Session, *, since: date, supplier_id: int | None = None) -> list[Closing]:
    """Give the closed days of the shop, or of a supplier, from a day on, runs of them together."""
    found: list[Closing] = []
    for row in _closed(session, since, date.max, supplier_id):
        last = found[-1] if found else None
        if last and last.until_day + timedelta(days=1) == row.day and last.why == row.why:
            found[-1] = Closing(last.from_day, row.day, row.why)
        else:
            found.append(Closing(row.day, row.day, row.why))
    return found


def foreseen(session: Session, past: Past, known: Sequence[Known]) -> tuple[Foreseen, Past]:
    """Give what is foreseen of these items by day, and the past that still counts beside it.

    Grams a day for an item stand in place of what its past says, and make way for what comes: after fourteen days both
    count alike. For a product they come on top, shared among its items as its parts are.
    """
    items = len(past.article_ids)
    factor = np.ones((items, past.days + AHEAD_DAYS))
    added = np.zeros((items, AHEAD_DAYS))
    grams = past.grams.copy()
    at = {article: row for row, article in enumerate(past.article_ids)}
    sold = Range(session) if any(one.product_id for one in known) else None
    for one in reversed(known):
        days = _days_of(one, past)
        believed = _BELIEVED_DAYS / (_BELIEVED_DAYS + max(0, (past.today - one.from_day).days))
        if one.factor is not None:
            for row, share in shares(session, one, past).items():
                factor[row, days] *= 1.0 + share * (one.factor - 1.0)
        elif one.article_id in at and one.mg_a_day is not None:
            row, ahead = at[one.article_id], days[past.days :]
            factor[row, past.days :][ahead] = 1.0 - believed
            added[row, ahead] = believed * one.mg_a_day
            if one.on(past.today):  # what was drawn before it holds says nothing while it does
                grams[row, : max(0, (one.from_day - past.first).days)] = np.nan
        elif sold is not None and one.product_id is not None and one.mg_a_day is not None:
            piece = sold.grams(one.product_id, None)
            for article, mg in piece.items():
                if article in at:
                    added[at[article], days[past.days :]] += believed * one.mg_a_day * mg / piece.total()
    said_alone = ~past.on_shelf.any(axis=1) & added.any(axis=1)  # nothing came yet: what is said stands for its kin
    factor[said_alone, past.days :] = 0.0
    # a day with less than usual is not made to count for more where more came than was foreseen
    factor[:, : past.days] = np.maximum(factor[:, : past.days], 1.0)
    return Foreseen(factor, added), replace(past, grams=grams)


def _days_of(one: Known, past: Past) -> "np.ndarray[tuple[int], np.dtype[np.bool_]]":
    """Tell of which days it speaks, (days + AHEAD_DAYS,)."""
    day = np.arange(past.days + AHEAD_DAYS)
    last = (one.until_day - past.first).days if one.until_day else len(day)
    return (day >= (one.from_day - past.first).days) & (day <= last)


def shares(session: Session, one: Known, past: Past) -> dict[int, float]:
    """Give how much of each item, by its row, what is known speaks of: of a product, as the days before show it."""
    at = {article: row for row, article in enumerate(past.article_ids)}
    if one.article_id is not None:
        return {at[one.article_id]: 1.0} if one.article_id in at else {}
    if one.product_id is None:
        return dict.fromkeys(at.values(), 1.0)
    whole = past.grams[:, -_SHARE_DAYS:].sum(axis=1)
    drawn = drawn_for(session, one.product_id, since=past.today - timedelta(days=_SHARE_DAYS), before=past.today)
    return {
        at[article]: min(1.0, mg / whole[at[article]])
        for article, mg in drawn.items()
        if article in at and whole[at[article]] > 0
    }


def drawn_for(session: Session, product_id: int, *, since: date, before: date) -> dict[int, float]:
    """Give the milligrams drawn of each item by a product's jobs, from a day on and before another."""
    article = func.coalesce(col(Spool.article_id), col(Movement.article_id))
    query = (
        select(article, -func.sum(col(Movement.sign) * col(Movement.asked_mg)))
        .outerjoin(Spool, col(Spool.id) == col(Movement.spool_id))
        .join(Job, col(Job.id) == col(Movement.job_id))
        .where(col(Job.product_id) == product_id, col(Movement.shop_day) >= since, col(Movement.shop_day) < before)
        .group_by(article)
    )
    return {article: float(mg or 0) for article, mg in session.execute(query)}


def _check(session: Session, told: Told) -> None:
    if (told.factor is None) == (told.mg_a_day is None):
        raise BadInput("factor_or_grams", "Enter either how many times as much as usual, or grams a day.")
    if told.factor is not None and not 0 <= told.factor <= MOST_FACTOR:
        raise BadInput("no_such_factor", f"Times as much as usual lies between 0 and {MOST_FACTOR}.")
    if told.mg_a_day is not None and not 0 <= told.mg_a_day <= MAX_MG:
        raise BadInput("no_such_grams", "Grams a day are 0 or more.")
    if len(told.why) > MOST_WHY:
        raise BadInput("too_long", f"Say why in at most {MOST_WHY} characters.")
    if told.until_day is not None and told.until_day < told.from_day:
        raise BadInput("ends_before", "The last day comes before the first. Swap them.")
    if told.mg_a_day is not None and told.article_id is None and told.product_id is None:
        raise BadInput(
            "grams_of_what", "Grams a day need an item or a product. For the whole shop enter times as much."
        )
    if told.article_id is not None:
        finding.live(session, Article, told.article_id)
    if told.product_id is not None:
        finding.live(session, Product, told.product_id)


def _about(session: Session, article_id: int | None, product_id: int | None) -> str:
    if article_id is not None:
        return finding.item_name(session, article_id)
    return finding.live(session, Product, product_id).name if product_id is not None else "the whole shop"


def _named(items: dict[int, finding.Item], products: dict[int, str], row: Foresight) -> str:
    if row.article_id is not None:
        return items[row.article_id].name if row.article_id in items else f"item {row.article_id}"
    return products.get(row.product_id, "") if row.product_id is not None else ""


def _closed(session: Session, from_day: date, until_day: date, supplier_id: int | None) -> Sequence[CalendarDay]:
    whose = col(CalendarDay.supplier_id)
    query = select(CalendarDay).where(
        col(CalendarDay.live),
        whose.is_(None) if supplier_id is None else whose == supplier_id,
        ~col(CalendarDay.is_open),
        col(CalendarDay.day) >= from_day,
        col(CalendarDay.day) <= until_day,
    )
    return session.scalars(query.order_by(col(CalendarDay.day), col(CalendarDay.id))).all()


def _supplier_named(session: Session, supplier_id: int | None) -> str:
    found = None if supplier_id is None else session.get(Supplier, supplier_id)
    return found.name if found else ""
