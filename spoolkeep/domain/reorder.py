"""What to order now, how much, why, and from whom: a periodic review against the mean draw, and price breaks.

The Orders page, the reorder sheet and the command line call it. It must not know a clock, nor word its reasons:
those are a code and figures, which each page says in its own language.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from fractions import Fraction
from itertools import pairwise
from typing import NamedTuple

from spoolkeep.domain.errors import BadInput
from spoolkeep.domain.runout import FAR_DAYS


class Expected(NamedTuple):
    """What the forecast tells of an item: days until it ends, and what is drawn by each day."""

    ends_days: float | None
    """After how many days what is here and coming ends at the risk that is taken; None where it never does."""
    days: float | None
    """How long what is here lasts in the middle of all cases."""
    middle_days: float | None
    """The same with what is coming."""
    at_risk: tuple[float, ...]
    """Milligrams drawn by the start of each coming day, at the risk that is taken, planned jobs included."""


@dataclass(frozen=True)
class Need:
    """How one item stands, in milligrams and days. `lead_days` is what a delivery of it takes."""

    daily_mg: float
    left_mg: int
    committed_mg: int
    on_order_mg: int
    lead_days: int
    safety_days: int
    expected: "Expected | None" = None
    """What the forecast tells; without it all follows from a steady `daily_mg`."""

    @property
    def lasts_days(self) -> float | None:
        """Give after how many days what is here and coming ends; None where nothing draws on it."""
        if self.expected is not None:
            return self.expected.ends_days
        return max(0, self.position_mg) / self.daily_mg if self.daily_mg > 0 else None

    def order_by(self, today: date) -> date | None:
        """Give the last day on which an order still comes before it is needed; it may have passed."""
        lasts = self.lasts_days
        if lasts is None or lasts > FAR_DAYS:
            return None
        return today + timedelta(days=math.floor(lasts) - self.lead_days - self.safety_days)

    def drawn_mg(self, days: int) -> Fraction:
        """Give what is to be reckoned with over the next days: planned jobs are in it."""
        if self.expected is None:
            return Fraction(self.daily_mg) * days + self.committed_mg
        known = self.expected.at_risk[: days + 1]
        return Fraction(known[-1]) + Fraction(self.daily_mg) * (days + 1 - len(known))

    @property
    def position_mg(self) -> int:
        """Give what is left and on its way, less what planned jobs will take; below 0 where they need more."""
        return self.left_mg + self.on_order_mg - self.committed_mg


@dataclass(frozen=True)
class Reason:
    """Why an item is ordered now: a stable code, and the figures for the sentence that a page makes of it.

    `due`: the order-by date comes before the next order day is over. `late`: it has passed, so it may run out
    before a delivery. `committed`: planned jobs need more than is here and on order.
    """

    code: str
    daily_mg: float
    left_mg: int
    committed_mg: int
    on_order_mg: int
    days: float | None
    lead_days: int
    safety_days: int
    order_by: date | None


@dataclass(frozen=True)
class Suggestion:
    """How much of an item to order now: as much as is wanted, which an offer then rounds up to its spools and packs."""

    wanted_mg: int
    gap_days: int
    """Whole days without plastic that are expected even if it is ordered today; 0 mostly.

    What is on order already is taken to come before it is needed."""
    why: Reason


def suggest(need: Need, *, today: date, review_days: int, cover_days: int) -> Suggestion | None:
    """Give what to order of an item today, or None where it can wait for the next order day.

    An item is ordered when its order-by date is not after the next order day (today + `review_days`), or when planned
    jobs need more than is here and coming. What is wanted brings left + on order up to what is to be reckoned
    with over lead + safety days, planned jobs included, and the mean draw of review + `cover_days`. `cover_days` is at
    least 1, so that what was just ordered is not due again at once.
    Errors: BadInput on a figure that cannot be.
    Source: a periodic-review, order-up-to rule, common practice; in days instead of a service level.
    """
    _check(review_days, cover_days)
    _check_need(need)
    order_by = need.order_by(today)
    code = _code(need, order_by, today=today, review_days=review_days)
    if code is None:
        return None
    # exact, so that dividing it by the daily draw again never comes out a hair short of the days
    after = Fraction(need.daily_mg) * (review_days + cover_days)
    up_to = math.ceil(need.drawn_mg(need.lead_days + need.safety_days) + after)
    wanted_mg = max(1, up_to - need.left_mg - need.on_order_mg)
    why = Reason(
        code=code,
        daily_mg=need.daily_mg,
        left_mg=need.left_mg,
        committed_mg=need.committed_mg,
        on_order_mg=need.on_order_mg,
        days=_days(need),
        lead_days=need.lead_days,
        safety_days=need.safety_days,
        order_by=order_by,
    )
    return Suggestion(wanted_mg, gap_days=_gap_days(need), why=why)


def _check(review_days: int, cover_days: int) -> None:
    if review_days < 0:
        raise BadInput("bad_review", "The days until the next order day are 0 or more.")
    if cover_days < 1:
        raise BadInput("bad_cover", "An order must cover at least 1 day beyond the next order day.")


def _days(need: Need) -> float | None:
    if need.expected is not None:
        return need.expected.days
    return max(0, need.left_mg - need.committed_mg) / need.daily_mg if need.daily_mg else None


def _check_need(need: Need) -> None:
    if not (math.isfinite(need.daily_mg) and need.daily_mg >= 0):
        raise BadInput("bad_daily", "The daily draw must be 0 g or more.")
    if min(need.committed_mg, need.on_order_mg, need.lead_days, need.safety_days) < 0:
        raise BadInput("negative_figure", "Committed and ordered grams, lead time and safety days are 0 or more.")


def _code(need: Need, order_by: date | None, *, today: date, review_days: int) -> str | None:
    if need.position_mg < 0:
        return "committed"
    if order_by is None or order_by > today + timedelta(days=review_days):
        return None
    return "late" if order_by < today else "due"


def _gap_days(need: Need) -> int:
    """Give the days without it in the middle of all cases, whatever risk the order-by day keeps to."""
    middle = need.expected.middle_days if need.expected is not None else need.lasts_days
    if middle is None:
        return need.lead_days if need.position_mg < 0 else 0
    return max(0, need.lead_days - math.floor(middle))


def whole_spools(mg: int, *, spool_mg: int, pack: int = 1) -> int:
    """Give the fewest spools, in whole packs, that hold at least `mg`; 0 where nothing is needed.

    Errors: BadInput where the spool is empty or the pack is.
    """
    _check_sold(spool_mg, pack)
    return _up_to(-(-max(0, mg) // spool_mg), pack)


def _up_to(spools: int, pack: int) -> int:
    return -(-spools // pack) * pack


def _check_sold(spool_mg: int, pack: int) -> None:
    if spool_mg < 1:
        raise BadInput("bad_spool_size", "A spool must hold more than 0 g. Correct the offer's spool size.")
    if pack < 1:
        raise BadInput("bad_pack", f"A pack of {pack} spools cannot be ordered. Enter 1 where spools are sold singly.")


@dataclass(frozen=True)
class OfferTerms:
    """At what price a supplier sells an item: minor units a spool, and from so many spools on, for all of them.

    `pack` is the number of spools sold together, `lead_days` what a delivery from this supplier takes.

    Errors: BadInput where the terms cannot be.
    """

    offer_id: int
    price_minor: int
    spool_mg: int
    pack: int = 1
    breaks: tuple[tuple[int, int], ...] = ()
    """Pairs (from_spools, price_minor), from the smallest number up."""
    lead_days: int = 0

    def __post_init__(self) -> None:
        _check_sold(self.spool_mg, self.pack)
        steps = ((1, self.price_minor), *self.breaks)
        if min(price for _, price in steps) < 0:
            raise BadInput("bad_price", "A price is 0 or more. Correct the offer.")
        for (before, dearer), (spools, price) in pairwise(steps):
            if spools <= before:
                words = f"The price from {spools} spools stands out of order. List breaks from few spools to many."
                raise BadInput("breaks_out_of_order", words)
            if price > dearer:
                words = f"From {spools} spools on, a spool costs more than before. Correct that break's price."
                raise BadInput("dearer_break", words)

    def price_at(self, spools: int) -> int:
        """Give the price of a spool, in minor units, when so many are bought at once."""
        reached = [price for from_spools, price in self.breaks if spools >= from_spools]
        return reached[-1] if reached else self.price_minor


@dataclass(frozen=True)
class Choice:
    """How many spools to buy on which offer, and what they cost."""

    offer_id: int
    spools: int
    mg: int
    price_minor: int
    """For one spool."""
    total_minor: int


def best_offer(offers: Sequence[OfferTerms], need_mg: int) -> Choice | None:
    """Give the cheapest way to buy at least `need_mg` on one offer, or None where nothing is needed or offered.

    More than is needed is bought where a price break makes the whole cheaper. Of two that cost the same, the earlier
    offer is taken, and of its quantities the smaller.
    Source: the all-units discount of order-quantity theory (Snyder and Shen, Fundamentals of Supply Chain Theory,
    2nd ed., section 3.4; from memory), without holding cost: an order is small beside a year.
    """
    if need_mg <= 0:
        return None
    choices = [choice for offer in offers for choice in _choices(offer, need_mg)]
    return min(choices, key=lambda choice: choice.total_minor, default=None)


def _choices(offer: OfferTerms, need_mg: int) -> Iterator[Choice]:
    """Only the fewest spools that will do, or a break just reached, can be the cheapest."""
    least = whole_spools(need_mg, spool_mg=offer.spool_mg, pack=offer.pack)
    reachable = {_up_to(from_spools, offer.pack) for from_spools, _ in offer.breaks if from_spools > least}
    for spools in (least, *sorted(reachable)):
        price = offer.price_at(spools)
        yield Choice(offer.offer_id, spools, spools * offer.spool_mg, price, spools * price)


@dataclass(frozen=True)
class Purchase:
    """What to buy of an item now, why, and on which offer."""

    choice: Choice
    suggestion: Suggestion
    """With the lead time of the offer that was chosen."""
    passed_over: int | None
    """The offer that would cost less, where its delivery would come too late."""


def purchase(
    need: Need, offers: Sequence[OfferTerms], *, today: date, review_days: int, cover_days: int
) -> Purchase | None:
    """Give what to buy of an item today and on which offer, or None where it can wait or nobody offers it.

    Every offer stands with its own lead time (that of `need` is not read): its own order-by, grams wanted and gap.
    Those that still arrive in time are preferred to those that eat into the safety days, and these to a gap, the
    shorter the better: a machine that stands still costs more than its plastic. Of those that are equal in this, the
    one is taken on which what is wanted costs least; if it can wait for the next order day, so can the item.
    Errors: BadInput on a figure that cannot be.
    Source: `suggest` and `best_offer` for each lead time; the order of preference is our own.
    """
    by_offer = {
        offer.offer_id: suggest(
            replace(need, lead_days=offer.lead_days), today=today, review_days=review_days, cover_days=cover_days
        )
        for offer in offers
    }
    soonest = min(map(_lateness, by_offer.values()), default=0)
    in_time = [offer for offer in offers if _lateness(by_offer[offer.offer_id]) == soonest]
    # all are compared on the same grams, the least that any of them has to bring, so that no lead time looks dear
    least_mg = min((due.wanted_mg for offer in in_time if (due := by_offer[offer.offer_id])), default=0)
    best, cheapest = best_offer(in_time, least_mg), best_offer(offers, least_mg)
    due = by_offer[best.offer_id] if best else None
    if best is None or cheapest is None or due is None:
        return None
    choice = best_offer([offer for offer in in_time if offer.offer_id == best.offer_id], due.wanted_mg)
    cheaper = cheapest.offer_id if cheapest.total_minor < best.total_minor else None
    return Purchase(choice or best, due, passed_over=cheaper)


def _lateness(due: Suggestion | None) -> int:
    """Give 0 for an order that arrives in time or can wait, 1 for one that eats into the safety days, more for gaps."""
    if due is None or due.why.code == "due":
        return 0
    return 1 + due.gap_days
